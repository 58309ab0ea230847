package ext

import (
	"fmt"
	"iter"

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
	Why []string // what was unread or condemned, a few
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
	if n := len(m.Why); n <= maxWhy {
		why := fmt.Sprintf(format, args...)
		switch {
		case n > 0 && m.Why[n-1] == why:
		case n < maxWhy:
			m.Why = append(m.Why, why)
		default:
			m.Why = append(m.Why, "and more of what says where its content lies")
		}
	}
	if to > from {
		m.add(run{Logical: from, Length: to - from, Kind: runUnlocated})
	}
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

// mapper finds where the blocks of inodes lie. It is for one goroutine.
type mapper struct {
	*layout
	// budget bounds the tree blocks that are read for the inodes of one chunk
	// of the table: no more than the volume has, as no two share one.
	budget int64
	bufs   [][]byte // one a level
}

func newMapper(l *layout) *mapper {
	return &mapper{layout: l, budget: int64(min(l.sb.Blocks, 1<<40)) + 64}
}

// mapInode finds where the blocks of an inode with content outside itself lie.
func (p *mapper) mapInode(n *inode) mapping {
	var m mapping
	if n.Flags&inodeExtents != 0 {
		p.extents(n, &m)
	} else {
		p.blockMap(n, &m)
	}
	return m
}

// treeBlock reads a block of what says where the file's blocks [from, to) lie,
// which kind names. ok is false where it cannot be one.
func (p *mapper) treeBlock(m *mapping, kind string, level int, block, from, to uint64) (b partial.Bytes, ok bool) {
	if !p.dataRange(block, 1) {
		m.lose(from, to, "the %s points to block %d, where no block of it can be", kind, block)
		return b, false
	}
	if p.budget--; p.budget < 0 {
		m.lose(from, to, "the %s has more blocks than the volume", kind)
		return b, false
	}
	m.Tree = append(m.Tree, block)
	return p.read(p.buf(level), block), true
}

// buf is the buffer for blocks of a level.
func (p *mapper) buf(level int) []byte {
	for len(p.bufs) <= level {
		p.bufs = append(p.bufs, make([]byte, p.bs))
	}
	return p.bufs[level]
}
