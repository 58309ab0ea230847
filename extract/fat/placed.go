package fat

import (
	"context"

	"fileassay/extract"
)

// maxPlaced bounds the folders that are looked at.
const maxPlaced = 1 << 14

// Placed is for [extract.Placer]. A folder of FAT begins with a slot that names
// its first cluster; one of exFAT names no place, but what its parent points at
// is the beginning of a folder with a checksum that fits, or not.
func (v *Volume) Placed(ctx context.Context) (extract.Placed, error) {
	l := v.layout
	out := extract.Placed{Start: l.start, All: true}
	faulty, err := l.eachFolder(ctx, nil, func(c uint32, s look) bool {
		out.Wrong = out.Wrong || !l.byBitmap() && !s.Head && isDot(l.head)
		out.All = out.All && s.Folder
		if s.Folder && (l.byBitmap() || s.Head) {
			out.Hit(l.at(c) + l.cluster)
		}
		return !out.Done()
	})
	if err != nil {
		return out, err
	}
	out.All = out.All && !faulty // a part of a folder may stand elsewhere
	l.placedTables(&out)
	if out.All = out.All && out.End > 0; out.All && !out.Done() && !l.byBitmap() {
		return out, l.displaced(ctx, &out)
	}
	return out, nil
}

// eachFolder calls visit, until it returns false, for the first cluster of each
// folder below the root whose beginning was read, with what it looks like; each, if
// not nil, is called for what stands in the root and in those that begin as folders.
// faulty says that slots of these made no sense.
func (l *layout) eachFolder(ctx context.Context, each func(*entry), visit func(c uint32, s look) bool) (faulty bool, err error) {
	var seen set
	var queue []uint32
	read := func(f folder, parts []extract.Extent) {
		t := l.entries(f, parts, func(e *entry) {
			if e.Folder && l.valid(e.First) && len(queue) < maxPlaced && seen.add(e.First) {
				queue = append(queue, e.First)
			}
			if each != nil {
				each(e)
			}
		})
		faulty = faulty || t.Faulty > 0
	}
	read(folder{Root: true, First: l.root}, l.rootParts)
	for i := 0; i < len(queue); i++ {
		if err := ctx.Err(); err != nil {
			return faulty, err
		}
		c := queue[i]
		s, ok := l.look(c, l.at(c))
		if !ok {
			continue
		}
		if !visit(c, s) {
			break
		}
		switch {
		case s.Folder && l.byBitmap():
			read(folder{First: c}, l.part(c))
		case s.Head:
			read(folder{First: c}, l.folderParts(c))
		}
	}
	return faulty, nil
}

// placedTables takes what stands in its place beside folders: the second copy of
// the table, and the up-case table, which passes a checksum.
func (l *layout) placedTables(out *extract.Placed) {
	if d, ok := l.format.(*exfatFormat); ok && d.upcase != nil {
		for _, p := range d.upParts {
			out.Hit(p.Image + p.Length)
		}
	}
	if len(l.table.copies) < 2 {
		return
	}
	var head [2][3]byte
	for i := range head {
		if _, err := l.r.ReadAt(head[i][:], l.table.copies[i]); err != nil {
			return
		}
	}
	if head[0] != head[1] { // the media byte and ones: the Overview, FAT[0]
		out.All = false
	} else if head[0][0] >= 0xF0 {
		out.Hit(l.table.copies[1] + int64(len(head[1])))
	}
}

// displaced looks for a folder that stands in another cluster than it says, in as
// much of the volume as need be.
func (l *layout) displaced(ctx context.Context, out *extract.Placed) error {
	for c := uint32(firstCluster); l.valid(c) && l.at(c) < l.start+extract.PlacedEnough; c++ {
		if c%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		if s, ok := l.look(c, l.at(c)); ok && !s.Head && isDot(l.head) {
			out.Wrong = true
			break
		}
	}
	return nil
}
