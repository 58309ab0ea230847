package volume

import (
	"context"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// doubted gives the reader of a volume of which nothing is proved, or a part
// only.
func (v *Volume) doubted(fs extract.Filesystem) extract.Filesystem {
	if len(v.Doubt) == 0 && v.over == 0 && len(v.bad) == 0 {
		return fs
	}
	return &doubted{fs, v}
}

// doubted is a volume of which no file is proved, since it is in doubt, or none
// that goes past the end of its partition.
type doubted struct {
	extract.Filesystem
	v *Volume
}

const (
	outside = "a part of it would lie past the end of the partition"
	givenUp = "a part of it lies in sectors that the array gave up on this drive"
)

// Walk is for [extract.Filesystem].
func (d *doubted) Walk(ctx context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	if yield == nil {
		return d.Filesystem.Walk(ctx, nil)
	}
	why := extract.Doubt(d.v.Doubt)
	put := why.Files(yield)
	if len(d.v.bad) > 0 {
		put = cutting(put, d.v.bad, givenUp)
	}
	if d.v.over > 0 {
		put = cutting(put, []ranges.Range{{Start: d.v.Start + d.v.own - d.v.over, End: maxOffset}}, outside)
		why = append(slices.Clip(why), fmt.Sprintf("the volume is %d bytes longer than its partition: what lies past the partition's end is not its own", d.v.over))
	}
	survey, err := d.Filesystem.Walk(ctx, put)
	if err != nil {
		return nil, err
	}
	survey.Listing.Needs = append(survey.Listing.Needs, d.v.Needs...)
	why.Listing(&survey.Listing)
	return survey, nil
}

// cutting gives put the files that it is called with, each without what lies in
// the given ranges of the image, and says why.
func cutting(put func(*extract.File) error, list []ranges.Range, why string) func(*extract.File) error {
	return func(f *extract.File) error {
		if cut(f, list) {
			f.Why = append(slices.Clip(f.Why), why)
		}
		return put(f)
	}
}

// cut makes what of a file lies in ranges of the image, sorted and disjoint,
// unlocated, and reports whether there was any.
func cut(f *extract.File, list []ranges.Range) (any bool) {
	var out []extract.Piece
	for _, p := range f.Pieces {
		switch p.Kind {
		case extract.Data, extract.Patched:
			at := p.Image // of what is left of the piece
			keep := func(to int64, kind extract.PieceKind) {
				if to > at {
					q := p
					q.Offset, q.Length, q.Image, q.Kind = p.Offset+at-p.Image, to-at, at, kind
					if kind == extract.Unlocated {
						q = extract.Piece{Offset: q.Offset, Length: q.Length, Kind: kind}
					}
					out, at = append(out, q), to
				}
			}
			for rg := range ranges.Within(list, p.Image, p.Image+p.Length) {
				any = true
				keep(rg.Start, p.Kind)
				keep(rg.End, extract.Unlocated)
			}
			keep(p.Image+p.Length, p.Kind)
			continue
		case extract.Unit:
			for _, u := range p.Units {
				if ranges.Touches(list, u.Image, u.Image+u.Length) {
					any = true
					p = extract.Piece{Offset: p.Offset, Length: p.Length, Kind: extract.Unlocated}
					break
				}
			}
		}
		out = append(out, p)
	}
	if any {
		f.Pieces = out
	}
	return any
}
