package fat

import (
	"math"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// FirstCluster is the number of the first cluster of the heap.
const firstCluster = 2

// geometry says where the clusters of a volume lie.
type geometry struct {
	start    int64  // of the volume in the image, bytes
	length   int64  // of the volume, bytes
	heap     int64  // of cluster 2 in the image, bytes
	cluster  int64  // bytes of a cluster
	clusters uint32 // in the heap
}

// number is the number of a file whose slot or first cluster stands at an
// offset of the image: its place in the volume, which is the same wherever the
// volume begins in the image.
func (g *geometry) number(at int64) uint64 { return uint64(at - g.start) }

// valid reports whether c is a cluster of the heap.
func (g *geometry) valid(c uint32) bool {
	return c >= firstCluster && c-firstCluster < g.clusters
}

// at is where cluster c begins in the image.
func (g *geometry) at(c uint32) int64 {
	return g.heap + int64(c-firstCluster)*g.cluster
}

// of is the cluster that the image offset at lies in; ok is false where it lies
// in none.
func (g *geometry) of(at int64) (c uint32, ok bool) {
	if at < g.heap {
		return 0, false
	}
	n := (at - g.heap) / g.cluster
	if n >= int64(g.clusters) {
		return 0, false
	}
	return uint32(n) + firstCluster, true
}

// need is the number of clusters that size bytes take.
func (g *geometry) need(size int64) int64 {
	if size <= 0 {
		return 0
	}
	if size > math.MaxInt64-g.cluster {
		return math.MaxInt64 / g.cluster
	}
	return (size + g.cluster - 1) / g.cluster
}

// end is the first byte past the heap's last cluster.
func (g *geometry) end() int64 { return g.heap + int64(g.clusters)*g.cluster }

// span bounds n clusters from first by the heap; ok is false where first is
// outside.
func (g *geometry) span(first uint32, n int64) (inside int64, ok bool) {
	if !g.valid(first) {
		return 0, false
	}
	return min(n, int64(g.clusters)-int64(first-firstCluster)), true
}

// run is n clusters from first as a range of the image.
func (g *geometry) run(first uint32, n int64) ranges.Range {
	return ranges.Range{Start: g.at(first), End: g.at(first) + n*g.cluster}
}

// extents are runs, which are ranges of the image, as the content of something.
func extents(runs []ranges.Range) []extract.Extent {
	var out []extract.Extent
	off := int64(0)
	for _, r := range runs {
		out = append(out, extract.Extent{Offset: off, Image: r.Start, Length: r.Len()})
		off += r.Len()
	}
	return out
}

// part is one cluster as the content of something.
func (g *geometry) part(c uint32) []extract.Extent { return extents([]ranges.Range{g.run(c, 1)}) }
