package main

import (
	"bytes"
	"errors"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"
	"github.com/rogpeppe/go-internal/testscript"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// asCommand in the environment makes the test binary the command itself, so
// that tests run it as users do: in a process of its own.
const asCommand = "FILEASSAY_TEST_AS_COMMAND"

func TestMain(m *testing.M) {
	if os.Getenv(asCommand) != "" {
		os.Exit(run())
	}
	testscript.Main(m, map[string]func(){"fileassay": func() { os.Exit(run()) }})
}

// Of the image ferry.img; testdata/make.sh made it.
const (
	ferrySize = 6144 * 512
	allRead   = "start,length,state\n0,3145728,read\n"
	// A hole in a file, a doubtful sector in another, one whose end was not
	// tried, and the record of a third.
	worn = `# the pier's drive, first pass
start,length,state
0,116736,read
116736,1024,failed
117760,2000384,read
2118144,512,doubtful
2118656,52224,read
2170880,4096,failed
2174976,268288,read
2443264,40960,skipped
2484224,661504,read
`
)

// bench is a folder to run the command in.
type bench struct {
	*testing.T
	dir string
}

// newBench makes a folder with ferry.img and two maps of it: all.csv, where
// every sector was read, and worn.csv.
func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{t, t.TempDir()}
	b.write("ferry.img", unpack(t, "testdata/ferry.img.zst"))
	b.write("all.csv", []byte(allRead))
	b.write("worn.csv", []byte(worn))
	return b
}

func unpack(t *testing.T, path string) []byte {
	t.Helper()
	packed, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	d, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	data, err := d.DecodeAll(packed, nil)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// write makes a file of the bench, with a time that a later write would show.
func (b *bench) write(name string, data []byte) {
	b.Helper()
	path := filepath.Join(b.dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		b.Fatal(err)
	}
	if err := os.WriteFile(path, data, 0o644); err != nil {
		b.Fatal(err)
	}
	then := time.Date(2019, 4, 2, 9, 12, 44, 0, time.UTC)
	if err := os.Chtimes(path, then, then); err != nil {
		b.Fatal(err)
	}
}

func (b *bench) read(name string) []byte {
	b.Helper()
	data, err := os.ReadFile(filepath.Join(b.dir, name))
	if err != nil {
		b.Fatal(err)
	}
	return data
}

// state is what can be seen of a file of the bench.
type state struct {
	Data     string
	Modified time.Time
}

// files are all files of the bench by name, hidden ones too.
func (b *bench) files() map[string]state {
	b.Helper()
	out := map[string]state{}
	err := filepath.WalkDir(b.dir, func(path string, e os.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		name, err := filepath.Rel(b.dir, path)
		if err != nil {
			return err
		}
		out[filepath.ToSlash(name)] = state{string(b.read(name)), info.ModTime()}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	return out
}

// command prepares the command with args, to run in the bench.
func (b *bench) command(args ...string) *exec.Cmd {
	b.Helper()
	exe, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	c := exec.Command(exe, args...)
	c.Dir = b.dir
	c.Env = append(os.Environ(), asCommand+"=1")
	return c
}

// outcome is what a run of the command gave.
type outcome struct {
	exit           int
	stdout, stderr string
}

// run runs the command and checks what holds of every run: only the files
// named in writes are made or changed, nothing half-written is left, a run
// that fails says why in one line on stderr and prints nothing else, and a
// good one has no messages where stderr is no terminal.
func (b *bench) run(writes []string, args ...string) outcome {
	b.Helper()
	before := b.files()
	c := b.command(args...)
	var stdout, stderr bytes.Buffer
	c.Stdout, c.Stderr = &stdout, &stderr
	err := c.Run()
	var failed *exec.ExitError
	if err != nil && !errors.As(err, &failed) {
		b.Fatal(err)
	}
	o := outcome{c.ProcessState.ExitCode(), stdout.String(), stderr.String()}
	said := func() string { return strings.Join(args, " ") + "\nstdout: " + o.stdout + "stderr: " + o.stderr }

	after := b.files()
	for _, name := range writes {
		delete(before, name)
		if _, ok := after[name]; !ok && o.exit < exitUsage {
			b.Errorf("%s was not written: %s", name, said())
		}
		delete(after, name)
	}
	for name, was := range before {
		is, ok := after[name]
		switch {
		case !ok:
			b.Errorf("%s is gone: %s", name, said())
		case is.Data != was.Data:
			b.Errorf("bytes of %s were changed: %s", name, said())
		case !is.Modified.Equal(was.Modified):
			b.Errorf("%s was written to: %s", name, said())
		}
		delete(after, name)
	}
	for name := range after {
		b.Errorf("%s was left: %s", name, said())
	}

	if o.exit < exitUsage {
		if o.stderr != "" {
			b.Errorf("stderr of a good run should be empty: %s", said())
		}
	} else {
		if o.stdout != "" {
			b.Errorf("stdout of a failed run should be empty: %s", said())
		}
		if !strings.HasPrefix(o.stderr, "fileassay: ") || strings.Count(o.stderr, "\n") != 1 {
			b.Errorf("stderr of a failed run should be one message: %s", said())
		}
	}
	return o
}

// golden compares got with a golden file, or writes that with -update.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", "golden", name)
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got, "\n")); d != "" {
		t.Errorf("%s (-want +got); if it should be so, go test ./cmd/fileassay -update:\n%s", path, d)
	}
}
