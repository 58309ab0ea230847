//go:build unix

package main

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// soon bounds what a run is promised to take: a second, on a machine that does
// other things too.
const soon = 10 * time.Second

// stopped starts the command, signals it after a while, and holds it to end soon
// with nothing half-written. before is what stood in the bench.
func (b *bench) stopped(after time.Duration, signals []os.Signal, args ...string) (code int, took time.Duration) {
	b.Helper()
	c := b.command(args...)
	var said bytes.Buffer
	c.Stdout, c.Stderr = &said, &said
	if err := c.Start(); err != nil {
		b.Fatal(err)
	}
	time.Sleep(after)
	began := time.Now()
	for _, s := range signals {
		_ = c.Process.Signal(s) // it may have ended
	}
	ended := make(chan struct{})
	go func() { _ = c.Wait(); close(ended) }()
	select {
	case <-ended:
	case <-time.After(soon):
		_ = c.Process.Kill()
		<-ended
		b.Errorf("%v: signalled after %v it ran for another %v", args, after, soon)
	}
	took = time.Since(began)
	code = c.ProcessState.ExitCode()
	// a signal that comes before the command listens ends the process as the system does
	early := c.ProcessState.Sys().(syscall.WaitStatus).Signaled()
	if code != exitCancel && code > exitFound && !early {
		b.Errorf("%v: exit %d: %s", args, code, &said)
	}
	return code, took
}

// TestSignals interrupts every command at random times.
func TestSignals(t *testing.T) {
	r := rand.New(rand.NewPCG(19, 1))
	day := newDay(t)
	day.run(nil, "map", "merge", "all.csv", "worn.csv")
	if c := day.command("extract", "ferry.img", "full.jsonl", "--to", "bag", "-q"); c.Run() != nil && c.ProcessState.ExitCode() > exitFound {
		t.Fatal("nothing to audit")
	}
	for _, c := range []struct {
		args    string
		outputs []string // all or none, where the run is ended
	}{
		{"verify ferry.img --map all.csv -o new.jsonl --html new.html", []string{"new.jsonl", "new.html"}},
		{"layout ferry.img --map all.csv", nil},
		{"report full.jsonl --html new.html --csv new.csv --xlsx new.xlsx", []string{"new.html", "new.csv", "new.xlsx"}},
		{"reread full.jsonl --html new.html --list new.csv", []string{"new.html", "new.csv"}},
		{"compare full.jsonl kept.jsonl --content --html new.html", []string{"new.html"}},
		{"extract ferry.img full.jsonl --to to", nil},
		{"audit bag --result full.jsonl --image ferry.img", nil},
		{"map show all.csv --image ferry.img", nil},
		{"map convert worn.csv -o new.csv", []string{"new.csv"}},
		{"map merge worn.csv all.csv -o new.csv", []string{"new.csv"}},
		{"map learn all.csv --image ferry.img", nil},
		{"map from-filler ferry.img --filler 0x00 --zeros -o new.csv", []string{"new.csv"}},
		{"demo --to demo", nil},
	} {
		longest := 120 * time.Millisecond
		for _, s := range []os.Signal{os.Interrupt, syscall.SIGTERM} {
			for range 3 {
				code, _ := day.stopped(time.Duration(r.Int64N(int64(longest))), []os.Signal{s}, strings.Fields(c.args)...)
				made := 0
				for _, name := range c.outputs {
					if os.Remove(filepath.Join(day.dir, name)) == nil {
						made++
					}
				}
				if made > 0 && made < len(c.outputs) {
					t.Errorf("%s: exit %d, %d of %d outputs were made", c.args, code, made, len(c.outputs))
				}
				_ = os.RemoveAll(filepath.Join(day.dir, "demo"))
				if code <= exitFound {
					_ = os.RemoveAll(filepath.Join(day.dir, "to")) // else the next run goes on with it
				}
				for name := range day.files() {
					if strings.HasSuffix(name, ".partial") || strings.HasSuffix(name, ".renaming") || strings.HasSuffix(name, ".spool") {
						t.Errorf("%s: exit %d left %s", c.args, code, name)
					}
				}
			}
		}
	}
}

