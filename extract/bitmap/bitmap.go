// Package bitmap reads maps of bits that say which units of a volume are in
// use: clusters, blocks, records, nodes.
package bitmap

import (
	"context"
	"errors"
	"math/bits"

	"fileassay/extract/partial"
)

// State is what is known of a bit.
type State uint8

// The states.
const (
	Unknown State = iota // it was not read
	Clear                // 0: the unit is free
	Set                  // 1: the unit is in use
)

// Order says which bit of a byte is the first.
type Order uint8

// The orders.
const (
	LowFirst  Order = iota // the lowest bit: ext, NTFS, exFAT
	HighFirst              // the highest bit: HFS+ (TN1150, Allocation File)
)

// Map is a bitmap of Bits bits. It holds a window of what it read, so it is not
// safe for concurrent use, unless it is one of [Of].
type Map struct {
	Bits  int64
	Order Order
	// Read reads the bytes of p from byte off of the bitmap, and says which of
	// them were read. What it does not give is Unknown.
	Read func(p []byte, off int64) partial.Bytes

	window partial.Bytes
	at     int64 // of the window, in the bitmap
	buf    []byte
}

// windowSize is how many bytes of a bitmap are held at a time.
const windowSize = 64 << 10

// Of is the map of bits that are in memory.
func Of(b partial.Bytes, n int64, order Order) *Map {
	return &Map{Bits: min(n, 8*int64(b.Len())), Order: order, window: b}
}

// load holds the window that byte off is in.
func (m *Map) load(off int64) {
	if off >= m.at && off < m.at+int64(m.window.Len()) {
		return
	}
	m.at = off / windowSize * windowSize
	n := min(windowSize, (m.Bits+7)/8-m.at)
	if int64(cap(m.buf)) < n {
		m.buf = make([]byte, n)
	}
	m.window = m.Read(m.buf[:n], m.at)
}

// Get tells bit i. A bit past the last is Unknown.
func (m *Map) Get(i int64) State {
	if i < 0 || i >= m.Bits {
		return Unknown
	}
	m.load(i / 8)
	c, ok := m.window.Byte(int(i/8 - m.at))
	if !ok {
		return Unknown
	}
	return m.bit(c, i)
}

func (m *Map) bit(c byte, i int64) State {
	if m.Order == HighFirst {
		c = bits.Reverse8(c)
	}
	if c>>(i&7)&1 != 0 {
		return Set
	}
	return Clear
}

// Runs calls yield for [first, first+n) cut into runs of bits of one state, in
// order and as long as they can be. What lies past the last bit is Unknown. It
// ends early with yield's error, or the context's.
func (m *Map) Runs(ctx context.Context, first, n int64, yield func(first, n int64, s State) error) error {
	from, state := first, Unknown
	// to says that the bits from i on are of state s
	to := func(i int64, s State) error {
		if s == state {
			return nil
		}
		if i > from {
			if err := yield(from, i-from, state); err != nil {
				return err
			}
		}
		from, state = i, s
		return nil
	}
	end := first + n
	for i := first; i < min(end, m.Bits); {
		if i&(8*windowSize-1) == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		m.load(i / 8)
		stop := min(8*(m.at+int64(m.window.Len())), end, m.Bits) // of the window
		if m.window.None() {
			if err := to(i, Unknown); err != nil {
				return err
			}
			i = stop
			continue
		}
		for ; i < stop; i++ {
			c, ok := m.window.Data[i/8-m.at], m.window.Whole() || m.window.Has(int(i/8-m.at), 1)
			s := Unknown
			if ok {
				s = m.bit(c, i)
			}
			if err := to(i, s); err != nil {
				return err
			}
			if i&7 == 0 && (!ok || c == 0 || c == 0xFF) {
				i += 7 // the whole byte is alike
			}
		}
		i = min(i, stop)
	}
	if err := to(min(end, max(m.Bits, first)), Unknown); err != nil {
		return err
	}
	if end > from {
		return yield(from, end-from, state)
	}
	return nil
}

// Count is how many of n bits from first are in the state.
func (m *Map) Count(first, n int64, s State) (count int64) {
	_ = m.Runs(context.Background(), first, n, func(_, k int64, got State) error {
		if got == s {
			count += k
		}
		return nil
	})
	return count
}

// errFound ends a walk that found what it looks for.
var errFound = errors.New("found")

// Any reports whether one of n bits from first is in the state.
func (m *Map) Any(first, n int64, s State) bool {
	found := false
	_ = m.Runs(context.Background(), first, n, func(_, _ int64, got State) error {
		if found = got == s; found {
			return errFound
		}
		return nil
	})
	return found
}
