package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/verify"
	"fileassay/verify/result"
)

func TestGolden(t *testing.T) {
	for _, c := range []struct {
		name   string
		args   []string
		writes []string
		exit   int
	}{
		{"verify-all", []string{"verify", "ferry.img", "--map", "all.csv"}, []string{"ferry.result.jsonl"}, exitClean},
		{"verify-assumed", []string{"verify", "ferry.img", "--assume-read"}, []string{"ferry.result.jsonl"}, exitClean},
		{"verify-worn", []string{"verify", "ferry.img", "--map", "worn.csv", "-o", "pier.jsonl"}, []string{"pier.jsonl"}, exitFound},
		{"verify-worn-trusted", []string{"verify", "ferry.img", "--map", "worn.csv", "--trust-doubtful"}, []string{"ferry.result.jsonl"}, exitFound},
		{"layout-all", []string{"layout", "ferry.img", "--map", "all.csv"}, nil, exitClean},
		{"layout-worn", []string{"layout", "ferry.img", "--map", "worn.csv"}, nil, exitFound},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := newBench(t).run(c.writes, c.args...)
			if o.exit != c.exit {
				t.Errorf("exit %d, want %d", o.exit, c.exit)
			}
			if strings.Contains(o.stdout, "\x1b") {
				t.Error("escape sequences where stdout is no terminal")
			}
			golden(t, c.name+".txt", o.stdout)
		})
	}
}

