package glob

import "strings"

// How a machine came to an op, as bits. What a ** fits depends on what stands
// beside it, which braces may leave open until a path is held against it.
const (
	inside = 1 << iota // anywhere
	begin              // at the begin of a name
	none               // behind a ** that took nothing, not even its separator
	behind             // behind a ** that took something
	// at the end of the path only:
	spare   // behind a separator that the path has no more
	through // behind a ** after that
	over    // behind the separator after that
)

// run is the machine of a pattern at work on a path: for every op the ways that
// lead there. Jumps lead forward, so a pass over the ops is a step.
type run struct {
	*Pattern
	now, then []uint8
	lo, hi    int // ops outside are not reached
}

// smallRun is the number of ops for which a run needs no memory of its own.
const smallRun = 128

// Match reports whether the pattern fits the path.
func (p *Pattern) Match(path string) bool {
	rest, ok := strings.CutPrefix(path, p.prefix)
	switch {
	case !ok:
		return false
	case p.star:
		middle, ok := strings.CutSuffix(rest, p.suffix)
		return ok && strings.IndexByte(middle, '/') < 0
	case p.ops == nil:
		return rest == ""
	case !strings.HasSuffix(rest, p.suffix):
		return false
	}
	var small [2 * smallRun]uint8
	r := p.start(small[:])
	fit := r.take(rest)
	return fit == fitsAll || fit == fitsPerhaps && r.ends()
}

// Under is a path that all that the pattern fits is, or lies below: "" where
// nothing is sure. only is set where the pattern fits nothing but that path.
func (p *Pattern) Under() (path string, only bool) {
	switch {
	case !p.star && p.ops == nil:
		return p.prefix, true
	case !p.star && p.ops[0].kind == opRune && p.ops[0].r == '/':
		return p.prefix, false // the separator stands behind it, or nothing does
	}
	return p.prefix[:max(strings.LastIndexByte(p.prefix, '/'), 0)], false
}

// Below reports whether the pattern may fit something below a folder, and
// whether it fits all that may lie there. The folder "" is that of all paths.
func (p *Pattern) Below(folder string) (some, all bool) {
	if folder != "" {
		folder += "/"
	}
	if len(folder) <= len(p.prefix) && strings.HasPrefix(p.prefix, folder) {
		if len(folder) < len(p.prefix) {
			return true, false
		}
	} else if !strings.HasPrefix(folder, p.prefix) {
		return false, false
	}
	rest := folder[min(len(folder), len(p.prefix)):]
	switch {
	case p.star:
		return strings.IndexByte(rest, '/') < 0, false
	case p.ops == nil:
		return false, false
	}
	var small [2 * smallRun]uint8
	r := p.start(small[:])
	if fit := r.take(rest); fit != fitsPerhaps {
		return fit == fitsAll, fit == fitsAll
	}
	return r.leads()
}

// start is a machine at the first op.
func (p *Pattern) start(small []uint8) run {
	n := len(p.ops)
	if 2*n > len(small) {
		small = make([]uint8, 2*n)
	}
	r := run{Pattern: p, now: small[:n], then: small[n : 2*n]}
	r.now[0] = inside
	if p.prefix == "" {
		r.now[0] = begin
	}
	return r
}

// fit is what is known of a path before its end.
type fit uint8

const (
	fitsPerhaps fit = iota
	fitsNone
	fitsAll // whatever follows
)

// moves goes on from op i without taking anything of the path.
func (r *run) moves(i int, how uint8) {
	o := &r.ops[i]
	reach := func(k int, how uint8) {
		r.now[k] |= how
		r.hi = max(r.hi, k)
	}
	switch o.kind {
	case opSplit:
		reach(i+1, how)
		reach(int(o.r), how)
	case opJump:
		reach(int(o.r), how)
	case opStar:
		if how&(inside|begin) != 0 {
			reach(i+1, inside)
		}
	case opDeep:
		if how&(inside|begin) != 0 {
			reach(i+2, inside)
		}
		if how&begin != 0 {
			reach(i+1, behind)
			reach(i+2, none)
		}
	case opLoop:
		reach(i+1, how)
	case opRune:
		if o.r == '/' && how&none != 0 {
			reach(i+1, begin)
		}
	}
}

// take takes a part of the path, as far as it matters.
func (r *run) take(path string) fit {
	for _, c := range path {
		if f := r.step(c); f != fitsPerhaps {
			return f
		}
	}
	return fitsPerhaps
}

// step takes a character of the path.
func (r *run) step(c rune) fit {
	lo, hi := len(r.ops), -1
	reach := func(k int, how uint8) {
		r.then[k] |= how
		lo, hi = min(lo, k), max(hi, k)
	}
	for i := r.lo; i <= r.hi; i++ {
		how := r.now[i]
		if how == 0 {
			continue
		}
		r.moves(i, how)
		r.now[i] = 0
		switch o := &r.ops[i]; o.kind {
		case opRune:
			switch {
			case o.r != c:
			case c == '/' && how&(inside|begin|behind) != 0:
				reach(i+1, begin)
			case c != '/' && how&(inside|begin) != 0:
				reach(i+1, inside)
			}
		case opAny, opClass:
			if how&(inside|begin) != 0 && c != '/' && (o.kind == opAny || r.classes[o.r].has(c)) {
				reach(i+1, inside)
			}
		case opStar, opDeep:
			if how&(inside|begin) != 0 && c != '/' {
				reach(i, inside)
			}
		case opLoop:
			if o.all {
				return fitsAll
			}
			reach(i, behind)
		}
	}
	r.now, r.then, r.lo, r.hi = r.then, r.now, lo, hi
	if hi < 0 {
		return fitsNone
	}
	return fitsPerhaps
}

// ends reports whether the path may end here.
func (r *run) ends() bool {
	last := len(r.ops) - 1
	for i := r.lo; i <= r.hi; i++ {
		how := r.now[i]
		if how == 0 {
			continue
		}
		r.moves(i, how)
		switch o := &r.ops[i]; {
		case i == last:
			return how&^spare != 0
		case o.kind == opRune && o.r == '/':
			if how&(inside|begin|behind) != 0 {
				r.now[i+1] |= spare
				r.hi = max(r.hi, i+1)
			}
			if how&through != 0 {
				r.now[i+1] |= over
				r.hi = max(r.hi, i+1)
			}
		case o.kind == opDeep && how&(spare|over) != 0:
			r.now[i+2] |= through
			r.hi = max(r.hi, i+2)
		}
	}
	return false
}

// leads reports what may follow, where something must.
func (r *run) leads() (some, all bool) {
	for i := r.lo; i <= r.hi; i++ {
		how := r.now[i]
		if how == 0 {
			continue
		}
		r.moves(i, how)
		switch o := &r.ops[i]; o.kind {
		case opRune, opAny, opClass, opStar, opDeep:
			some = some || how&(inside|begin) != 0
		case opLoop:
			some = true
			all = all || o.all
		}
	}
	return some, all
}