// TestSignalsWhatCannotBeEnded holds what nothing inside can end, a template and
// a write that nobody takes, to end all the same, and a second signal to end it
// at once.
func TestSignalsWhatCannotBeEnded(t *testing.T) {
	const forever = "{{range 9223372036854775807}}{{end}}"
	for _, args := range [][]string{
		{"reread", "full.jsonl", "--list", "new.txt", "--html", "new.html", "--format", forever},
		{"reread", "full.jsonl", "--list", "-", "--format", forever},
		{"map", "convert", "all.csv", "--format", forever, "-o", "new.txt"},
	} {
		for _, signals := range [][]os.Signal{{os.Interrupt}, {syscall.SIGTERM}, {os.Interrupt, syscall.SIGTERM}} {
			b := newDay(t)
			before := len(b.files())
			code, took := b.stopped(700*time.Millisecond, signals, args...)
			t.Logf("%v, %d signals: %v", args[:2], len(signals), took)
			if code != exitCancel {
				t.Errorf("%v: exit %d", args, code)
			}
			if n := len(b.files()); n != before {
				t.Errorf("%v: %d files, before it %d", args, n, before)
			}
		}
	}

	b := newDay(t)
	near, far, err := os.Pipe() // which nobody reads
	if err != nil {
		t.Fatal(err)
	}
	defer near.Close()
	c := b.command("map", "convert", "all.csv", "--format", "{{range 20000}}all that is in the hold {{end}}")
	c.Stdout, c.Stderr = far, far
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(500 * time.Millisecond)
	began := time.Now()
	_ = c.Process.Signal(os.Interrupt)
	end := time.AfterFunc(soon, func() { _ = c.Process.Kill() })
	_ = c.Wait()
	t.Logf("a pipe that nobody reads: %v", time.Since(began))
	if !end.Stop() || c.ProcessState.ExitCode() != exitCancel {
		t.Errorf("%v", c.ProcessState)
	}
}

// TestPipesAreNotOpened holds a pipe, a device and a folder in the place of
// every input to be refused, and no pipe to be waited for.
func TestPipesAreNotOpened(t *testing.T) {
	b := newDay(t)
	if err := unix.Mkfifo(filepath.Join(b.dir, "pipe"), 0o600); err != nil {
		t.Fatal(err)
	}
	b.write("piped.toml", []byte("logo = \"pipe\"\n"))
	for _, in := range []string{"pipe", os.DevNull, "names"} {
		if err := os.MkdirAll(filepath.Join(b.dir, "names"), 0o755); err != nil {
			t.Fatal(err)
		}
		for _, line := range []string{
			"verify ferry.img --map IN",
			"verify ferry.img --map all.csv --map-recipe IN",
			"verify ferry.img --map all.csv --heads IN",
			"verify ferry.img --map all.csv --wanted IN",
			"verify ferry.img --map all.csv --html new.html --job IN",
			"layout ferry.img --map IN",
			"report IN",
			"report full.jsonl --html new.html --wanted IN",
			"report full.jsonl --html new.html --job IN",
			"report full.jsonl --html new.html --logo IN",
			"reread IN",
			"reread full.jsonl --wanted IN",
			"compare IN full.jsonl",
			"compare full.jsonl IN",
			"compare full.jsonl kept.jsonl --wanted IN",
			"extract ferry.img IN --to to",
			"extract ferry.img full.jsonl --to to --wanted IN",
			"audit . --result IN",
			"audit . --result full.jsonl --wanted IN",
			"map show IN",
			"map convert IN -o new.csv",
			"map convert all.csv --map-recipe IN -o new.csv",
			"map merge all.csv IN -o new.csv",
			"map learn IN",
		} {
			c := b.command(strings.Fields(strings.ReplaceAll(line, "IN", in))...)
			end := time.AfterFunc(soon, func() { _ = c.Process.Kill() })
			out, _ := c.CombinedOutput()
			if !end.Stop() || c.ProcessState.ExitCode() != exitInput || !bytes.Contains(out, []byte("is a ")) {
				t.Errorf("%s, %s: %v: %s", line, in, c.ProcessState, out)
			}
			for _, name := range []string{"new.csv", "new.html", "new.jsonl", "to"} {
				if _, err := os.Lstat(filepath.Join(b.dir, name)); err == nil {
					t.Errorf("%s: made %s", line, name)
				}
			}
		}
	}
}

