package fat_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/diskfs/go-diskfs"
	"github.com/diskfs/go-diskfs/disk"
	"github.com/diskfs/go-diskfs/filesystem"
	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/fat"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// tree is the files of a volume with the SHA-256 of their content; a folder
// has "".
type contents map[string]string

// herbarium is what the tests put on their volumes.
func herbarium() map[string][]byte {
	files := map[string][]byte{}
	for i, size := range []int{1, 511, 512, 513, 5000, 70_000, 1 << 20} {
		b := make([]byte, size)
		for k := range b {
			b[k] = byte(k*7 + i)
		}
		files[fmt.Sprintf("Plates/Tray %d/Betula pendula, sheet %d.tif", i%3, i)] = b
		files[fmt.Sprintf("PLATE%d.TXT", i)] = b[:size/2+1]
	}
	return files
}

// truth is the tree of the files.
func truth(files map[string][]byte) contents {
	want := contents{}
	for name, b := range files {
		want[name] = fmt.Sprintf("%x", sha256.Sum256(b))
		for d := filepath.Dir(name); d != "."; d = filepath.Dir(d) {
			want[d] = ""
		}
	}
	return want
}

// ours reads the tree with this project's reader; every file must be provable
// and the list complete, but for the chains that the volume's writer is known
// to leave without a name.
func ours(t *testing.T, path string, size int64, lost ...string) contents {
	t.Helper()
	r, err := image.Open(path, imap.All(size), image.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	v, err := fat.Open(context.Background(), r, 0, size, extract.Options{})
	if err != nil {
		t.Fatal(err)
	}
	got := contents{}
	survey, err := v.Walk(context.Background(), func(f *extract.File) error {
		if slices.Contains(lost, f.Path) {
			return nil
		}
		if f.RecordUnread || f.EntriesUnread || f.Unnamed || len(f.Why) > 0 {
			t.Errorf("%s: %v", f.Path, f.Why)
		}
		if f.Kind == extract.KindFolder {
			got[f.Path] = ""
			return nil
		}
		h := sha256.New()
		var n int64
		for _, p := range f.Pieces {
			b := make([]byte, p.Length)
			if _, err := r.ReadAt(b, p.Image); err != nil {
				return err
			}
			h.Write(b)
			n += p.Length
		}
		if n != f.Size {
			t.Errorf("%s: %d of %d bytes located", f.Path, n, f.Size)
		}
		got[f.Path] = fmt.Sprintf("%x", h.Sum(nil))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if l := survey.Listing; l.Complete != (len(lost) == 0) {
		t.Errorf("listing of a healthy volume: %+v", l)
	}
	return got
}

// diskfsKinds are the kinds of volumes that go-diskfs makes, with the size of
// each here.
var diskfsKinds = []struct {
	name string
	kind filesystem.Type
	size int64
	// chain is what go-diskfs takes without using it: cluster 2.
	chain []string
	// long are the files that go-diskfs reads past their end when the room it
	// is given allows it: it gives their slack too.
	long []string
}{
	{"FAT12", filesystem.TypeFat12, 4 << 20, []string{"?/chain-2"}, []string{"Plates/Tray 0/Betula pendula, sheet 3.tif"}},
	{"FAT16", filesystem.TypeFat16, 20 << 20, []string{"?/chain-2"}, []string{"Plates/Tray 0/Betula pendula, sheet 3.tif"}},
	{"FAT32", filesystem.TypeFat32, 40 << 20, nil, nil},
}

// makeDiskfs has go-diskfs make a volume of the files and gives what it reads
// back: the tree, with every file as long as it says the file is, and those of
// which it gives more than that.
func makeDiskfs(t *testing.T, path string, kind filesystem.Type, size int64, files map[string][]byte) (got contents, long []string) {
	t.Helper()
	d, err := diskfs.Create(path, size, diskfs.SectorSizeDefault)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	v, err := d.CreateFilesystem(disk.FilesystemSpec{FSType: kind, VolumeLabel: "HERBARIUM"})
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		if dir := filepath.Dir(name); dir != "." {
			if err := v.Mkdir("/" + dir); err != nil {
				t.Fatal(err)
			}
		}
		f, err := v.OpenFile("/"+name, os.O_CREATE|os.O_RDWR)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.Write(files[name]); err != nil {
			t.Fatal(err)
		}
		f.Close()
	}
	got = contents{}
	err = fs.WalkDir(v, ".", func(p string, e fs.DirEntry, err error) error {
		if err != nil || p == "." {
			return err
		}
		if e.IsDir() {
			got[p] = ""
			return nil
		}
		st, err := e.Info()
		if err != nil {
			return err
		}
		b, err := fs.ReadFile(v, p)
		if int64(len(b)) > st.Size() {
			b = b[:st.Size()]
			long = append(long, p)
		}
		got[p] = fmt.Sprintf("%x", sha256.Sum256(b))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return got, long
}

// TestDiskfs reads volumes that go-diskfs made, and holds tree and content
// against what was written into them and what go-diskfs reads.
func TestDiskfs(t *testing.T) {
	files := herbarium()
	for _, c := range diskfsKinds {
		path := filepath.Join(t.TempDir(), "card.img")
		theirs, long := makeDiskfs(t, path, c.kind, c.size, files)
		here := ours(t, path, c.size, c.chain...)
		if diff := cmp.Diff(truth(files), here); diff != "" {
			t.Errorf("%s: what was written and what is read here: %s", c.name, diff)
		}
		if diff := cmp.Diff(theirs, here); diff != "" {
			t.Errorf("%s: what go-diskfs reads and what is read here: %s", c.name, diff)
		}
		if diff := cmp.Diff(c.long, long); diff != "" {
			t.Errorf("%s: go-diskfs reads other files past their end: %s", c.name, diff)
		}
	}
}

// TestDiskfsMtools has mtools read the volumes that go-diskfs made. It runs
// where FILEASSAY_TOOLS is 1.
func TestDiskfsMtools(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	files := herbarium()
	for _, c := range diskfsKinds {
		dir := t.TempDir()
		path, out := filepath.Join(dir, "card.img"), filepath.Join(dir, "out")
		makeDiskfs(t, path, c.kind, c.size, files)
		if err := os.Mkdir(out, 0o755); err != nil {
			t.Fatal(err)
		}
		runTool(t, "mcopy", "-s", "-n", "-i", path, "::*", out)
		theirs := contents{}
		err := filepath.WalkDir(out, func(p string, e fs.DirEntry, err error) error {
			if err != nil || p == out {
				return err
			}
			rel, _ := filepath.Rel(out, p)
			if e.IsDir() {
				theirs[rel] = ""
				return nil
			}
			b, err := os.ReadFile(p)
			theirs[rel] = fmt.Sprintf("%x", sha256.Sum256(b))
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(theirs, ours(t, path, c.size, c.chain...)); diff != "" {
			t.Errorf("%s (-mtools +here): %s", c.name, diff)
		}
	}
}

// TestMtools reads volumes that mkfs.fat and mtools made. It runs where
// FILEASSAY_TOOLS is 1.
func TestMtools(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	dir := t.TempDir()
	files := herbarium()
	for name, b := range files {
		p := filepath.Join(dir, "in", name)
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for bits, size := range map[string]int64{"12": 4 << 20, "16": 20 << 20, "32": 40 << 20} {
		img := filepath.Join(dir, bits+".img")
		if err := os.WriteFile(img, nil, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.Truncate(img, size); err != nil {
			t.Fatal(err)
		}
		runTool(t, "mkfs.vfat", "-F", bits, img)
		runTool(t, "mcopy", "-s", "-i", img, filepath.Join(dir, "in", "Plates"), "::")
		for name := range files {
			if !strings.Contains(name, "/") {
				runTool(t, "mcopy", "-i", img, filepath.Join(dir, "in", name), "::")
			}
		}
		if diff := cmp.Diff(truth(files), ours(t, img, size)); diff != "" {
			t.Errorf("FAT%s: %s", bits, diff)
		}
		runTool(t, "fsck.vfat", "-n", img)
	}
}

func runTool(t *testing.T, name string, args ...string) {
	t.Helper()
	c := exec.Command(name, args...)
	c.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1", "PATH="+os.Getenv("PATH")+":/usr/sbin:/sbin")
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
}
