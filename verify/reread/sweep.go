package reread

import "slices"

// sweep puts steps that follow each other in the order of place wherever what
// they win then waits less, all that comes behind included: windows of two
// steps, then of four, and so on, each size twice, half a window apart. An order
// that was looked for by value alone goes back and forth between neighbours that
// win about the same, and each way back is a seek.
func (t *teller) sweep(order, ends []int32) ([]int32, []int32) {
	s := &sweeper{t: t, missing: make([]int32, t.p.itemCount())}
	from := int32(0)
	for _, end := range ends {
		if end > from {
			slices.Sort(order[from:end])
			s.steps = append(s.steps, order[from:end])
		}
		from = end
	}
	for size := 2; size/2 < len(s.steps); size *= 2 {
		s.level(size, size)
		s.level(size/2, size)
	}
	out, outEnds := make([]int32, 0, len(order)), make([]int32, 0, len(ends))
	for _, atoms := range s.steps {
		out = append(out, atoms...)
		outEnds = append(outEnds, int32(len(out)))
	}
	return out, outEnds
}

// sweeper holds the steps while they are put in order.
type sweeper struct {
	t       *teller
	steps   [][]int32
	missing []int32 // atoms of each item that are not read before the window
}

// level goes through the windows of a size, the first of which is first long.
func (s *sweeper) level(first, size int) {
	left := 0.0 // what is not won before the window
	for i := range s.missing {
		s.missing[i] = s.t.p.itemAt[i+1] - s.t.p.itemAt[i]
		left += s.t.curve(int32(i))
	}
	pos := int64(-1)
	for at, end := 0, first; at < len(s.steps); at, end = end, end+size {
		end = min(end, len(s.steps))
		window := s.steps[at:end]
		next := int64(-1)
		if end < len(s.steps) {
			next = s.t.places.start[s.steps[end][0]]
		}
		if !slices.IsSortedFunc(window, byPlace) {
			sorted := slices.Clone(window)
			slices.SortFunc(sorted, byPlace)
			if s.waiting(sorted, pos, next, left) < s.waiting(window, pos, next, left) {
				copy(window, sorted)
			}
		}
		_, won, _ := s.walk(window, pos)
		left -= won
		last := window[len(window)-1]
		pos = s.t.places.end[last[len(last)-1]]
	}
}

// byPlace compares steps by their first atoms, which are by place.
func byPlace(a, b []int32) int { return int(a[0]) - int(b[0]) }

// waiting is how long all that is left waits for a window: what it wins itself
// until it is won, the rest until the head is where the next one begins.
func (s *sweeper) waiting(window [][]int32, pos, next int64, left float64) float64 {
	sum, won, took := s.walk(window, pos)
	for _, atoms := range window { // nothing was read yet
		for _, a := range atoms {
			for _, i := range s.t.p.items(a) {
				s.missing[i]++
			}
		}
	}
	if next >= 0 {
		last := window[len(window)-1]
		took += s.t.move(s.t.places.end[last[len(last)-1]], next)
	}
	return sum + (left-won)*float64(took)
}

// walk reads a window from a place on: the sum over what it wins of how long
// that waits, what it wins, and how long it takes.
func (s *sweeper) walk(window [][]int32, pos int64) (sum, won float64, took int64) {
	t := s.t
	for _, atoms := range window {
		for _, a := range atoms {
			took += t.move(pos, t.places.start[a]) + capped(t.p.sectors[a], t.c.perSector(t.places.state[a]))
			pos = t.places.end[a]
			for _, i := range t.p.items(a) {
				if s.missing[i]--; s.missing[i] == 0 {
					w := t.curve(i)
					won += w
					sum += w * float64(took)
				}
			}
		}
	}
	return sum, won, took
}
