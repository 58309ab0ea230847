package reread_test

import (
	"cmp"
	"path"
	"slices"
	"strings"
	"testing"

	"fileassay/extract/imap"
	"fileassay/verify"
	"fileassay/verify/reread"
	"fileassay/verify/truthtest/fixture"
	"fileassay/verify/wanted"
)

// middleFolder is one of the folders of a volume that directly hold files.
func middleFolder(f *fixture.Fixture, volume int) string {
	var dirs []string
	for _, x := range f.Truth.Files {
		dir := path.Dir(x.Path)
		if x.Volume == volume && dir != "." && !strings.Contains(x.Path, ":") && !slices.Contains(dirs, dir) {
			dirs = append(dirs, dir)
		}
	}
	if len(dirs) == 0 {
		return ""
	}
	slices.SortFunc(dirs, cmp.Compare[string])
	return dirs[len(dirs)/2]
}

// From an image of which only the first sector was read, planning, reading and
// verifying again and again makes all files under a wanted folder whole, with
// little else read.
func TestLoop(t *testing.T) {
	for _, f := range fixtures(t) {
		for volume := range f.Truth.Volumes {
			dir := middleFolder(f, volume)
			if dir == "" {
				continue
			}
			t.Run(f.Name+"/"+f.Truth.Volumes[volume].FS, func(t *testing.T) { loop(t, f, volume, dir) })
		}
	}
}

func loop(t *testing.T, f *fixture.Fixture, volume int, dir string) {
	list, err := wanted.Parse("loop", strings.NewReader("1 "+wanted.Escape(dir)+"/**\n0 **\n"))
	if err != nil {
		t.Fatal(err)
	}
	sector := f.Truth.Sector
	b := newBench(t, f, []imap.Range{{Start: sector, Length: int64(len(f.Image)) - sector, State: imap.Skipped}})
	all := len(b.state) + 1
	leads := map[int64]bool{0: true}
	var r *verify.Result
	passes := 0
	for ; ; passes++ {
		r = b.verify()
		p := plan(t, r, reread.Options{Wanted: list})
		if len(p.Ranges) == 0 {
			break
		}
		if passes == 300 {
			t.Fatalf("not done after %d passes", passes)
		}
		for k := range p.Steps {
			s := &p.Steps[k]
			structure := false
			for _, w := range p.Wins(s, p.WinCount(s)) {
				structure = structure || w.What != "whole"
			}
			for _, g := range p.Ranges[s.First : s.First+s.Ranges] {
				for at := g.Start; at < g.Start+g.Length && structure; at += sector {
					leads[at] = true
				}
				b.read(g.Start, g.Length)
			}
		}
	}
	number, under := 0, strings.ToLower(dir)+"/"
	for _, v := range r.Volumes {
		if v.Start == f.Truth.Volumes[volume].Start {
			number = v.Volume
		}
	}
	due := map[int64]bool{} // sectors of the files, and of what leads to them
	for at := range leads {
		due[at] = true
	}
	files, verdicts := 0, map[string]verify.Verdict{}
	for x, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(strings.ToLower(x.Path), under) {
			continue
		}
		if x.Volume == number {
			verdicts[x.Path] = x.Verdict
		}
		for _, e := range x.Extents {
			for at := e[1] / sector * sector; at < e[1]+e[2]; at += sector {
				due[at] = true
			}
		}
	}
	for _, x := range f.Truth.Files {
		if x.Volume == volume && strings.HasPrefix(x.Path, dir+"/") {
			files++
			if v := verdicts[x.Path]; v != verify.Intact {
				t.Errorf("%s: %q", x.Path, v)
			}
		}
	}
	read := all - len(b.state)
	ratio := float64(read) / float64(len(due))
	t.Logf("%q: %d files whole after %d passes; %d sectors read, %d of them to find the way; %.3f times the sectors of the files and what leads to them; %d on the drive",
		dir, files, passes, read, len(leads), ratio, all)
	if ratio > 1.2 {
		t.Errorf("%d sectors read, %.2f times what was due", read, ratio)
	}
}
