package volume

import (
	"context"
	"fmt"
	"slices"

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
	l *Layout // that remarks go to
}

// follow gives the volume itself, or what stands behind the Linux md or LVM2
// metadata that it holds: a mirror on one drive holds everything, a logical
// volume too, or some pieces of it. What needs other drives is named with the reason. This
// goes for volumes that seem to open as well: with metadata at its end, the first
// drive of a striped array begins like the whole, but most of its places are
// wrong.
func (f *layers) follow(ctx context.Context, v Volume, depth int) ([]Volume, error) {
	if depth == maxLayers || v.NoFiles {
		return []Volume{v}, nil
	}
	a, ok, open := mdraid.Find(f.r, v.Start, v.Length)
	if ok {
		v.member = ranges.Range{Start: v.Start, End: v.End()}
		name := fmt.Sprintf("Linux md array, metadata %s", a.Version)
		if a.Reason == "" {
			f.array(&v, &a)
		}
		switch {
		case a.Reason != "":
			if v.Reason == "" {
				f.l.note("%s opens as %s, but is part of an array: %s", v.Found, v.Filesystem, a.Reason)
			}
			v.Filesystem, v.Reason = mdMember, a.Reason
			return []Volume{v}, nil
		case a.Start == v.Start && v.Reason == "": // metadata at the end of a mirror: the volume stands as it is
			v.Found += " in a mirror (" + name + ")"
			return []Volume{v}, nil
		case a.Start > v.Start || v.Reason != "":
			return f.inside(ctx, v, a.Start, a.Length, v.Found+" in a mirror ("+name+")", depth)
		}
	}
	if v.Reason == "" {
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
	if g.Unread != "" {
		f.l.missing("%s: %s: a logical volume may be missing", v.Found, g.Unread)
		v.Doubt, v.Needs = append(slices.Clip(v.Doubt), g.Unread), append(g.Needs, v.Needs...)
	}
	v.grouped = true
	var out []Volume
	for _, l := range g.Volumes {
		found := fmt.Sprintf("logical volume %s/%s in %s", g.Name, l.Name, v.Found)
		if l.Reason != "" {
			n := v
			n.Found, n.Filesystem, n.Reason = found, lvmMember, l.Reason
			if len(l.Pieces) > 0 {
				n.Start, n.Length = l.Pieces[0].Image, l.Pieces[0].Length
			}
			out = append(out, n)
			continue
		}
		inside := f.inside
		if l.Pieces[0].Length != l.Length {
			inside = func(ctx context.Context, v Volume, _, length int64, found string, depth int) ([]Volume, error) {
				return f.pieces(ctx, v, l.Pieces, length, found, depth)
			}
		}
		inner, err := inside(ctx, v, l.Pieces[0].Image, l.Length, found, depth)
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
		v.bad = slices.Clone(a.Bad)
		f.l.note("%s: the array gave up %d ranges of sectors on this drive: they count as unread", v.Found, len(a.Bad))
	}
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
	n.member, n.bad, n.grouped = v.member, v.bad, v.grouped
	n.Partition, n.Doubt, n.Needs = v.Partition, append(n.Doubt, v.Doubt...), append(n.Needs, v.Needs...)
	return f.follow(ctx, n, depth+1)
}
