package fat

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/image"
)

// Volume is an opened FAT volume; it implements [extract.Filesystem].
type Volume struct {
	r       *image.Reader
	start   int64
	length  int64
	boot    fatBoot
	source  bootSource
	table   *table
	tree    *tree
	format  *fatFormat
	notes   []string
	listing extract.Listing

	unproved bool // nothing that was read proves where the tables stand
}

// bootSource says where the parameters of the volume come from.
type bootSource uint8

const (
	fromBoot bootSource = iota
	fromBackup
	fromContent
)

// maxFolder is the most bytes a folder has: 65536 slots. Overview, "FAT
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
	v := &Volume{r: r, start: start, length: length}
	if err := v.findBoot(ctx); err != nil {
		return nil, err
	}
	if v.length <= 0 {
		v.length = v.boot.length()
	} else if v.boot.length() > v.length {
		v.note("the boot sector states %d bytes, the partition has %d", v.boot.length(), v.length)
		v.length = v.boot.length()
	}
	geo := geometry{start: start, length: v.length, heap: start + v.boot.DataSector*v.boot.SectorSize,
		cluster: v.boot.ClusterSize, clusters: v.boot.Clusters}
	v.format = &fatFormat{width: v.boot.Width, root: v.boot.RootCluster, codepage: cp, geo: &geo}
	copies := []int64{}
	if active, all := v.boot.mirrored(); !all {
		v.note("table copy %d alone is in use by the boot sector's flags", active+1)
		copies = append(copies, start+v.boot.tableAt(active))
	} else {
		for i := range v.boot.Tables {
			copies = append(copies, start+v.boot.tableAt(i))
		}
	}
	v.table = newTable(r, copies, v.boot.tableBytes(), v.boot.Width, v.boot.Clusters)
	v.tree = newTree(config{Reader: r, Geometry: geo, Table: v.table, Format: v.format,
		Allocation: v.table.Allocation, Root: v.boot.RootCluster, FixedRoot: v.fixedRoot(), FolderBytes: maxFATFolder,
		Unproved: v.unproved})
	v.tree.ReadRoot(func(*entry) {}) // for the label
	return v, nil
}

func (v *Volume) note(format string, args ...any) {
	v.notes = append(v.notes, fmt.Sprintf(format, args...))
}

// fixedRoot is where the root of FAT12 and FAT16 lies.
func (v *Volume) fixedRoot() extract.Extent {
	b := &v.boot
	return extract.Extent{Image: v.start + b.tableAt(b.Tables), Length: b.RootEntries * slotSize}
}