// TestHelp holds every command's help to name the exit status.
func TestHelp(t *testing.T) {
	b := newBench(t)
	root := newRoot(newUI(&bytes.Buffer{}, &bytes.Buffer{}))
	var walk func(path []string)
	walk = func(path []string) {
		o := b.run(nil, append(path[:len(path):len(path)], "--help")...)
		if o.exit != exitClean || !strings.Contains(o.stdout, "Exit status: 0 ") {
			t.Errorf("%v --help: exit %d, and should tell the exit status:\n%s", path, o.exit, o.stdout)
		}
		cmd, _, err := root.Find(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, sub := range cmd.Commands() {
			if sub.IsAvailableCommand() && sub.Name() != "help" {
				walk(append(path[:len(path):len(path)], sub.Name()))
			}
		}
	}
	walk(nil)
}

func TestResult(t *testing.T) {
	b := newBench(t)
	o := b.run([]string{"r.jsonl"}, "verify", "ferry.img", "--map", "worn.csv", "--result", "r.jsonl", "--json")
	if o.exit != exitFound {
		t.Errorf("exit %d", o.exit)
	}
	var printed verify.Outcome
	decode(t, []byte(o.stdout), &printed)

	// one line a record, in the order image, volumes, files, summary
	var kinds []string
	verdicts := map[string]string{}
	lines := bufio.NewScanner(bytes.NewReader(b.read("r.jsonl")))
	for lines.Scan() {
		var r struct{ Type string }
		if err := json.Unmarshal(lines.Bytes(), &r); err != nil {
			t.Fatal(err)
		}
		if len(kinds) == 0 || kinds[len(kinds)-1] != r.Type {
			kinds = append(kinds, r.Type)
		}
	}
	if d := cmp.Diff([]string{"image", "volume", "unread", "file", "summary"}, kinds); d != "" {
		t.Errorf("order of records (-want +got):\n%s", d)
	}
	r, err := result.Open(filepath.Join(b.dir, "r.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	image, volumes, summary := r.Image, r.Volumes, r.Summary
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		verdicts[f.Path] = string(f.Verdict)
	}
	want := verify.Outcome{Image: image, Volumes: volumes, Summary: summary, Result: "r.jsonl"}
	if d := cmp.Diff(want, printed); d != "" {
		t.Errorf("printed summary and result disagree (-result +printed):\n%s", d)
	}
	for path, want := range map[string]string{
		"Timetable/summer.csv":          "intact",
		"Charts/summer copy.csv":        "intact",
		"Timetable/winter.csv":          "lost", // its record is unread, its name in the folder is not
		"Crossings/log 01.txt":          "damaged",
		"Crossings/log 03.txt":          "damaged",
		"Crossings/log 04.txt":          "intact",
		"Charts/approach.dat":           "damaged",
		"Charts/approach.dat:notes":     "intact",
		"Charts/empty.dat":              "intact",
		"Timetable/Häfen & Anleger.txt": "intact",
	} {
		if verdicts[path] != want {
			t.Errorf("%s is %q, want %s", path, verdicts[path], want)
		}
	}
}

// decode reads a whole JSON value whose every field is known.
func decode(t *testing.T, data []byte, v any) {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		t.Fatalf("%v in %s", err, data)
	}
	if d.More() {
		t.Fatalf("more than one value in %s", data)
	}
}

func TestLayoutJSON(t *testing.T) {
	o := newBench(t).run(nil, "layout", "ferry.img", "--map", "worn.csv", "--json")
	var l verify.LayoutRecord
	decode(t, []byte(o.stdout), &l)
	if len(l.Partitions) != 1 || len(l.Volumes) != 1 || l.Volumes[0].Start != 64*512 {
		t.Errorf("partitions and volumes: %s", o.stdout)
	}
}

func TestQuiet(t *testing.T) {
	for _, args := range [][]string{
		{"verify", "ferry.img", "--map", "worn.csv", "--quiet", "-o", "r.jsonl"},
		{"-q", "verify", "ferry.img", "--map", "worn.csv", "-o", "r.jsonl"},
	} {
		if o := newBench(t).run([]string{"r.jsonl"}, args...); o != (outcome{exit: exitFound}) {
			t.Errorf("%v: %+v", args, o)
		}
	}
	// what was asked for by name is printed all the same
	if o := newBench(t).run([]string{"r.jsonl"}, "verify", "ferry.img", "--map", "all.csv", "-o", "r.jsonl", "-q", "--json"); !json.Valid([]byte(o.stdout)) {
		t.Errorf("quiet JSON: %+v", o)
	}
}

func TestForce(t *testing.T) {
	b := newBench(t)
	b.write("ferry.result.jsonl", []byte("old"))
	if o := b.run([]string{"ferry.result.jsonl"}, "verify", "ferry.img", "--map", "all.csv", "--force"); o.exit != exitClean {
		t.Errorf("%+v", o)
	}
	if data := b.read("ferry.result.jsonl"); !bytes.HasPrefix(data, []byte(`{"type":"image"`)) {
		t.Errorf("not replaced: %.60s", data)
	}
}

// TestSameBytes holds the result to be the same in any number of threads and
// whatever stands in the sectors that were not read.
func TestSameBytes(t *testing.T) {
	b := newBench(t)
	verifyTo := func(name string, more ...string) string {
		b.run([]string{name}, append([]string{"verify", "ferry.img", "--map", "worn.csv", "-q", "-o", name}, more...)...)
		return string(b.read(name))
	}
	want := verifyTo("1.jsonl", "--threads", "1")
	if got := verifyTo("2.jsonl", "--threads", "7"); got != want {
		t.Error("the result differs with the number of threads")
	}
	image := b.read("ferry.img")
	for _, u := range [][2]int{{116736, 1024}, {2118144, 512}, {2170880, 4096}, {2443264, 40960}} {
		copy(image[u[0]:u[0]+u[1]], image[32768:]) // copies of the boot sector and what follows
	}
	b.write("ferry.img", image)
	if got := verifyTo("3.jsonl"); got != want {
		t.Error("the result differs with what stands in unread sectors")
	}
}

func TestCutImage(t *testing.T) {
	b := newBench(t)
	image := b.read("ferry.img")
	b.write("cut.img", image[:2<<20]) // inside the partition
	o := b.run([]string{"cut.result.jsonl"}, "verify", "cut.img", "--assume-read")
	if o.exit != exitFound || !strings.Contains(o.stdout, "past the end of the image") {
		t.Errorf("the partition should be said to end past the image: %+v", o)
	}
	// A map of the whole drive needs the drive's size.
	if o := b.run(nil, "verify", "cut.img", "--map", "all.csv", "-o", "d.jsonl"); o.exit != exitInput || !strings.Contains(o.stderr, "--drive-size") {
		t.Errorf("%+v", o)
	}
	o = b.run([]string{"d.jsonl"}, "verify", "cut.img", "--map", "all.csv", "--drive-size", "3145728", "-o", "d.jsonl", "--json")
	var r verify.Outcome
	decode(t, []byte(o.stdout), &r)
	if m := r.Image.Map; o.exit != exitFound || m.Read != 2<<20 || m.Skipped != ferrySize-2<<20 {
		t.Errorf("what was never imaged should be skipped: %+v", r.Image)
	}
}

// TestNoVolume holds an image in which no volume is found never to pass for a
// recovery that is complete.
func TestNoVolume(t *testing.T) {
	b := newBench(t)
	b.write("noise.img", bytes.Repeat([]byte("neither a table nor a volume; "), 50000))
	o := b.run([]string{"noise.result.jsonl"}, "verify", "noise.img", "--assume-read")
	if o.exit != exitFound || strings.Contains(o.stdout, "Recovery is complete") || !strings.Contains(o.stdout, "unknown") {
		t.Errorf("%+v", o)
	}
}

func TestDemo(t *testing.T) {
	b := newBench(t)
	files := []string{"d/foundry.img", "d/foundry.map.csv", "d/foundry.result.jsonl"}
	o := b.run(files, "demo", "--to", "d")
	if o.exit != exitClean || !strings.Contains(o.stdout, "Recovery is not complete") {
		t.Errorf("%+v", o)
	}
	if o := b.run(files, "demo", "--to", "d", "--force", "--quiet"); o != (outcome{}) {
		t.Errorf("again, by force and quiet: %+v", o)
	}
}

// TestInterrupt runs the command with a context that has ended already, as an
// interrupt ends it.
func TestInterrupt(t *testing.T) {
	b := newBench(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var stdout, stderr bytes.Buffer
	ui := newUI(&stdout, &stderr)
	root := newRoot(ui)
	root.SetArgs([]string{"verify", filepath.Join(b.dir, "ferry.img"), "--assume-read", "-o", filepath.Join(b.dir, "r.jsonl")})
	if code := ui.exit(root.ExecuteContext(ctx)); code != exitCancel || stdout.Len() > 0 || !strings.Contains(stderr.String(), "interrupted") {
		t.Errorf("exit %d, stdout %q, stderr %q", code, &stdout, &stderr)
	}
	list, err := os.ReadDir(b.dir)
	if err != nil || len(list) != 3 {
		t.Errorf("left in the folder: %v, %v", list, err)
	}
}
