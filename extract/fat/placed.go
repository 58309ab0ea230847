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
	var seen set
	var queue []uint32
	add := func(e *entry) {
		if e.Folder && l.valid(e.First) && len(queue) < maxPlaced && seen.add(e.First) {
			queue = append(queue, e.First)
		}
	}
	l.entries(folder{Root: true, First: l.root}, l.rootParts, add)
	for i := 0; i < len(queue) && !out.Done(); i++ {
		if err := ctx.Err(); err != nil {
			return out, err
		}
		c := queue[i]
		s, ok := l.look(c, l.at(c))
		if !ok {
			continue
		}
		if e := parseShort(l.head); !l.byBitmap() && !s.Head && e.Name == dot && e.Attr&attrFolder != 0 {
			out.Wrong = true
		}
		out.All = out.All && (s.Folder || isEmpty(l.head))
		if !s.Folder || !l.byBitmap() && !s.Head {
			continue
		}
		out.Hit(l.at(c) + l.cluster)
		l.entries(folder{First: c}, l.part(c), add)
	}
	return out, nil
}

// isEmpty reports whether the beginning of a folder of exFAT has no slots.
func isEmpty(head []byte) bool { return head[0] == typeEnd }
