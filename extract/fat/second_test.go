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
type tree map[string]string

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
func truth(files map[string][]byte) tree {
	want := tree{}
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
func ours(t *testing.T, path string, size int64, lost ...string) tree {
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
	got := tree{}
	err = v.Walk(context.Background(), func(f *extract.File) error {
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
	if l := v.Listing(); l.Complete != (len(lost) == 0) {
		t.Errorf("listing of a healthy volume: %+v", l)
	}
	return got
}

// TestDiskfs reads volumes that go-diskfs made, and has it read them too.
func TestDiskfs(t *testing.T) {
	for kind, size := range map[filesystem.Type]int64{filesystem.TypeFat12: 4 << 20, filesystem.TypeFat16: 20 << 20, filesystem.TypeFat32: 40 << 20} {
		path := filepath.Join(t.TempDir(), "card.img")
		d, err := diskfs.Create(path, size, diskfs.SectorSizeDefault)
		if err != nil {
			t.Fatal(err)
		}
		v, err := d.CreateFilesystem(disk.FilesystemSpec{FSType: kind, VolumeLabel: "HERBARIUM"})
		if err != nil {
			t.Fatal(err)
		}
		files := herbarium()
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
		want := tree{}
		err = fs.WalkDir(v, ".", func(p string, e fs.DirEntry, err error) error {
			if err != nil || p == "." {
				return err
			}
			if e.IsDir() {
				want[p] = ""
				return nil
			}
			b, err := fs.ReadFile(v, p)
			want[p] = fmt.Sprintf("%x", sha256.Sum256(b))
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		d.Close()
		// FAT12 and FAT16: go-diskfs takes cluster 2 without using it, and does not
		// read back every file as it wrote it, so that only the names are compared
		var lost []string
		if kind != filesystem.TypeFat32 {
			lost = []string{"?/chain-2"}
			if diff := cmp.Diff(slices.Sorted(maps.Keys(truth(files))), slices.Sorted(maps.Keys(want))); diff != "" {
				t.Errorf("filesystem type %d: go-diskfs lists other names: %s", kind, diff)
			}
			want = truth(files)
		}
		if diff := cmp.Diff(want, ours(t, path, size, lost...)); diff != "" {
			t.Errorf("filesystem type %d: %s", kind, diff)
		}
		if diff := cmp.Diff(truth(files), want); diff != "" {
			t.Errorf("filesystem type %d: go-diskfs does not read what it wrote: %s", kind, diff)
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
		run(t, "mkfs.vfat", "-F", bits, img)
		run(t, "mcopy", "-s", "-i", img, filepath.Join(dir, "in", "Plates"), "::")
		for name := range files {
			if !strings.Contains(name, "/") {
				run(t, "mcopy", "-i", img, filepath.Join(dir, "in", name), "::")
			}
		}
		if diff := cmp.Diff(truth(files), ours(t, img, size)); diff != "" {
			t.Errorf("FAT%s: %s", bits, diff)
		}
		run(t, "fsck.vfat", "-n", img)
	}
}

func run(t *testing.T, name string, args ...string) {
	t.Helper()
	c := exec.Command(name, args...)
	c.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1", "PATH="+os.Getenv("PATH")+":/usr/sbin:/sbin")
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
}
