package ntfs

import (
	"cmp"
	"context"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// claimRuns claims the clusters of runs.
func (v *Volume) claimRuns(s *ranges.Set, runs []run) {
	for _, r := range runs {
		if r.lcn != noCluster {
			s.Add(v.start+r.lcn*v.cluster, r.length*v.cluster)
		}
	}
}

// claimAttributes claims the clusters of a record's non-resident attributes:
// content for the file, all else, and everything of the system's own files,
// for the volume's structures.
func (v *Volume) claimAttributes(rec *record, h *harvest, own bool) {
	for i := range rec.attrs {
		a := &rec.attrs[i]
		if a.resident {
			continue
		}
		to := &h.structures
		if a.typ == attrData && !own {
			to = &h.spans
		}
		*to = v.appendRuns(*to, rec, a)
	}
}

// appendClaims appends the clusters of a record's non-resident attributes.
func (v *Volume) appendClaims(list []ranges.Range, rec *record) []ranges.Range {
	for i := range rec.attrs {
		a := &rec.attrs[i]
		if !a.resident {
			list = v.appendRuns(list, rec, a)
		}
	}
	return list
}

// appendRuns appends the clusters of a non-resident attribute.
func (v *Volume) appendRuns(list []ranges.Range, rec *record, a *attribute) []ranges.Range {
	var m mapping
	m.add(rec, a, v.clusters)
	for _, r := range m.runs {
		if r.lcn != noCluster {
			at := v.start + r.lcn*v.cluster
			list = append(list, ranges.Range{Start: at, End: at + r.length*v.cluster})
		}
	}
	return list
}

// overlaps are the bytes that more than one of the spans covers. It sorts
// list.
func overlaps(list []ranges.Range) ranges.Set {
	slices.SortFunc(list, func(a, b ranges.Range) int { return cmp.Compare(a.Start, b.Start) })
	var out ranges.Set
	end := int64(0)
	for _, s := range list {
		if s.Start < end {
			out.Add(s.Start, min(s.End, end)-s.Start)
		}
		end = max(end, s.End)
	}
	out.Len() // settled here, since several goroutines ask it
	return out
}

// sharesClusters reports whether another attribute of the volume claims
// clusters of a file too.
func (v *Volume) sharesClusters(rec *record, exts []*record) bool {
	if v.census.shared.Len() == 0 {
		return false
	}
	for _, r := range append([]*record{rec}, exts...) {
		for _, s := range v.appendClaims(nil, r) {
			if v.census.shared.Covered(s.Start, s.End-s.Start) > 0 {
				return true
			}
		}
	}
	return false
}

// claimOwn claims the structures whose place is known without a record: the
// boot sector and its copy, the file table and its mirror.
func (v *Volume) claimOwn() {
	s := &v.claims.Structures
	s.Add(v.start, v.boot.SectorSize)
	s.Add(v.start+v.boot.TotalSectors*v.boot.SectorSize, v.boot.SectorSize)
	for _, e := range v.table.extents {
		if e.Image >= 0 {
			s.Add(e.Image, e.Length)
		}
	}
	s.Add(v.table.mirror, max(mirrorRecords*v.table.recordSize, v.cluster))
}

// allocation is the volume's bitmap as ranges of the image; nil where its
// place is not known.
func (v *Volume) allocation() extract.Space {
	if v.bitmap == nil {
		return nil
	}
	return func(ctx context.Context, yield func(start, length int64, use extract.Use) error) error {
		var from, to int64 // clusters of the range in hand
		use := extract.UseUnknown
		put := func(n int64, u extract.Use) error {
			n = min(n, v.clusters-to)
			if u != use && to > from {
				if err := yield(v.start+from*v.cluster, (to-from)*v.cluster, use); err != nil {
					return err
				}
				from = to
			}
			use = u
			to += n
			return nil
		}
		for part := range v.bitmap.parts((v.clusters + 7) / 8) {
			err := error(nil)
			switch {
			case part.unread:
				err = put(8*part.length, extract.UseUnknown)
			case part.image < 0: // a hole: zeros
				err = put(8*part.length, extract.UseFree)
			default:
				err = putBits(v.r, part, put)
			}
			if err != nil {
				return err
			}
		}
		if err := put(v.clusters-to, extract.UseUnknown); err != nil { // the bitmap is too short
			return err
		}
		if to > from {
			if err := yield(v.start+from*v.cluster, (to-from)*v.cluster, use); err != nil {
				return err
			}
		}
		// what is behind the last whole cluster: nothing can be allocated there
		if end := v.start + v.clusters*v.cluster; end < v.start+v.length {
			return yield(end, v.start+v.length-end, extract.UseFree)
		}
		return nil
	}
}

// putBits reads a part of an allocation bitmap that was read, and puts its
// bits as runs of clusters.
func putBits(r *image.Reader, p streamPart, put func(n int64, u extract.Use) error) error {
	b := make([]byte, min(p.length, 1<<20))
	for off := int64(0); off < p.length; off += int64(len(b)) {
		b = b[:min(int64(len(b)), p.length-off)]
		gaps := r.ReadReadable(b, p.image+off) // there are none, but for what the image file fails to give only now
		for i, c := range b {
			for len(gaps) > 0 && gaps[0].End() <= p.image+off+int64(i) {
				gaps = gaps[1:]
			}
			var err error
			switch {
			case len(gaps) > 0 && gaps[0].Start <= p.image+off+int64(i):
				err = put(8, extract.UseUnknown)
			case c == 0:
				err = put(8, extract.UseFree)
			case c == 0xff:
				err = put(8, extract.UseUnclaimed)
			default:
				for bit := range 8 {
					u := extract.UseFree
					if c>>bit&1 != 0 {
						u = extract.UseUnclaimed
					}
					if err = put(1, u); err != nil {
						break
					}
				}
			}
			if err != nil {
				return err
			}
		}
	}
	return nil
}
