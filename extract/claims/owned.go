package claims

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/ranges"
)

// Owned are the parts of a volume that what was listed of it lies in, in bytes
// of the image.
type Owned struct {
	Structures ranges.Set // the filesystem's own: tables, folders, bitmaps, journal
	Files      ranges.Set // listed files, whole clusters
}

// Space crosses an allocation map with what is owned of the volume
// [start, start+length). Structures win over files, and both over the map. The
// map gives ranges of the image in order of place: UseFree, UseUnclaimed for
// allocated, or UseUnknown where the map itself is unread; what it leaves out is
// UseUnknown. It may be nil where there is no map to ask.
func (c *Owned) Space(start, length int64, alloc extract.Space) extract.Space {
	return func(ctx context.Context, yield func(start, length int64, use extract.Use) error) error {
		return c.space(ctx, start, length, alloc, yield)
	}
}

func (c *Owned) space(ctx context.Context, start, length int64, alloc extract.Space, yield func(start, length int64, use extract.Use) error) error {
	w := spaceWriter{yield: yield, pos: start}
	end := ranges.EndOf(start, length)
	pos := start
	put := func(a, z int64, use extract.Use) error {
		// claims inside [a,z) win
		for a < z {
			if s, ok := c.Structures.First(a, z-a); ok && s.Start <= a {
				if err := w.put(s.End, extract.UseStructure); err != nil {
					return err
				}
				a = s.End
				continue
			} else if f, isFile := c.Files.First(a, z-a); isFile && f.Start <= a {
				stop := f.End
				if ok {
					stop = min(stop, s.Start)
				}
				if err := w.put(stop, extract.UseFile); err != nil {
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
		err := alloc(ctx, func(a, n int64, use extract.Use) error {
			if err := ctx.Err(); err != nil {
				return err
			}
			a, z := max(a, pos), min(ranges.EndOf(a, n), end)
			if a >= z {
				return nil
			}
			if a > pos {
				if err := put(pos, a, extract.UseUnknown); err != nil {
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
		if err := put(pos, end, extract.UseUnknown); err != nil {
			return err
		}
	}
	return w.flush()
}

// Unclaimed is the number of bytes of the space that are allocated and that
// nothing listed owns, and Unknown of those of which that is not known.
func Unclaimed(ctx context.Context, space extract.Space) (unclaimed, unknown int64, err error) {
	err = space(ctx, func(_, n int64, use extract.Use) error {
		switch use {
		case extract.UseUnclaimed:
			unclaimed += n
		case extract.UseUnknown:
			unknown += n
		}
		return nil
	})
	return unclaimed, unknown, err
}

// Bitmap is an allocation map by a bitmap of which bit 0 stands for the unit
// bytes of the image from start. Space behind the last bit is unknown.
func Bitmap(m *bitmap.Map, start, unit int64) extract.Space {
	return func(ctx context.Context, yield func(start, length int64, use extract.Use) error) error {
		return m.Runs(ctx, 0, m.Bits, func(first, n int64, s bitmap.State) error {
			return yield(start+first*unit, n*unit, UseOf(s))
		})
	}
}

// UseOf is the use of a unit by its bit in an allocation map alone.
func UseOf(s bitmap.State) extract.Use {
	switch s {
	case bitmap.Clear:
		return extract.UseFree
	case bitmap.Set:
		return extract.UseUnclaimed
	}
	return extract.UseUnknown
}

// spaceWriter joins neighbours of the same use.
type spaceWriter struct {
	yield func(start, length int64, use extract.Use) error
	start int64
	pos   int64
	use   extract.Use
	open  bool
}

func (w *spaceWriter) put(end int64, use extract.Use) error {
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
