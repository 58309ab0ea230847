package fat

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/claims"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// readParts reads p from byte off of what lies in parts.
func (l *layout) readParts(parts []extract.Extent, p []byte, off int64) partial.Bytes {
	b := partial.Bytes{Data: p}
	done := int64(0)
	for _, x := range parts {
		a, z := max(x.Offset, off), min(x.Offset+x.Length, off+int64(len(p)))
		if a >= z {
			continue
		}
		l.r.PartialInto(&b, a-off, x.Image+a-x.Offset, z-a)
		done = z - off
	}
	clear(p[done:])
	b.Lose(int(done), len(p))
	return b
}

// bitmapIn is the allocation bitmap that lies in parts: a bit for each cluster.
// Section 7.1.5.
func (l *layout) bitmapIn(parts []extract.Extent) *bitmap.Map {
	return &bitmap.Map{Bits: int64(l.clusters), Read: func(p []byte, off int64) partial.Bytes { return l.readParts(parts, p, off) }}
}

// lay gives the place of n bytes from a cluster on: by the table, or in a row.
func (l *layout) lay(first uint32, n int64, inRow bool) []extract.Extent {
	need := l.need(n)
	k, ok := l.span(first, need)
	if !ok {
		return nil
	}
	runs := []ranges.Range{l.run(first, k)}
	if !inRow {
		runs = l.chains.follow(first, need, need, func(uint32, *followed) stop { return stopWhole }).runs
	}
	parts := extents(runs)
	parts[len(parts)-1].Length -= max(reach(parts)-n, 0)
	return parts
}

// reach is how many bytes the parts of something hold.
func reach(parts []extract.Extent) int64 {
	if len(parts) == 0 {
		return 0
	}
	last := parts[len(parts)-1]
	return last.Offset + last.Length
}

// findBitmap takes the bitmap of the active table from the root. Where the
// table does not lead to its end, it is taken to lie in a row if it then calls
// all of itself in use; it places no file, but vouches for the clusters of those that are placed.
func (d *exfatFormat) findBitmap(l *layout, active uint8) {
	want := d.boot.bitmapBytes()
	for _, p := range d.bitmaps {
		if p.Flags&1 != active || p.Length < uint64(want) {
			continue
		}
		d.bitmap = l.lay(p.First, want, false)
		if row := l.lay(p.First, want, true); reach(d.bitmap) < want && reach(row) == want &&
			!l.bitmapIn(row).Any(int64(p.First-firstCluster), l.need(want), bitmap.Clear) {
			d.bitmap = row
		}
		if d.bitmap != nil {
			return
		}
	}
}

// useBitmap makes the bitmap the volume's allocation map.
func (d *exfatFormat) useBitmap(l *layout) {
	l.bits, l.bitsAt = l.bitmapIn(d.bitmap), d.bitmap
	l.alloc = claims.Bitmap(l.bitmapIn(d.bitmap), l.heap, l.cluster)
	l.own = append(l.own, d.bitmap...)
}

// findLost looks for the bitmap where its entry is unread: every
// formatter puts it at cluster 2 (common practice, no source). What lies there
// is taken for the bitmap if it calls itself in use and nothing behind the last
// cluster, and if it has the clusters of the files of the volume: those listed
// so far, and those of the sets of entries found in clusters that it calls in
// use. It serves the listing's statement and the search for lost folders, and
// vouches for clusters of files as one that the root leads to does.
func (d *exfatFormat) findLost(ctx context.Context, l *layout, o *owners) error {
	n := d.boot.bitmapBytes()
	own := l.need(n)
	if d.bitmap != nil || !d.rootGaps || own > int64(l.clusters) {
		return nil
	}
	if _, taken := o.by[byRoot].firstIn(firstCluster, own); taken {
		return nil
	}
	parts := l.lay(firstCluster, n, true)
	m := l.bitmapIn(parts)
	if m.Any(0, own, bitmap.Clear) {
		return nil
	}
	var known int64
	for c := range o.by[byRoot].all() {
		switch m.Get(int64(c - firstCluster)) {
		case bitmap.Clear:
			return nil
		case bitmap.Set:
			known++
		}
	}
	if known < enoughClusters {
		good, bad, err := l.heldSets(ctx, parts)
		if err != nil || known+good < enoughClusters || bad > good/50 {
			return err
		}
	}
	d.bitmap = parts
	d.useBitmap(l)
	o.by[byRoot].addRun(firstCluster, own, &o.by[byRoot].shared)
	l.note("the entry that places the allocation bitmap is unread: the bitmap was found at cluster %d by its content", firstCluster)
	return nil
}

// enoughClusters is how many clusters of files a bitmap must have to be taken
// for one.
const enoughClusters = 64

// heldSets looks for sets of entries in the clusters that the bitmap in parts
// calls in use, and counts their first clusters that it calls in use and free.
func (l *layout) heldSets(ctx context.Context, parts []extract.Extent) (good, bad int64, err error) {
	m := l.bitmapIn(parts)
	err = claims.Bitmap(l.bitmapIn(parts), l.heap, l.cluster)(ctx, func(start, length int64, use extract.Use) error {
		if use != extract.UseUnclaimed {
			return nil
		}
		for at := start; at < start+length; at += l.cluster {
			if s, _ := l.look(0, at); !s.Folder {
				continue
			}
			l.entries(folder{Partial: true}, []extract.Extent{{Image: at, Length: l.cluster}}, func(e *entry) {
				switch {
				case e.Doubtful || !l.valid(e.First):
				case m.Get(int64(e.First-firstCluster)) == bitmap.Set:
					good++
				case m.Get(int64(e.First-firstCluster)) == bitmap.Clear:
					bad++
				}
			})
		}
		return ctx.Err()
	})
	return good, bad, err
}
