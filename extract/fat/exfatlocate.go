package fat

import (
	"context"
	"errors"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// Volume is an opened exFAT volume; it implements [extract.Filesystem].
type exfatVolume struct {
	r      *image.Reader
	start  int64
	length int64
	boot   exfatBoot
	proved bool // a boot region passed its checksum
	table  *table
	tree   *tree
	format *exfatFormat
	geo    geometry

	bitmap   *bitmap          // nil where its place is unread
	upParts  []extract.Extent // the up-case table
	rootGaps bool             // not all of the root was read
	notes    []string
	listing  extract.Listing
}

// maxFolder is the most bytes a folder has. Section 7.6.7 bounds one to 256
// MiB.
const maxExFATFolder = 256 << 20

// Open opens the exFAT volume at [start, start+length) of the image; length 0
// is not known. Where the main boot region is unread or fails its checksum, the
// backup is used. The error is an [*extract.NotVolumeError] where it is no such
// volume.
func OpenExFAT(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (*exfatVolume, error) {
	v := &exfatVolume{r: r, start: start, length: length}
	if err := v.findBoot(); err != nil {
		return nil, err
	}
	if v.length <= 0 {
		v.length = v.boot.length()
	} else if v.boot.length() > v.length {
		v.note("the boot sector states %d bytes, the partition has %d", v.boot.length(), v.length)
		v.length = v.boot.length()
	}
	v.geo = geometry{start: start, length: v.length, heap: start + v.boot.HeapSector*v.boot.SectorSize,
		cluster: v.boot.ClusterSize, clusters: v.boot.Clusters}
	v.format = &exfatFormat{geo: &v.geo}
	// a second table belongs to a second bitmap and is no copy: section 4.1
	active := int64(0)
	if v.boot.Tables == 2 && v.boot.Flags&flagActive != 0 {
		active = 1
	}
	v.table = newTable(r, []int64{start + v.boot.tableAt(active)}, v.boot.tableBytes(), widthExFAT, v.boot.Clusters)
	config := config{Reader: r, Geometry: v.geo, Table: v.table, Format: v.format, Bitmap: true,
		Root: v.boot.RootCluster, FolderBytes: maxExFATFolder}
	tally := newTree(config).ReadRoot(func(*entry) {})
	v.rootGaps = tally.Unread > 0 || !tally.Ended
	v.findBitmap(uint8(active))
	v.findUpcase()
	if !v.proved && v.bitmap == nil && v.format.upcase == nil {
		return nil, &extract.NotVolumeError{Filesystem: "exfat", Start: start,
			Why:   "the boot sector is not proved by its checksum, and neither bitmap nor up-case table stand where it puts them",
			Needs: v.proofNeeds(config)}
	}
	if v.boot.Flags&flagDirty != 0 {
		v.note("the volume was not closed: it may be in the middle of a change")
	}
	if v.bitmap != nil {
		v.use(&config)
	}
	v.tree = newTree(config)
	return v, nil
}

// proofNeeds is what may prove a boot sector: the root, which has the places of
// bitmap and up-case table and must be read anyway, else the rest of the boot
// region.
func (v *exfatVolume) proofNeeds(c config) []ranges.Range {
	if root := newTree(c).RootNeeds(); root != nil {
		return root
	}
	return []ranges.Range{{Start: v.start, End: v.start + regionSectors*v.boot.SectorSize}}
}

// use makes the bitmap the allocation of the tree.
func (v *exfatVolume) use(c *config) {
	c.Allocation, c.Vacant = v.bitmap.each, v.bitmap.vacant
	for _, p := range v.bitmap.parts {
		c.Own = append(c.Own, v.run(p))
	}
	for _, p := range v.upParts {
		c.Own = append(c.Own, v.run(p))
	}
}

func (v *exfatVolume) run(p extract.Extent) run {
	first, _ := v.geo.of(p.Image)
	return run{First: first, Count: uint32((p.Length + v.geo.cluster - 1) / v.geo.cluster)}
}

func (v *exfatVolume) note(format string, args ...any) {
	v.notes = append(v.notes, fmt.Sprintf(format, args...))
}

// region is what came of reading a boot region.
type bootRegion struct {
	at    int64
	boot  exfatBoot
	sound bool // the checksum fits
	part  bool // not all of it was read, so that the checksum cannot be proved
}

// readRegion reads the boot region at an image offset.
func (v *exfatVolume) readRegion(at int64) (*bootRegion, error) {
	b := make([]byte, bootSectorSize)
	if _, err := v.r.ReadAt(b, at); err != nil {
		return nil, errors.New("the boot sector is unread")
	}
	s, err := parseExFATBoot(b)
	if err != nil {
		return nil, err
	}
	reg := &bootRegion{at: at, boot: s}
	b = make([]byte, regionSectors*s.SectorSize)
	reg.part = len(v.r.ReadReadable(b, at)) > 0
	reg.sound = !reg.part && checkRegion(b, s.SectorSize)
	return reg, nil
}

// findBoot finds the volume's parameters: the region whose checksum fits, the
// main one first; else a boot sector that cannot be checked since other
// sectors of its region are unread; else one whose checksum does not fit.
func (v *exfatVolume) findBoot() error {
	main, mainErr := v.readRegion(v.start)
	if main != nil && !v.places(&main.boot) {
		main, mainErr = nil, errors.New("the allocation table does not stand where the boot sector puts it")
	}
	var backup *bootRegion
	for size := int64(512); size <= 4096 && backup == nil; size *= 2 {
		if b, err := v.readRegion(v.start + regionSectors*size); err == nil && b.boot.SectorSize == size && v.places(&b.boot) {
			backup = b
		}
	}
	why := "the boot sector is unread"
	switch {
	case main != nil && !main.sound && !main.part:
		why = "the boot region fails its checksum"
	case main != nil:
		why = "the boot region is partly unread"
	case mainErr != nil:
		why = mainErr.Error()
	}
	switch {
	case main != nil && main.sound:
		v.boot, v.proved = main.boot, true
	case backup != nil && backup.sound:
		v.boot, v.proved = backup.boot, true
		if main != nil {
			v.boot.Flags = main.boot.Flags // the backup's are stale: section 3.1.13
		}
		v.note("%s: the backup at offset %d (sector %d of the volume) was used", why, backup.at, regionSectors)
	case main != nil && backup != nil && main.boot.sameVolume(backup.boot):
		v.boot, v.proved = main.boot, true
		v.note("%s: main and backup boot sector agree", why)
	case main != nil:
		v.boot = main.boot
		v.note("%s, and so is the backup: the boot sector was used, since what it points to stands there", why)
	case backup != nil:
		v.boot = backup.boot
		v.note("%s, and the backup cannot be checked: it was used, since what it points to stands there", why)
	default:
		return &extract.NotVolumeError{Filesystem: "exfat", Start: v.start, Why: why}
	}
	return nil
}

// places reports whether nothing that was read speaks against the place of the
// volume: the main boot region taken for the backup, or the other way round,
// would have the table elsewhere. The first entry of the table is FFFFFFF8 (section 4.1.1).
func (v *exfatVolume) places(s *exfatBoot) bool {
	b := make([]byte, 4)
	if _, err := v.r.ReadAt(b, v.start+s.tableAt(0)); err == nil {
		return b[0] >= 0xF0 && b[1] == 0xFF && b[2] == 0xFF && b[3] == 0xFF
	}
	t := newTable(v.r, []int64{v.start + s.tableAt(0)}, s.tableBytes(), widthExFAT, s.Clusters)
	next, links := 0, 0
	for c := uint32(firstCluster); c-firstCluster < min(s.Clusters, 1<<20); c++ {
		if e := t.entry(c); e.Mark == markNext {
			links++
			if e.Raw == c+1 {
				next++
			}
		}
	}
	return links < 16 || next*16 > links
}

// lay gives the place of n bytes that the slot p puts somewhere: by the table,
// or in a row.
func (v *exfatVolume) lay(p placed, n int64, inRow bool) []extract.Extent {
	if n <= 0 || !v.geo.valid(p.First) {
		return nil
	}
	var out []extract.Extent
	c, off := p.First, int64(0)
	for off < n && v.geo.valid(c) {
		k := min(v.geo.cluster, n-off)
		if i := len(out) - 1; i >= 0 && out[i].Image+out[i].Length == v.geo.at(c) {
			out[i].Length += k
		} else {
			out = append(out, extract.Extent{Offset: off, Image: v.geo.at(c), Length: k})
		}
		off += k
		if inRow {
			c++
		} else if e := v.table.entry(c); e.Mark == markNext {
			c = e.Raw
		} else {
			break
		}
	}
	return out
}

// bytes is how many bytes the parts have.
func bytesOf(parts []extract.Extent) int64 {
	var n int64
	for _, p := range parts {
		n += p.Length
	}
	return n
}

// findBitmap takes the bitmap of the active table from the root. Where the
// table does not lead to its end, it is taken to lie in a row if it then calls
// all of itself in use; no file is intact by it.
func (v *exfatVolume) findBitmap(active uint8) {
	want := v.boot.bitmapBytes()
	for _, p := range v.format.bitmaps {
		if p.Flags&1 != active || p.Length < uint64(want) {
			continue
		}
		parts := v.lay(p, want, false)
		if row := v.lay(p, want, true); bytesOf(parts) < want && bytesOf(row) == want {
			m := &bitmap{r: v.r, parts: row, clusters: v.boot.Clusters}
			if !m.vacant(p.First, v.geo.need(want)) {
				parts = row
			}
		}
		if parts != nil {
			v.bitmap = &bitmap{r: v.r, parts: parts, clusters: v.boot.Clusters}
			return
		}
	}
}

// findUpcase takes the up-case table from the root, if its checksum fits: by
// the allocation table, else in a row.
func (v *exfatVolume) findUpcase() {
	for _, p := range v.format.tables {
		if p.Length == 0 || p.Length > maxUpcase {
			continue
		}
		v.upParts = v.lay(p, int64(p.Length), false)
		for _, inRow := range []bool{false, true} {
			parts := v.lay(p, int64(p.Length), inRow)
			if b := v.readParts(parts); int64(len(b)) == int64(p.Length) && tableChecksum(b) == p.Checksum {
				v.upParts, v.format.upcase = parts, parseUpcase(b)
				return
			}
		}
	}
}

// readParts reads the parts as one; nil where any of it is unread.
func (v *exfatVolume) readParts(parts []extract.Extent) []byte {
	b := make([]byte, bytesOf(parts))
	for _, x := range parts {
		if _, err := v.r.ReadAt(b[x.Offset:x.Offset+x.Length], x.Image); err != nil {
			return nil
		}
	}
	return b
}

// Walk is for [extract.Filesystem].
func (v *exfatVolume) Walk(ctx context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
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
func (v *exfatVolume) Info() extract.Info {
	return extract.Info{Filesystem: "exfat", Label: v.format.label, Cluster: v.boot.ClusterSize, Notes: v.notes}
}

// structures is for [extract.Filesystem].
func (v *exfatVolume) structures(ctx context.Context) ([]extract.Structure, error) {
	var list []extract.Structure
	add := func(name string, parts ...extract.Extent) *extract.Structure {
		list = append(list, structureOf(v.r, name, parts...))
		return &list[len(list)-1]
	}
	sector := v.boot.SectorSize
	for i, name := range []string{"boot region", "backup boot region"} {
		at := v.start + int64(i)*regionSectors*sector
		s := add(name, extract.Extent{Image: at, Length: regionSectors * sector})
		if s.Health != extract.HealthRead {
			continue
		}
		switch reg, err := v.readRegion(at); {
		case err != nil:
			s.Health, s.Note = extract.HealthDamaged, err.Error()
		case !reg.sound:
			s.Health, s.Note = extract.HealthDamaged, "its checksum does not fit"
		case !reg.boot.sameVolume(v.boot):
			s.Health = extract.HealthDisagrees
		}
	}
	for i := range v.boot.Tables {
		add(fmt.Sprintf("allocation table %d", i+1), extract.Extent{Image: v.start + v.boot.tableAt(i), Length: v.boot.tableBytes()})
	}
	unknown := func(name string) {
		list = append(list, extract.Structure{Name: name, Image: -1, Health: extract.HealthUnread, Note: "the entry with its place is unread or missing"})
	}
	if v.bitmap != nil {
		add("allocation bitmap", v.bitmap.parts...)
	} else {
		unknown("allocation bitmap")
	}
	if v.upParts != nil {
		if s := add("up-case table", v.upParts...); s.Health == extract.HealthRead && v.format.upcase == nil {
			s.Health, s.Note = extract.HealthDamaged, "its checksum does not fit"
		}
	} else {
		unknown("up-case table")
	}
	add("root folder", v.tree.RootParts()...)
	return list, ctx.Err()
}

// walk is for [extract.Filesystem].
func (v *exfatVolume) walk(ctx context.Context, yield func(*extract.File) error) error {
	if err := v.tree.Survey(ctx); err != nil {
		return err
	}
	if v.bitmap == nil && v.rootGaps {
		if err := v.findLostBitmap(ctx); err != nil {
			return err
		}
	}
	if err := v.tree.Discover(ctx); err != nil {
		return err
	}
	claims := v.tree.Claims()
	claims.Structures.Add(v.start, v.boot.HeapSector*v.boot.SectorSize)
	if v.bitmap != nil {
		for _, p := range v.bitmap.parts {
			claims.Structures.Add(p.Image, (p.Length+v.geo.cluster-1)/v.geo.cluster*v.geo.cluster)
		}
	}
	for _, p := range v.upParts {
		claims.Structures.Add(p.Image, (p.Length+v.geo.cluster-1)/v.geo.cluster*v.geo.cluster)
	}
	if err := v.tree.Walk(ctx, yield); err != nil {
		return err
	}
	var err error
	v.listing, err = v.tree.Listing(ctx)
	return err
}
