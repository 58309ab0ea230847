package volume

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"fileassay/extract"
	"fileassay/extract/image"
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
	end    int64        // of the drive that the table was made for, 0 where it does not say
	all    []*container // outer ones before those in them
	placed map[*Volume]extract.Placed
}

// fronted puts volumes in doubt in front of which metadata may stand that was not
// read, unless they are cleared. end is where the drive ends that the table says
// that it was made for, 0 where it does not say; behind is what metadata gives.
func (p *places) fronted(ctx context.Context, l *Layout, end int64, behind []*container) error {
	f := fronts{p, l, end, append(p.roots(l), behind...), map[*Volume]extract.Placed{}}
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
	var in []*container // that it lies in
	for _, c := range f.all {
		if c.find(v.Start) >= 0 {
			in = append(in, c)
		}
	}
	for _, c := range in {
		r, start, _ := c.reader(f.r)
		if !c.looked {
			f.lookFor(c, r, start)
		}
		for _, o := range c.open {
			o.Start, o.End = o.Start-start, o.End-start
			if o.Start == c.find(v.Start) {
				continue // what stands behind it begins later: this is an older volume, if it is that
			}
			clear, err := f.clears(ctx, v, c, o)
			if err != nil {
				return err
			}
			if clear {
				continue
			}
			if c.array != nil {
				f.behind(v, c)
				continue
			}
			needs = append(needs, c.Ranges([]ranges.Range{o.Range})...)
			if !slices.Contains(versions, o.Version) {
				versions = append(versions, o.Version)
			}
		}
	}
	f.logical(ctx, v, in)
	if len(needs) > 0 {
		v.Doubt = append(v.Doubt, fmt.Sprintf("the drive, a partition or what stands in one may be one of several in an array: not all was read of where its metadata would stand (Linux md, version %s)", strings.Join(versions, ", ")))
		v.Needs = append(needs, v.Needs...)
	}
	return nil
}

// lookFor looks for metadata of an array in a container.
func (f *fronts) lookFor(c *container, r *image.Reader, start int64) {
	a, ok, open := mdraid.Find(r, start, c.length)
	if c.looked, c.open = true, open; !ok {
		return
	}
	shows := func(d *container) bool {
		return d.layer && d.length == a.Length && len(d.Runs) > 0 && c.find(d.Runs[0].Image) == a.Start-start
	}
	if c.open = nil; a.Reason != "" || !slices.ContainsFunc(f.all, shows) {
		c.array, c.open = &a, []mdraid.Place{{Version: a.Version, Range: ranges.Range{Start: a.At, End: a.At + 1}}}
	}
}

// behind says of a volume what metadata of an array in front of it tells that was
// read, and that what led to the volume did not go by.
func (f *fronts) behind(v *Volume, c *container) {
	a := *c.array
	if a.Reason != "" {
		v.Doubt = append(v.Doubt, "by metadata that was read what it lies in is part of an array: "+a.Reason)
		return
	}
	_, _, at := c.reader(f.r)
	l := layers{places: f.places, l: f.l, at: at}
	a.Bad, a.BadNeeds = l.onDrive(a.Bad), l.onDrive(a.BadNeeds)
	l.array(v, &a)
}

// logical puts a volume in doubt that may be a logical one, of which only the
// first piece begins here: it lies some way into a container that may be a physical
// volume of which no label was read. What is known to lie in a logical volume does
// so for all containers around that.
func (f *fronts) logical(ctx context.Context, v *Volume, in []*container) {
	for i := len(in) - 1; i >= 0 && !in[i].logical; i-- {
		c := in[i]
		if c.drive && v.Partition != nil && f.pooled(ctx, v, c) {
			v.Doubt = append(v.Doubt, "by metadata that was read the drive is a physical volume of LVM2, and it has a partition table: which of the two is younger is not known")
		}
		if c.find(v.Start) == 0 || c.drive && (v.Partition != nil || f.tied(ctx, v) > 0) {
			continue
		}
		r, start, _ := c.reader(f.r)
		open, wiped := lvm.Open(r, start, c.length)
		if wiped {
			wiped, _ = f.straight(ctx, v, c)
		}
		if len(open) > 0 && !wiped {
			v.Doubt = append(v.Doubt, "it may be one piece of a logical volume: no label of LVM2 was read where one may stand")
			for k := range open {
				open[k].Start, open[k].End = open[k].Start-start, open[k].End-start
			}
			v.Needs = append(c.Ranges(open), v.Needs...)
		}
	}
}

