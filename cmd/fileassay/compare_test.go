package main

import (
	"strings"
	"testing"

	"fileassay/verify/compare"
)

// What differs in sectors that both passes read is told by file, and what
// stands in sectors that one of them did not read shows nowhere.
func TestCompareContent(t *testing.T) {
	b := newBench(t)
	image := b.read("ferry.img")
	b.run([]string{"1.jsonl"}, "verify", "ferry.img", "--map", "worn.csv", "-o", "1.jsonl", "-q")
	image[2174976] ^= 1 // in Crossings/log 03.txt, behind what worn.csv did not read of it
	b.write("second.img", image)
	b.run([]string{"2.jsonl"}, "verify", "second.img", "--map", "all.csv", "-o", "2.jsonl", "-q")
	o := b.run(nil, "compare", "1.jsonl", "2.jsonl", "--content")
	for _, want := range []string{"GOT WORSE", "1 sector was read both times and holds other bytes now (1 range, the first at byte 2174976): 1 in content of 1 file",
		"Not the same as before: 1 entry\n  Crossings/log 03.txt: damaged -> intact, 4.0 KiB won; 1 sector of its content holds other bytes\n",
		"Rose: 4 entries\n", "  1 of them told under another heading\n"} {
		if o.exit != exitFound || !strings.Contains(o.stdout, want) {
			t.Errorf("exit %d, no %q in\n%s", o.exit, want, o.stdout)
		}
	}
	told := func(args ...string) string {
		o := b.run(nil, append([]string{"compare", "1.jsonl", "2.jsonl", "--json"}, args...)...)
		if o.exit != exitFound {
			t.Errorf("%v: exit %d", args, o.exit)
		}
		return o.stdout
	}
	first := told("--content")
	var c struct {
		compare.Comparison
		Changes []*compare.Change `json:"changes"`
	}
	decode(t, []byte(first), &c)
	if c.Content == nil || c.Content.Differ != 1 || c.Content.Holds != (compare.Holds{Files: 1}) {
		t.Errorf("%+v", c.Content)
	}
	ferry := b.read("ferry.img")
	for _, u := range [][2]int{{116736, 1024}, {2118144, 512}, {2170880, 4096}, {2443264, 40960}} {
		copy(ferry[u[0]:u[0]+u[1]], ferry[32768:]) // copies of the boot sector and what follows
	}
	b.write("ferry.img", ferry)
	if got := told("--content"); got != first {
		t.Errorf("what stands in unread sectors shows:\n%s\n%s", first, got)
	}
}
