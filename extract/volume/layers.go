package volume

import (
	"context"
	"fmt"
	"slices"

	"fileassay/extract/image"
	"fileassay/extract/lvm"
	"fileassay/extract/mdraid"
	"fileassay/extract/ranges"
)

// maxLayers bounds how deep metadata may stand behind metadata: a mirror with
// logical volumes in it is two deep.
const maxLayers = 4

// What a volume is called whose content may stand behind metadata in it.
const (
	lvmMember = "lvm2"
	mdMember  = "linux md raid"
)

// layers follows metadata to the volumes behind it.
type layers struct {
	*places
	l   *Layout    // that remarks go to
	at  image.Runs // where the layer lies on the drive that places count in, nil for the drive itself
	all *given
}

// given is what all metadata of a drive gives.
type given struct {
	list  []*container // outer ones before those in them
	drive int64        // its size
	count int          // of volumes
	bytes int64        // of them
}

// onDrive gives ranges the places of the drive.
func (f *layers) onDrive(list []ranges.Range) []ranges.Range {
	if f.at == nil {
		return list
	}
	return f.at.Ranges(list)
}

// through gives pieces of a layer, which outer puts together, the places of what
// that is made of.
func through(outer, inner image.Runs) image.Runs {
	var out image.Runs
	for _, a := range inner {
		for b := range outer.Each(a.Image, a.Length) {
			if b.Image >= 0 {
				out = append(out, image.Run{Offset: a.Offset + b.Offset - a.Image, Image: b.Image, Length: b.Length})
			}
		}
	}
	return out
}

// maxBehind bounds the volumes that metadata tells of, and [maxOverlap] what they
// have in all: each may hold metadata of more.
const maxBehind = 1024

// give takes what metadata gives, a logical volume or the content of an array, as a
// container, in which further metadata may stand. ok is false where there were too
// many: it says so.
func (f *layers) give(runs image.Runs, length int64, logical bool) (c *container, ok bool) {
	g := f.all
	if full := g.count > maxBehind; full || g.count == maxBehind || g.bytes/maxOverlap > g.drive {
		if g.count = maxBehind + 1; !full {
			f.l.missing("metadata of arrays and of LVM2 tells of more than %d volumes, or of more than %d times the size of the drive: the others are left aside", maxBehind, maxOverlap)
		}
		return nil, false
	}
	g.count++
	for _, r := range runs {
		g.bytes += r.Length
	}
	if f.at != nil {
		runs = through(f.at, runs)
	}
	c = &container{Runs: runs, length: length, layer: true, logical: logical}
	g.list = append(g.list, c)
	return c, true
}

