package delivery_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/verify/delivery"
	"fileassay/verify/files"
)

// The first line of the journal and its name are on the disk before anything
// else is made.
func TestJournalOnDiskFirst(t *testing.T) {
	dir, image, result := yard(t)
	to := filepath.Join(dir, "to")
	var seen []string
	_, err := delivery.RunWaiting(t.Context(), both(image, result, to), func(f *os.File) error {
		rel, err := filepath.Rel(to, f.Name())
		if seen = append(seen, rel); err != nil || len(seen) > 2 { // later it waits for the end
			return errors.Join(err, f.Sync())
		}
		if text, err := os.ReadFile(filepath.Join(to, ".fileassay-journal")); err != nil || bytes.Count(text, []byte("\n")) != 1 {
			t.Errorf("journal %q, %v", text, err)
		}
		if list, err := os.ReadDir(to); err != nil || len(list) != 1 {
			t.Errorf("there are %v, %v", list, err)
		}
		return f.Sync()
	})
	if d := cmp.Diff([]string{".fileassay-journal", "."}, seen[:min(len(seen), 2)]); err != nil || d != "" {
		t.Errorf("%v: %s", err, d)
	}
}

// Beside a journal that does not tell what was asked for, nothing in the folder
// is taken for a part of the delivery or touched; where nothing stands there the
// delivery begins.
func TestJournalUntold(t *testing.T) {
	_, image, result := yard(t)
	dir := scratch(t)
	if _, err := delivery.Run(t.Context(), both(image, result, filepath.Join(dir, "whole"))); err != nil {
		t.Fatal(err)
	}
	untimed := func(to string) map[string]string { // some files of it have no time of their own
		all := tree(t, to)
		for p, what := range all {
			all[p], _, _ = strings.Cut(what, " ")
		}
		return all
	}
	want := untimed(filepath.Join(dir, "whole"))
	for name, journal := range map[string]string{
		"empty": "", "zeros": strings.Repeat("\x00", 4096), "cut": `{"format":1,"result":"0123`, "cut, zeros": `{"form` + strings.Repeat("\x00", 100),
		"missing": "-", "somebody's": "my notes", "somebody's line": "my notes\n",
	} {
		for _, inside := range []string{"", "data.partial/", "data.partial/x.img", "data.partial/intact/volume-1/a.txt", "data.partial/mine/", "data.partial", "data/x", "notes.txt", "bag-info.txt"} {
			to := filepath.Join(dir, "to", strings.ReplaceAll(name, "'", ""), strings.ReplaceAll(inside, "/", "-"), "to")
			at := filepath.Join(to, inside)
			err := os.MkdirAll(to, 0o755)
			switch {
			case strings.HasSuffix(inside, "/"):
				err = errors.Join(err, os.MkdirAll(at, 0o755))
			case inside != "":
				err = errors.Join(err, os.MkdirAll(filepath.Dir(at), 0o755), os.WriteFile(at, []byte("mine"), 0o644))
			}
			if journal != "-" {
				err = errors.Join(err, os.WriteFile(filepath.Join(to, ".fileassay-journal"), []byte(journal), 0o644))
			}
			if err != nil {
				t.Fatal(err)
			}
			before := tree(t, to)
			_, err = delivery.Run(t.Context(), both(image, result, to))
			if (inside == "" || inside == "data.partial/") && !strings.HasPrefix(name, "somebody") {
				if err != nil {
					t.Errorf("%s, %q: %v", name, inside, err)
				} else if d := cmp.Diff(want, untimed(to)); d != "" {
					t.Errorf("%s, %q: %s", name, inside, d)
				}
				continue
			}
			var out *files.OutputError
			if !errors.As(err, &out) || !strings.Contains(err.Error(), "give ") {
				t.Errorf("%s, %q: %v", name, inside, err)
			} else if strings.HasPrefix(inside, "data.partial") && !strings.HasPrefix(name, "somebody") && !strings.Contains(err.Error(), "remove data.partial and .fileassay-journal") {
				t.Errorf("%s, %q: %v", name, inside, err)
			}
			if d := cmp.Diff(before, tree(t, to)); d != "" {
				t.Errorf("%s, %q: the folder changed: %s", name, inside, d)
			}
		}
	}
}

// No input stands in the folder of a delivery: nothing is read then.
func TestInputInFolder(t *testing.T) {
	for _, journal := range []bool{false, true} {
		dir, image, result := yard(t)
		to := filepath.Join(dir, "to")
		if journal { // an unfinished delivery
			ctx, cancel := context.WithCancel(t.Context())
			o := both(image, result, to)
			o.Progress = func(delivery.Progress) { cancel() }
			if _, err := delivery.Run(ctx, o); !errors.Is(err, context.Canceled) {
				t.Fatal(err)
			}
		}
		for _, name := range []string{"x.img", "data.partial/x.img", "data.partial/intact/volume-1/deep/er/x.img"} {
			at := filepath.Join(to, filepath.FromSlash(name))
			if err := errors.Join(os.MkdirAll(filepath.Dir(at), 0o755), os.Rename(image, at)); err != nil {
				t.Fatal(err)
			}
			link := filepath.Join(dir, "link")
			os.Remove(link)
			if err := os.Symlink(at, link); err != nil {
				t.Fatal(err)
			}
			before := tree(t, dir)
			for _, from := range []string{at, link} {
				o := both(from, filepath.Join(dir, "no result"), to)
				o.Files = files.NewSet()
				o.Files.ProtectImage(from, true)
				if _, err := delivery.Run(t.Context(), o); !files.IsInput(err) || !strings.Contains(err.Error(), "holds "+from) {
					t.Errorf("%s: %v", from, err)
				}
			}
			if d := cmp.Diff(before, tree(t, dir)); d != "" {
				t.Errorf("%s: %s", name, d)
			}
			if err := os.Rename(at, image); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// A link to an input that stands in an unfinished delivery, under the name of a
// file of it, is not removed.
func TestLinkToInputInPayload(t *testing.T) {
	dir, image, result := yard(t)
	if _, err := delivery.Run(t.Context(), both(image, result, filepath.Join(dir, "whole"))); err != nil {
		t.Fatal(err)
	}
	var place string
	for p, what := range tree(t, filepath.Join(dir, "whole", "data")) {
		if what != "folder" && !strings.HasPrefix(what, "to ") && (place == "" || p < place) {
			place = p
		}
	}
	to := filepath.Join(dir, "to")
	ctx, cancel := context.WithCancel(t.Context())
	o := both(image, result, to)
	o.Progress = func(delivery.Progress) { cancel() }
	if _, err := delivery.Run(ctx, o); !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	at := filepath.Join(to, "data.partial", place)
	os.Remove(at)
	if err := errors.Join(os.MkdirAll(filepath.Dir(at), 0o755), os.Link(image, at)); err != nil {
		t.Fatal(err)
	}
	o = both(image, result, to)
	o.Files = files.NewSet()
	o.Files.ProtectImage(image, true)
	if _, err := delivery.Run(t.Context(), o); err == nil || !strings.Contains(err.Error(), "is one of the inputs") {
		t.Errorf("%v", err)
	}
	if _, err := os.Stat(at); err != nil {
		t.Error(err)
	}
}
