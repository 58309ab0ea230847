package delivery_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"fileassay/verify/delivery"
)

// What stands for a file of a bag may be no regular file, or one without end.
// That is found, nothing is waited for or held whole, and the audit goes on to
// the end: it finds what was changed in the payload.
func TestAuditHostileBag(t *testing.T) {
	image, res, clean := shop(t)
	const payload = "data/intact/volume-1/letter.txt"
	if err := os.WriteFile(filepath.Join(clean, payload), []byte("wrong"), 0o644); err != nil {
		t.Fatal(err)
	}
	tags := append([]string{"bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"}, tableNames...)
	sparse := func(head string) func(p string) error {
		return func(p string) error {
			was, err := os.ReadFile(p)
			if err == nil {
				err = os.WriteFile(p, append(was, head...), 0o644)
			}
			if err != nil {
				return err
			}
			return os.Truncate(p, 3<<29) // 1.5 GiB that take no room
		}
	}
	for _, kind := range []struct {
		name, why string // why is of the finding that tells of the file itself
		names     []string
		make      func(p string) error
	}{
		{"pipe", "is a pipe", tags, func(p string) error { return unix.Mkfifo(p, 0o600) }},
		{"socket", "is a socket", tags, func(p string) error {
			fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_STREAM, 0)
			if err != nil {
				return err
			}
			defer unix.Close(fd)
			return unix.Bind(fd, &unix.SockaddrUnix{Name: p})
		}},
		{"folder", "is a folder", tags, func(p string) error { return os.Mkdir(p, 0o755) }},
		{"link to a pipe", "is a pipe", tags, func(p string) error {
			if err := unix.Mkfifo(filepath.Join(filepath.Dir(p), "other"), 0o600); err != nil {
				return err
			}
			return os.Symlink("other", p)
		}},
		{"long line", "longer than", []string{"manifest-sha256.txt", "missing.csv", "left-out.csv"}, sparse("")},
		{"long cell", "longer than", []string{"missing.csv", "renamed.csv", "marks.csv", "left-out.csv"}, sparse(`"`)},
		{"long value", "more than", []string{"bag-info.txt", "tagmanifest-sha256.txt"}, sparse("Note: ")},
	} {
		for _, name := range kind.names {
			t.Run(kind.name+"/"+name, func(t *testing.T) {
				to := scratch(t)
				copyFolder(t, clean, to)
				p := filepath.Join(to, name)
				whole := strings.HasPrefix(kind.name, "long")
				if !whole {
					if err := os.Remove(p); err != nil {
						t.Fatal(err)
					}
				}
				if err := kind.make(p); err != nil {
					t.Fatal(err)
				}
				var rep *delivery.AuditReport
				var err error
				var before, after runtime.MemStats
				runtime.ReadMemStats(&before)
				done := make(chan struct{})
				go func() {
					defer close(done)
					rep, err = delivery.Audit(t.Context(), delivery.AuditOptions{Folder: to, Result: res, Image: image})
				}()
				select {
				case <-done:
				case <-time.After(time.Minute):
					t.Fatal("it waits")
				}
				if err != nil && name != "bagit.txt" {
					t.Fatal(err)
				}
				runtime.ReadMemStats(&after)
				if took := (after.TotalAlloc - before.TotalAlloc) >> 20; took > 128 {
					t.Errorf("takes %d MiB", took)
				}
				if rep.Clean() {
					t.Fatal("nothing is off")
				}
				has := func(path, why string) bool {
					return slices.ContainsFunc(rep.Findings, func(f delivery.Finding) bool {
						return f.Path == path && strings.Contains(f.Why, why) && !f.Note
					})
				}
				if why := kind.why; name != "bagit.txt" && !has(name, why) {
					t.Errorf("%s: nothing %q in %+v", name, why, rep.Findings)
				}
				if !has(payload, "") {
					t.Errorf("what is off behind it is not found: %+v", rep.Findings)
				}
			})
		}
	}
}

// A value of very many lines costs what they are long.
func TestAuditManyLines(t *testing.T) {
	_, _, clean := shop(t)
	p := filepath.Join(clean, "bag-info.txt")
	text, err := os.ReadFile(p)
	if err == nil {
		err = os.WriteFile(p, append(text, "Note: x\n"+strings.Repeat(" \n", 400_000)...), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	if _, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: clean}); err != nil {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&after)
	if took := (after.TotalAlloc - before.TotalAlloc) >> 20; took > 64 {
		t.Errorf("copies %d MiB", took)
	}
}

// What an audit could not read in a bag again is not asked for.
func TestRunLongSelection(t *testing.T) {
	_, image, res := yard(t)
	o := both(image, res, filepath.Join(scratch(t), "to"))
	for i := range 1000 {
		o.Paths = append(o.Paths, fmt.Sprintf("%04d%s", i, bytes.Repeat([]byte("x"), 600)))
	}
	if _, err := delivery.Run(t.Context(), o); err == nil || !strings.Contains(err.Error(), "write them as a wanted list") {
		t.Errorf("error %v", err)
	}
}
