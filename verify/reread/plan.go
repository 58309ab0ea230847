package reread

import (
	"fmt"
	"slices"
	"time"

	"fileassay/extract/imap"
	"fileassay/verify/paths"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// Options say how to plan.
type Options struct {
	Wanted        *wanted.List  // nil for the built-in list
	Costs         Costs         // see [DefaultCosts]
	Budget        time.Duration // 0 for no end
	BudgetSectors int64         // 0 for no end; not with Budget
	Forward       bool          // keep the set, and order it by place in passes
	Worth         float64       // weight that a further hour must win; 0 to say nothing of it
	Sums          bool          // tell what the plan comes to, and not its steps: of a million files that takes half the memory
}

// Caution stands at the beginning of every plan.
const Caution = `Before you read on: each further pass wears a failing drive, and can be its last.
Stop at once on new noises. Hands inside the drive only in clean air, by trained
people (ISO 14644-1 class 5, the former class 100). Secure an image of what is
there first. The decision is the responsible technician's.`

// Range is a run of unread sectors to be read, in one state.
type Range struct {
	Start  int64 // bytes
	Length int64
	State  imap.State
}

// Step is ranges that are read one behind the other since only together they
// win what they win.
type Step struct {
	First, Ranges int           // of Plan.Ranges
	Sectors       int64         // read in this step
	Took          time.Duration // by the costs
	Files         int64         // made whole by this step
	Perhaps       int64         // files that may become whole
	Weight        float64       // of the files made whole
	Value         float64       // what else is counted in: what structures lead to, shares of files; an estimate
	Pass          int           // 1, 2 ... of a plan in passes; else 0

	leads       float64 // of Value, what structures lead to
	won, wonEnd int32
}

// Plan says what to read next.
type Plan struct {
	Caution string
	Wanted  string // name of the wanted list
	Options Options
	Sector  int64
	Drive   int64 // bytes

	Holds  []Held      // what the unread sectors hold
	Files  WantedCount // wanted files before the plan
	Ranges []Range     // in order
	Steps  []Step

	Sectors int64
	Took    time.Duration
	Whole   int64   // files made whole
	Perhaps int64   // files that may become whole: what leads to the rest of them is unread too
	Weight  float64 // of files made whole
	Stop    *Stop   // nil where no hour is asked to win anything
	Again   int     // steps after which to verify again; see [Plan.again]
	InOneGo bool    // so little is unread that to come back for what structures lead to would take longer than to read all, by place
	LeftOut int64   // items that were left out, since their lists are absurdly long

	Heads    []HeadValue // nil without a head map
	HeadSets []HeadSet   // of several heads

	items []item
	paths paths.Store
	won   []int32
}

// WantedCount counts wanted files.
type WantedCount struct {
	Intact  int64   `json:"intact"`
	Missing int64   `json:"missing"`
	Weight  float64 `json:"weight"`         // of all of them
	Lacking float64 `json:"missing_weight"` // of those that are missing
}

func (c *WantedCount) add(intact bool, w float64) {
	c.Weight += w
	if intact {
		c.Intact++
		return
	}
	c.Missing++
	c.Lacking += w
}

// Stop is the point after which a further hour wins less than it must.
type Stop struct {
	Step  int           // how many steps come before it
	After time.Duration // from the beginning
	Next  float64       // what the hour after it would win
}

// Win is something that a step wins.
type Win struct {
	Volume int    `json:"volume,omitempty"`
	ID     uint64 `json:"id,omitempty"`
	Path   string `json:"path,omitempty"`
	What   string `json:"what"` // "whole", "perhaps whole", "leads to", "structures", "partition tables", "copies", "unknown"
	Gates  int64  `json:"gates,omitempty"`
	Known  bool   `json:"gates_known,omitempty"`
}

var winWords = map[itemSort]string{wholeFile: "whole", perhapsFile: "perhaps whole", gate: "leads to", volumeGate: "structures",
	driveGate: "partition tables", copies: "copies", unknown: "unknown"}

// Wins are what a step wins, at most n of it.
func (p *Plan) Wins(s *Step, n int) []Win {
	var out []Win
	for _, i := range p.won[s.won:s.wonEnd] {
		if len(out) == n {
			break
		}
		it := &p.items[i]
		out = append(out, Win{int(it.volume), it.id, p.paths.String(it.path), winWords[it.sort], it.gates, it.sure})
	}
	return out
}

// WinCount is how much a step wins, of all sorts.
func (p *Plan) WinCount(s *Step) int { return int(s.wonEnd - s.won) }

// Words says what a step wins, in words.
func (p *Plan) Words(s *Step) string {
	if s.won == s.wonEnd {
		return "a part of files that do not become whole"
	}
	best := p.won[s.won]
	for _, i := range p.won[s.won:s.wonEnd] {
		if a, b := &p.items[i], &p.items[best]; a.sort < b.sort || a.sort == b.sort && a.weight > b.weight {
			best = i
		}
	}
	it := &p.items[best]
	text := p.name(it)
	switch it.sort {
	case gate:
		if it.gates > 1 {
			text += fmt.Sprintf(" and %d more", it.gates-1)
		}
		if !it.sure {
			text += " (how many files it leads to is an estimate)"
		}
	case volumeGate, driveGate:
		text += fmt.Sprintf(" (may lead to %d more, an estimate)", it.gates)
	case perhapsFile:
		text += " (perhaps)"
	}
	if n := s.wonEnd - s.won - 1; n > 0 {
		text += fmt.Sprintf("; %d more", n)
	}
	return text
}

// New plans what to read next. Errors are those of the result.
func New(r *result.Result, o Options) (*Plan, error) {
	if o.Wanted == nil {
		o.Wanted = wanted.Default()
	}
	b := newBuilder(r, o.Wanted, &o.Costs)
	b.untold = o.Sums
	if err := b.collect(); err != nil {
		return nil, err
	}
	bySectors := o.BudgetSectors > 0
	p, places := b.assemble(&o.Costs, bySectors)
	out := &Plan{Caution: Caution, Wanted: o.Wanted.Name, Options: o, Sector: b.sector, Drive: r.Image.DriveSize, Files: b.waiting,
		items: b.items, paths: b.paths, LeftOut: b.leftOut}
	var err error
	if out.Holds, err = b.held(p, places, &o.Costs); err != nil {
		return nil, err
	}
	out.Heads, out.HeadSets = b.heads.values(r)
	t := &teller{p: p, places: places, c: &o.Costs, sector: b.sector, plan: out, unread: b.unread}
	switch budget := max(o.Budget.Microseconds(), o.BudgetSectors); {
	case budget > 0:
		s := solve(p, budget, tries(p))
		order, ends := t.ordered(s.chosen)
		if o.Forward {
			order, ends = t.passes(s.chosen)
		}
		t.tell(order, ends)
		if !bySectors && out.Took > o.Budget {
			order, ends = t.runs(s.chosen, order)
			t.tell(order, ends)
		}
	default:
		all := slices.Repeat([]bool{true}, p.atomCount())
		out.InOneGo = b.goes.taken && !o.Forward
		switch {
		case o.Forward:
			t.tell(t.passes(all))
		case out.InOneGo:
			t.tell(t.diskOrder(all))
		default:
			t.tell(t.ordered(all))
		}
	}
	out.stop()
	out.again()
	return out, nil
}

// teller makes the steps of a plan of an order of atoms.
type teller struct {
	p      *problem
	places *atomPlaces
	c      *Costs
	sector int64
	plan   *Plan
	unread *result.UnreadMap
	pass   []int // of each step; nil where there are none
}

// tell makes the steps, in place of those that were told before.
func (t *teller) tell(order, ends []int32) {
	p, out := t.p, t.plan
	if !out.Options.Sums {
		out.Steps = make([]Step, 0, len(ends))
	}
	out.Ranges = out.Ranges[:0]
	out.won = out.won[:0]
	out.Sectors, out.Took, out.Whole, out.Perhaps, out.Weight = 0, 0, 0, 0, 0
	missing := make([]int32, p.itemCount())
	for i := range missing {
		missing[i] = p.itemAt[i+1] - p.itemAt[i]
	}
	pos := int64(-1) // where the head stands
	from := int32(0)
	for k, end := range ends {
		atoms := order[from:end]
		from = end
		if len(atoms) == 0 {
			continue
		}
		slices.Sort(atoms)
		s := Step{First: len(out.Ranges), won: int32(len(out.won))}
		if t.pass != nil {
			s.Pass = t.pass[k]
		}
		var took int64
		for _, a := range atoms {
			took += t.move(pos, t.places.start[a]) + capped(p.sectors[a], t.c.perSector(t.places.state[a]))
			pos = t.places.end[a]
			s.Sectors += p.sectors[a]
			if !out.Options.Sums {
				t.add(&s, a)
			}
			for _, i := range p.items(a) {
				if missing[i]--; missing[i] == 0 && p.whole[i] > 0 {
					t.win(&s, i)
				}
			}
		}
		s.wonEnd = int32(len(out.won))
		s.Took = time.Duration(took) * time.Microsecond
		if !out.Options.Sums {
			out.Steps = append(out.Steps, s)
		}
		out.Sectors += s.Sectors
		out.Took += s.Took
		out.Whole += s.Files
		out.Perhaps += s.Perhaps
		out.Weight += s.Weight
	}
}

// move is the time to come to a place.
func (t *teller) move(pos, to int64) int64 {
	seek := t.c.Seek.Microseconds()
	if pos < 0 || to < pos {
		return seek
	}
	gap := (to - pos) / t.sector
	if gap > t.c.Gap {
		return seek
	}
	return min(seek, t.c.pass(gap))
}

// add adds an atom to a step's ranges.
func (t *teller) add(s *Step, a int32) {
	out := t.plan
	if s.Ranges > 0 {
		last := &out.Ranges[len(out.Ranges)-1]
		if last.Start+last.Length == t.places.start[a] && last.State == t.places.state[a] {
			last.Length += t.places.end[a] - t.places.start[a]
			return
		}
	}
	out.Ranges = append(out.Ranges, Range{t.places.start[a], t.places.end[a] - t.places.start[a], t.places.state[a]})
	s.Ranges++
}

func (t *teller) win(s *Step, i int32) {
	if t.plan.items[i].sort == unitOfFile {
		return // shares are chosen for, and not told
	}
	if !t.plan.Options.Sums {
		t.plan.won = append(t.plan.won, i)
	}
	switch it := &t.plan.items[i]; it.sort {
	case wholeFile:
		s.Files++
		s.Weight += it.weight
	case perhapsFile:
		s.Perhaps++
		s.Value += t.p.whole[i]
	default:
		s.Value += t.p.whole[i]
		s.leads += t.p.whole[i]
	}
}

// runs is a set of atoms in runs that are read in one go each, those first
// that are first needed: the order in which the set costs what it was chosen for.
func (t *teller) runs(chosen []bool, order []int32) (out, ends []int32) {
	done := make([]bool, len(chosen))
	for _, a := range order {
		if done[a] {
			continue
		}
		from := a
		for from > 0 && chosen[from-1] && t.p.link[from-1] > 0 {
			from--
		}
		for at := from; int(at) < len(chosen) && chosen[at]; at++ {
			done[at] = true
			out = append(out, at)
			if t.p.link[at] == 0 {
				break
			}
		}
		ends = append(ends, int32(len(out)))
	}
	return out, ends
}

// passes is a set of atoms by place: what was never tried in a first pass, then
// what came back unvouched for, then what failed, so that a weak head is neither
// made to jump nor worn by failed sectors first.
func (t *teller) passes(chosen []bool) (order, ends []int32) {
	t.pass = nil
	pass := 0
	for _, state := range []imap.State{imap.Skipped, imap.Doubtful, imap.Failed} {
		begun := false
		last := int32(-1)
		for a, ok := range chosen {
			if !ok || t.places.state[a] != state {
				continue
			}
			if !begun {
				pass++
				begun = true
			}
			if last >= 0 && (t.places.start[a]-t.places.end[last])/t.sector > t.c.Gap {
				ends = append(ends, int32(len(order)))
				t.pass = append(t.pass, pass)
			}
			order = append(order, int32(a))
			last = int32(a)
		}
		if begun {
			ends = append(ends, int32(len(order)))
			t.pass = append(t.pass, pass)
		}
	}
	return order, ends
}

// mostStructures is the share of what structures may lead to by which a plan
// says that it is time to verify again.
const mostStructures = 0.9

// again finds how many steps read most of the structures that lead to what is
// not known yet, and so is in no plan: from there on another plan is better. It
// is 0 where the plan reads none.
func (p *Plan) again() {
	if p.InOneGo {
		p.Again = len(p.Steps)
		return
	}
	all := 0.0
	for i := range p.Steps {
		all += p.Steps[i].leads
	}
	sum := 0.0
	for i := range p.Steps {
		if sum += p.Steps[i].leads; sum > 0 && sum >= mostStructures*all {
			p.Again = i + 1
			return
		}
	}
}

// stop finds the point after which no further hour wins what it must. A step
// that takes longer than an hour wins its share in each.
func (p *Plan) stop() {
	if p.Options.Worth <= 0 {
		return
	}
	after := make([]time.Duration, len(p.Steps)+1) // the time before each step
	for k := range p.Steps {
		after[k+1] = after[k] + p.Steps[k].Took
	}
	left := make([]float64, len(p.Steps)+1) // what it and those behind it win; summed from the end, where sums are small
	for k := len(p.Steps) - 1; k >= 0; k-- {
		left[k] = left[k+1] + p.Steps[k].Weight + p.Steps[k].Value
	}
	last := len(p.Steps)
	p.Stop = &Stop{Step: last, After: after[last]}
	end := last // the step that the hour after a point ends in
	for k := last - 1; k >= 0; k-- {
		for end > k && after[end] > after[k]+time.Hour {
			end--
		}
		gain := left[k] - left[end]
		if end < last {
			gain += (left[end] - left[end+1]) * float64(after[k]+time.Hour-after[end]) / float64(after[end+1]-after[end])
		}
		if gain >= p.Options.Worth {
			return
		}
		p.Stop = &Stop{Step: k, After: after[k], Next: gain}
	}
}
