package volume

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"fileassay/extract"
	"fileassay/extract/lvm"
	"fileassay/extract/mdraid"
	"fileassay/extract/ranges"
)

// A drive or partition may be one member of a striped array, or be given up in
// pieces as logical volumes. A member begins like the whole, or holds it some
// way in, so a volume seems to open there, and most of its places are wrong. What
// tells is metadata in a few places; while one of them was not read, nothing of
// the volume is proved, unless what was read clears it:
//
//   - On a member, what lies farther apart in the array lies closer together on
//     the drive: from one place to a later one the distance shrinks by every gap
//     between, and never grows again. So where a structure stands as far from the
//     volume's start as it belongs, there is no gap between the two, and the
//     stripes are longer than that, or there are none. Structures tell it that name
//     their own place: see [extract.Placer]. How long stripes are at most no format
//     says. mdadm makes them of 512 KiB where it is not asked, people ask for a few
//     MiB; structures that stand 64 MiB apart are taken to leave no room for any.
//   - A volume that ends behind the place of the metadata, and where the drive or
//     partition ends, was made for that drive or partition: no volume in an array
//     has the length of one member with the part that is the metadata's. As the
//     length is but a number, structures must clear stripes of a usual length too.
//
// Layouts that give up a drive twice (RAID 10, far) shrink likewise up to the
// half of it. It is taken for granted that nobody made a volume in an array exactly as
// long as one member, with all that names its place in the first stripe. Mirrors are not refuted, and need not be: a member holds everything
// in its place.

// leastPlaced is how far apart structures stand in their places at least where
// the length speaks for the volume: four usual stripes.
const leastPlaced = 2 << 20

// fronts finds the volumes in front of which metadata may stand that was not
// read.
type fronts struct {
	*places
	l      *Layout
	end    int64                           // of the drive that the table was made for, 0 where it does not say
	open   map[ranges.Range][]mdraid.Place // by container
	placed map[*Volume]extract.Placed
}

// fronted puts volumes in doubt in front of which metadata may stand that was not
// read, unless they are cleared. end is where the drive ends that the table says
// that it was made for, 0 where it does not say.
func (p *places) fronted(ctx context.Context, l *Layout, end int64) error {
	f := fronts{p, l, end, map[ranges.Range][]mdraid.Place{}, map[*Volume]extract.Placed{}}
	for i := range l.Volumes {
		if v := &l.Volumes[i]; v.Reason == "" {
			if err := f.volume(ctx, v); err != nil {
				return err
			}
		}
	}
	return nil
}

func (f *fronts) volume(ctx context.Context, v *Volume) error {
	var needs []ranges.Range
	var versions []string
	for _, c := range f.containers(v) {
		list, ok := f.open[c]
		if !ok {
			_, _, list = mdraid.Find(f.r, c.Start, c.Len())
			f.open[c] = list
		}
		for _, o := range list {
			if o.Start == v.Start {
				continue // what stands behind it begins later: this is an older volume, if it is that
			}
			clear, err := f.clears(ctx, v, c, o)
			if err != nil {
				return err
			}
			if clear {
				continue
			}
			needs = append(needs, o.Range)
			if !slices.Contains(versions, o.Version) {
				versions = append(versions, o.Version)
			}
		}
	}
	f.logical(ctx, v)
	if len(needs) > 0 {
		v.Doubt = append(v.Doubt, fmt.Sprintf("the drive or partition may be one of several in an array: not all was read of where its metadata would stand (Linux md, version %s)", strings.Join(versions, ", ")))
		v.Needs = append(needs, v.Needs...)
	}
	return nil
}

// logical puts a volume in doubt that may be a logical one, of which only the
// first piece begins here: it lies some way into a drive or partition of which the
// sectors that would hold a label were not read.
func (f *fronts) logical(ctx context.Context, v *Volume) {
	for _, c := range f.containers(v) {
		drive := c.Start == 0 && c.End == f.r.DriveSize()
		if v.Start == c.Start || v.grouped || drive && (v.Partition != nil || f.tied(ctx, v) > 0) {
			continue
		}
		if open := lvm.Open(f.r, c.Start, c.Len()); len(open) > 0 {
			v.Doubt = append(v.Doubt, "it may be one piece of a logical volume: the sectors where a label of LVM2 would stand were not read")
			v.Needs = append(open, v.Needs...)
		}
	}
}

// containers are what may be a member of an array with the volume in it: the
// drive, and the partitions that it lies in.
func (f *fronts) containers(v *Volume) []ranges.Range {
	out := []ranges.Range{{Start: 0, End: f.r.DriveSize()}}
	for i := range f.l.Partitions {
		q := &f.l.Partitions[i]
		for _, unit := range []int64{f.l.SectorSize, f.r.Sector()} { // which of them counts was told by what stands there
			c := ranges.Range{Start: q.Start / f.l.SectorSize * unit, End: min(q.End()/f.l.SectorSize*unit, f.r.DriveSize())}
			if q.room() && c.Start <= v.Start && v.Start < c.End && !slices.Contains(out, c) {
				out = append(out, c)
			}
		}
	}
	return slices.DeleteFunc(out, func(c ranges.Range) bool { // its metadata was read
		return v.member.Len() > 0 && c.Start <= v.member.Start && v.member.End <= c.End
	})
}