// findBoot finds the volume's parameters.
func (v *Volume) findBoot(ctx context.Context) error {
	b := make([]byte, bootSectorSize)
	why := ""
	lost := true // a boot sector that was read and is another's is not replaced
	if _, err := v.r.ReadAt(b, v.start); err != nil {
		why = "the boot sector is unread"
	} else if s, err := parseFATBoot(b); err != nil {
		why = err.Error()
		lost = b[510] == 0x55 && b[511] == 0xAA && plausibleJump(b) && !bytes.Contains(b[3:11], []byte("NTFS")) && !bytes.Contains(b[3:11], []byte("EXFAT"))
	} else if fit := v.fits(&s); fit < 0 {
		why = "the allocation tables do not stand where the boot sector puts them"
	} else {
		v.boot, v.unproved = s, fit == 0
		return nil
	}
	for size := int64(512); size <= 4096; size *= 2 {
		at := v.start + backupSector*size
		if _, err := v.r.ReadAt(b, at); err != nil {
			continue
		}
		s, err := parseFATBoot(b)
		if err != nil || s.Width != width28 || s.SectorSize != size || s.BackupSector != backupSector || v.fits(&s) <= 0 {
			continue
		}
		v.boot, v.source = s, fromBackup
		v.note("%s: its copy at offset %d (sector %d of the volume) was used", why, at, backupSector)
		return nil
	}
	if lost && v.rebuild(ctx) {
		v.source = fromContent
		v.note("%s and there is no copy: where the tables, the root and the clusters lie was found from the tables and folders themselves", why)
		return nil
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	return &extract.NotVolumeError{Filesystem: "fat", Start: v.start, Why: why}
}

// fits holds the parameters against the tables: 1 they stand where they should,
// -1 they do not, 0 not enough was read to tell.
func (v *Volume) fits(s *fatBoot) int {
	seen := false
	for i := range s.Tables {
		b := make([]byte, 4)
		if _, err := v.r.ReadAt(b, v.start+s.tableAt(i)); err != nil {
			continue
		}
		if s.firstEntry(b) {
			return 1
		}
		seen = true
	}
	if seen {
		return -1
	}
	// the beginning of every copy is unread: most entries of a table name
	// the cluster after their own, wherever its files are not in pieces
	var copies []int64
	for i := range s.Tables {
		copies = append(copies, v.start+s.tableAt(i))
	}
	t := newTable(v.r, copies, s.tableBytes(), s.Width, s.Clusters)
	next, links := 0, 0
	for c := uint32(firstCluster); c-firstCluster < min(s.Clusters, 1<<20); c++ {
		if e := t.entry(c); e.Mark == markNext {
			links++
			if e.Raw == c+1 {
				next++
			}
		}
	}
	switch {
	case links < 16:
		return 0
	case next*16 > links:
		return 1
	}
	return -1
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
	return &extract.Survey{Listing: v.listing, Structures: structures, Space: v.tree.Space()}, nil
}

// Info is for [extract.Filesystem].
func (v *Volume) Info() extract.Info {
	label := v.format.label
	if label == "" {
		label = v.boot.Label
	}
	return extract.Info{Filesystem: v.boot.kind(), Label: label, Cluster: v.boot.ClusterSize, Notes: v.notes}
}

// structures is for [extract.Filesystem].
func (v *Volume) structures(ctx context.Context) ([]extract.Structure, error) {
	var list []extract.Structure
	sector := v.boot.SectorSize
	part := func(name string, at, n int64) *extract.Structure {
		list = append(list, structureOf(v.r, name, extract.Extent{Image: v.start + at, Length: n}))
		return &list[len(list)-1]
	}
	boot := part("boot sector", 0, sector)
	if boot.Health == extract.HealthRead && v.source != fromBoot {
		boot.Health = extract.HealthDamaged
	}
	if v.boot.Width == width28 {
		if v.boot.InfoSector > 0 && v.boot.InfoSector < v.boot.Reserved {
			info := part("free space record", v.boot.InfoSector*sector, sector)
			b := make([]byte, bootSectorSize)
			if _, err := v.r.ReadAt(b, info.Image); err == nil && !infoSector(b) {
				info.Health = extract.HealthDamaged
			}
		}
		if at := v.boot.BackupSector; at > 0 && at < v.boot.Reserved {
			v.copyHealth(part("copy of the boot sector", at*sector, sector))
		}
	}
	count, err := v.table.count(ctx)
	if err != nil {
		return nil, err
	}
	for i := range v.boot.Tables {
		t := part(fmt.Sprintf("allocation table %d", i+1), v.boot.tableAt(i), v.boot.tableBytes())
		if i == 1 && count.Disagree > 0 {
			if t.Health == extract.HealthRead {
				t.Health = extract.HealthDisagrees
			}
			t.Note = fmt.Sprintf("%d entries differ from the first copy", count.Disagree)
		}
		if i == 0 && count.Unread > 0 {
			t.Note = fmt.Sprintf("%d entries are unread in every copy", count.Unread)
		}
	}
	list = append(list, structureOf(v.r, "root folder", v.tree.RootParts()...))
	return list, ctx.Err()
}

// copyHealth compares the copy of the boot sector with the boot sector.
func (v *Volume) copyHealth(s *extract.Structure) {
	a, b := make([]byte, bootSectorSize), make([]byte, bootSectorSize)
	if _, err := v.r.ReadAt(b, s.Image); err != nil {
		return
	}
	if _, err := parseFATBoot(b); err != nil {
		s.Health = extract.HealthDamaged
		return
	}
	// the bytes up to 90 are parameters; byte 65 holds flags that change
	if _, err := v.r.ReadAt(a, v.start); err == nil && !(bytes.Equal(a[:65], b[:65]) && bytes.Equal(a[66:90], b[66:90])) {
		s.Health = extract.HealthDisagrees
	}
}

// infoSector reports whether b bears the signatures of the FSInfo sector.
// Overview, "FAT32 FSInfo Sector Structure".
func infoSector(b []byte) bool {
	le := binary.LittleEndian
	return le.Uint32(b) == 0x41615252 && le.Uint32(b[484:]) == 0x61417272 && le.Uint32(b[508:]) == 0xAA550000
}

// walk is for [extract.Filesystem].
func (v *Volume) walk(ctx context.Context, yield func(*extract.File) error) error {
	if err := v.tree.Survey(ctx); err != nil {
		return err
	}
	if err := v.tree.Discover(ctx); err != nil {
		return err
	}
	v.tree.Claims().Structures.Add(v.start, v.boot.DataSector*v.boot.SectorSize)
	if err := v.tree.Walk(ctx, yield); err != nil {
		return err
	}
	var err error
	v.listing, err = v.tree.Listing(ctx)
	return err
}
