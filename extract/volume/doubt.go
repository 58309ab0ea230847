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

const (
	inDoubt = "nothing of the volume is proved: its listing says why"
	outside = "a part of it would lie past the end of the partition"
)

// Walk is for [extract.Filesystem].
func (d *doubted) Walk(ctx context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	if yield == nil {
		return d.Filesystem.Walk(ctx, nil)
	}
	end := d.v.End()
	if d.v.over > 0 {
		end = d.v.Start + d.v.own - d.v.over
	}
	survey, err := d.Filesystem.Walk(ctx, func(f *extract.File) error {
		if d.v.over > 0 && cutAt(f, end) {
			f.Why = append(slices.Clip(f.Why), outside)
		}
		if len(d.v.Doubt) > 0 {
			f.RecordUnread = true
			f.Why = append(slices.Clip(f.Why), inDoubt)
		}
		return yield(f)
	})
	if err != nil {
		return nil, err
	}
	l := &survey.Listing
	l.Complete = false
	l.Needs = append(l.Needs, d.v.Needs...)
	l.Why = append(append([]string(nil), d.v.Doubt...), l.Why...)
	if d.v.over > 0 {
		l.Why = append(l.Why, fmt.Sprintf("the volume is %d bytes longer than its partition: what lies past the partition's end is not its own", d.v.over))
	}
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
