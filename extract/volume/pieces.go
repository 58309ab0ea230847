package volume

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// pieces probes what pieces of the drive make up, as metadata in v says. What
// stands in it is told with the places of the drive.
func (f *layers) pieces(ctx context.Context, v Volume, runs image.Runs, length int64, found string, depth int) ([]Volume, error) {
	held := int64(0)
	for _, p := range runs {
		held += p.Length
	}
	found += fmt.Sprintf(", put together from %d pieces", len(runs))
	if held < length {
		found += fmt.Sprintf("; %d bytes of it lie on another drive", length-held)
	}
	under := layers{newPlaces(f.r.Layer(runs, length), f.o, f.kinds), f.l, runs, f.all}
	if f.at != nil {
		under.at = through(f.at, runs)
	}
	list, err := under.inside(ctx, Volume{}, 0, length, found, depth)
	for i := range list {
		n := &list[i]
		if !n.told() && !n.NoFiles && n.Pieces == nil {
			n.Needs = append(n.Needs, under.needs(n)...)
		}
		if n.Pieces == nil {
			n.Pieces = image.Runs{{Offset: 0, Image: n.Start, Length: n.Length}}
		}
		if on := through(runs, n.Pieces); len(on) == 0 {
			n.Pieces, n.Start, n.Reason = nil, v.Start, cmp.Or(n.Reason, "it lies on another drive, which is needed")
		} else if n.Start, n.Pieces = on[0].Image, on; on[0].Length == n.Length {
			n.Pieces = nil // in one piece after all
		}
		n.full, n.own, n.over = max(n.own, n.full), 0, 0 // lengths on the drive are others
		n.bad = union(runs.Ranges(n.bad), v.bad)
		n.Partition, n.member = v.Partition, n.member || v.member
		n.Doubt, n.Needs = append(n.Doubt, v.Doubt...), append(runs.Ranges(n.Needs), v.Needs...)
	}
	return list, err
}

// composed opens a volume that lies in pieces, as one of a family, by what is left
// of it if need be. What its reader tells has the places of the image.
func (p *places) composed(ctx context.Context, k Kind, v *Volume) (*composed, error) {
	c := &composed{runs: slices.Clone(v.Pieces), r: p.image}
	for i := range c.runs {
		c.runs[i].Image += p.offset
	}
	res, err := newPlaces(p.image.Layer(c.runs, v.Length), p.o, p.kinds).either(ctx, k, 0, v.Length)
	if err != nil {
		return nil, err
	}
	if no := (*extract.NotVolumeError)(nil); errors.As(res.err, &no) {
		told := *no
		told.Start, told.Needs = max(c.runs.Place(no.Start), 0), c.runs.Ranges(no.Needs)
		return nil, &told
	}
	c.Filesystem = res.fs
	return c, res.err
}

// composed is a volume whose reader sees its pieces put together.
type composed struct {
	extract.Filesystem
	runs image.Runs
	r    *image.Reader // that they are pieces of
}

// otherDrive is why a part of a file has no place.
const otherDrive = "a part of it lies on another drive"

// Walk is for [extract.Filesystem].
func (c *composed) Walk(ctx context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	put := yield
	if yield != nil {
		put = func(f *extract.File) error {
			c.file(f)
			return yield(f)
		}
	}
	s, err := c.Filesystem.Walk(ctx, put)
	if err != nil {
		return nil, err
	}
	s.Listing.Needs = c.runs.Ranges(s.Listing.Needs)
	var list []extract.Structure
	for _, t := range s.Structures {
		list = append(list, c.structure(t)...)
	}
	s.Structures, s.Space = list, c.space(s.Space)
	return s, nil
}

// file gives a file the places of the image.
func (c *composed) file(f *extract.File) {
	var out []extract.Piece
	away := false
	for _, p := range f.Pieces {
		switch p.Kind {
		case extract.Data, extract.Patched:
			lost := false
			if p.AlsoLength > 0 {
				also := c.runs.Ranges([]ranges.Range{{Start: p.Also, End: p.Also + p.AlsoLength}})
				if lost = len(also) != 1 || also[0].Len() != p.AlsoLength; !lost {
					p.Also = also[0].Start
				}
			}
			for r := range c.runs.Each(p.Image, p.Length) {
				q := p
				q.Offset, q.Length, q.Image = p.Offset+r.Offset-p.Image, r.Length, r.Image
				if lost || r.Image < 0 {
					away, q = true, extract.Piece{Offset: q.Offset, Length: q.Length, Kind: extract.Unlocated}
				}
				out = append(out, q)
			}
			continue
		case extract.Unit:
			var units []extract.Extent
			lost := false
			for _, u := range p.Units {
				for r := range c.runs.Each(u.Image, u.Length) {
					lost = lost || r.Image < 0
					units = append(units, extract.Extent{Offset: u.Offset + r.Offset - u.Image, Image: r.Image, Length: r.Length})
				}
			}
			if p.Units = units; lost {
				away, p = true, extract.Piece{Offset: p.Offset, Length: p.Length, Kind: extract.Unlocated}
			}
		}
		out = append(out, p)
	}
	f.Pieces, f.Needs = out, c.runs.Ranges(f.Needs)
	if away {
		f.Why = append(slices.Clip(f.Why), otherDrive)
	}
}

// structure gives a structure the places of the image: one for each piece that
// holds a part of it.
func (c *composed) structure(s extract.Structure) []extract.Structure {
	if s.Image < 0 || s.Length <= 0 {
		if s.Image >= 0 {
			s.Image = c.runs.Place(s.Image)
		}
		return []extract.Structure{s}
	}
	var out []extract.Structure
	left := s.Unread // as the reader counts: it may not need all of what was not read
	for r := range c.runs.Each(s.Image, s.Length) {
		t := s
		t.Image, t.Length = r.Image, r.Length
		if r.Image < 0 {
			t.Unread, t.Note = r.Length, "on another drive"
		} else {
			t.Unread = min(left, unreadBytes(c.r, r.Image, r.Length))
		}
		left -= min(left, t.Unread)
		out = append(out, t)
	}
	out[len(out)-1].Unread += left
	return out
}

// space gives a volume's space in the order of the image: it is gone through once
// for all pieces that follow each other in both orders.
func (c *composed) space(in extract.Space) extract.Space {
	runs := slices.Clone(c.runs)
	slices.SortFunc(runs, func(a, b image.Run) int { return cmp.Compare(a.Image, b.Image) })
	return func(ctx context.Context, yield func(start, length int64, use extract.Use) error) error {
		for from := 0; from < len(runs); {
			to := from + 1
			for to < len(runs) && runs[to].Offset > runs[to-1].Offset {
				to++
			}
			part := runs[from:to]
			err := in(ctx, func(start, length int64, use extract.Use) error {
				for r := range part.Each(start, length) {
					if r.Image < 0 {
						continue
					}
					if err := yield(r.Image, r.Length, use); err != nil {
						return err
					}
				}
				return nil
			})
			if err != nil {
				return err
			}
			from = to
		}
		return nil
	}
}
