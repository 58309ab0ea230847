package ntfs

import (
	"context"
	"fmt"
	"strings"
	"sync"

	"fileassay/extract"
	"fileassay/extract/claims"
	"fileassay/extract/image"
)

// Volume is an open NTFS volume. It implements [extract.Filesystem].
type Volume struct {
	r       *image.Reader
	opt     extract.Options
	start   int64 // in the image
	length  int64 // bytes, the copy of the boot sector included
	boot    BootSector
	cluster int64 // bytes
	// clusters is the number of clusters of the volume
	clusters int64
	label    string
	notes    []string

	table  *table
	bitmap *stream // allocation of clusters; nil where not known

	buffers     sync.Pool // of *[]byte, a chunk of the table each
	census      census
	paths       *extract.Paths[reference] // of folders; set once the census is whole
	extending   map[uint64]bool           // unread records that attribute lists name
	claims      claims.Owned
	strays      int64 // index blocks used although their folder's record is unread
	doubted     int64 // children named by blocks that cannot be told from stale ones
	unread      unreadCount
	journalOpen string // why newer metadata may stand in the journal; "" if not
	listing     extract.Listing
}

// Open opens the NTFS volume that begins at start and has up to length bytes,
// by its boot sector or the copy of it in its last sector. It returns an
// [*extract.NotVolumeError] where neither stands there.
func Open(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (*Volume, error) {
	boot, note, err := findBootSector(r, start, length)
	if err != nil {
		return nil, err
	}
	v := &Volume{r: r, opt: o, start: start, length: boot.length(), boot: boot, cluster: boot.ClusterSize, clusters: boot.clusters(),
		extending: map[uint64]bool{}}
	if note != "" {
		v.notes = append(v.notes, note)
	}
	if own := boot.TotalSectors * boot.SectorSize; length > 0 && own > length && start+own > r.DriveSize() {
		v.notes = append(v.notes, fmt.Sprintf("the volume's own boot sector states %d bytes, and the image ends %d bytes before: was it cut short?", own, start+own-r.DriveSize()))
	}
	if err := v.openTable(ctx); err != nil {
		return nil, err
	}
	v.openVolumeRecord()
	v.openBitmap()
	v.journalOpen = v.journalState()
	return v, nil
}

// findBootSector reads the boot sector or its copy.
func findBootSector(r *image.Reader, start, length int64) (BootSector, string, error) {
	b := make([]byte, 512)
	notVolume := func(why string) error {
		return &extract.NotVolumeError{Filesystem: "ntfs", Start: start, Why: why}
	}
	var why string
	if _, err := r.ReadAt(b, start); err != nil {
		why = "boot sector: " + err.Error()
	} else if s, err := parseBootSector(b); err != nil {
		why = err.Error()
	} else if length > 0 && s.TotalSectors*s.SectorSize > length+maxSectorSize && start+s.length() > r.DriveSize() && length < r.DriveSize()-start {
		why = fmt.Sprintf("boot sector states a volume of %d bytes in %d", s.length(), length)
	} else {
		return s, "", nil
	}
	// the copy is the last sector of the partition, or that of an older,
	// smaller size of it
	for _, size := range []int64{512, 1024, 2048, 4096, 256} {
		at := start + length - size
		if length > 0 && at > start {
			if _, err := r.ReadAt(b, at); err == nil {
				if s, err := parseBootSector(b); err == nil && s.SectorSize == size && s.TotalSectors*size == at-start {
					return s, fmt.Sprintf("boot sector unread or damaged (%s); its copy at offset %d is used", why, at), nil
				}
			}
		}
	}
	// a partition may be larger than its volume: some sectors are cut off
	for back := int64(2); back <= 2048; back++ {
		at := start + length - back*512
		if length <= 0 || at <= start {
			break
		}
		if _, err := r.ReadAt(b, at); err == nil {
			if s, err := parseBootSector(b); err == nil && s.TotalSectors*s.SectorSize == at-start {
				return s, fmt.Sprintf("boot sector unread or damaged (%s); its copy at offset %d is used", why, at), nil
			}
		}
	}
	return BootSector{}, "", notVolume(why)
}

// Sniff says what volume a sector of the image at offset at would be part of:
// as a boot sector the one that begins there, as the copy the one that ends
// there. window begins with the sector.
func Sniff(window []byte, at int64) []extract.Candidate {
	if len(window) < 512 || string(window[bootOEM:bootOEM+8]) != "NTFS    " {
		return nil // at once: a search asks this of every sector of a drive
	}
	s, err := parseBootSector(window)
	if err != nil {
		return nil
	}
	out := []extract.Candidate{{Start: at, Length: s.length(), Filesystem: "ntfs", From: "boot sector", At: at}}
	if start := at - s.TotalSectors*s.SectorSize; start >= 0 {
		out = append(out, extract.Candidate{Start: start, Length: s.length(), Filesystem: "ntfs", From: "backup boot sector", At: at})
	}
	return out
}

// openVolumeRecord reads the volume's label and state from its record.
func (v *Volume) openVolumeRecord() {
	rec := v.readRecord(recVolume)
	if a := rec.attr(attrVolumeName); a != nil && a.resident && rec.bad.clean(a.valueOff, a.valueOff+a.valueLen) && a.valueLen > 0 {
		v.label, _ = extract.NameFromUTF16(utf16At(rec.data, a.valueOff, a.valueLen/2))
	}
}

// openBitmap finds the volume's bitmap of clusters.
func (v *Volume) openBitmap() {
	rec := v.readRecord(recBitmap)
	if rec.state != recordUsed {
		return
	}
	exts, _ := v.extensions(rec)
	if m := v.gather(rec, attrData, exts); m != nil && m.headed {
		m.initialized = min(m.initialized, (v.clusters+7)/8)
		v.bitmap = v.stream(m)
	} else if a := rec.attr(attrData); a != nil && a.resident {
		v.bitmap = v.residentStream(rec, a)
	}
}

// Walk is for [extract.Filesystem].
func (v *Volume) Walk(ctx context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	if yield != nil {
		if err := v.walk(ctx, yield); err != nil {
			return nil, err
		}
	}
	structures, err := v.structures(ctx)
	if err != nil || yield == nil {
		return &extract.Survey{Structures: structures}, err
	}
	return &extract.Survey{Listing: v.listing, Structures: structures, Space: v.space()}, nil
}

// Info describes the volume.
func (v *Volume) Info() extract.Info {
	notes := append([]string(nil), v.notes...)
	var mirrored []string
	for n, m := range v.table.mirrored {
		if m {
			mirrored = append(mirrored, fmt.Sprint(n))
		}
	}
	if len(mirrored) > 0 {
		notes = append(notes, "records of the file table read from its mirror: "+strings.Join(mirrored, ", "))
	}
	return extract.Info{Filesystem: "ntfs", Label: v.label, Cluster: v.cluster, Notes: append(notes, v.table.notes...)}
}

// space is the use of every range of the volume.
func (v *Volume) space() extract.Space { return v.claims.Space(v.start, v.length, v.allocation()) }
