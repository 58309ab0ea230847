package fat

import (
	"bytes"
	"context"
	"fmt"
	"iter"

	"golang.org/x/text/encoding"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// fatFormat is FAT12, FAT16 and FAT32, for [format].
type fatFormat struct {
	boot     fatBoot
	source   bootSource
	codepage encoding.Encoding
	label    string // of the root, once it was read
	geo      *geometry

	twin  bool     // the copy of the boot sector states the same
	rival *fatBoot // the copy, which states something else; nil for none
	steps int64    // that working the parameters out took
}

// bootSource says where the parameters of the volume come from.
type bootSource uint8

const (
	fromBoot bootSource = iota
	fromBackup
	fromContent
)

// maxFATFolder is the most bytes a folder has: 65536 slots. Overview, "FAT
// Directory Structure".
const maxFATFolder = 65536 * slotSize

// Open opens the FAT volume at [start, start+length) of the image; length 0 is
// not known. Where the boot sector is unread or makes no sense, its copy is
// used, and where there is none the volume is rebuilt from what its folders
// and tables prove. The error is an [*extract.NotVolumeError] where it is no
// such volume.
func Open(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (*Volume, error) {
	cp, err := codepage(o.Codepage)
	if err != nil {
		return nil, err
	}
	return open(ctx, r, start, length, &fatFormat{codepage: cp})
}

// locate is for [format].
func (d *fatFormat) locate(ctx context.Context, l *layout) error {
	if err := d.findBoot(ctx, l); err != nil {
		return err
	}
	spare, other := *l, *d
	w, err := d.arrange(ctx, l)
	if err == nil && !w.settled && d.rival != nil {
		// the copy states other parameters: what else was read may settle it
		other.boot, other.rival, other.source = *d.rival, &d.boot, fromBackup
		o, err := other.arrange(ctx, &spare)
		if err == nil && o.settled {
			spare.note("the boot sector and its copy do not state the same: the folders bear out the copy, which was used")
			*d, *l, w = other, spare, o
			d.geo = &l.geometry
			l.chains.geometry = &l.geometry
			l.alloc = l.table.allocation(&l.geometry)
		}
	} else if err == nil && w.settled && d.rival != nil {
		l.note("the boot sector and its copy do not state the same: what else was read bears out the boot sector")
	}
	if err != nil {
		return err
	}
	l.doubt = append(l.doubt, w.doubts()...)
	if !w.proved && len(w.against) == 0 {
		l.unproved = true
		if at := d.boot.BackupSector * d.boot.SectorSize; d.boot.Width == width28 && d.source == fromBoot && at > 0 {
			l.witnesses = append(l.witnesses, ranges.Range{Start: l.start + at, End: l.start + at + bootSectorSize})
		}
		for _, at := range l.table.copies {
			l.witnesses = append(l.witnesses, ranges.Range{Start: at, End: at + 4})
		}
	}
	d.readState(l)
	return nil
}

// arrange places what the boot sector describes, and weighs what was read for and
// against it.
func (d *fatFormat) arrange(ctx context.Context, l *layout) (witness, error) {
	b := &d.boot
	copies, all := b.copies()
	l.place(&b.area, copies...)
	if !all {
		l.note("table copy %d alone is in use by the boot sector's flags", copies[0]+1)
	}
	if n := l.table.secondAlone(); n > 0 {
		l.note("%d bytes of the first allocation table are unread: what they say is taken from the second alone", n)
	}
	d.geo = &l.geometry
	l.alloc = l.table.allocation(&l.geometry)
	l.folderBytes = maxFATFolder
	if l.root == 0 {
		l.rootParts = []extract.Extent{{Image: l.start + b.tableAt(b.Tables), Length: b.RootEntries * slotSize}}
	}
	l.readRoot() // for the label
	if d.source == fromContent {
		return witness{proved: true}, ctx.Err()
	}
	return d.prove(ctx, l)
}

// findBoot finds the volume's parameters.
func (d *fatFormat) findBoot(ctx context.Context, l *layout) error {
	none := func(why string) error {
		return &extract.NotVolumeError{Filesystem: "fat", Start: l.start, Why: why}
	}
	why := ""
	lost := true // a boot sector that was read and is another's is not replaced
	b := make([]byte, bootSectorSize)
	if _, err := l.r.ReadAt(b, l.start); err != nil {
		why = "the boot sector is unread"
	} else if s, err := parseFATBoot(b); err != nil {
		why = err.Error()
		lost = !anotherBegins(l, b)
	} else if fit := l.tableOf(&s.area, s.allCopies()...).stands(); fit < 0 {
		why = "the allocation tables do not stand where the boot sector puts them"
	} else if at := l.start - s.BackupSector*s.SectorSize; s.Width == width28 && s.BackupSector < s.TableSector && at >= 0 && at < l.start && l.opened(&s, at) && !l.opened(&s, l.start) {
		return none(fmt.Sprintf("the boot sector is the copy of that of a volume which begins at offset %d", at))
	} else {
		d.boot, l.unproved = s, fit == 0
		if at := s.BackupSector; s.Width == width28 && at > 0 && at < s.TableSector {
			if c, ok := readFATBoot(l, l.start+at*s.SectorSize); ok && s.sameGeometry(&c) {
				d.twin = true
			} else if ok {
				d.rival = &c
			}
		}
		return nil
	}
	for at := range l.copyPlaces() {
		s, ok := readFATBoot(l, at)
		if !ok || s.Width != width28 || s.BackupSector*s.SectorSize != at-l.start || l.tableOf(&s.area, s.allCopies()...).stands() < 0 {
			continue
		}
		d.boot, d.source = s, fromBackup
		l.note("%s: its copy at offset %d (sector %d of the volume) was used", why, l.r.Origin(at), s.BackupSector)
		return nil
	}
	if lost && d.rebuild(ctx, l) {
		d.source = fromContent
		l.note("%s and there is no copy: where the tables, the root and the clusters lie was found from the tables and folders themselves", why)
		return nil
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	return none(why)
}

// readFATBoot reads a boot sector or a copy of one at an image offset.
func readFATBoot(l *layout, at int64) (s fatBoot, ok bool) {
	b := make([]byte, bootSectorSize)
	if _, err := l.r.ReadAt(b, at); err != nil {
		return s, false
	}
	s, err := parseFATBoot(b)
	return s, err == nil
}

// mostBackup is how far behind the boot sector its copy is looked for where it does
// not stand in sector 6.
const mostBackup = 64 << 10

// copyPlaces are the places in the image where the copy of the boot sector may
// stand: the usual ones first.
func (l *layout) copyPlaces() iter.Seq[int64] {
	return func(yield func(int64) bool) {
		for at := range Copies(l.start, l.length) {
			if !yield(at) {
				return
			}
		}
		for at := l.start + unit; at <= l.start+mostBackup && (l.length <= 0 || at+unit <= l.start+l.length); at += unit {
			if !yield(at) {
				return
			}
		}
	}
}

// anotherBegins reports whether what was read at the beginning of a volume is
// something else's: a sector with a signature that is no FAT's, or a volume whose
// first structure stands behind it. A boot sector is lost where it was read as
// zeros or garbage, as where it was not read.
func anotherBegins(l *layout, b []byte) bool {
	if b[510] == 0x55 && b[511] == 0xAA && (!plausibleJump(b) || bytes.Contains(b[3:11], []byte("NTFS")) || bytes.Contains(b[3:11], []byte("EXFAT"))) {
		return true
	}
	h := l.r.Partial(make([]byte, 64), l.start+1024) // ext's superblock and HFS+'s header
	magic, ok := h.Get(56, 2)
	sign, ok2 := h.Get(0, 2)
	return ok && string(magic) == "\x53\xEF" || ok2 && (string(sign) == "H+" || string(sign) == "HX")
}

// opened reports whether a table of FAT32 begins where a boot sector would put it in
// a volume that begins at an offset of the image: with its media byte, which no
// entry of a chain's end has, and the end mark.
func (l *layout) opened(s *fatBoot, start int64) bool {
	b := make([]byte, 8)
	for i := range s.Tables {
		if _, err := l.r.ReadAt(b, start+s.tableAt(i)); err == nil && b[0] == s.Media && b[3]&0x0F == 0x0F && b[1] == 0xFF && b[2] == 0xFF && b[4]|0x07 == 0xFF && b[5] == 0xFF && b[6] == 0xFF && b[7]&0x03 == 0x03 {
			return true
		}
	}
	return false
}

// findLost is for [format]: the table is the allocation map.
func (d *fatFormat) findLost(context.Context, *layout, *owners) error { return nil }

// info is for [format].
func (d *fatFormat) info() extract.Info {
	label := d.label
	if label == "" {
		label = labelName(d.boot.Label, d.codepage)
	}
	return extract.Info{Filesystem: d.boot.kind(), Label: label}
}
