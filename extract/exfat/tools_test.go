package exfat

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// TestFsck has fsck.exfat judge the volumes that these tests build: checksums,
// hashes and bitmap are then not only this package's opinion. It runs where
// FILEASSAY_TOOLS is 1.
func TestFsck(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	v := build(t, 4000, 9, 3)
	f := v.sub(&v.root, "sheets", 100)
	v.mark(200, 201)
	v.put(f, entry{name: "Betula pendula, élevé à Genève.tif", flags: flagContiguous, first: 200, size: 5000})
	v.chain(210, 220)
	v.put(f, entry{name: "carex.txt", first: 210, size: 8000})
	path := filepath.Join(t.TempDir(), "card.img")
	if err := os.WriteFile(path, v.Read(0, int(v.Size)), 0o644); err != nil {
		t.Fatal(err)
	}
	c := exec.Command("fsck.exfat", "-n", path)
	c.Env = append(os.Environ(), "PATH="+os.Getenv("PATH")+":/usr/sbin:/sbin")
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("fsck.exfat: %v\n%s", err, out)
	}
}
