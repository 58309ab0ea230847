package image

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// holesOf are the holes of an image as [start, length] pairs.
func holesOf(t *testing.T, path string) ([][2]int64, bool) {
	t.Helper()
	s, err := Look(path, PartOptions{})
	if err != nil {
		t.Fatal(err)
	}
	var list [][2]int64
	ok := s.Holes(func(start, length int64) { list = append(list, [2]int64{start, length}) })
	return list, ok
}

// The holes of an image are those of its parts. A filesystem without holes
// tells of none, which is told apart by a file that is one hole.
func TestHoles(t *testing.T) {
	dir := t.TempDir()
	const m = 1 << 20
	make := func(name string, data ...int64) string {
		path := filepath.Join(dir, name)
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		for _, at := range data {
			if _, err := f.WriteAt(pattern(m), at); err != nil {
				t.Fatal(err)
			}
		}
		if err := f.Truncate(4 * m); err != nil {
			t.Fatal(err)
		}
		return path
	}
	probe, ok := holesOf(t, make("probe"))
	if !ok || len(probe) == 0 {
		t.Logf("the filesystem of %s tells of no holes; nothing to compare", dir)
		return
	}
	make("d.001", m)
	make("d.002", 0, 3*m)
	got, ok := holesOf(t, filepath.Join(dir, "d.001"))
	if diff := cmp.Diff([][2]int64{{0, m}, {2 * m, 2 * m}, {5 * m, 2 * m}}, got); diff != "" || !ok {
		t.Errorf("holes (-want +got), %v:\n%s", ok, diff)
	}
	if got, ok := holesOf(t, make("full.img", 0, m, 2*m, 3*m)); len(got) > 0 || !ok {
		t.Errorf("a file without holes has %v, %v", got, ok)
	}
}

// A device with sectors of 4096 bytes tells its size and is read in whole
// ones.
func TestLoopDeviceOf4096(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	path := filepath.Join(t.TempDir(), "drive.img")
	if err := os.WriteFile(path, pattern(1<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("losetup", "--find", "--show", "--read-only", "--sector-size", "4096", path).CombinedOutput()
	if err != nil {
		t.Fatalf("losetup: %v\n%s", err, out)
	}
	device := strings.TrimSpace(string(out))
	defer func() {
		if out, err := exec.Command("losetup", "--detach", device).CombinedOutput(); err != nil {
			t.Errorf("losetup: %v\n%s", err, out)
		}
	}()
	s, err := Look(device, PartOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if s.Size != 1<<20 || s.unit != 4096 || s.Parts != nil {
		t.Errorf("size %d, sectors of %d, parts %v", s.Size, s.unit, s.Parts)
	}
}