// follow gives the volume itself, or what stands behind the Linux md or LVM2
// metadata that it holds: a mirror on one drive holds everything, a logical
// volume too, or some pieces of it. What needs other drives is named with the reason. This
// goes for volumes that seem to open as well: with metadata at its end, the first
// drive of a striped array begins like the whole, but most of its places are
// wrong.
func (f *layers) follow(ctx context.Context, v Volume, depth int) ([]Volume, error) {
	if v.NoFiles {
		return []Volume{v}, nil
	}
	var open []mdraid.Place
	for length := v.Length; ; depth++ { // what a mirror with metadata at its end shows is shorter
		a, ok, places := mdraid.Find(f.r, v.Start, length)
		if open = places; !ok {
			break
		}
		if depth >= maxLayers {
			v.Doubt = append(slices.Clip(v.Doubt), fmt.Sprintf("metadata of an array stands behind %d layers of such metadata: it is not followed", maxLayers))
			return []Volume{v}, nil
		}
		v.member = true
		name := fmt.Sprintf("Linux md array, metadata %s", a.Version)
		if a.Reason == "" {
			if f.array(&v, &a); len(a.Bad) > 0 { // they are unread for layers too
				f = &layers{newPlaces(f.r.Without(a.Bad), f.o, f.kinds), f.l, f.at, f.all}
			}
			if _, ok := f.give(image.Runs{{Offset: 0, Image: a.Start, Length: a.Length}}, a.Length, false); !ok {
				a.Reason = "it is behind too many layers of metadata"
			}
		}
		switch {
		case a.Reason != "":
			if v.Reason == "" {
				f.l.note("%s opens as %s, but is part of an array: %s", v.Found, v.Filesystem, a.Reason)
			}
			v.Filesystem, v.Reason = mdMember, a.Reason
			return []Volume{v}, nil
		case a.Start > v.Start || v.Reason != "":
			return f.inside(ctx, v, a.Start, a.Length, v.Found+" in a mirror ("+name+")", depth)
		}
		// metadata at the end of a mirror: the volume stands as it is
		v.Found += " in a mirror (" + name + ")"
		length = a.Length
	}
	if v.Reason == "" || depth >= maxLayers {
		return []Volume{v}, nil
	}
	if v.Filesystem == mdMember { // its mark stands, and the rest of it is unread or damaged
		for _, o := range open {
			v.Needs = append(v.Needs, o.Range)
		}
		return []Volume{v}, nil
	}
	g, ok := lvm.Find(f.r, v.Start, v.Length)
	if !ok {
		return []Volume{v}, nil
	}
	for _, n := range g.Notes {
		f.l.note("%s: %s", v.Found, n)
	}
	if g.Name == "" {
		v.Filesystem, v.Reason, v.Needs = lvmMember, "a physical volume of LVM2 of which no copy of the metadata was read", g.Needs
		return []Volume{v}, nil
	}
	for _, why := range g.Doubt {
		f.l.missing("%s: %s: a logical volume may be missing", v.Found, why)
		if !slices.Contains(v.Doubt, why) {
			v.Doubt = append(slices.Clip(v.Doubt), why)
		}
	}
	v.Needs = append(g.Needs, v.Needs...)
	var out []Volume
	for _, l := range g.Volumes {
		if _, ok := f.give(l.Pieces, l.Length, true); !ok {
			break
		}
		found := fmt.Sprintf("logical volume %s/%s in %s", g.Name, l.Name, v.Found)
		n := v
		n.Doubt = append(slices.Clip(v.Doubt), l.Doubt...)
		if l.Reason != "" {
			n.Found, n.Filesystem, n.Reason = found, lvmMember, l.Reason
			if len(l.Pieces) > 0 {
				n.Start, n.Length = l.Pieces[0].Image, l.Pieces[0].Length
			}
			out = append(out, n)
			continue
		}
		deep := depth
		if l.Loops {
			deep = maxLayers - 1 // what stands in it is not followed: it may be this
		}
		var inner []Volume
		var err error
		if l.Pieces[0].Length != l.Length {
			inner, err = f.pieces(ctx, n, l.Pieces, l.Length, found, deep)
		} else {
			inner, err = f.inside(ctx, n, l.Pieces[0].Image, l.Length, found, deep)
		}
		if err != nil {
			return nil, err
		}
		out = append(out, inner...)
	}
	if len(out) == 0 {
		v.Reason = fmt.Sprintf("its volume group %s has no logical volume on this drive", g.Name)
		return []Volume{v}, nil
	}
	return out, nil
}

// array says of a volume what the metadata of a mirror in front of it tells.
func (f *layers) array(v *Volume, a *mdraid.Array) {
	if a.Copies > 1 {
		f.l.note("%s is a member of a mirror of %d drives: another one may be newer; the metadata of this one was written %d times (its event count)", v.Found, a.Copies, a.Events)
	}
	if a.BadUnsure != "" {
		v.Doubt, v.Needs = append(v.Doubt, a.BadUnsure), append(a.BadNeeds, v.Needs...)
	}
	if len(a.Bad) > 0 {
		v.bad = union(v.bad, a.Bad)
		f.l.note("%s: the array gave up %d ranges of sectors on this drive: they count as unread", v.Found, len(a.Bad))
	}
}

// union is what lies in one of two lists, sorted.
func union(a, b []ranges.Range) []ranges.Range {
	var set ranges.Set
	for _, r := range slices.Concat(a, b) {
		set.Add(r.Start, r.Len())
	}
	return slices.Collect(set.All())
}

// inside probes [start, start+length), which metadata in v says is a volume.
func (f *layers) inside(ctx context.Context, v Volume, start, length int64, found string, depth int) ([]Volume, error) {
	c, err := f.probe(ctx, start, length, []string{"ext"})
	if err != nil {
		return nil, err
	}
	n, note := c.volume(found, start, length, f.r)
	if note != "" {
		f.l.note("%s", note)
	}
	n.member, n.bad = v.member, v.bad
	n.Partition, n.Doubt, n.Needs = v.Partition, append(n.Doubt, v.Doubt...), append(n.Needs, v.Needs...)
	return f.follow(ctx, n, depth+1)
}