// TestKilledRunsBarNothing kills runs that make several outputs at random times,
// and holds the same run to go well after each, and to clear what was left.
func TestKilledRunsBarNothing(t *testing.T) {
	r := rand.New(rand.NewPCG(19, 2))
	b := newDay(t)
	before := len(b.files())
	for _, c := range []struct {
		args    string
		outputs []string
	}{
		{"verify ferry.img --map all.csv -q -o new.jsonl --html new.html", []string{"new.jsonl", "new.html"}},
		{"report full.jsonl -q --html new.html --csv new.csv --xlsx new.xlsx", []string{"new.html", "new.csv", "new.xlsx"}},
		{"reread full.jsonl -q --html new.html --list new.csv", []string{"new.html", "new.csv"}},
	} {
		for range 12 {
			killed := b.command(strings.Fields(c.args)...)
			if err := killed.Start(); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Duration(r.Int64N(int64(90 * time.Millisecond))))
			_ = killed.Process.Kill() // it may have ended
			_ = killed.Wait()
			if killed.ProcessState.Exited() { // before it was killed: all is made
				for _, name := range c.outputs {
					_ = os.Remove(filepath.Join(b.dir, name))
				}
			}
			left := b.files()
			again := b.command(strings.Fields(c.args)...)
			out, _ := again.CombinedOutput()
			made := 0
			for _, name := range c.outputs {
				if _, ok := left[name]; ok {
					made++
				}
				_ = os.Remove(filepath.Join(b.dir, name))
			}
			// all were made when the kill came, which a run that goes well must not replace
			whole := made == len(c.outputs) && bytes.Contains(out, []byte("exists already"))
			if code := again.ProcessState.ExitCode(); code > exitFound && !whole {
				t.Errorf("%s: exit %d: %s", c.args, code, out)
			}
			if n := len(b.files()); n != before && !whole {
				t.Errorf("%s: %d files, before it %d", c.args, n, before)
			}
		}
	}
}

// TestInputNamedLikeALeftover holds inputs to stand after a run whose temporary
// files could have their names, and so every file of somebody.
func TestInputNamedLikeALeftover(t *testing.T) {
	for _, kind := range []string{"partial", "spool", "scratch", "renaming"} {
		for _, number := range []string{"1", "2024", "12345678901234"} {
			b := newDay(t)
			img, imap, mine := ".o.jsonl."+number+"."+kind, ".o.html."+number+"."+kind, ".o.html.7"+number+"."+kind
			b.write(img, b.read("ferry.img"))
			b.write(imap, b.read("worn.csv"))
			b.write(mine, []byte("notes"))
			before := b.files()
			if o := b.run([]string{"o.jsonl", "o.html"}, "verify", "--whole", img, "--map", imap, "-o", "o.jsonl", "--html", "o.html", "-q"); o.exit != exitFound {
				t.Errorf("%+v", o)
			}
			after := b.files()
			for name, is := range before {
				if after[name] != is {
					t.Errorf("%s was %v and is %v", name, is, after[name])
				}
			}
		}
	}
}

// TestInputInDelivery holds extract to refuse a folder in which an input lies,
// before it reads anything.
func TestInputInDelivery(t *testing.T) {
	for _, name := range []string{"image", "result"} {
		b := newDay(t)
		b.write("to/.fileassay-journal", nil)
		args := map[string]string{"image": "kept.img", "result": "kept.jsonl"}
		b.write("to/data.partial/x", b.read(args[name]))
		args[name] = "to/data.partial/x"
		before := b.files()
		if o := b.run(nil, "extract", args["image"], args["result"], "--to", "to"); o.exit != exitOutput || !strings.Contains(o.stderr, "is one of the inputs") {
			t.Errorf("%s: %+v", name, o)
		}
		if len(b.files()) != len(before) {
			t.Errorf("%s: files came or went", name)
		}
	}
}

// TestJournalThatIsAnInput holds extract to write into no file that it reads,
// where somebody linked one into the folder under the journal's name.
func TestJournalThatIsAnInput(t *testing.T) {
	b := newDay(t)
	if err := os.Mkdir(filepath.Join(b.dir, "to"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Link(filepath.Join(b.dir, "ferry.img"), filepath.Join(b.dir, "to", ".fileassay-journal")); err != nil {
		t.Fatal(err)
	}
	if o := b.run(nil, "extract", "ferry.img", "full.jsonl", "--to", "to"); o.exit != exitOutput || !strings.Contains(o.stderr, "is one of the inputs") {
		t.Errorf("%+v", o)
	}
}
