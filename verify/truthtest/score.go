package truthtest

import (
	"fmt"
	"strings"

	"fileassay/extract/fixture"
	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// Score is how a result compares with the truth.
type Score struct {
	Broken  []string // laws that do not hold, in words
	AllRead int      // files of which truth knows that every byte was read
	Called  int      // of them, called intact
	Missed  []string // of them, not called intact
	Missing []string // files not listed at all
	Listed  int
}

func (s *Score) broke(format string, a ...any) {
	if len(s.Broken) < 20 {
		s.Broken = append(s.Broken, fmt.Sprintf(format, a...))
	}
}

// marks says of each sector what became of it.
type marks struct {
	sector int64
	states []imap.State
}

func mark(f *fixture.Fixture, unread []imap.Range) marks {
	m := marks{f.Truth.Sector, make([]imap.State, (int64(len(f.Image))+f.Truth.Sector-1)/f.Truth.Sector)}
	for _, u := range unread {
		for s := u.Start / m.sector; s*m.sector < u.End(); s++ {
			m.states[s] = u.State
		}
	}
	return m
}

// count counts the bytes of [at, at+n) by state.
func (m marks) count(at, n int64) (out [4]int64) {
	for n > 0 {
		s := at / m.sector
		step := min(n, (s+1)*m.sector-at)
		state := imap.Skipped
		if s < int64(len(m.states)) {
			state = m.states[s]
		}
		out[state] += step
		at, n = at+step, n-step
	}
	return out
}

type key struct {
	volume int
	path   string
}

// Compare holds a result to the laws and to the truth.
func Compare(f *fixture.Fixture, unread []imap.Range, r *Result) *Score {
	s := &Score{}
	m := mark(f, unread)
	volumes := map[int]int{} // number in the result, by number in truth
	for i, v := range f.Truth.Volumes {
		for _, w := range r.Volumes {
			if w.Start == v.Start {
				volumes[i] = w.Volume
			}
		}
	}
	listed := map[key]*result.File{}
	byFirst := map[int64]*result.File{}
	for i := range r.Files {
		g := &r.Files[i]
		if g.Kind != "file" && g.Kind != "stream" {
			continue
		}
		k := key{g.Volume, g.Path}
		if listed[k] != nil {
			s.broke("listed twice: %s", g.Path)
		}
		listed[k] = g
		if len(g.Extents) > 0 {
			byFirst[g.Extents[0][1]] = g
		}
	}
	known := map[key]bool{}
	used := map[*result.File]bool{}
	for i := range f.Truth.Files {
		t := &f.Truth.Files[i]
		k := key{volumes[t.Volume], t.Path}
		known[k] = true
		g := listed[k]
		var need [4]int64
		mapped := int64(0)
		for _, run := range t.Runs {
			mapped += run[2]
			for state, n := range m.count(run[1], run[2]) {
				need[state] += n
			}
		}
		placed := t.Placed()
		allRead := placed && need[imap.Read] == mapped
		if allRead {
			s.AllRead++
		}
		if g == nil && len(t.Runs) > 0 {
			g = byFirst[t.Runs[0][1]] // without its path
		}
		if g == nil {
			s.Missing = append(s.Missing, t.Path)
			continue
		}
		used[g] = true
		s.Listed++
		s.file(t, g, need, mapped, allRead)
	}
	for k, g := range listed {
		if !known[k] && !used[g] && g.Kind != "stream" && !strings.HasPrefix(g.Path, "?/") {
			s.broke("phantom: %s is not in truth", g.Path)
		}
	}
	complete := len(r.Volumes) > 0
	for _, v := range r.Volumes {
		complete = complete && v.Listing.Complete
	}
	if complete && len(s.Missing) > 0 {
		s.broke("the list is called complete, and %q is missing", s.Missing[0])
	}
	return s
}

// file compares one file with its truth.
func (s *Score) file(t *fixture.File, g *result.File, need [4]int64, mapped int64, allRead bool) {
	if g.Size != nil && *g.Size != t.Size {
		s.broke("%s: size %d, in truth %d", t.Path, *g.Size, t.Size)
	}
	switch {
	case g.Verdict == result.Intact && need[imap.Read] != mapped:
		s.broke("FALSE INTACT: %s: bytes by state %v", t.Path, need)
	case g.Verdict == result.Intact && allRead:
		s.Called++
	case allRead:
		s.Missed = append(s.Missed, fmt.Sprintf("%s: %s %q", t.Path, g.Verdict, g.Why))
	}
	if t.Placed() && g.Bytes.Read != nil && *g.Bytes.Unlocated == 0 && g.Stored == "" {
		got := [4]int64{imap.Read: *g.Bytes.Read, imap.Doubtful: *g.Bytes.Doubtful, imap.Skipped: *g.Bytes.Skipped, imap.Failed: *g.Bytes.Failed}
		want := need
		want[imap.Read] += t.Size - mapped // holes
		if got != want {
			s.broke("%s: bytes by state %v, in truth %v", t.Path, got, want)
		}
	}
	if !t.Placed() || g.Stored != "" {
		return
	}
	for _, e := range g.Extents {
		for _, run := range t.Runs {
			lo, hi := max(e[0], run[0]), min(e[0]+e[2], run[0]+run[2])
			if lo < hi && e[1]+lo-e[0] != run[1]+lo-run[0] {
				s.broke("%s: extent %v, in truth %v", t.Path, e, run)
				return
			}
		}
	}
}
