package fat

import (
	"context"

	"fileassay/extract"
)

// findLostBitmap looks for the bitmap where its entry is unread: every
// formatter puts it at cluster 2 (common practice, no source). What lies there
// is taken for the bitmap if it calls itself in use and nothing behind the last
// cluster, and if it has the clusters of the files of the volume: those listed
// so far, and those of the sets of entries found in clusters that it calls in
// use. It serves the listing's statement and the search for lost folders; no
// file is intact by it.
func (v *exfatVolume) findLostBitmap(ctx context.Context) error {
	listed := v.tree.Claimed()
	n := v.boot.bitmapBytes()
	own := run{First: firstCluster, Count: uint32(v.geo.need(n))}
	if own.Count > v.boot.Clusters {
		return nil
	}
	if _, taken := listed.firstIn(own.First, int64(own.Count)); taken {
		return nil
	}
	m := &bitmap{r: v.r, clusters: v.boot.Clusters, parts: []extract.Extent{{Image: v.geo.at(own.First), Length: n}}}
	if m.vacant(own.First, int64(own.Count)) {
		return nil
	}
	known, ok := m.agrees(listed)
	if !ok {
		return nil
	}
	if known < enoughClusters {
		good, bad, err := v.heldSets(ctx, m)
		if err != nil || known+good < enoughClusters || bad > good/50 {
			return err
		}
	}
	v.bitmap = m
	v.note("the entry that places the allocation bitmap is unread: the bitmap was found at cluster %d by its content", own.First)
	v.tree.Allocation = m.each
	v.tree.Claim(own)
	return nil
}

// enoughClusters is how many clusters of files a bitmap must have to be taken
// for one.
const enoughClusters = 64

// heldSets looks for sets of entries in the clusters that m calls in use, and
// counts their first clusters that m calls in use and free.
func (v *exfatVolume) heldSets(ctx context.Context, m *bitmap) (good, bad int64, err error) {
	b := make([]byte, min(v.format.folderHead(), v.geo.cluster))
	err = m.each(ctx, func(first uint32, n int64, s state) error {
		if s != stateAllocated {
			return nil
		}
		for c := first; n > 0; c, n = c+1, n-1 {
			if _, err := v.r.ReadAt(b, v.geo.at(c)); err != nil || !v.format.folderStart(c, b).Folder {
				continue
			}
			parts := []extract.Extent{{Image: v.geo.at(c), Length: v.geo.cluster}}
			v.format.entries(folder{Partial: true}, func(visit func(slot) bool) { eachSlot(v.r, parts, visit) },
				func(e *entry) {
					switch {
					case e.Doubtful || !v.geo.valid(e.First):
					case m.state(e.First) == stateAllocated:
						good++
					case m.state(e.First) == stateVacant:
						bad++
					}
				})
		}
		return ctx.Err()
	})
	return good, bad, err
}
