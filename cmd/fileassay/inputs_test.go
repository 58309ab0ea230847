package main

import (
	"bytes"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// newDay is a bench with everything that commands read: images, one of them in
// parts, maps, lists, a job, and the results of them.
func newDay(t *testing.T) *bench {
	t.Helper()
	b := newBench(t)
	img := b.read("ferry.img")
	b.write("kept.img", img)
	b.write("parts.000", img[:len(img)/2])
	b.write("parts.001", img[len(img)/2:])
	b.write("list.csv", []byte(strings.ReplaceAll(allRead, "read", "ashore")))
	b.write("recipe.toml", []byte("start = \"1\"\nlength = \"2\"\nstate = \"3\"\nskip = 1\n[words]\nashore = \"read\"\n"))
	b.write("heads.csv", []byte("start,length,head\n0,3145728,0\n"))
	b.write("wanted.txt", []byte("10 kind:photo\n"))
	var logo bytes.Buffer
	if err := png.Encode(&logo, image.NewGray(image.Rect(0, 0, 8, 8))); err != nil {
		t.Fatal(err)
	}
	b.write("job/logo.png", logo.Bytes())
	b.write("job/job.toml", []byte("job = \"19\"\nlogo = \"logo.png\"\n"))
	for _, args := range [][]string{
		{"full.jsonl", "ferry.img", "--map", "worn.csv", "--heads", "heads.csv", "--wanted", "wanted.txt"},
		{"kept.jsonl", "kept.img", "--map", "all.csv"},
		{"parts.jsonl", "parts.000", "--map", "all.csv"},
	} {
		b.run(args[:1], append([]string{"verify", "-q", "-o"}, args...)...)
	}
	return b
}

// spell returns other names of a file of the bench, some of them new.
func (b *bench) spell(name string) []string {
	b.Helper()
	flat := strings.ReplaceAll(name, "/", "-")
	soft, hard := filepath.Join("names", "soft-"+flat), filepath.Join("names", "hard-"+flat)
	if err := os.MkdirAll(filepath.Join(b.dir, "names"), 0o755); err != nil {
		b.Fatal(err)
	}
	if _, err := os.Lstat(filepath.Join(b.dir, soft)); err != nil {
		if err := os.Symlink(filepath.Join("..", name), filepath.Join(b.dir, soft)); err != nil {
			b.Fatal(err)
		}
		if err := os.Link(filepath.Join(b.dir, name), filepath.Join(b.dir, hard)); err != nil {
			b.Fatal(err)
		}
	}
	return []string{name, "names/.././" + name, filepath.Join(b.dir, name), soft, hard}
}

// TestInputsAreNeverReplaced runs every command with every output that it makes
// onto every file that it reads, by every name of that, by force.
func TestInputsAreNeverReplaced(t *testing.T) {
	full := []string{"full.jsonl", "ferry.img", "worn.csv", "heads.csv", "wanted.txt"}
	kept := []string{"kept.jsonl", "kept.img", "all.csv"}
	parts := []string{"parts.jsonl", "parts.000", "parts.001", "all.csv"}
	job := []string{"job/job.toml", "job/logo.png"}
	join := func(lists ...[]string) (out []string) {
		for _, l := range lists {
			out = append(out, l...)
		}
		return out
	}
	for _, c := range []struct {
		args    string
		outputs string // the last word of each takes the path
		inputs  []string
	}{
		{"verify ferry.img --map list.csv --map-recipe recipe.toml --heads heads.csv --wanted wanted.txt --job job/job.toml", "-o|-o new.jsonl --html",
			join([]string{"ferry.img", "list.csv", "recipe.toml", "heads.csv", "wanted.txt"}, job)},
		{"verify ferry.img --map job/job.toml", "-o", []string{"job/job.toml"}}, // said before the map is found to be none
		{"verify parts.000 --map all.csv", "-o|-o new.jsonl --html", parts[1:]},
		{"report full.jsonl --wanted wanted.txt --job job/job.toml", "--html|--csv|--xlsx", join(full, job)},
		{"report kept.jsonl --logo job/logo.png", "--html", []string{"kept.jsonl", "kept.img", "job/logo.png"}},
		{"report parts.jsonl", "--html|--csv|--xlsx", parts},
		{"reread full.jsonl --wanted wanted.txt", "--list|--html", full},
		{"reread parts.jsonl", "--list|--list new.csv --html", parts},
		{"compare full.jsonl kept.jsonl --image-before parts.000 --wanted wanted.txt", "--html", join(full, kept, parts[1:3])},
		{"map convert list.csv --map-recipe recipe.toml --image ferry.img", "-o", []string{"list.csv", "recipe.toml", "ferry.img"}},
		{"map convert all.csv --image parts.000", "-o", parts[1:]},
		{"map merge all.csv worn.csv --image parts.000", "-o", join([]string{"worn.csv"}, parts[1:])},
		{"map from-filler parts.000 --filler 0xdeadbeef", "-o", parts[1:3]},
	} {
		t.Run(c.args, func(t *testing.T) {
			t.Parallel()
			b := newDay(t)
			for _, in := range c.inputs {
				names := b.spell(in)
				before := b.files()
				for _, name := range names {
					for out := range strings.SplitSeq(c.outputs, "|") {
						args := append(strings.Fields(c.args), strings.Fields(out)...)
						cmd := b.command(append(args, name, "--force")...)
						if said, _ := cmd.CombinedOutput(); cmd.ProcessState.ExitCode() != exitOutput || !bytes.Contains(said, []byte("is one of the inputs")) {
							t.Errorf("%s %s: exit %d: %s", out, name, cmd.ProcessState.ExitCode(), said)
						}
					}
				}
				if d := cmp.Diff(before, b.files(), cmp.Comparer(func(a, b state) bool { return a == b })); d != "" {
					t.Errorf("%s: the files changed (-before +after):\n%s", in, d)
				}
			}
		})
	}
}

// What stands under an input's name by now counts too, and a name that is kept
// free for a missing part is no place for an output.
func TestMissingPartIsKeptFree(t *testing.T) {
	b := newBench(t)
	img := b.read("ferry.img")
	b.write("p.000", img[:1<<20])
	b.write("p.002", img[2<<20:])
	o := b.run(nil, "verify", "p.000", "--assume-read", "--allow-missing-parts", "-o", "p.001")
	if o.exit != exitOutput || !strings.Contains(o.stderr, "is one of the inputs") {
		t.Errorf("%+v", o)
	}
}

// A result that lies elsewhere than where verify ran names its image all the
// same.
func TestResultNamesFromAbove(t *testing.T) {
	b := newDay(t)
	data := b.read("full.jsonl")
	b.write("res/full.jsonl", data)
	c := b.command("report", "full.jsonl", "--html", "../ferry.img", "--force")
	c.Dir = filepath.Join(b.dir, "res")
	img := b.read("ferry.img")
	if out, _ := c.CombinedOutput(); c.ProcessState.ExitCode() != exitOutput || !bytes.Equal(img, b.read("ferry.img")) {
		t.Errorf("%s", out)
	}
}

// A result keeps the folder that verify ran in, so that from another one its image
// and map are known too.
func TestResultNamesFromBeside(t *testing.T) {
	b := newDay(t)
	for _, dir := range []string{"ran", "kept", "now"} {
		if err := os.Mkdir(filepath.Join(b.dir, dir), 0o777); err != nil {
			t.Fatal(err)
		}
	}
	img := b.read("ferry.img")
	b.write("ran/d.img", img)
	b.write("ran/m.csv", b.read("all.csv"))
	run := func(dir, line string) int {
		c := b.command(strings.Fields(line)...)
		c.Dir = filepath.Join(b.dir, dir)
		_ = c.Run()
		return c.ProcessState.ExitCode()
	}
	run("ran", "verify d.img --map m.csv -o ../kept/r.jsonl")
	for _, line := range []string{
		"report ../kept/r.jsonl --html ../ran/d.img --force",
		"reread ../kept/r.jsonl --list ../ran/d.img --force",
		"compare ../kept/r.jsonl ../kept/r.jsonl --html ../ran/m.csv --force",
	} {
		if code := run("now", line); code != exitOutput {
			t.Errorf("%s: exit %d", line, code)
		}
	}
	if !bytes.Equal(b.read("ran/d.img"), img) || !bytes.Equal(b.read("ran/m.csv"), b.read("all.csv")) {
		t.Error("an input was changed")
	}
}

// TestPrintsIntoNoInput holds a run whose stdout or stderr is one of its inputs
// to be refused before anything is printed.
func TestPrintsIntoNoInput(t *testing.T) {
	for _, args := range [][]string{
		{"layout", "ferry.img", "--map", "all.csv"},
		{"map", "show", "all.csv", "--image", "ferry.img"},
		{"map", "convert", "worn.csv", "--image", "ferry.img"},
		{"report", "full.jsonl"},
		{"reread", "full.jsonl", "--list", "-"},
		{"compare", "full.jsonl", "kept.jsonl"},
		{"audit", ".", "--result", "full.jsonl"},
		{"extract", "ferry.img", "full.jsonl", "--to", "to"},
	} {
		for _, stderr := range []bool{false, true} {
			b := newDay(t)
			before := b.files()
			f, err := os.OpenFile(filepath.Join(b.dir, "ferry.img"), os.O_WRONLY|os.O_APPEND, 0)
			if err != nil {
				t.Fatal(err)
			}
			var said strings.Builder
			c := b.command(args...)
			c.Stdout, c.Stderr = f, &said
			if stderr {
				c.Stdout, c.Stderr = &said, f
			}
			err = c.Run()
			f.Close()
			if code := c.ProcessState.ExitCode(); code != exitOutput {
				t.Errorf("%v: exit %d (%v): %s", args, code, err, &said)
			}
			for name, is := range b.files() {
				if is.Data != before[name].Data {
					t.Errorf("%v: bytes of %s were changed", args, name)
				}
			}
		}
	}
}

// TestSaysIntoNoInput holds what is said of a wrong command line, and help, to go
// into no file that the line names.
func TestSaysIntoNoInput(t *testing.T) {
	for _, line := range []string{
		"verify ferry.img --map all.csv --wrong",
		"verify ferry.img --map all.csv --content=wrong",
		"verify --map=all.csv --sector x ferry.img",
		"extract ferry.img full.jsonl --to to --volume x",
		"map show ferry.img --wrong",
		"report ferry.img --html=",
		"reread --budget 1 ferry.img",
		"verify ferry.img --help",
	} {
		b := newDay(t)
		before := b.read("ferry.img")
		f, err := os.OpenFile(filepath.Join(b.dir, "ferry.img"), os.O_WRONLY|os.O_APPEND, 0)
		if err != nil {
			t.Fatal(err)
		}
		c := b.command(strings.Fields(line)...)
		if c.Stderr = f; strings.HasSuffix(line, "--help") {
			c.Stdout, c.Stderr = f, nil
		}
		err = c.Run()
		f.Close()
		if code := c.ProcessState.ExitCode(); code != exitOutput || !bytes.Equal(b.read("ferry.img"), before) {
			t.Errorf("%s: exit %d (%v); the image is as it was: %v", line, code, err, bytes.Equal(b.read("ferry.img"), before))
		}
	}
}

// TestRoles holds every flag and argument that names a file to say what that is
// to the run.
func TestRoles(t *testing.T) {
	var walk func(cmd *cobra.Command)
	walk = func(cmd *cobra.Command) {
		cmd.Flags().VisitAll(func(f *pflag.Flag) {
			what, _ := pflag.UnquoteUsage(f)
			names := what == "FILE" || what == "IMAGE" || what == "FOLDER" || what == "MAP" || what == "RESULT"
			if names != (len(f.Annotations[roleKey]) == 1) {
				t.Errorf("%s --%s %s: its role is %q", cmd.CommandPath(), f.Name, what, f.Annotations[roleKey])
			}
		})
		takes := 0
		for _, word := range strings.Fields(cmd.Use)[1:] {
			switch word {
			case "IMAGE", "FILE", "RESULT", "BEFORE", "AFTER", "FOLDER", "FILE...":
				takes++
			case "--map", "--to":
			}
			if strings.HasPrefix(word, "--") {
				break
			}
		}
		if got := cmd.Annotations[roleKey]; (got == "") != (takes == 0) {
			t.Errorf("%s: the roles of its arguments are %q", cmd.Use, got)
		}
		for _, sub := range cmd.Commands() {
			walk(sub)
		}
	}
	walk(newRoot(newUI(&bytes.Buffer{}, &bytes.Buffer{})))
}

// TestTwoOutputs holds two outputs of a run to be two files.
func TestTwoOutputs(t *testing.T) {
	b := newDay(t)
	b.write("old", []byte("old"))
	for _, args := range []string{
		"verify ferry.img --map all.csv -o x --html ./x",
		"verify ferry.img --map all.csv --html names/../ferry.result.jsonl",
		"report full.jsonl --html x --csv " + filepath.Join(b.dir, "x"),
		"report full.jsonl --csv old --xlsx names/soft-old",
		"report full.jsonl --csv old --html names/hard-old",
		"reread full.jsonl --list x --html names/../x",
	} {
		b.spell("old")
		if o := b.run(nil, append(strings.Fields(args), "--force")...); o.exit != exitOutput || !strings.Contains(o.stderr, "two outputs") {
			t.Errorf("%s: %+v", args, o)
		}
	}
}

func TestVersion(t *testing.T) {
	b := newBench(t)
	if o := b.run(nil, "--version"); o.exit != exitClean || !strings.HasPrefix(o.stdout, "fileassay ") || len(o.stdout) < len("fileassay x\n") {
		t.Errorf("%+v", o)
	}
}

// TestTemplateThatFails holds a template that fails to be wrong usage.
func TestTemplateThatFails(t *testing.T) {
	b := newDay(t)
	for _, args := range [][]string{
		{"reread", "full.jsonl", "--html", "page.html", "--list", "next.txt", "--format", "{{.Nothing}}"},
		{"reread", "full.jsonl", "--list", "-", "-q", "--format", "{{.Nothing}}"},
		{"map", "convert", "all.csv", "--format", "{{.Nothing}}"},
		{"map", "convert", "all.csv", "--format", "{{.Nothing}}", "-o", "x.txt"},
	} {
		before := b.files()
		c := b.command(args...)
		if out, _ := c.CombinedOutput(); c.ProcessState.ExitCode() != exitUsage {
			t.Errorf("%v: exit %d: %s", args, c.ProcessState.ExitCode(), out)
		}
		if len(b.files()) != len(before) {
			t.Errorf("%v: something was left", args)
		}
	}
}
