package extract

import "fileassay/extract/ranges"

// Claims are the parts of a volume that its files and own structures lie in,
// collected while the files are walked, to be held against the allocation
// map.
type Claims struct {
	Structures ranges.Set // the filesystem's own: tables, folders, bitmaps, journal
	Files      ranges.Set // listed files, whole clusters
}

// Allocation yields a volume's allocation map as ranges of the image in order
// of place: UseFree, UseUnclaimed for allocated, or UseUnknown where the map
// itself is unread. Ranges left out are UseUnknown.
type Allocation func(yield func(start, length int64, use Use) error) error

// Space crosses an allocation map with the claims over the volume
// [start, start+length) and calls yield for every range in order, with its
// use. Structures win over files, claims over the allocation map. alloc may be
// nil where there is no map to ask.
func (c *Claims) Space(start, length int64, alloc Allocation, yield func(start, length int64, use Use) error) error {
	w := spaceWriter{yield: yield, pos: start}
	end := ranges.EndOf(start, length)
	pos := start
	put := func(a, z int64, use Use) error {
		// claims inside [a,z) win
		for a < z {
			if s, ok := first(&c.Structures, a, z); ok && s.Start <= a {
				if err := w.put(s.End, UseStructure); err != nil {
					return err
				}
				a = s.End
				continue
			} else if f, isFile := first(&c.Files, a, z); isFile && f.Start <= a {
				stop := f.End
				if ok {
					stop = min(stop, s.Start)
				}
				if err := w.put(stop, UseFile); err != nil {
					return err
				}
				a = stop
			} else {
				stop := z
				if ok {
					stop = min(stop, s.Start)
				}
				if isFile {
					stop = min(stop, f.Start)
				}
				if err := w.put(stop, use); err != nil {
					return err
				}
				a = stop
			}
		}
		return nil
	}
	if alloc != nil {
		err := alloc(func(a, n int64, use Use) error {
			a, z := max(a, pos), min(ranges.EndOf(a, n), end)
			if a >= z {
				return nil
			}
			if a > pos {
				if err := put(pos, a, UseUnknown); err != nil {
					return err
				}
			}
			pos = z
			return put(a, z, use)
		})
		if err != nil {
			return err
		}
	}
	if pos < end {
		if err := put(pos, end, UseUnknown); err != nil {
			return err
		}
	}
	return w.flush()
}

// Unclaimed is the number of bytes that the allocation map calls allocated and
// nothing claims.
func (c *Claims) Unclaimed(start, length int64, alloc Allocation) (int64, error) {
	var n int64
	err := c.Space(start, length, alloc, func(_, l int64, use Use) error {
		if use == UseUnclaimed {
			n += l
		}
		return nil
	})
	return n, err
}

func first(s *ranges.Set, a, z int64) (ranges.Range, bool) {
	for x := range s.Within(a, z-a) {
		return x, true
	}
	return ranges.Range{}, false
}

// spaceWriter joins neighbours of the same use.
type spaceWriter struct {
	yield func(start, length int64, use Use) error
	start int64
	pos   int64
	use   Use
	open  bool
}

func (w *spaceWriter) put(end int64, use Use) error {
	if end <= w.pos {
		return nil
	}
	if w.open && use != w.use {
		if err := w.flush(); err != nil {
			return err
		}
	}
	if !w.open {
		w.start, w.use, w.open = w.pos, use, true
	}
	w.pos = end
	return nil
}

func (w *spaceWriter) flush() error {
	if !w.open {
		return nil
	}
	w.open = false
	return w.yield(w.start, w.pos-w.start, w.use)
}
