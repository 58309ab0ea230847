package fat

import "math"

// FirstCluster is the number of the first cluster of the heap.
const firstCluster = 2

// Geometry says where the clusters of a volume lie.
type geometry struct {
	Start    int64  // of the volume in the image, bytes
	Length   int64  // of the volume, bytes
	Heap     int64  // of cluster 2 in the image, bytes
	Cluster  int64  // bytes of a cluster
	Clusters uint32 // in the heap
}

// Number is the number of a file whose slot or first cluster stands at an
// offset of the image: its place in the volume, which is the same wherever the
// volume begins in the image.
func (g *geometry) Number(at int64) uint64 { return uint64(at - g.Start) }

// Valid reports whether c is a cluster of the heap.
func (g *geometry) Valid(c uint32) bool {
	return c >= firstCluster && c-firstCluster < g.Clusters
}

// At is where cluster c begins in the image.
func (g *geometry) At(c uint32) int64 {
	return g.Heap + int64(c-firstCluster)*g.Cluster
}

// Of is the cluster that the image offset at lies in; ok is false where it lies
// in none.
func (g *geometry) Of(at int64) (c uint32, ok bool) {
	if at < g.Heap {
		return 0, false
	}
	n := (at - g.Heap) / g.Cluster
	if n >= int64(g.Clusters) {
		return 0, false
	}
	return uint32(n) + firstCluster, true
}

// Need is the number of clusters that size bytes take.
func (g *geometry) Need(size int64) int64 {
	if size <= 0 {
		return 0
	}
	if size > math.MaxInt64-g.Cluster {
		return math.MaxInt64 / g.Cluster
	}
	return (size + g.Cluster - 1) / g.Cluster
}

// End is the first byte past the heap's last cluster.
func (g *geometry) End() int64 { return g.Heap + int64(g.Clusters)*g.Cluster }

// Run is Count clusters from First.
type run struct {
	First uint32
	Count uint32
}

// appendCluster adds a cluster to runs, joined with the last where it follows.
func appendCluster(runs []run, c uint32) []run {
	if n := len(runs); n > 0 {
		if last := &runs[n-1]; last.First+last.Count == c {
			last.Count++
			return runs
		}
	}
	return append(runs, run{c, 1})
}