// clears reports whether what was read clears a volume in container c of metadata
// in a place.
func (f *fronts) clears(ctx context.Context, v *Volume, c ranges.Range, o mdraid.Place) (bool, error) {
	raid := func(q Partition) bool { return q.Start == c.Start && slices.Contains(q.hints(), mdMember) }
	if slices.ContainsFunc(f.l.Partitions, raid) {
		return false, nil // it is a member by its type: perhaps a spare, or one that was left behind
	}
	own, err := f.look(ctx, v)
	if err != nil {
		return false, err
	}
	if v.own > 0 && !own.Wrong && own.End >= v.Start+v.own {
		return true, nil // from end to end there is no gap in it
	}
	reach, all, err := f.reach(ctx, v, c)
	switch {
	case err != nil || reach < leastPlaced && !all:
		return false, err
	case reach >= extract.PlacedEnough:
		return true, nil
	}
	drive := c.Start == 0 && c.End == f.r.DriveSize()
	made := v.rests == onPrimary && v.Start == c.Start && v.own > 0 && v.Start+v.own <= c.End
	switch {
	case v.Start == c.Start && o.Start < c.Start+leastPlaced:
		return true, nil // it is older than that metadata, and not overwritten
	case o.Start < v.Start:
		// a table that was read says where the volume stands, and leaves no room for data in front
		return drive && (v.Partition != nil || f.tied(ctx, v) > 0), nil
	case drive && v.Partition != nil:
		return f.tableMade(c, o), nil
	}
	return made && v.Start+v.own > o.Start, nil
}

// tableMade reports whether the partition table was made for the drive, and not for
// an array that the drive is a member of: the end of the drive that a GPT names, or
// the end of a partition, lies behind a place at the drive's end, and on the drive.
func (f *fronts) tableMade(c ranges.Range, o mdraid.Place) bool {
	if f.end > o.Start && f.end <= c.End {
		return true
	}
	return slices.ContainsFunc(f.l.Partitions, func(q Partition) bool { return q.End() > o.Start && q.End() <= c.End })
}

// reach is how far from the start of a container, or of the volume where nothing
// ties it to that, structures stand in their places.
func (f *fronts) reach(ctx context.Context, v *Volume, c ranges.Range) (far int64, all bool, err error) {
	own, err := f.look(ctx, v)
	if err != nil || own.Wrong {
		return 0, false, err
	}
	far = own.End - v.Start
	if v.Partition == nil {
		return max(far, f.tied(ctx, v)), own.All, nil
	}
	for i := range f.l.Volumes {
		o := &f.l.Volumes[i]
		if o.Reason != "" || o.Partition == nil || o.rests != onPrimary || o.Start < c.Start || o.Start >= c.End {
			continue
		}
		p, err := f.look(ctx, o)
		if err != nil {
			return 0, false, err
		}
		far = max(far, o.Start-c.Start, p.End-c.Start)
	}
	return far, own.All, nil
}

// stands reports whether a volume is known to begin where it does: by its primary
// structure that was read, or by a copy and others that stand in their places.
func (f *fronts) stands(ctx context.Context, v *Volume) bool {
	p, err := f.look(ctx, v)
	return err == nil && !p.Wrong && (v.rests == onPrimary || p.End > v.Start)
}

// tied is how far apart the primary structures of a volume and of a neighbour lie
// that belong there: one begins where the other ends, by its own length, but for
// what tables leave free. In an array they would lie closer together than they are
// long. It is 0 where there is none.
func (f *fronts) tied(ctx context.Context, v *Volume) (far int64) {
	for i := range f.l.Volumes {
		o := &f.l.Volumes[i]
		a, b := v, o
		if o.Start < v.Start {
			a, b = o, v
		}
		if d := b.Start - a.Start - a.own; o.Reason == "" && a.own > 0 && d >= 0 && d <= leastPlaced && f.stands(ctx, a) && f.stands(ctx, b) {
			far = max(far, b.Start-a.Start)
		}
	}
	return far
}

// look asks a volume for its structures in their places.
func (f *fronts) look(ctx context.Context, v *Volume) (extract.Placed, error) {
	if p, ok := f.placed[v]; ok {
		return p, nil
	}
	k, ok := kindOf(f.kinds, v.Filesystem)
	if !ok {
		return extract.Placed{}, nil
	}
	var out extract.Placed
	var fs extract.Filesystem
	if v.Pieces != nil {
		fs, _ = f.composed(ctx, k, v)
	} else {
		res, err := f.either(ctx, k, v.Start, v.Length)
		if err != nil {
			return out, err
		}
		fs = res.fs
		if fs == nil { // it was walked
			fs, _ = k.Open(ctx, f.image, f.offset+v.Start, v.Length, f.o)
		}
	}
	if err := ctx.Err(); err != nil {
		return out, err
	}
	if by, ok := fs.(extract.Placer); ok {
		var err error
		if out, err = by.Placed(ctx); err != nil {
			return out, err
		}
		out.End = max(out.End-f.offset, 0)
	}
	f.placed[v] = out
	return out, nil
}
