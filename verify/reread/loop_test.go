package reread_test

import (
	"cmp"
	"maps"
	"path"
	"slices"
	"strings"
	"testing"

	"fileassay/extract/fixture"
	"fileassay/extract/imap"
	"fileassay/verify/reread"
	"fileassay/verify/result"
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
// verifying again and again makes all files under a wanted folder whole, having
// read at most 1.2 times what was due: the sectors of its files, and of structures
// those runs without which a verdict would be another, or the way not be found. Of
// each filesystem the first volume there is stands for the others.
func TestLoop(t *testing.T) {
	seen := map[string]bool{}
	for _, f := range fixtures(t) {
		for volume, v := range f.Truth.Volumes {
			dir := middleFolder(f, volume)
			if dir == "" || seen[v.FS] {
				continue
			}
			seen[v.FS] = true
			t.Run(f.Name+"/"+v.FS, func(t *testing.T) { loop(t, f, volume, dir) })
		}
	}
}

// follow plans, reads and verifies again and again from the first sector on, until
// a plan names nothing that can be read. It returns the last result, the sectors
// that steps read which win more than whole files, and how many passes it took.
func (b *bench) follow(list *wanted.List, barred map[int64]bool) (r *result.Result, leads map[int64]bool, passes int) {
	b.t.Helper()
	sector := b.f.Truth.Sector
	b.state, leads = map[int64]imap.State{}, map[int64]bool{0: true}
	for at := sector; at < int64(len(b.f.Image)); at += sector {
		b.state[at] = imap.Skipped
	}
	for ; ; passes++ {
		r = b.verify()
		p := plan(b.t, r, reread.Options{Wanted: list})
		read := int64(0)
		for k := range p.Steps {
			s := &p.Steps[k]
			structure := false
			for _, w := range p.Wins(s, p.WinCount(s)) {
				structure = structure || w.What != "whole"
			}
			for _, g := range p.Ranges[s.First : s.First+s.Ranges] {
				for at := g.Start; at < g.Start+g.Length; at += sector {
					if barred[at] {
						continue
					}
					read += b.read(at, sector)
					if structure {
						leads[at] = true
					}
				}
			}
		}
		if read == 0 {
			return r, leads, passes
		}
		if passes == 300 {
			b.t.Fatalf("not done after %d passes", passes)
		}
	}
}

func loop(t *testing.T, f *fixture.Fixture, volume int, dir string) {
	list, err := wanted.Parse("loop", strings.NewReader("1 /"+dir+"/**\n0 **\n"))
	if err != nil {
		t.Fatal(err)
	}
	sector := f.Truth.Sector
	b := newBench(t, f, nil)
	r, leads, passes := b.follow(list, nil)
	all := (int64(len(f.Image)) + sector - 1) / sector
	read := all - int64(len(b.state))
	type name struct {
		start int64
		path  string
	}
	start, under := f.Truth.Volumes[volume].Start, strings.ToLower(dir)+"/"
	verdicts := func(r *result.Result) map[name]result.Verdict { // of all volumes that have such a folder
		out := map[name]result.Verdict{}
		for x, at := range b.files(r) {
			if strings.HasPrefix(strings.ToLower(x.Path), under) {
				out[name{at.start, x.Path}] = x.Verdict
			}
		}
		return out
	}
	got, files := verdicts(r), 0
	for _, x := range f.Truth.Files {
		if x.Volume == volume && strings.HasPrefix(x.Path, dir+"/") {
			files++
			if v := got[name{start, x.Path}]; v != result.Intact {
				t.Errorf("%s: %q", x.Path, v)
			}
		}
	}
	for x, at := range b.files(r) { // content is counted as such, whatever it was read for
		for _, e := range x.Extents {
			for s := e[1] / sector * sector; s < e[1]+e[2] && got[name{at.start, x.Path}] != ""; s += sector {
				delete(leads, s)
			}
		}
	}
	var idle int64
	var doubted [][]int64 // runs that the verdicts do not need, now that all is read
	for _, run := range runsOf(leads, sector) {
		if run[0] == 0 {
			continue // was read before
		}
		for _, at := range run {
			b.state[at] = imap.Skipped
		}
		if maps.Equal(got, verdicts(b.verify())) {
			doubted = append(doubted, run)
			idle += int64(len(run))
		}
		for _, at := range run {
			delete(b.state, at)
		}
	}
	// where the metadata of an array may stand, four places of eight sectors in the
	// drive and four in the partition, is asked for first and leads nowhere here
	const front, most = 64, 1.3
	for len(doubted) > 0 && float64(read-front) > most*float64(read-idle) { // the way may lead over them
		barred := map[int64]bool{}
		for _, at := range doubted[0] {
			barred[at] = true
		}
		if r, _, _ := b.follow(list, barred); !maps.Equal(got, verdicts(r)) {
			idle -= int64(len(doubted[0]))
		}
		doubted = doubted[1:]
	}
	ratio := float64(read) / float64(read-idle)
	t.Logf("%q: %d files whole after %d passes; %d sectors read of %d, %d of them to find the way, at most %d of which lead nowhere: %.3f times what was due",
		dir, files, passes, read, all, len(leads), idle, ratio)
	if float64(read-front) > most*float64(read-idle) {
		t.Errorf("%d sectors read, %.2f times what was due", read, ratio)
	}
}

// runsOf are sectors in runs that follow each other.
func runsOf(set map[int64]bool, sector int64) (out [][]int64) {
	for _, at := range slices.Sorted(maps.Keys(set)) {
		if n := len(out); n > 0 && out[n-1][len(out[n-1])-1]+sector == at {
			out[n-1] = append(out[n-1], at)
			continue
		}
		out = append(out, []int64{at})
	}
	return out
}
