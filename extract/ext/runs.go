package ext

import (
	"fmt"
	"iter"
	"slices"

	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// runKind says what is known of a run.
type runKind uint8

const (
	runData      runKind = iota // blocks on the volume
	runUnwritten                // blocks that are set aside and read as zeros
	runUnlocated                // what would say where they lie is unread or damaged
)

// run is a range of a file's blocks. What no run covers is a hole.
type run struct {
	Logical  uint64 // first block in the file
	Length   uint64 // blocks
	Physical uint64 // first block on the volume; not for runUnlocated
	Kind     runKind
}

// mapping is where the blocks of one inode lie.
type mapping struct {
	Runs []run    // by Logical, without overlap
	Tree []uint64 // blocks of the tree or map itself that were found
	// Cut is set where a block of the tree was unread or condemned, so that
	// Runs holds unlocated parts.
	Cut bool
	// Odd is set where what was read of it contradicts itself, though every
	// block has a place.
	Odd bool
	Why []string // what was unread, condemned or odd, a few
}

func (m *mapping) add(r run) {
	if r.Length == 0 {
		return
	}
	if n := len(m.Runs); n > 0 {
		last := &m.Runs[n-1]
		if last.Kind == r.Kind && last.Logical+last.Length == r.Logical &&
			(r.Kind == runUnlocated || last.Physical+last.Length == r.Physical) {
			last.Length += r.Length
			return
		}
	}
	m.Runs = append(m.Runs, r)
}

// maxWhy bounds the remarks on one file.
const maxWhy = 4

// lose notes that the blocks [from, to) of the file, if any, cannot be located.
func (m *mapping) lose(from, to uint64, format string, args ...any) {
	m.Cut = true
	m.say(format, args...)
	if to > from {
		m.add(run{Logical: from, Length: to - from, Kind: runUnlocated})
	}
}

// odd notes a contradiction.
func (m *mapping) odd(format string, args ...any) {
	m.Odd = true
	m.say(format, args...)
}

// say adds a remark.
func (m *mapping) say(format string, args ...any) {
	n := len(m.Why)
	if n > maxWhy {
		return
	}
	why := fmt.Sprintf(format, args...)
	switch {
	case n > 0 && m.Why[n-1] == why:
	case n < maxWhy:
		m.Why = append(m.Why, why)
	default:
		m.Why = append(m.Why, "and more of what says where its content lies")
	}
}

// written is the first block of the file behind all that hold content, by what
// was read.
func (m *mapping) written() uint64 {
	for i := len(m.Runs) - 1; i >= 0; i-- {
		if r := &m.Runs[i]; r.Kind == runData {
			return r.Logical + r.Length
		}
	}
	return 0
}

// end is the first block of the file past the last run.
func (m *mapping) end() uint64 {
	if len(m.Runs) == 0 {
		return 0
	}
	last := m.Runs[len(m.Runs)-1]
	return last.Logical + last.Length
}

// spans are the places in the image that a mapping claims.
func (v *layout) spans(m *mapping) iter.Seq[ranges.Range] {
	return func(yield func(ranges.Range) bool) {
		for _, r := range m.Runs {
			if r.Kind != runUnlocated && !yield(v.span(r.Physical, r.Length)) {
				return
			}
		}
		for _, b := range m.Tree {
			if !yield(v.span(b, 1)) {
				return
			}
		}
	}
}

// clusterSpans are the allocation units that a mapping claims, each once where
// runs that follow each other share one as they may: for one part of the file.
func (v *layout) clusterSpans(m *mapping) iter.Seq[ranges.Range] {
	size := v.sb.clusterBlocks()
	if size == 1 {
		return v.spans(m)
	}
	return func(yield func(ranges.Range) bool) {
		var logical, physical uint64 // where the unit of the last run ends, in the file and on the volume
		for _, r := range m.Runs {
			if r.Kind == runUnlocated {
				continue
			}
			a, z := r.Physical/size*size, (r.Physical+r.Length+size-1)/size*size
			if a+size == physical && r.Logical/size*size+size == logical {
				a = physical
			}
			logical, physical = (r.Logical+r.Length+size-1)/size*size, z
			if a < z && !yield(v.span(a, z-a)) {
				return
			}
		}
		for _, b := range m.Tree {
			if !yield(v.span(b/size*size, size)) {
				return
			}
		}
	}
}

// mapper finds where the blocks of inodes lie. It is for one goroutine.
type mapper struct {
	*layout
	// budget bounds the tree blocks and the runs of the inodes of one chunk of
	// the table: each is of a block of the volume at least, and no two share
	// one. Runs that cannot be located lie between such.
	budget int64
	bufs   [][]byte // one a level
	seen   map[uint64]bool
}

func newMapper(l *layout) *mapper {
	return &mapper{layout: l, budget: 2*int64(min(l.sb.Blocks, 1<<40)) + 64}
}

// mapInode finds where the blocks of an inode with content outside itself lie.
func (p *mapper) mapInode(n *inode) mapping {
	var m mapping
	if n.Flags&inodeExtents != 0 {
		p.extents(n, &m)
	} else {
		p.blockMap(n, &m)
	}
	p.budget -= int64(len(m.Runs) + len(m.Tree))
	p.seen = nil
	return m
}

// treeBlock reads a block of what says where the file's blocks [from, to) lie,
// which kind names. ok is false where it cannot be one.
func (p *mapper) treeBlock(m *mapping, kind string, level int, block, from, to uint64) (b partial.Bytes, ok bool) {
	if !p.dataRange(block, 1) {
		m.lose(from, to, "the %s points to block %d, where no block of it can be", kind, block)
		return b, false
	}
	if int64(len(m.Runs)+len(m.Tree)) >= p.budget {
		m.lose(from, to, "the %s has more blocks than the volume", kind)
		return b, false
	}
	if p.inTree(m, block) {
		m.lose(from, to, "the %s has block %d in more than one place", kind, block)
		return b, false
	}
	m.Tree = append(m.Tree, block)
	return p.read(p.buf(level), block), true
}

// fewBlocks is the number of tree blocks up to which they are compared one by one.
const fewBlocks = 32

// inTree reports whether a block is one of the tree already: trees that lead
// back into themselves end there.
func (p *mapper) inTree(m *mapping, block uint64) bool {
	if len(m.Tree) < fewBlocks {
		return slices.Contains(m.Tree, block)
	}
	if len(m.Tree) == fewBlocks {
		if p.seen == nil {
			p.seen = map[uint64]bool{}
		}
		for _, b := range m.Tree {
			p.seen[b] = true
		}
	}
	found := p.seen[block]
	p.seen[block] = true
	return found
}

// buf is the buffer for blocks of a level.
func (p *mapper) buf(level int) []byte {
	for len(p.bufs) <= level {
		p.bufs = append(p.bufs, make([]byte, p.bs))
	}
	return p.bufs[level]
}
