package lawtest_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// reverted are checks of readers that a case of a property depends on. Each was
// found by drawing cases of the reader without the check.
var reverted = []struct {
	name     string
	file     string // of the reader, from extract
	old, new string // the check, and what stands in its place without it
	test     string // -run pattern: the image and the property
	replay   string // the case
	cause    string // what the property says then
}{
	{"FAT: what two chains claim", "fat/owners.go",
		"	return o.shared.has(c) || o.late && o.claimed.has(c)\n", "	return o.late && o.claimed.has(c)\n",
		"^TestProperties$/^v02-fat12$/^content$", "edit=folder_sector:495/160+1=114", "untrue: folder sector/deleted entry"},
	{"exFAT: what two rows of clusters claim", "fat/owners.go",
		"	c, ok = o.shared.firstIn(first, n)\n", "",
		"^TestPropertiesExFAT$/^exfat-kernel$/^content$", "edit=entry_set:70280/56+8=12217", "untrue: entry set/length"},
	{"HFS+: what two files claim", "hfsplus/files.go",
		"e.cross = v.crossed(e.runs)", "e.cross = len(e.runs) < 0",
		"^TestProperties$/^hfsplus-journal-pending$/^content$", "edit=catalog_node:120/1844+4=0", "untrue: catalog node/data extent start"},
}

// TestReverted takes checks of real readers back, one at a time, and sees a
// property fail by it that holds with the check. None of ext's is left that no other
// one stands in for: its bitmaps, counts of blocks and claims tell the same edits. With FILEASSAY_TOOLS=1, since it
// compiles each reader twice.
func TestReverted(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		t.Skip("compiles readers without a check; FILEASSAY_TOOLS=1 runs it")
	}
	for _, c := range reverted {
		t.Run(c.name, func(t *testing.T) {
			file, err := filepath.Abs(filepath.Join("..", c.file))
			if err != nil {
				t.Fatal(err)
			}
			with, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if n := strings.Count(string(with), c.old); n != 1 {
				t.Fatalf("%s has the check %d times: %s", c.file, n, c.old)
			}
			dir := t.TempDir()
			without := filepath.Join(dir, "without.go")
			if err := os.WriteFile(without, []byte(strings.Replace(string(with), c.old, c.new, 1)), 0o600); err != nil {
				t.Fatal(err)
			}
			list, err := json.Marshal(map[string]map[string]string{"Replace": {file: without}})
			if err != nil {
				t.Fatal(err)
			}
			overlay := filepath.Join(dir, "overlay.json")
			if err := os.WriteFile(overlay, list, 0o600); err != nil {
				t.Fatal(err)
			}
			try := func(args ...string) (string, error) {
				cmd := exec.CommandContext(t.Context(), "go", append(append([]string{"test", "-count=1"}, args...), "-run", c.test, ".")...)
				cmd.Dir = filepath.Dir(file)
				cmd.Env = append(os.Environ(), "FILEASSAY_CASE="+c.replay, "FILEASSAY_TOOLS=", "FILEASSAY_PROPERTIES=")
				out, err := cmd.CombinedOutput()
				return string(out), err
			}
			if out, err := try("-v"); err != nil || !strings.Contains(out, "    --- PASS: ") {
				t.Fatalf("it does not hold with the check: %v\n%s", err, out)
			}
			if out, err := try("-overlay", overlay); err == nil || !strings.Contains(out, c.cause) {
				t.Errorf("%q is not found without the check: %v\n%s", c.cause, err, out)
			}
		})
	}
}
