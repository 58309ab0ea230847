package fat

import (
	"bytes"
	"context"

	"golang.org/x/text/encoding"

	"fileassay/extract"
	"fileassay/extract/image"
)

// fatFormat is FAT12, FAT16 and FAT32, for [format].
type fatFormat struct {
	boot     fatBoot
	source   bootSource
	codepage encoding.Encoding
	label    string // of the root, once it was read
	geo      *geometry
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
	return nil
}

// findBoot finds the volume's parameters.
func (d *fatFormat) findBoot(ctx context.Context, l *layout) error {
	b := make([]byte, bootSectorSize)
	why := ""
	lost := true // a boot sector that was read and is another's is not replaced
	if _, err := l.r.ReadAt(b, l.start); err != nil {
		why = "the boot sector is unread"
	} else if s, err := parseFATBoot(b); err != nil {
		why = err.Error()
		lost = b[510] == 0x55 && b[511] == 0xAA && plausibleJump(b) && !bytes.Contains(b[3:11], []byte("NTFS")) && !bytes.Contains(b[3:11], []byte("EXFAT"))
	} else if fit := l.tableOf(&s.area, s.allCopies()...).stands(); fit < 0 {
		why = "the allocation tables do not stand where the boot sector puts them"
	} else {
		d.boot, l.unproved = s, fit == 0
		return nil
	}
	for at := range Copies(l.start, l.length) {
		if _, err := l.r.ReadAt(b, at); err != nil {
			continue
		}
		s, err := parseFATBoot(b)
		if err != nil || s.Width != width28 || backupSector*s.SectorSize != at-l.start || s.BackupSector != backupSector || l.tableOf(&s.area, s.allCopies()...).stands() <= 0 {
			continue
		}
		d.boot, d.source = s, fromBackup
		l.note("%s: its copy at offset %d (sector %d of the volume) was used", why, at, backupSector)
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
	return &extract.NotVolumeError{Filesystem: "fat", Start: l.start, Why: why}
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
