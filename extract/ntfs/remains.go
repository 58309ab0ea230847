package ntfs

import (
	"bytes"
	"context"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// OpenRemains opens a volume of which neither the boot sector nor its copy was read,
// by what its file table says of itself: record 0 says in which cluster the table
// begins and how large clusters are, so where it stands shows where the volume
// begins. Its files are proved only where the mirror, read in its own place, and the
// volume's bitmap say the same, and its list is never complete. It fails as [Open]
// does.
func OpenRemains(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (*Volume, error) {
	boot, proved, err := bootByTable(ctx, r, start, length, o)
	if err != nil {
		return nil, err
	}
	v, err := open(ctx, r, start, length, o, boot)
	if err != nil {
		return nil, err
	}
	v.remains = "the boot sector and its copy are unread or damaged: what they say is taken from the file table's own records"
	v.notes = append(v.notes, v.remains)
	switch {
	case r.IsRead(start, stride):
		v.doubt = extract.Doubt{"what stands in place of the boot sector was read and is none: another volume may have been made in its place"}
	case !proved:
		v.doubt = extract.Doubt{"the boot sector and its copy are unread, and the file table's own record, its mirror and the volume's bitmap were not all read to say the same: " +
			"another volume may have been made in its place"}
	}
	return v, nil
}

// maxSelfRecords bounds how many records of a table itself are looked at: of
// nested volumes each has two.
const maxSelfRecords = 64

// selfRecord is a record 0 that was found in the image.
type selfRecord struct {
	at      int64
	size    int64 // of a record
	cluster int64 // bytes
	first   int64 // cluster that the table begins in
}

// bootByTable makes what the boot sector would say. proved is set where several
// structures that were read say so.
func bootByTable(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (boot BootSector, proved bool, err error) {
	if limit := r.DriveSize() - start; length <= 0 || length > limit {
		length = limit
	}
	v := &area{r: r, opt: o, start: start, length: length, cluster: 1, clusters: maxVCN}
	var found []selfRecord
	where := []ranges.Range{{Start: start, End: min(start+length, r.Size())}}
	err = scan(ctx, v, "looking for the file table", where, maxSectorSize, func(b partial.Bytes, from, to int64) (found []selfRecord) {
		for off := 0; off < int(to-from) && len(found) < maxSelfRecords; off += stride {
			if string(b.Data[off:off+4]) == "FILE" && b.Has(off, stride) {
				if s, ok := v.parseSelf(b.Slice(off, min(maxSectorSize, b.Len()-off))); ok {
					s.at = from + int64(off)
					found = append(found, s)
				}
			}
		}
		return found
	}, func(more []selfRecord) { found = append(found, more...) })
	if err != nil {
		return boot, false, err
	}
	for _, s := range found[:min(len(found), maxSelfRecords)] {
		t := &table{area: &area{r: r, opt: o, start: start, length: length, cluster: s.cluster, clusters: length / s.cluster,
			boot: BootSector{SectorSize: stride, ClusterSize: s.cluster, RecordSize: s.size, IndexSize: maxSectorSize}}, recordSize: s.size}
		if b, both, ok := t.settleBoot(s, found); ok && (both || boot.ClusterSize == 0) {
			if boot, proved = b, both; proved {
				return boot, true, nil
			}
		}
	}
	if boot.ClusterSize == 0 {
		err = &extract.NotVolumeError{Filesystem: "ntfs", Start: start, Why: "no record of the file table itself stands where it says"}
	}
	return boot, false, err
}

// parseSelf decodes the record of a table itself. v has clusters of one byte.
func (v *area) parseSelf(b partial.Bytes) (s selfRecord, ok bool) {
	s.size = int64(le.Uint32(b.Data[recordAllocated:]))
	if !powerOfTwo(s.size) || s.size < stride || s.size > int64(b.Len()) {
		return s, false
	}
	if array := le.Uint16(b.Data[4:]); array >= recordHeaderSize && le.Uint32(b.Data[recordNumber:]) != recMFT || !bytes.Contains(b.Data[:s.size], tableName) {
		return s, false
	}
	var rec record
	rec.parse(partial.Bytes{Data: bytes.Clone(b.Data[:s.size]), Unread: b.Slice(0, int(s.size)).Unread}, recMFT)
	if rec.state != recordUsed {
		return s, false
	}
	data := rec.attr(attrData, "")
	if data == nil || data.resident {
		return s, false
	}
	s.first = -1
	_, _ = v.decodeRuns(rec.data.Before(data.runsOff, data.end), 0, func(e extract.Extent) {
		if s.first < 0 && e.Image >= 0 {
			s.first = e.Image - v.start
		}
	})
	for _, a := range []*attribute{data, rec.attr(attrBitmap, "")} { // the table's own extents may go on in further records
		if a == nil || a.resident || a.lowest != 0 || !rec.data.Has(a.off, nonResidentHeader) {
			continue
		}
		if n := int64(le.Uint64(rec.data.Data[a.off+attrAllocated:])) / (a.highest + 1); s.cluster == 0 && powerOfTwo(n) {
			s.cluster = n
		}
	}
	return s, s.first >= 0 && s.cluster >= minClusterSize && s.cluster <= maxClusterSize
}

// settleBoot makes a boot sector of a found record 0, which is the table's own or the
// mirror's, if it stands where it says. both is set where both stand there and the
// bitmap agrees.
func (t *table) settleBoot(s selfRecord, found []selfRecord) (boot BootSector, both, ok bool) {
	first := t.plain(t.at(s.first), firstFile*t.recordSize)
	mirrorAt := int64(-1)
	for _, place := range []*stream{first, t.plain(s.at, firstFile*t.recordSize)} {
		rec := t.recordFrom(place, 1)
		if a := rec.attr(attrData, ""); mirrorAt < 0 && rec.state == recordUsed && a != nil && !a.resident {
			for _, e := range t.claimed(rec) {
				mirrorAt = e.Image
				break
			}
		}
	}
	stands := func(at int64) bool {
		for _, o := range found {
			if o.at == at && o.size == s.size && o.cluster == s.cluster && o.first == s.first {
				return true
			}
		}
		return false
	}
	own, mirror := stands(t.at(s.first)), mirrorAt >= 0 && stands(mirrorAt)
	if !own && !mirror {
		return boot, false, false
	}
	boot = t.boot
	boot.MFT, boot.MFTMirror = s.first, max((mirrorAt-t.start)/t.cluster, 0)
	clusters := t.clusters
	agrees := false
	if rec := t.recordFrom(first, recBitmap); rec.state == recordUsed {
		if a := rec.attr(attrData, ""); a != nil && !a.resident && a.lowest == 0 && a.size > 0 && a.size < maxVCN/8 {
			// it has bits up to a multiple of 64, and the last sector of the partition is the copy's
			agrees = 8*a.size >= clusters-1 && 8*a.size-128 <= clusters
			clusters = min(clusters, 8*a.size)
		}
	}
	if clusters*t.cluster+stride > t.length && clusters > 0 {
		clusters-- // the copy of the boot sector stands behind the last
	}
	boot.TotalSectors = clusters * t.cluster / stride
	if rec := t.recordFrom(first, recRoot); rec.state == recordUsed {
		if a := rec.attr(attrIndexRoot, "$I30"); a != nil && a.resident && a.valueLen >= rootHeader && rec.data.Has(a.valueOff, rootHeader) {
			if n := int64(le.Uint32(rec.data.Data[a.valueOff+8:])); powerOfTwo(n) && n >= stride && n <= maxIndexSize {
				boot.IndexSize = n
			}
		}
	}
	return boot, own && mirror && agrees, boot.TotalSectors > 0
}
