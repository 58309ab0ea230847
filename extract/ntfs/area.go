package ntfs

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/claims"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// area is the part of the image that a volume takes, in clusters as its boot
// sector says.
type area struct {
	r        *image.Reader
	opt      extract.Options
	boot     BootSector
	start    int64 // in the image
	length   int64 // bytes, the copy of the boot sector included
	cluster  int64 // bytes
	clusters int64 // of the volume
}

// at is where a cluster lies in the image.
func (v *area) at(cluster int64) int64 { return v.start + cluster*v.cluster }

// plain is the stream that n bytes of the image are.
func (v *area) plain(at, n int64) *stream {
	return &stream{r: v.r, size: n, extents: []extract.Extent{{Image: at, Length: n}}}
}

// allocation is the volume's bitmap of clusters as ranges of the image; nil
// where its place is not known. What is not there of it costs nothing, however
// much of it a size claims.
func (v *area) allocation(s *stream) extract.Space {
	if s == nil {
		return nil
	}
	m := s.bitmap(v.clusters)
	return func(ctx context.Context, yield func(start, length int64, use extract.Use) error) error {
		put := func(first, n int64, state bitmap.State) error {
			return yield(v.at(first), min(n, m.Bits-first)*v.cluster, claims.UseOf(state))
		}
		for e := range s.parts(0, (m.Bits+7)/8) {
			switch e.Image {
			case unlocated:
				continue
			case hole:
				if err := put(8*e.Offset, 8*e.Length, bitmap.Clear); err != nil {
					return err
				}
				continue
			}
			for o := range v.r.Over(e.Image, e.Length) {
				if first := 8 * (e.Offset + o.Start - e.Image); o.State == imap.Read {
					if err := m.Runs(ctx, first, min(8*o.Length, m.Bits-first), put); err != nil {
						return err
					}
				}
			}
		}
		// what is behind the last whole cluster: nothing can be allocated there
		if end := v.at(v.clusters); end < v.start+v.length {
			return yield(end, v.start+v.length-end, extract.UseFree)
		}
		return nil
	}
}
