package image

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract/imap"
)

func TestOpen(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, n int) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, pattern(n), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	good := write("good.img", 1000)
	empty := write("empty.img", 0)
	tests := []struct {
		name, path string
		o          Options
		want       string // in the error; "" for none
	}{
		{"file", good, Options{}, ""},
		{"on a larger drive", good, Options{Sector: 4096, DriveSize: 1 << 40}, ""},
		{"empty", empty, Options{}, "empty.img: is empty: there is no image in it"},
		{"folder", dir, Options{}, "is a folder: give the image file or block device itself"},
		{"missing", filepath.Join(dir, "none.img"), Options{}, "image cannot be opened: "},
		{"smaller drive", good, Options{DriveSize: 512}, "has 1000 bytes, more than the drive with 512: give the drive's true size, or none"},
		{"sector size 1", good, Options{Sector: 1}, "sector size of 1 bytes: should be a power of two from 512 to 65536"},
		{"sector size 520", good, Options{Sector: 520}, "sector size of 520 bytes"},
		{"negative sector size", good, Options{Sector: -512}, "sector size of -512 bytes"},
		{"sector size 1 MiB", good, Options{Sector: 1 << 20}, "sector size of 1048576 bytes"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			r, err := Open(test.path, imap.All(1000), test.o)
			if test.want != "" {
				if err == nil || !strings.Contains(err.Error(), test.want) {
					t.Fatalf("got %v, want %q", err, test.want)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if r.Size() != 1000 || r.DriveSize() != max(1000, test.o.DriveSize) {
				t.Errorf("size %d, drive %d", r.Size(), r.DriveSize())
			}
			if err := r.Close(); err != nil {
				t.Error(err)
			}
			if _, err := r.ReadAt(make([]byte, 1), 0); test.o.DriveSize == 0 && !errors.Is(err, fs.ErrClosed) {
				t.Errorf("reading after Close: %v", err)
			}
		})
	}
	if n, err := Size(good); n != 1000 || err != nil {
		t.Errorf("Size = %d, %v", n, err)
	}
	if _, err := Size(filepath.Join(dir, "none.img")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("Size of a missing file: %v", err)
	}
}
