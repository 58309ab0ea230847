package ext

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// claimSystem claims the volume's fixed structures, and the blocks set aside
// for group descriptors yet to come.
func (v *Volume) claimSystem() {
	sb := &v.sb
	for s := range v.system.All() {
		v.claimOwn(ranges.Range{Start: v.start + s.Start*v.bs, End: v.start + s.End*v.bs})
	}
	v.claims.Structures.Add(v.start, superblockAt+superblockSize)
	if sb.Incompat&incompatMetaBG == 0 && sb.ReservedGDT > 0 {
		for g := range sb.groups() {
			if block, ok := descBlock(sb, descBlocks(sb), g); ok {
				n := min(uint64(sb.ReservedGDT), sb.Blocks-block)
				v.claims.Structures.Add(v.start+int64(block)*v.bs, int64(n)*v.bs)
			}
		}
	}
	for _, r := range v.journal.runs { // here too, as its inode may be unread
		if r.Kind != runUnlocated {
			v.claimOwn(v.span(r.Physical, r.Length))
		}
	}
	if sb.Incompat&incompatMMP != 0 && sb.MMPBlock < sb.Blocks {
		v.claims.Structures.Add(v.start+int64(sb.MMPBlock)*v.bs, v.bs)
	}
}

// claimOwn claims a range of the image for the volume's own structures, whole
// clusters.
func (v *Volume) claimOwn(s ranges.Range) {
	if cluster := int64(v.sb.clusterBlocks()) * v.bs; cluster > v.bs {
		s.Start = v.start + (s.Start-v.start)/cluster*cluster
		s.End = v.start + (s.End-v.start+cluster-1)/cluster*cluster
	}
	v.claims.Structures.Add(s.Start, s.End-s.Start)
}

// allocation is the volume's allocation map by its block bitmaps.
func (v *Volume) allocation(ctx context.Context, yield func(start, length int64, use extract.Use) error) error {
	{
		sb := &v.sb
		cluster := sb.clusterBlocks()
		for g := range sb.groups() {
			if err := ctx.Err(); err != nil {
				return err
			}
			bm := v.blockBitmap(g)
			first, blocks := sb.groupFirst(g), sb.groupBlocks(g)
			use, from := extract.UseUnknown, uint64(0)
			flush := func(to uint64) error {
				if to == from {
					return nil
				}
				a := v.start + int64(first+from)*v.bs
				n := int64(to-from) * v.bs
				from = to
				return yield(a, n, use)
			}
			for i := uint64(0); i < blocks; {
				state, n := bm.stretch(uint32(i / cluster))
				now := extract.UseUnknown
				switch {
				case state == bitSet:
					now = extract.UseUnclaimed
				case state == bitClear && bm.sure:
					now = extract.UseFree
				}
				if now != use {
					if err := flush(i); err != nil {
						return err
					}
					use = now
				}
				i = min(i+uint64(n)*cluster, blocks)
			}
			if err := flush(blocks); err != nil {
				return err
			}
		}
		if end := int64(sb.Blocks) * v.bs; end < v.length {
			return yield(v.start+end, v.length-end, extract.UseFree)
		}
		return nil
	}
}
