package volume

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/lvm"
	"fileassay/extract/mdraid"
	"fileassay/extract/ranges"
)

// FindFrom is [Find] for a drive that begins at an offset of the image. What
// it says of places still counts from the image's start, but for sector
// numbers, which are the drive's own.
func FindFrom(ctx context.Context, r *image.Reader, offset int64, o extract.Options) (*Layout, error) {
	return findFrom(ctx, r, offset, o, Kinds())
}

func findFrom(ctx context.Context, r *image.Reader, offset int64, o extract.Options, kinds []Kind) (*Layout, error) {
	p := newPlaces(r, o, kinds)
	if offset == 0 {
		return p.find(ctx)
	}
	if offset < 0 || offset >= r.Size() {
		return nil, fmt.Errorf("offset %d is not in the image, which has %d bytes", offset, r.Size())
	}
	p.r, p.offset = r.From(offset), offset
	l, err := p.find(ctx)
	if err != nil {
		return nil, err
	}
	for i := range l.Partitions { // those of the volumes are among them
		l.Partitions[i].Start += offset
	}
	for i := range l.Volumes {
		l.Volumes[i].Start += offset
		for k := range l.Volumes[i].Pieces {
			l.Volumes[i].Pieces[k].Image += offset
		}
		moveSpans(l.Volumes[i].Needs, offset)
		moveSpans(l.Volumes[i].bad, offset)
	}
	for i := range l.Structures {
		if l.Structures[i].Image >= 0 {
			l.Structures[i].Image += offset
		}
	}
	moveSpans(l.Needs, offset)
	l.note("the drive is taken to begin at offset %d of the image, as was asked; sectors count from there", offset)
	return l, nil
}

// FilesystemNames are the names that [At] knows.
func FilesystemNames() []string {
	var out []string
	for _, k := range Kinds() {
		for _, name := range append([]string{k.Name}, k.Filesystems...) {
			if !slices.Contains(out, name) {
				out = append(out, name)
			}
		}
	}
	return out
}

// At is the layout of one volume, of the named filesystem, that a person says
// begins at start. It ends where its own structures say, or else with the
// image. The error is that of ctx, or says why there is no such volume: an
// [*extract.NotVolumeError] where the filesystem's reader refuses.
func At(ctx context.Context, r *image.Reader, start int64, filesystem string, o extract.Options) (*Layout, error) {
	return volumeAt(ctx, r, start, filesystem, o, Kinds())
}

func volumeAt(ctx context.Context, r *image.Reader, start int64, filesystem string, o extract.Options, kinds []Kind) (*Layout, error) {
	i := slices.IndexFunc(kinds, func(k Kind) bool { return k.Name == filesystem || slices.Contains(k.Filesystems, filesystem) })
	if i < 0 {
		return nil, fmt.Errorf("filesystem %q cannot be listed: those that can are %s", filesystem, strings.Join(FilesystemNames(), ", "))
	}
	if start < 0 || start >= r.Size() {
		return nil, fmt.Errorf("a volume at offset %d is not in the image, which has %d bytes", start, r.Size())
	}
	k, l := kinds[i], &Layout{Scheme: SchemeUnknown, SectorSize: r.Sector()}
	p := newPlaces(r, o, kinds[i:i+1])
	lengths, err := p.lengths(ctx, start)
	if err != nil {
		return nil, err
	}
	var why error
	for _, length := range lengths {
		res, err := p.either(ctx, k, start, length)
		if err != nil {
			return nil, err
		}
		if res.filesystem == "" {
			why = cmp.Or(why, res.err)
			continue
		}
		l.note("no partition table was looked for: the one volume was given by hand")
		if start > 0 || length < r.DriveSize()-start {
			l.Missing = append(l.Missing, "other volumes of the image were not looked for: one was given by hand")
		}
		l.Volumes = []Volume{{Start: start, Length: length, Filesystem: res.filesystem, Found: "given by hand", fs: res.fs, rests: onCopy}}
		v := &l.Volumes[0]
		for _, c := range p.primaries(start) {
			v.rests, v.own = onPrimary, c.Length
		}
		if err := p.handed(ctx, l, v); err != nil {
			return nil, err
		}
		if v.fs = p.reader(k.Name, start, length); len(v.bad) > 0 { // what was opened does not know of these
			v.fs = nil
		}
		return l, nil
	}
	if no := (*extract.NotVolumeError)(nil); errors.As(why, &no) {
		return nil, why
	}
	return nil, fmt.Errorf("volume at offset %d: %w", start, why)
}

