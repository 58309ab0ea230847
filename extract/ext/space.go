package ext

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/claims"
	"fileassay/extract/ranges"
)

// space is the use of every range of the volume.
type space struct {
	*layout
	length int64 // bytes of the volume
	owned  claims.Owned
}

// newSpace claims the volume's fixed structures, the journal, and the blocks
// set aside for group descriptors yet to come.
func newSpace(v *layout, length int64, journal []ranges.Range) *space {
	w, sb := &space{layout: v, length: length}, &v.sb
	for s := range v.system.All() {
		w.own(v.span(uint64(s.Start), uint64(s.Len())))
	}
	w.owned.Structures.Add(v.start, superblockAt+superblockSize)
	if sb.Incompat&incompatMetaBG == 0 && sb.ReservedGDT > 0 {
		for g := range sb.groups() {
			if block, ok := descBlock(sb, descBlocks(sb), g); ok {
				s := v.span(block, min(uint64(sb.ReservedGDT), sb.Blocks-block))
				w.owned.Structures.Add(s.Start, s.Len())
			}
		}
	}
	for _, s := range journal { // here too, as its inode may be unread
		w.own(s)
	}
	if sb.Incompat&incompatMMP != 0 && sb.MMPBlock < sb.Blocks {
		w.owned.Structures.Add(v.span(sb.MMPBlock, 1).Start, v.bs)
	}
	return w
}

// own claims a range of the image for the volume's own structures, whole
// clusters.
func (w *space) own(s ranges.Range) {
	cluster := int64(w.sb.clusterBlocks()) * w.bs
	a := (s.Start - w.start) / cluster * cluster
	z := (s.End - w.start + cluster - 1) / cluster * cluster
	w.owned.Structures.Add(w.start+a, z-a)
}

// uses is what every range of the volume is used for.
func (w *space) uses() extract.Space { return w.owned.Space(w.start, w.length, w.allocation) }

// allocation is the volume's allocation map by its block bitmaps. A bit that
// nothing vouches for proves no block free.
func (w *space) allocation(ctx context.Context, yield func(start, length int64, use extract.Use) error) error {
	cluster := int64(w.sb.clusterBlocks())
	for g := range w.sb.groups() {
		m := w.blockBitmap(g)
		first, blocks := w.sb.groupFirst(g), int64(w.sb.groupBlocks(g))
		err := m.Runs(ctx, 0, (blocks+cluster-1)/cluster, func(i, n int64, s bitmap.State) error {
			use := claims.UseOf(s)
			if use == extract.UseFree && !m.sure {
				use = extract.UseUnknown
			}
			n = min(n*cluster, blocks-i*cluster)
			return yield(w.span(first+uint64(i*cluster), 1).Start, n*w.bs, use)
		})
		if err != nil {
			return err
		}
	}
	if end := int64(w.sb.Blocks) * w.bs; end < w.length {
		return yield(w.start+end, w.length-end, extract.UseFree)
	}
	return nil
}
