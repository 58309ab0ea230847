package compare

import (
	"fileassay/verify/result"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// written opens a result of these lines of files; places are the unread
// sectors of its volume.
func written(t *testing.T, missing, places string, files ...string) *result.Result {
	t.Helper()
	lines := []string{
		`{"type":"image","path":"depot.img","size":1048576,"drive_size":1048576,"sector":512,"map":{},"table":"none","missing":` + missing + `,"format":1}`,
		`{"type":"volume","volume":1,"start":0,"length":1048576,"filesystem":"ext4","listing":{"complete":false,"why":[]},"places":` + places + `}`}
	lines = append(append(lines, files...), `{"type":"summary","files":{},"folders":{},"sizes":{},"bytes":{},"listing_complete":false}`)
	path := filepath.Join(t.TempDir(), "r.jsonl")
	if err := os.WriteFile(path, []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := result.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// fileLine is a file of 2048 bytes, or of another size.
func fileLine(path, verdict string, size, read, doubtful int64, more string) string {
	return fmt.Sprintf(`{"type":"file","volume":1,"id":7,"path":%q,"kind":"file","size":%d,"verdict":%q,"bytes":{"read":%d,"doubtful":%d,"failed":%d,"skipped":0,"unlocated":0},"extents":[],"damage":[],"why":[]%s}`,
		path, size, verdict, read, doubtful, size-read-doubtful, more)
}

// What is worse is told as worse, also where the verdict stays, or rises.
func TestWorseUnderItsName(t *testing.T) {
	whole := fileLine("Casks/ledger.odt", "intact", 2048, 2048, 0, "")
	for _, c := range []struct {
		name          string
		before, after string
		what          What // "" for nothing
		why           string
	}{
		{"the same", whole, whole, "", ""},
		{"its folder is known no more", whole, fileLine("?/5/ledger.odt", "intact", 2048, 2048, 0, ""), Fell, "was known before"},
		{"its name is known no more", fileLine("?/5/ledger.odt", "intact", 2048, 2048, 0, ""), fileLine("?/7", "intact", 2048, 2048, 0, `,"unnamed":true`), Fell, "was known before"},
		{"whole, without its folder", fileLine("Casks/ledger.odt", "lost", 2048, 0, 0, ""), fileLine("?/5/ledger.odt", "intact", 2048, 2048, 0, ""), Changed, "was known before"},
		{"its name is found, its folder is not", fileLine("?/7", "intact", 2048, 2048, 0, `,"unnamed":true`), fileLine("?/5/ledger.odt", "intact", 2048, 2048, 0, ""), Named, ""},
		{"doubtful data failed", fileLine("Casks/ledger.odt", "damaged", 2048, 512, 1536, ""), fileLine("Casks/ledger.odt", "damaged", 2048, 512, 512, ""), Fell, "did not vouch"},
		{"doubtful data failed, other data was read", fileLine("Casks/ledger.odt", "damaged", 2048, 512, 1536, ""), fileLine("Casks/ledger.odt", "damaged", 2048, 1024, 0, ""), Fell, "did not vouch"},
		{"doubtful data was read", fileLine("Casks/ledger.odt", "damaged", 2048, 512, 1024, ""), fileLine("Casks/ledger.odt", "damaged", 2048, 1024, 512, ""), More, ""},
		{"whole, and shorter than what was read", fileLine("Casks/ledger.odt", "damaged", 2048, 1024, 0, ""), fileLine("Casks/ledger.odt", "intact", 512, 512, 0, ""), Changed, "less of its content"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := Results(written(t, "[]", "[]", c.before), written(t, "[]", "[]", c.after), nil)
			if err != nil {
				t.Fatal(err)
			}
			if c.what == "" {
				if len(r.Changes) != 0 || r.Worse() {
					t.Errorf("%+v, worse %v", r.Changes, r.Worse())
				}
				return
			}
			if len(r.Changes) != 1 || r.Changes[0].What != c.what || !strings.Contains(r.Changes[0].Why, c.why) || r.Worse() != (c.what == Fell || c.what == Changed) {
				t.Errorf("%+v, worse %v; want %s: %s", r.Changes, r.Worse(), c.what, c.why)
			}
		})
	}
}

// A doubtful sector that failed in the further pass was unread before too, and
// its data is gone all the same. So is the word on volumes.
func TestWorseSectors(t *testing.T) {
	state := func(state, ranges string) string {
		return `[{"holds":"files","state":"` + state + `","ranges":` + ranges + `}]`
	}
	for _, c := range []struct{ before, after, want string }{
		{state("doubtful", "[[8192,1024]]"), state("doubtful", "[[8192,1024]]"), ""},
		{state("doubtful", "[[8192,1024]]"), "[]", ""},
		{state("failed", "[[8192,1024]]"), state("skipped", "[[8192,1024]]"), ""},
		{state("doubtful", "[[8192,1024]]"), state("failed", "[[8704,4096]]"), "1 sector was doubtful before and is failed or not tried now, at byte 8704: "},
		{state("doubtful", "[[8192,1024]]"), state("skipped", "[[4096,65536]]"), "2 sectors were doubtful before and are failed or not tried now, the first at byte 8192: "},
	} {
		r, err := Results(written(t, "[]", c.before), written(t, "[]", c.after), nil)
		if err != nil {
			t.Fatal(err)
		}
		told := ""
		for _, w := range r.Warnings {
			told += w
		}
		if !strings.HasPrefix(told, c.want) || r.Worse() != (c.want != "" || r.Lost > 0) {
			t.Errorf("%s to %s: %q, worse %v, want %q", c.before, c.after, told, r.Worse(), c.want)
		}
		if c.want == "" && told != "" {
			t.Errorf("%s to %s: %q, want nothing", c.before, c.after, told)
		}
	}
	r, err := Results(written(t, "[]", "[]"), written(t, `["the second table is unread"]`, "[]"), nil)
	if err != nil || !r.Worse() || len(r.Warnings) != 1 || !strings.Contains(r.Warnings[0], "volumes may be missing now, and nothing said so before: the second table is unread") {
		t.Errorf("%v: %q, want a warning on volumes", err, r.Warnings)
	}
}