// handed says of a volume that was given by hand what stands in front of it, by the
// tables and by metadata of arrays and volume groups, read or not.
func (p *places) handed(ctx context.Context, l *Layout, v *Volume) error {
	around := Layout{SectorSize: p.r.Sector(), Volumes: l.Volumes}
	end := int64(0)
	boot := readBootSector(p.r, "master boot record", 0)
	t := readGPT(p.r, &boot)
	if t == nil || !t.usable() {
		t = readAPM(p.r)
	}
	if t == nil && boot.ok && boot.rec.sense(p.r.DriveSize()/step) == senseTable {
		t = readMBR(p.r, &boot, p.r.Sector())
	}
	if t != nil {
		around.SectorSize, around.Partitions, end = t.unit, t.partitions, t.end
	}
	for i := range around.Partitions {
		if q := &around.Partitions[i]; q.room() && q.Start == v.Start {
			v.Partition = q
		}
	}
	all, behind := p.roots(&around), &given{drive: p.r.DriveSize()}
	for i := 0; i < len(all); i++ {
		c := all[i]
		r, start, at := c.reader(p.r)
		f := layers{p, l, at, behind}
		give := func(runs image.Runs, length int64, logical bool) {
			switch d, ok := f.give(runs, length, logical); {
			case !ok:
				v.Doubt = append(v.Doubt, "it is behind too many layers of metadata")
			case d.find(v.Start) >= 0:
				all = append(all, d)
			}
		}
		if c.find(v.Start) < 0 {
			continue
		}
		a, array, _ := mdraid.Find(r, start, c.length)
		if array {
			if a.Reason != "" {
				v.Doubt = append(v.Doubt, "by metadata that was read the drive or partition is part of an array: "+a.Reason)
			} else {
				a.Bad, a.BadNeeds = f.onDrive(a.Bad), f.onDrive(a.BadNeeds)
				f.array(v, &a)
				give(image.Runs{{Offset: 0, Image: a.Start, Length: a.Length}}, a.Length, false)
			}
		}
		if c.find(v.Start) == 0 {
			continue
		}
		g, ok := lvm.Find(r, start, c.length)
		if !ok {
			if c.pool && !array {
				v.Doubt = append(v.Doubt, "the type of the partition that it lies in says that metadata stands in front of it, and none was read")
			}
			continue
		}
		v.Doubt, v.Needs = append(v.Doubt, g.Doubt...), append(f.onDrive(g.Needs), v.Needs...)
		inOne := false
		for _, l := range g.Volumes {
			runs := l.Pieces
			if at != nil {
				runs = through(at, runs)
			}
			if (&container{Runs: runs}).find(v.Start) < 0 {
				continue
			}
			inOne = inOne || l.Reason == "" && slices.ContainsFunc(runs, func(r image.Run) bool {
				return r.Image <= v.Start && v.End() <= r.Image+r.Length
			})
			v.Doubt = append(v.Doubt, l.Doubt...)
			if !l.Loops {
				give(l.Pieces, l.Length, true)
			}
		}
		if !inOne {
			v.Doubt = append(v.Doubt, "metadata of LVM2 stands in front of it, and gives it no logical volume, or not in one piece")
		}
	}
	return p.fronted(ctx, &around, end, behind.list)
}

// lengths are the lengths that a volume at start may have, likeliest first: by
// its primary structures, by a backup of them, up to the end of the drive.
func (p *places) lengths(ctx context.Context, start int64) ([]int64, error) {
	var out []int64
	add := func(n int64) {
		if n > 0 && n <= maxOffset-start && !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	for _, c := range p.primaries(start) {
		add(c.Length)
	}
	if len(out) == 0 {
		// only a backup tells, which stands anywhere; what the search remarks on
		// is about other volumes
		s := newSearch(p, &Layout{}, []ranges.Range{{Start: start, End: p.r.DriveSize()}}, nil)
		if err := s.run(ctx); err != nil {
			return nil, err
		}
		for _, t := range s.tenants {
			if t.Start == start {
				add(t.Length)
			}
		}
	}
	add(p.r.DriveSize() - start)
	return out, nil
}
