package ntfs

import (
	"context"
	"fmt"
	"strings"

	"fileassay/extract"
	"fileassay/extract/image"
)

// Volume is an open NTFS volume. It implements [extract.Filesystem].
type Volume struct {
	*table
	label string
	notes []string // of the boot sector
	doubt extract.Doubt
	// remains says that the volume is opened by what is left of it; "" if not
	remains string
}

var _ extract.Filesystem = (*Volume)(nil)

// Open opens the NTFS volume that begins at start and has up to length bytes,
// by its boot sector or the copy of it in its last sector. It returns an
// [*extract.NotVolumeError] where neither stands there.
func Open(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (*Volume, error) {
	boot, note, err := locateBoot(r, start, length)
	if err != nil {
		return nil, err
	}
	v, err := open(ctx, r, start, length, o, boot)
	if note == "" {
		return held(ctx, r, start, length, o, boot, v, err)
	}
	if err != nil {
		return nil, err
	}
	v.notes = append(v.notes, note)
	if v.tableOpposes() {
		v.doubt = extract.Doubt{"the boot sector is a copy, and what was read where it puts the file table is none: another volume may have been made in its place"}
	} else if v.confirmed() == 0 {
		v.doubt = extract.Doubt{"the boot sector is a copy, and none of the first records of the file table was read: whether this volume is what was last on the drive is not known"}
	}
	return v, nil
}

// held holds the boot sector, which was read, against its copy; v is the volume by
// it, or err why that does not open. Where they disagree nothing is proved, and the
// one is gone by that leads to more of the file table's first records.
func held(ctx context.Context, r *image.Reader, start, length int64, o extract.Options, boot BootSector, v *Volume, err error) (*Volume, error) {
	other, at, ok := otherBoot(r, start, length, boot)
	if !ok || ctx.Err() != nil {
		return v, err
	}
	which := "the boot sector"
	if w, no := open(ctx, r, start, length, o, other); no == nil && (err != nil || w.confirmed() > v.confirmed()) {
		v, err, which = w, nil, "the copy"
	}
	if err != nil {
		return nil, err
	}
	v.doubt = extract.Doubt{fmt.Sprintf("the boot sector and its copy at offset %d tell of two shapes of the volume: %s is gone by, and nothing proves it", r.Origin(at), which)}
	return v, nil
}

// open opens the volume that a boot sector speaks of.
func open(ctx context.Context, r *image.Reader, start, length int64, o extract.Options, boot BootSector) (v *Volume, err error) {
	v = &Volume{}
	if own := boot.TotalSectors * boot.SectorSize; length > 0 && own > length && start+own > r.DriveSize() {
		v.notes = append(v.notes, fmt.Sprintf("the volume's own boot sector states %d bytes, and the image ends %d bytes before: was it cut short?", own, start+own-r.DriveSize()))
	}
	v.table, err = locateTable(ctx, &area{r: r, opt: o, start: start, length: boot.length(), boot: boot, cluster: boot.ClusterSize, clusters: boot.clusters()})
	if err != nil {
		return nil, err
	}
	rec := v.readRecord(recVolume)
	if b, ok := rec.value(rec.attr(attrVolumeName, "")); ok && len(b) > 0 {
		v.label, _ = extract.NameFromUTF16(utf16At(b, 0, len(b)/2))
	}
	v.journal = v.readJournal()
	return v, nil
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
	out := []extract.Candidate{{Start: at, Length: s.length(), Filesystem: "ntfs", From: "boot sector", At: at, ID: s.id()}}
	if start := at - s.TotalSectors*s.SectorSize; start >= 0 {
		out = append(out, extract.Candidate{Start: start, Length: s.length(), Filesystem: "ntfs", From: "backup boot sector", At: at, ID: s.id()})
	}
	return out
}

// Info describes the volume.
func (v *Volume) Info() extract.Info {
	notes := append([]string(nil), v.notes...)
	var mirrored []string
	for n, m := range v.mirrored {
		if m {
			mirrored = append(mirrored, fmt.Sprint(n))
		}
	}
	if len(mirrored) > 0 {
		notes = append(notes, "records of the file table read from its mirror: "+strings.Join(mirrored, ", "))
	}
	return extract.Info{Filesystem: "ntfs", Label: v.label, Cluster: v.cluster, Notes: append(notes, v.table.notes...), Doubt: v.doubt}
}

// Walk is for [extract.Filesystem].
func (v *Volume) Walk(ctx context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	state := health{v.table}
	if yield == nil {
		damaged, err := state.countDamaged(ctx)
		return &extract.Survey{Structures: state.structures(damaged)}, err
	}
	c, err := readNames(ctx, v.table)
	if err != nil {
		return nil, err
	}
	files, err := listFiles(ctx, c, v.doubt.Files(yield))
	if err != nil {
		return nil, err
	}
	space := files.owned.Space(v.start, v.length, v.allocation(v.allocated))
	listing, err := files.listing(ctx, space)
	if v.remains != "" {
		listing.Complete = false
		listing.Why = append(listing.Why, v.remains)
	}
	v.doubt.Listing(&listing)
	return &extract.Survey{Listing: listing, Structures: state.structures(c.damaged), Space: space}, err
}
