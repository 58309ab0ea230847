package volume

import (
	"context"
	"fmt"
	"slices"

	"fileassay/extract"
)

// doubted gives the reader of a volume of which nothing is proved, or a part
// only.
func (v *Volume) doubted(fs extract.Filesystem) extract.Filesystem {
	if len(v.Doubt) == 0 && v.over == 0 {
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

const outside = "a part of it would lie past the end of the partition"

// Walk is for [extract.Filesystem].
func (d *doubted) Walk(ctx context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	if yield == nil {
		return d.Filesystem.Walk(ctx, nil)
	}
	why := extract.Doubt(d.v.Doubt)
	put := why.Files(yield)
	if d.v.over > 0 {
		end, whole := d.v.Start+d.v.own-d.v.over, put
		put = func(f *extract.File) error {
			if cutAt(f, end) {
				f.Why = append(slices.Clip(f.Why), outside)
			}
			return whole(f)
		}
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

// cutAt makes what of a file lies past a place of the image unlocated, and
// reports whether there was any.
func cutAt(f *extract.File, end int64) (cut bool) {
	var out []extract.Piece
	for _, p := range f.Pieces {
		past := int64(0) // bytes of the piece
		switch p.Kind {
		case extract.Data, extract.Patched:
			past = min(max(p.Image+p.Length-end, 0), p.Length)
		case extract.Unit:
			for _, u := range p.Units {
				if u.Image+u.Length > end {
					past = p.Length
				}
			}
		}
		if past == 0 {
			out = append(out, p)
			continue
		}
		cut = true
		if p.Length -= past; p.Length > 0 {
			out = append(out, p)
		}
		out = append(out, extract.Piece{Offset: p.Offset + p.Length, Length: past, Kind: extract.Unlocated})
	}
	if cut {
		f.Pieces = out
	}
	return cut
}
