package main

import (
	"strings"
	"testing"
)

// TestRefused holds the exit codes and messages of runs that cannot be. What
// else holds of a failed run, that it changes nothing above all, bench.run
// checks.
func TestRefused(t *testing.T) {
	const header = "start,length,state\n"
	verifyMap := []string{"verify", "ferry.img", "--map", "m.csv"}
	verifyAll := func(more ...string) []string {
		return append([]string{"verify", "ferry.img", "--map", "all.csv"}, more...)
	}
	for _, c := range []struct {
		name  string
		files map[string]string // beside those of newBench
		args  []string
		exit  int
		says  []string
	}{
		// the command line
		{"command", nil, []string{"verfy", "ferry.img"}, exitUsage, []string{`"verfy"`, "--help"}},
		{"flag", nil, []string{"verify", "ferry.img", "--mapp", "all.csv"}, exitUsage, []string{"--mapp", "verify --help"}},
		{"global flag", nil, []string{"--nonsense"}, exitUsage, []string{"--nonsense", "--help"}},
		{"no image", nil, []string{"verify"}, exitUsage, []string{"one image"}},
		{"two images", nil, verifyAll("other.img"), exitUsage, []string{"one image", "2"}},
		{"layout of no image", nil, []string{"layout"}, exitUsage, []string{"one image"}},
		{"demo of something", nil, []string{"demo", "ferry.img"}, exitUsage, []string{"no arguments"}},
		{"verify without map", nil, []string{"verify", "ferry.img"}, exitUsage, []string{"--map", "--assume-read", "nothing can be proved"}},
		{"layout without map", nil, []string{"layout", "ferry.img"}, exitUsage, []string{"--map", "--assume-read", "nothing can be proved"}},
		{"map and assumption", nil, verifyAll("--assume-read"), exitUsage, []string{"--map", "--assume-read", "one"}},
		{"sector of 500", nil, verifyAll("--sector", "500"), exitUsage, []string{"500"}},
		{"sector of nothing", nil, verifyAll("--sector", "x"), exitUsage, []string{"sector"}},
		{"drive of nothing", nil, verifyAll("--drive-size", "0"), exitUsage, []string{"--drive-size"}},
		{"drive of words", nil, verifyAll("--drive-size", "large"), exitUsage, []string{"--drive-size", "large"}},
		{"minus one thread", nil, verifyAll("--threads=-1"), exitUsage, []string{"--threads"}},

		// the map
		{"overlap", map[string]string{"m.csv": header + "0,1024,read\n4096,512,failed\n512,1024,failed\n"}, verifyMap, exitInput, []string{"m.csv", "line 4", "line 2", "overlaps"}},
		{"unknown state", map[string]string{"m.csv": header + "0,512,read\n512,512,finished\n"}, verifyMap, exitInput, []string{"m.csv", "line 3", "finished", "doubtful"}},
		{"negative start", map[string]string{"m.csv": header + "-512,512,read\n"}, verifyMap, exitInput, []string{"m.csv", "line 2", "negative"}},
		{"negative length", map[string]string{"m.csv": header + "0,-512,read\n"}, verifyMap, exitInput, []string{"m.csv", "line 2", "negative"}},
		{"hex nonsense", map[string]string{"m.csv": header + "0,512,read\n0x2zz,512,read\n"}, verifyMap, exitInput, []string{"m.csv", "line 3", "0x2zz"}},
		{"hex without 0x", map[string]string{"m.csv": header + "1f00,512,read\n"}, verifyMap, exitInput, []string{"m.csv", "line 2", "1f00"}},
		{"past the end", map[string]string{"m.csv": header + "0,3145728,read\n3145728,512,failed\n"}, verifyMap, exitInput, []string{"m.csv", "line 3", "3145728", "--drive-size"}},
		{"absurd", map[string]string{"m.csv": header + "9223372036854775807,9223372036854775807,read\n"}, verifyMap, exitInput, []string{"m.csv", "line 2"}},
		{"two columns", map[string]string{"m.csv": header + "0,512\n"}, verifyMap, exitInput, []string{"m.csv", "line 2"}},
		{"no header", map[string]string{"m.csv": "0,512,read\n"}, verifyMap, exitInput, []string{"m.csv", "line 1", "start,length,state"}},
		{"empty map", map[string]string{"m.csv": ""}, verifyMap, exitInput, []string{"m.csv", "start,length,state"}},
		{"image as map", nil, []string{"verify", "ferry.img", "--map", "ferry.img"}, exitInput, []string{"ferry.img", "line 1"}},
		{"missing map", nil, verifyMap, exitInput, []string{"m.csv", "imaging map"}},
		{"map is a folder", nil, []string{"verify", "ferry.img", "--map", "."}, exitInput, []string{"folder"}},
		{"layout with a bad map", map[string]string{"m.csv": header + "0,512,ok\n"}, []string{"layout", "ferry.img", "--map", "m.csv"}, exitInput, []string{"m.csv", "line 2"}},

		// the image
		{"empty image", map[string]string{"e.img": ""}, []string{"verify", "e.img", "--assume-read"}, exitInput, []string{"e.img", "empty"}},
		{"image is a folder", map[string]string{"f/x": "x"}, []string{"verify", "f", "--assume-read"}, exitInput, []string{"image f", "folder"}},
		{"missing image", nil, []string{"verify", "m.img", "--assume-read"}, exitInput, []string{"m.img", "image"}},
		{"layout of a missing image", nil, []string{"layout", "m.img", "--assume-read"}, exitInput, []string{"m.img", "image"}},
		{"drive smaller than its image", nil, verifyAll("--drive-size", "1048576"), exitInput, []string{"ferry.img", "3145728", "1048576"}},

		// the result
		{"result exists", map[string]string{"ferry.result.jsonl": "kept"}, verifyAll(), exitOutput, []string{"ferry.result.jsonl", "exists", "--force"}},
		{"result in a missing folder", nil, verifyAll("--result", "no/such/r.jsonl"), exitOutput, []string{"no/such/r.jsonl"}},
		{"result is a folder", map[string]string{"f/x": "x"}, verifyAll("--result", "f", "--force"), exitOutput, []string{"output f", "folder"}},
		{"result below a file", nil, verifyAll("--result", "all.csv/r.jsonl"), exitOutput, []string{"all.csv/r.jsonl"}},
		{"result is the image", nil, verifyAll("--result", "ferry.img"), exitOutput, []string{"ferry.img", "input"}},
		{"result is the image, by force", nil, verifyAll("--result", "./ferry.img", "--force"), exitOutput, []string{"ferry.img", "input"}},
		{"result is the map, by force", nil, verifyAll("--result", "all.csv", "--force"), exitOutput, []string{"all.csv", "input"}},
		{"demo in a file", nil, []string{"demo", "--to", "all.csv"}, exitOutput, []string{"all.csv"}},
		{"demo exists", map[string]string{"d/foundry.img": "kept"}, []string{"demo", "--to", "d"}, exitOutput, []string{"foundry.img", "--force"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t)
			for name, data := range c.files {
				b.write(name, []byte(data))
			}
			o := b.run(nil, c.args...)
			if o.exit != c.exit {
				t.Errorf("exit %d, want %d: %s", o.exit, c.exit, o.stderr)
			}
			for _, s := range c.says {
				if !strings.Contains(o.stderr, s) {
					t.Errorf("the message does not say %q: %s", s, o.stderr)
				}
			}
		})
	}
}
