package image

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fileassay/extract/imap"
)

// What was done to the files of an image while it was open is noticed.
func TestUnchanged(t *testing.T) {
	const size = 4096
	for _, test := range []struct {
		name string
		do   func(path string) error // "" where nothing is noticed
		want string
	}{
		{"nothing", func(string) error { return nil }, ""},
		{"read", func(p string) error { _, err := os.ReadFile(p); return err }, ""},
		{"cut short", func(p string) error { return os.Truncate(p, 1000) }, "had 4096 bytes and has 1000"},
		{"grown", func(p string) error { return os.Truncate(p, 5000) }, "had 4096 bytes and has 5000"},
		{"emptied", func(p string) error { return os.Truncate(p, 0) }, "is empty"},
		{"written to", func(p string) error { return os.Chtimes(p, time.Time{}, time.Unix(1e9, 0)) }, "was written to"},
		{"written to, its time set back", func(p string) error {
			st, err := os.Stat(p)
			before, _ := lookAt(p)
			for err == nil { // until the clock of the filesystem has moved
				err = errors.Join(os.WriteFile(p, []byte(strings.Repeat("x", size)), 0o600), os.Chtimes(p, time.Time{}, st.ModTime()))
				if now, _ := lookAt(p); now.at != before.at || now.at == 0 {
					break
				}
			}
			return err
		}, "its time set back"},
		{"gone", os.Remove, "no such file"},
		{"replaced", func(p string) error {
			st, err := os.Stat(p)
			if err != nil {
				return err
			}
			if err := os.WriteFile(p+"~", make([]byte, size), 0o600); err != nil {
				return err
			}
			return errors.Join(os.Chtimes(p+"~", st.ModTime(), st.ModTime()), os.Rename(p+"~", p))
		}, "another file stands under its name"},
	} {
		for _, parts := range []int{1, 3} {
			t.Run(test.name, func(t *testing.T) {
				dir := t.TempDir()
				var paths []string
				for i := range parts {
					paths = append(paths, filepath.Join(dir, "drive.00"+string(rune('1'+i))))
					if err := os.WriteFile(paths[i], make([]byte, size), 0o600); err != nil {
						t.Fatal(err)
					}
				}
				s, err := Look(paths[0], PartOptions{})
				if err != nil {
					t.Fatal(err)
				}
				r, err := s.Open(imap.All(s.Size), Options{})
				if err != nil {
					t.Fatal(err)
				}
				defer r.Close()
				if err := test.do(paths[parts-1]); err != nil {
					t.Fatal(err)
				}
				err = r.Unchanged()
				if test.want == "" {
					if err != nil {
						t.Error(err)
					}
					return
				}
				if !errors.Is(err, ErrChanged) || !strings.Contains(err.Error(), test.want) || !strings.Contains(err.Error(), paths[parts-1]) {
					t.Errorf("%v; want a word of %q", err, test.want)
				}
				if next, _ := r.Again(); !errors.Is(next.Unchanged(), ErrChanged) {
					t.Error("the reader of the next pass does not know")
				}
				if again, err := s.Open(imap.All(s.Size), Options{}); parts == 1 && err == nil {
					t.Error("opened though it changed since it was looked at")
					again.Close()
				}
			})
		}
	}
}

// What stands past the new end of an image that is cut short is a fault, and a
// part that was replaced gives nothing.
func TestCutShortWhileOpen(t *testing.T) {
	const size = 8192
	path := filepath.Join(t.TempDir(), "drive.img")
	if err := os.WriteFile(path, make([]byte, size), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := Open(path, imap.All(size), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := os.Truncate(path, 5000); err != nil {
		t.Fatal(err)
	}
	if _, err := r.ReadAt(make([]byte, size), 0); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("got %v", err)
	}
	next, found := r.Again()
	if !found || !next.IsRead(0, 4608) || next.IsRead(4608, 1) || next.IsRead(size-1, 1) || next.Tally()[imap.Failed] != size-4608 {
		t.Errorf("broken %v", next.Broken())
	}

	dir := t.TempDir()
	for _, name := range []string{"d.001", "d.002", "other"} {
		if err := os.WriteFile(filepath.Join(dir, name), make([]byte, size), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s, err := Look(filepath.Join(dir, "d.001"), PartOptions{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := s.Open(imap.All(s.Size), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if err := os.Rename(filepath.Join(dir, "other"), filepath.Join(dir, "d.002")); err != nil {
		t.Fatal(err)
	}
	if _, err := p.ReadAt(make([]byte, 512), size); !errors.Is(err, ErrChanged) {
		t.Errorf("a part that was replaced: %v", err)
	}
}