// pooled reports whether a container is a physical volume, and what was read does
// not clear a volume in it of that.
func (f *fronts) pooled(ctx context.Context, v *Volume, c *container) bool {
	r, start, _ := c.reader(f.r)
	g, ok := lvm.Find(r, start, c.length)
	if !ok || !g.Labeled || g.Name == "" {
		return false
	}
	ok, _ = f.straight(ctx, v, c)
	own, _ := f.look(ctx, v)
	return !ok && (own.Wrong || own.End < extract.PlacedEnough)
}

// clears reports whether what was read clears a volume in container c of metadata
// in a place of that.
func (f *fronts) clears(ctx context.Context, v *Volume, c *container, o mdraid.Place) (bool, error) {
	if c.raid {
		return false, nil // it is a member by its type: perhaps a spare, or one that was left behind
	}
	if ok, err := f.straight(ctx, v, c); ok || err != nil {
		return ok, err
	}
	at, length := c.find(v.Start), v.inside(c)
	reach, all, err := f.reach(ctx, v, c)
	switch {
	case err != nil || reach < leastPlaced && !all:
		return false, err
	case reach >= extract.PlacedEnough:
		return true, nil
	case at == 0 && o.Start < leastPlaced:
		return true, nil // it is older than that metadata, and not overwritten
	case o.Start < at:
		// a table that was read says where the volume stands, and leaves no room for data in front
		return c.array == nil && c.drive && (v.Partition != nil || f.tied(ctx, v) > 0), nil
	case c.drive && v.Partition != nil:
		return f.tableMade(c.length, o), nil
	}
	return v.rests == onPrimary && at == 0 && length > o.Start, nil
}

// inside is the length of a volume, by its own structures, that lies in a container
// in order and in one piece; 0 for any other.
func (v *Volume) inside(c *container) int64 {
	n := max(v.own, v.full)
	if n > 0 && c.find(v.at(n-1)) == c.find(v.Start)+n-1 {
		return n
	}
	return 0
}

// straight reports whether structures in their places show that there is no gap in
// a volume from end to end.
func (f *fronts) straight(ctx context.Context, v *Volume, c *container) (bool, error) {
	n := v.inside(c)
	if n == 0 {
		return false, nil
	}
	own, err := f.look(ctx, v)
	return err == nil && !own.Wrong && own.End >= n, err
}

// tableMade reports whether the partition table was made for the drive, and not for
// an array that the drive is a member of: the end of the drive that a GPT names, or
// the end of a partition, lies behind a place at the drive's end, and on the drive.
func (f *fronts) tableMade(drive int64, o mdraid.Place) bool {
	if f.end > o.Start && f.end <= drive {
		return true
	}
	past := func(q Partition) bool { return q.End() > drive } // that of an array
	ends := func(q Partition) bool { return q.End() > o.Start }
	return slices.ContainsFunc(f.l.Partitions, ends) && !slices.ContainsFunc(f.l.Partitions, past)
}

// reach is how far from the start of a container, or of the volume where nothing
// ties it to that, structures stand in their places.
func (f *fronts) reach(ctx context.Context, v *Volume, c *container) (far int64, all bool, err error) {
	own, err := f.look(ctx, v)
	if err != nil || own.Wrong {
		return 0, false, err
	}
	end := func(v *Volume, p extract.Placed) int64 { // in the container
		if p.End == 0 {
			return 0
		}
		return c.find(v.at(p.End-1)) + 1
	}
	far, all = end(v, own)-c.find(v.Start), own.All
	if far <= 0 && own.End > 0 {
		all = false // what stands before its first piece says nothing of what lies between
	}
	if v.Partition == nil || c.layer {
		if c.drive {
			far = max(far, f.tied(ctx, v))
		}
		return max(far, 0), all, nil
	}
	for i := range f.l.Volumes {
		o := &f.l.Volumes[i]
		if o.Reason != "" || o.Partition == nil || o.rests != onPrimary || c.find(o.Start) < 0 {
			continue
		}
		p, err := f.look(ctx, o)
		if err != nil {
			return 0, false, err
		}
		far = max(far, c.find(o.Start), end(o, p))
	}
	return max(far, 0), all, nil
}

// stands reports whether a volume is known to begin where it does: by its primary
// structure that was read, or by a copy and others that stand in their places.
func (f *fronts) stands(ctx context.Context, v *Volume) bool {
	p, err := f.look(ctx, v)
	return err == nil && !p.Wrong && (v.rests == onPrimary || p.End > 0)
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

// look asks a volume for its structures in their places, which count from its
// start.
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
		if c, _ := f.composed(ctx, k, v); c != nil {
			fs = c.Filesystem
		}
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
		if out.End > 0 {
			out.End -= out.Start
		}
	}
	f.placed[v] = out
	return out, nil
}
