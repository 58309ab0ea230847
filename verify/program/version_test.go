package program

import (
	"runtime/debug"
	"testing"
)

func TestVersion(t *testing.T) {
	set := func(kv ...string) (out []debug.BuildSetting) {
		for i := 0; i < len(kv); i += 2 {
			out = append(out, debug.BuildSetting{Key: kv[i], Value: kv[i+1]})
		}
		return out
	}
	for _, tt := range []struct {
		module   string
		settings []debug.BuildSetting
		want     string
	}{
		{"v1.2.3", nil, "v1.2.3"},
		{"", nil, "(devel)"},
		{"(devel)", set("vcs.revision", "0f1e", "vcs.modified", "false"), "(devel) 0f1e"},
		{"v1.2.4-0.2019", set("vcs", "git", "vcs.modified", "true", "vcs.revision", "0f1e"), "v1.2.4-0.2019 0f1e modified"},
	} {
		info := &debug.BuildInfo{Main: debug.Module{Version: tt.module}, Settings: tt.settings}
		if got := version(info); got != tt.want {
			t.Errorf("%q, want %q", got, tt.want)
		}
	}
	if Version() == "" {
		t.Error("no version")
	}
}
