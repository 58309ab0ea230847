package files

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// killAt in the environment makes the test binary a run that makes two outputs
// and is killed before that step of their coming into being.
const killAt = "FILEASSAY_TEST_KILL_AT"

func TestMain(m *testing.M) {
	if step := os.Getenv(killAt); step != "" {
		s := NewSet()
		s.step = func(what string) {
			if what == step {
				p, err := os.FindProcess(os.Getpid())
				if err == nil {
					err = p.Kill()
				}
				if err == nil {
					select {} // until it is dead
				}
			}
		}
		if err := twoOutputs(s, "result", "page"); err != nil {
			os.Stderr.WriteString(err.Error())
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func text(s string) func(o *Output) error {
	return func(o *Output) error { _, err := o.Write([]byte(s)); return err }
}

func twoOutputs(s *Set, a, b string) error {
	ctx := context.Background()
	if err := s.WriteFile(ctx, "result.jsonl", false, text(a)); err != nil {
		return err
	}
	if err := s.WriteFile(ctx, "page.html", false, text(b)); err != nil {
		return err
	}
	return s.Commit(ctx)
}

// folder lists a folder, with numbers of temporary files left out.
func folder(t *testing.T, dir string) []string {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range list {
		names = append(names, strings.Map(func(r rune) rune {
			if r >= '0' && r <= '9' {
				return -1
			}
			return r
		}, e.Name()))
	}
	slices.Sort(names)
	return names
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// A run that makes two outputs is killed before each step of their coming into
// being. The same one can be run again without force, and leaves nothing of the
// killed one; what somebody else put there is never replaced.
func TestKilledBetweenOutputs(t *testing.T) {
	var steps []string
	t.Chdir(t.TempDir())
	s := NewSet()
	s.step = func(what string) { steps = append(steps, what) }
	if err := twoOutputs(s, "result", "page"); err != nil {
		t.Fatal(err)
	}
	want := []string{"mark result.jsonl", "mark page.html", "sync .", "rename result.jsonl", "rename page.html", "sync .", "clear result.jsonl", "clear page.html"}
	if d := cmp.Diff(want, steps); d != "" {
		t.Fatalf("steps (-want +got):\n%s", d)
	}
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range want {
		t.Run(step, func(t *testing.T) {
			dir := t.TempDir()
			t.Chdir(dir)
			c := exec.Command(exe)
			c.Env = append(os.Environ(), killAt+"="+step)
			if out, err := c.CombinedOutput(); err == nil || len(out) > 0 {
				t.Fatalf("not killed: %v, %s", err, out)
			}
			killed := folder(t, dir)
			for _, name := range []string{"result.jsonl", "page.html"} {
				if data, err := os.ReadFile(name); err == nil && string(data) != strings.TrimSuffix(name, filepath.Ext(name)) {
					t.Errorf("%s is half-written: %q", name, data)
				}
			}
			if step == "rename page.html" {
				// somebody's own file under the name is kept
				mine := t.TempDir()
				list, err := os.ReadDir(dir)
				if err != nil {
					t.Fatal(err)
				}
				for _, e := range list {
					write(t, filepath.Join(mine, e.Name()), read(t, e.Name()))
				}
				write(t, filepath.Join(mine, "result.jsonl"), "notes of my own")
				t.Chdir(mine)
				if err := twoOutputs(NewSet(), "new", "new"); !errors.Is(err, ErrExists) || read(t, "result.jsonl") != "notes of my own" {
					t.Errorf("error %v", err)
				}
				t.Chdir(dir)
			}
			if err := NewSet().Check(false, "result.jsonl", "page.html"); err != nil {
				t.Errorf("%q bar the next run: %v", killed, err)
			}
			if err := twoOutputs(NewSet(), "new result", "new page"); err != nil {
				t.Fatalf("%q bar the next run: %v", killed, err)
			}
			if d := cmp.Diff([]string{"page.html", "result.jsonl"}, folder(t, dir)); d != "" {
				t.Errorf("left (-want +got):\n%s", d)
			}
			if read(t, "result.jsonl") != "new result" || read(t, "page.html") != "new page" {
				t.Error("not replaced")
			}
			if err := NewSet().Check(false, "result.jsonl"); !errors.Is(err, ErrExists) {
				t.Errorf("a whole run is replaced without force: %v", err)
			}
		})
	}
}

// What fails before the last name is given takes the names before it back.
func TestTogether(t *testing.T) {
	t.Chdir(t.TempDir())
	s := NewSet()
	s.step = func(what string) {
		if what == "rename page.html" {
			write(t, "page.html", "somebody's")
		}
	}
	if err := twoOutputs(s, "result", "page"); !errors.Is(err, ErrExists) {
		t.Errorf("error %v", err)
	}
	if d := cmp.Diff([]string{"page.html"}, folder(t, ".")); d != "" || read(t, "page.html") != "somebody's" {
		t.Errorf("left (-want +got):\n%s", d)
	}
}

// Temporary files of a killed run are removed by the next run of the same
// output; those of a run that lives, those of other outputs and inputs are not.
func TestLeftovers(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	beside := NewSet()
	living, err := beside.Create(t.Context(), "r.jsonl", false)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := living.Spool(); err != nil {
		t.Fatal(err)
	}
	if _, err := living.Folder(); err != nil {
		t.Fatal(err)
	}
	name := func(drawn, kind string) string { return hidden("r.jsonl", proved("r.jsonl", drawn), kind) }
	for _, name := range []string{name("000111", outputKind), name("000111", spoolKind), name("000222", spoolKind), name("000222", markKind)} {
		write(t, name, "left")
	}
	for _, name := range []string{name("000111", folderKind), name("000444", folderKind)} {
		if err := os.Mkdir(name, 0o700); err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(name, "sheet"), "left")
	}
	// what no run made, by name or by shape, and the inputs
	s := NewSet()
	kept := []string{".q.jsonl." + proved("r.jsonl", "000111") + ".partial", ".r.jsonl.x1.partial"}
	for _, kind := range []string{outputKind, spoolKind, folderKind, markKind} {
		for _, number := range []string{"1", "2024", "20240102030405", "12345678901234567890"} {
			kept = append(kept, hidden("r.jsonl", number, kind))
		}
		in := name("000555", kind)
		kept = append(kept, in)
		if kind == folderKind {
			in = filepath.Join(in, "deep", "image")
			kept[len(kept)-1] = in
			if err := os.MkdirAll(filepath.Dir(in), 0o700); err != nil {
				t.Fatal(err)
			}
		}
		write(t, in, "of an input")
		s.Protect(in)
		wrong := name("000666", kind)
		if kind == folderKind {
			write(t, wrong, "a file where a run makes a folder")
		} else {
			if err := os.Mkdir(wrong, 0o700); err != nil {
				t.Fatal(err)
			}
			wrong = filepath.Join(wrong, "file")
		}
		kept = append(kept, wrong)
		link := name("000777", kind)
		if err := os.Symlink(".q.jsonl."+proved("r.jsonl", "000111")+".partial", link); err != nil {
			t.Fatal(err)
		}
		kept = append(kept, link)
	}
	for _, name := range kept {
		if _, err := os.Lstat(name); err != nil {
			write(t, name, "of somebody")
		}
	}
	if err := s.WriteFile(t.Context(), "r.jsonl", false, text("new")); err != nil {
		t.Fatal(err)
	}
	if err := s.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, name := range kept {
		if _, err := os.Lstat(name); err != nil {
			t.Error(err)
		}
		if err := os.RemoveAll(strings.SplitAfter(name, "/")[0]); err != nil {
			t.Fatal(err)
		}
	}
	want := []string{".r.jsonl..partial", ".r.jsonl..scratch", ".r.jsonl..spool", "r.jsonl"}
	if d := cmp.Diff(want, folder(t, dir)); d != "" || len(s.Stuck()) > 0 {
		t.Errorf("%q (-want +got):\n%s", s.Stuck(), d)
	}
	beside.Close()
	if _, err := os.Stat(living.tmp.Name()); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the other run left %v", err)
	}
}

// What stands under an output's name is looked at once more before it gets it.
func TestCheckedAgain(t *testing.T) {
	for _, tt := range []struct {
		name  string
		force bool
		come  func(t *testing.T)
		want  error
	}{
		{"a link to an input", true, func(t *testing.T) {
			if err := os.Link("image", "out"); err != nil {
				t.Fatal(err)
			}
		}, errInput},
		{"a new file under the input's name", true, func(t *testing.T) {
			write(t, "new", "of the image")
			if err := errors.Join(os.Rename("new", "image"), os.Link("image", "out")); err != nil {
				t.Fatal(err)
			}
		}, errInput},
		{"a file", false, func(t *testing.T) { write(t, "out", "of somebody") }, ErrExists},
		{"a folder", true, func(t *testing.T) {
			if err := os.Mkdir("out", 0o700); err != nil {
				t.Fatal(err)
			}
		}, errFolder},
		{"a file, by force", true, func(t *testing.T) { write(t, "out", "old") }, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Chdir(t.TempDir())
			write(t, "image", "of the image")
			s := NewSet()
			s.Protect("image")
			if err := s.WriteFile(t.Context(), "out", tt.force, text("new")); err != nil {
				t.Fatal(err)
			}
			tt.come(t)
			if err := s.Commit(t.Context()); !errors.Is(err, tt.want) {
				t.Errorf("error %v, want %v", err, tt.want)
			}
			if read(t, "image") != "of the image" {
				t.Error("the image changed")
			}
			for _, name := range folder(t, ".") {
				if strings.HasPrefix(name, ".") {
					t.Errorf("left %s", name)
				}
			}
		})
	}
}

// Nothing is made after the run was ended, and what was begun is gone.
func TestClosed(t *testing.T) {
	t.Chdir(t.TempDir())
	ctx, cancel := context.WithCancel(t.Context())
	s := NewSet()
	o, err := s.Create(ctx, "out", false)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.WriteFile(ctx, "done", false, text("done")); err != nil {
		t.Fatal(err)
	}
	cancel()
	s.Close()
	_, werr := o.Write(bytes.Repeat([]byte("late"), 1<<20))
	_, cerr := s.Create(t.Context(), "other", false)
	for _, err := range []error{werr, o.Finish(), s.Commit(t.Context()), cerr} {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("error %v", err)
		}
	}
	if got := folder(t, "."); len(got) > 0 {
		t.Errorf("left %q", got)
	}
}

// An output of the run is read before it has its name, and is no input of it.
func TestOpenOwn(t *testing.T) {
	t.Chdir(t.TempDir())
	s := NewSet()
	if err := s.WriteFile(t.Context(), "result", false, text("lines")); err != nil {
		t.Fatal(err)
	}
	f, err := s.Open("result", "./result")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	b := make([]byte, 9)
	if n, _ := f.Read(b); string(b[:n]) != "lines" {
		t.Errorf("%q", b[:n])
	}
	if err := s.Commit(t.Context()); err != nil {
		t.Error(err)
	}
}
