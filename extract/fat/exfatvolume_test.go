package fat

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
)

// volume is an exFAT volume that a test builds byte by byte.
type exfatImage struct {
	*Disk
	exfatBoot
	up   upcase
	root exfatDir
}

type exfatDir struct {
	clusters []uint32
	at       int64
}

// bootBytes makes a boot sector. Section 3.1.
func exfatBootBytes(clusters uint32, sectorShift, clusterShift uint8) []byte {
	b := make([]byte, 512)
	copy(b, "\xEB\x76\x90EXFAT   ")
	le := binary.LittleEndian
	table := ((uint64(clusters)+2)*4 + 1<<sectorShift - 1) >> sectorShift
	heap := 24 + table
	le.PutUint64(b[72:], heap+uint64(clusters)<<clusterShift)
	le.PutUint32(b[80:], 24)
	le.PutUint32(b[84:], uint32(table))
	le.PutUint32(b[88:], uint32(heap))
	le.PutUint32(b[92:], clusters)
	root := 2 + (int64(clusters)/8+int64(1)<<(sectorShift+clusterShift))>>(sectorShift+clusterShift) + 12
	le.PutUint32(b[96:], uint32(root))
	le.PutUint16(b[104:], 0x100)
	b[108], b[109], b[110], b[111] = sectorShift, clusterShift, 1, 0x80
	b[510], b[511] = 0x55, 0xAA
	return b
}

// build makes a volume with a bitmap at cluster 2, the up-case table after it,
// and an empty root.
func buildExFAT(t testing.TB, clusters uint32, sectorShift, clusterShift uint8) *exfatImage {
	t.Helper()
	b := exfatBootBytes(clusters, sectorShift, clusterShift)
	s, err := parseExFATBoot(b)
	if err != nil {
		t.Fatal(err)
	}
	v := &exfatImage{Disk: &Disk{Size: s.length()}, exfatBoot: s}
	region := make([]byte, regionSectors<<sectorShift)
	copy(region, b)
	for i := int64(1); i <= 8; i++ { // section 3.2: extended boot sectors
		copy(region[(i+1)*s.SectorSize-4:], "\x00\x00\x55\xAA")
	}
	sum := bootChecksum(region[:checkedSectors<<sectorShift])
	for i := checkedSectors * s.SectorSize; i < regionSectors*s.SectorSize; i += 4 {
		binary.LittleEndian.PutUint32(region[i:], sum)
	}
	v.Write(0, region)
	v.Write(regionSectors*s.SectorSize, region)
	v.Put32(s.tableAt(0), 0xFFFFFFF8)
	v.Put32(s.tableAt(0)+4, 0xFFFFFFFF)
	table, err := os.ReadFile("testdata/upcase.bin")
	if err != nil {
		t.Fatal(err)
	}
	v.up = parseUpcase(table)
	v.root.clusters = []uint32{s.RootCluster}
	v.chain(s.RootCluster)
	n := uint32((s.bitmapBytes() + s.ClusterSize - 1) / s.ClusterSize)
	v.chain(row(2, n)...)
	v.slot(&v.root, place(typeBitmap, 0, 2, uint64(s.bitmapBytes())))
	k := uint32((int64(len(table)) + s.ClusterSize - 1) / s.ClusterSize)
	v.chain(row(2+n, k)...)
	v.Write(v.cluster(2+n), table)
	v.slot(&v.root, place(typeUpcase, tableChecksum(table), 2+n, uint64(len(table))))
	return v
}

func row(first, n uint32) []uint32 {
	var out []uint32
	for i := range n {
		out = append(out, first+i)
	}
	return out
}

func place(kind byte, sum uint32, first uint32, length uint64) []byte {
	b := make([]byte, 32)
	b[0] = kind
	le := binary.LittleEndian
	if kind == typeUpcase {
		le.PutUint32(b[4:], sum)
	}
	le.PutUint32(b[20:], first)
	le.PutUint64(b[24:], length)
	return b
}

func (v *exfatImage) cluster(c uint32) int64 {
	return v.HeapSector*v.SectorSize + int64(c-2)*v.ClusterSize
}

// mark sets the bits of clusters in the bitmap.
func (v *exfatImage) mark(clusters ...uint32) {
	for _, c := range clusters {
		at := v.cluster(2) + int64(c-2)/8
		v.Write(at, []byte{v.Read(at, 1)[0] | 1<<((c-2)&7)})
	}
}

// chain marks clusters and chains them in the table.
func (v *exfatImage) chain(clusters ...uint32) {
	v.mark(clusters...)
	for i, c := range clusters {
		next := uint32(0xFFFFFFFF)
		if i+1 < len(clusters) {
			next = clusters[i+1]
		}
		v.Put32(v.tableAt(0)+4*int64(c), next)
	}
}

func (v *exfatImage) slot(f *exfatDir, b []byte) int64 {
	at := v.cluster(f.clusters[f.at/v.ClusterSize]) + f.at%v.ClusterSize
	f.at += 32
	v.Write(at, b)
	return at
}

// entry is what a set says.
type exfatEntry struct {
	name   string
	attr   uint16
	flags  byte // flagAllocated is added where there is a first cluster
	first  uint32
	size   uint64
	valid  uint64 // 0 is size
	utc    byte
	vendor int // slots of a vendor's, at the end
}

// set makes the slots of an entry, with checksum and hash.
func (v *exfatImage) set(e exfatEntry) [][]byte {
	units := utf16.Encode([]rune(e.name))
	names := (len(units) + 14) / 15
	le := binary.LittleEndian
	file := make([]byte, 32)
	file[0], file[1] = typeFile, byte(1+names+e.vendor)
	le.PutUint16(file[4:], e.attr)
	le.PutUint32(file[12:], 0x4E82<<16|0x4988)
	file[21], file[23] = 150, e.utc
	stream := make([]byte, 32)
	stream[0], stream[1], stream[3] = typeStream, e.flags, byte(len(units))
	if e.first != 0 {
		stream[1] |= flagAllocated
	}
	le.PutUint16(stream[4:], nameHash(units, v.up))
	if e.valid == 0 {
		e.valid = e.size
	}
	le.PutUint64(stream[8:], e.valid)
	le.PutUint32(stream[20:], e.first)
	le.PutUint64(stream[24:], e.size)
	out := [][]byte{file, stream}
	for i := range names {
		b := make([]byte, 32)
		b[0] = typeName
		for k, u := range units[i*15 : min(len(units), i*15+15)] {
			le.PutUint16(b[2+2*k:], u)
		}
		out = append(out, b)
	}
	for range e.vendor {
		b := make([]byte, 32)
		b[0] = 0xE0 // section 7.8
		out = append(out, b)
	}
	var sum uint16
	for i, b := range out {
		sum = addChecksum(sum, b, i == 0)
	}
	le.PutUint16(file[2:], sum)
	return out
}

// put writes an entry into a folder and returns the place of its set.
func (v *exfatImage) put(f *exfatDir, e exfatEntry) int64 {
	at := int64(-1)
	for _, b := range v.set(e) {
		if p := v.slot(f, b); at < 0 {
			at = p
		}
	}
	return at
}

// sub puts a folder of the clusters, in a row, into a folder.
func (v *exfatImage) sub(f *exfatDir, name string, clusters ...uint32) *exfatDir {
	v.mark(clusters...)
	v.put(f, exfatEntry{name: name, attr: attrFolder, flags: flagContiguous, first: clusters[0], size: uint64(len(clusters)) * uint64(v.ClusterSize)})
	return &exfatDir{clusters: clusters}
}

func listExFAT(t testing.TB, v *exfatImage) ([]string, extract.Listing, *Volume) {
	t.Helper()
	ctx := context.Background()
	vol, err := OpenExFAT(ctx, v.Reader(), 0, v.Size, extract.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := vol.layout.structures(ctx); err != nil {
		t.Fatal(err)
	}
	var lines []string
	ids := map[uint64]bool{}
	survey, err := vol.Walk(ctx, func(f *extract.File) error {
		lines = append(lines, v.line(f))
		if ids[f.ID] {
			t.Errorf("%s: its number %d is another's too", f.Path, f.ID)
		}
		ids[f.ID] = true
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	pos := int64(0)
	err = survey.Space(ctx, func(start, n int64, _ extract.Use) error {
		if start != pos || n <= 0 {
			return fmt.Errorf("space at %d follows %d", start, pos)
		}
		pos += n
		return nil
	})
	if err != nil || pos != vol.layout.length {
		t.Errorf("space ends at %d of %d: %v", pos, vol.layout.length, err)
	}
	return lines, survey.Listing, vol
}

// line is a file in words; places are clusters, as far as they are whole ones.
func (v *exfatImage) line(f *extract.File) string {
	s := fmt.Sprintf("%s %s %d", f.Path, f.Kind, f.Size)
	for _, p := range f.Pieces {
		if p.Kind == extract.Hole {
			s += fmt.Sprintf(" [%d hole %d]", p.Offset, p.Length)
			continue
		}
		s += fmt.Sprintf(" [%d@%d+%d]", p.Offset, (p.Image-v.cluster(2))/v.ClusterSize+2, p.Length)
	}
	if f.Unnamed {
		s += " unnamed"
	}
	if f.RecordUnread {
		s += " unproved"
	}
	if f.EntriesUnread {
		s += " entries-unread"
	}
	for _, w := range f.Why {
		s += " | " + w
	}
	return s
}

// sheets is a volume of clusters of 1 KiB with files of every kind.
func sheets(t testing.TB) (*exfatImage, *exfatDir) {
	v := buildExFAT(t, 4000, 9, 1)
	f := v.sub(&v.root, "sheets", 100, 101)
	v.mark(row(200, 3)...)
	v.Put32(v.tableAt(0)+4*200, 3999) // a run without a chain: the table does not count (section 6.3.4.2)
	v.put(f, exfatEntry{name: "acer.tif", flags: flagContiguous, first: 200, size: 3000})
	v.chain(210, 220, 215)
	v.put(f, exfatEntry{name: "betula pendula, silver birch.tif", first: 210, size: 3000, valid: 1500})
	v.put(f, exfatEntry{name: "carex.txt", vendor: 1})
	v.chain(230)
	v.put(f, exfatEntry{name: "drosera.txt", first: 230, size: 10})
	v.mark(240)
	v.put(&v.root, exfatEntry{name: "erica.txt", flags: flagContiguous, first: 240, size: 100, utc: 0x80 | 8})
	return v, f
}

func TestExFATVolume(t *testing.T) {
	const unread = " | a part of its set of entries is unread or makes no sense, so that its checksum cannot be proved"
	const senseless = " entries-unread | 1 of its slots make no sense"
	const mapless = " unproved | the allocation bitmap is unread for some of its clusters"
	betula := "sheets/betula pendula, silver birch.tif file 3000 [0@210+1024] [1024@220+476] [1500 hole 1500]"
	whole := []string{
		"sheets folder 0",
		"erica.txt file 100 [0@240+100]",
		"sheets/acer.tif file 3000 [0@200+3000]",
		betula,
		"sheets/carex.txt file 0",
		"sheets/drosera.txt file 10 [0@230+10]",
	}
	swap := func(i int, with ...string) []string {
		return append(append(append([]string(nil), whole[:i]...), with...), whole[i+1:]...)
	}
	for _, c := range []struct {
		name     string
		do       func(v *exfatImage, f *exfatDir)
		want     []string
		complete bool
	}{
		{"whole", func(*exfatImage, *exfatDir) {}, whole, true},
		{"main boot region unread", func(v *exfatImage, _ *exfatDir) { v.Lose(0, 12*512) }, whole, true},
		{"boot sector alone unread", func(v *exfatImage, _ *exfatDir) { v.Lose(0, 512) }, whole, true},
		{"main boot region garbled", func(v *exfatImage, _ *exfatDir) { v.Put32(80, 999) }, whole, true},
		{"backup unread, main checksum unread", func(v *exfatImage, _ *exfatDir) { v.Lose(11*512, 13*512) }, whole, true},
		{"table unread", func(v *exfatImage, _ *exfatDir) { v.Lose(v.tableAt(0), v.tableBytes()) },
			swap(3, "sheets/betula pendula, silver birch.tif file 3000 [0@210+1024] [1500 hole 1500] | the allocation table's entry of cluster 210 is unread: bytes from 1024 on are unlocated",
				whole[4], whole[5]+" unproved | the allocation table's entry of its last cluster, 230, is unread")[:6], true},
		{"bitmap unread", func(v *exfatImage, _ *exfatDir) { v.Lose(v.cluster(2), 512) },
			[]string{whole[0], whole[1] + mapless, whole[2] + mapless, whole[3] + mapless, whole[4], whole[5] + mapless}, true},
		// of a set that fails its checksum: the clusters of a folder and of all files
		{"one in doubt claims all", func(v *exfatImage, f *exfatDir) {
			at := v.put(&v.root, exfatEntry{name: "zostera", flags: flagContiguous, first: 90, size: 1024 * 200})
			v.Write(at+4, []byte{1})
			b := v.Read(v.cluster(v.root.clusters[0]), 11*32) // and it stands first
			v.Write(v.cluster(v.root.clusters[0]), append(append(append([]byte{}, b[:2*32]...), b[8*32:]...), b[2*32:8*32]...))
		}, append([]string{"zostera file 204800 [0@90+10240] unproved | its set of entries does not match its checksum | the allocation bitmap calls some of its clusters free | cluster 100 of its chain is claimed by another file or folder too (cross-linked): bytes from 10240 on are unlocated"}, whole...), true},
		{"a folder that is shorter than its cluster", func(v *exfatImage, f *exfatDir) {
			v.mark(90)
			v.put(&v.root, exfatEntry{name: "zostera", attr: attrFolder, flags: flagContiguous, first: 90, size: 100})
		}, slices.Insert(slices.Clone(whole), 2, "zostera folder 0"), false},
		{"bitmap says free", func(v *exfatImage, _ *exfatDir) {
			at := v.cluster(2) + (201-2)/8
			v.Write(at, []byte{v.Read(at, 1)[0] &^ (1 << ((201 - 2) & 7))})
		}, swap(2, "sheets/acer.tif file 3000 [0@200+3000] unproved | the allocation bitmap calls some of its clusters free"), true},
		{"claimed twice", func(v *exfatImage, f *exfatDir) {
			v.put(f, exfatEntry{name: "fagus.txt", flags: flagContiguous, first: 202, size: 10})
		}, append(swap(2, "sheets/acer.tif file 3000 [0@200+2048] | cluster 202 of its chain is claimed by another file or folder too (cross-linked): bytes from 2048 on are unlocated"),
			"sheets/fagus.txt file 10 | cluster 202 of its chain is claimed by another file or folder too (cross-linked): bytes from 0 on are unlocated"), false},
		{"checksum", func(v *exfatImage, _ *exfatDir) { v.Write(v.cluster(100)+32*3-1, []byte{1}) },
			swap(2, "sheets/acer.tif file 3000 [0@200+3000] unproved | its set of entries does not match its checksum"), true},
		{"the first slot of a set makes no sense", func(v *exfatImage, _ *exfatDir) { v.Write(v.cluster(100), []byte{5}) },
			append([]string{whole[0] + senseless, whole[1], whole[2] + " unproved" + unread}, whole[3:]...), false},
		{"the name of a set makes no sense", func(v *exfatImage, _ *exfatDir) { v.Write(v.cluster(100)+64, []byte{5}) },
			append([]string{whole[0] + senseless, whole[1], "?/129024 file 3000 [0@200+3000] unnamed unproved" + unread + " | its name is partly or wholly unread"}, whole[3:]...), false},
		// 512-byte sectors: 16 slots; the second sector of the folder's first
		// cluster has none of the first 16
		{"set cut after its name began", func(v *exfatImage, f *exfatDir) {
			// move what is in the folder so that betula's second name slot begins the second sector
			b := v.Read(v.cluster(100), 15*32)
			v.Write(v.cluster(100), make([]byte, 1024))
			at := v.cluster(100) + 512 - 6*32 // acer has 3 slots, betula 5
			for i := range int64(10) {
				v.Write(v.cluster(100)+i*32, []byte{0x05})
			}
			v.Write(at, b)
			v.Lose(v.cluster(100)+512, 512)
		}, []string{
			"sheets folder 0 entries-unread | 16 of its slots were not read",
			whole[1], whole[2],
			"?/ID file 3000 [0@210+1024] [1024@220+476] [1500 hole 1500] unnamed unproved" + unread + " | its name is partly or wholly unread | its name begins with \"betula pendula,\"",
			"?/chain-230 file -1 [0@230+1024] unnamed unproved | a chain of 1 clusters without a name: its true size is at most 1024 bytes",
		}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			v, f := sheets(t)
			c.do(v, f)
			got, l, _ := listExFAT(t, v)
			for i := range got {
				got[i] = strings.ReplaceAll(strings.Replace(got[i], " in every copy", "", 1), fmt.Sprintf("?/%d", v.cluster(100)+512-3*32), "?/ID")
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
			if l.Complete != c.complete {
				t.Errorf("listing %+v, want complete %v", l, c.complete)
			}
			v.Scribble(5)
			again, _, _ := listExFAT(t, v)
			for i := range again {
				again[i] = strings.ReplaceAll(strings.Replace(again[i], " in every copy", "", 1), fmt.Sprintf("?/%d", v.cluster(100)+512-3*32), "?/ID")
			}
			if diff := cmp.Diff(got, again); diff != "" {
				t.Errorf("what stands in unread sectors matters: %s", diff)
			}
		})
	}
}

// TestLostRoot finds the folders of a volume whose root is unread, with the
// bitmap and without it.
func TestExFATLostRoot(t *testing.T) {
	for _, bitmapToo := range []bool{false, true} {
		v, _ := sheets(t)
		v.Lose(v.cluster(v.RootCluster), v.ClusterSize)
		if bitmapToo {
			v.Lose(v.cluster(2), v.ClusterSize)
		}
		got, l, _ := listExFAT(t, v)
		if len(got) < 5 || !strings.HasPrefix(got[0], "?/") || l.Complete || l.UnreadRecords == 0 {
			t.Errorf("bitmap lost %v: %q, %+v", bitmapToo, got, l)
		}
		for _, g := range got {
			if !strings.Contains(g, "unproved") {
				t.Errorf("taken as proved: %s", g)
			}
		}
	}
}

// TestTimes honours the offset from UTC and the 10 ms field. Sections 7.4.8 to
// 7.4.10; section 7.4.10.2: 80h is UTC, F4h is UTC-3:00.
func TestExFATTimes(t *testing.T) {
	for _, c := range []struct {
		utc   byte
		want  string
		local bool
	}{
		{0x00, "2019-04-02T09:12:17.5Z", true},
		{0x80, "2019-04-02T09:12:17.5Z", false},
		{0x88, "2019-04-02T07:12:17.5Z", false},
		{0xF4, "2019-04-02T12:12:17.5Z", false},
	} {
		f := fileSlot{Modified: 0x4E82<<16 | 0x4988, Modified10: 150, ModifiedUTC: c.utc}
		got, local := f.modified()
		if s := got.Format("2006-01-02T15:04:05.999Z07:00"); s != c.want || local != c.local {
			t.Errorf("offset %#x: %s local %v, want %s local %v", c.utc, s, local, c.want, c.local)
		}
	}
}

// TestUpcase has the specification's own table. Section 7.2.5.1: checksum
// E619D30Dh, 5836 bytes; 7.2.5: FFFFh 0061h 0041h 0042h 0043h is 100 mappings.
func TestUpcase(t *testing.T) {
	table, err := os.ReadFile("testdata/upcase.bin")
	if err != nil {
		t.Fatal(err)
	}
	if got := tableChecksum(table); got != 0xE619D30D || len(table) != 5836 {
		t.Errorf("checksum %#x of %d bytes, want 0xe619d30d of 5836", got, len(table))
	}
	up := parseUpcase(table)
	for from, to := range map[uint16]uint16{'a': 'A', 'Z': 'Z', 0xE9: 0xC9, 0x3B2: 0x392, 0xFFFF: 0xFFFF} {
		if got := up.unit(from); got != to {
			t.Errorf("%#x is %#x in upper case, want %#x", from, got, to)
		}
	}
	short := parseUpcase([]byte{0xFF, 0xFF, 0x61, 0, 0x41, 0, 0x42, 0, 0x43, 0})
	if len(short) != 100 || short.unit(0x60) != 0x60 || short.unit('b') != 'B' || short.unit('d') != 'd' {
		t.Errorf("%d mappings, want 100 up to c", len(short))
	}
}

// TestBootChecksum leaves out bytes 106, 107 and 112 (section 3.4, figure 1).
func TestBootChecksum(t *testing.T) {
	v := buildExFAT(t, 4000, 9, 1)
	region := v.Read(0, regionSectors*512)
	if !checkRegion(region, 512) {
		t.Fatal("a sound region fails")
	}
	for i := range checkedSectors * 512 {
		region[i] ^= 0x10
		if got, want := checkRegion(region, 512), i == 106 || i == 107 || i == 112; got != want {
			t.Errorf("byte %d changed: sound %v, want %v", i, got, want)
		}
		region[i] ^= 0x10
	}
}

// What was read of the main boot region and differs from the backup, which is
// used, contradicts it. Unread it does not, nor does a boot sector that fails its
// checksum.
func TestBootRegionAgainstBackup(t *testing.T) {
	for _, c := range []struct {
		name   string
		do     func(v *exfatImage)
		proved bool
	}{
		{"boot sector unread", func(v *exfatImage) { v.Lose(0, 512) }, true},
		{"boot sector garbled", func(v *exfatImage) { v.Put32(100, 7) }, true},
		{"boot sector zeroed", func(v *exfatImage) { v.Write(0, make([]byte, 512)) }, true},
		{"boot sector and a further one unread", func(v *exfatImage) { v.Lose(0, 512); v.Lose(6*512, 512) }, true},
		{"a further sector zeroed", func(v *exfatImage) { v.Write(6*512, make([]byte, 512)) }, true},
		{"boot sector unread, a further one zeroed", func(v *exfatImage) { v.Lose(0, 512); v.Write(6*512, make([]byte, 512)) }, false},
		{"boot sector unread, the rest zeroed", func(v *exfatImage) { v.Lose(0, 512); v.Write(512, make([]byte, 11*512)) }, false},
		{"boot sector of another volume, the checksum unread", func(v *exfatImage) { v.Lose(11*512, 512); v.Put32(100, 7) }, false},
		{"the same, backup unread", func(v *exfatImage) { v.Lose(11*512, 13*512); v.Put32(100, 7) }, true},
	} {
		v, _ := sheets(t)
		c.do(v)
		vol, err := OpenExFAT(t.Context(), v.Reader(), 0, v.Size, extract.Options{})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		files, doubted := 0, 0
		s, err := vol.Walk(t.Context(), func(f *extract.File) error {
			files++
			if f.RecordUnread && strings.Contains(strings.Join(f.Why, "\n"), "another volume may have been made in its place") {
				doubted++
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if files != 6 || (doubted != 0) == c.proved || s.Listing.Complete != c.proved || (len(s.Listing.Why) > 0) == c.proved {
			t.Errorf("%s: %d of %d doubted, complete %v: %q", c.name, doubted, files, s.Listing.Complete, s.Listing.Why)
		}
	}
}

func TestExFATOpenRefuses(t *testing.T) {
	v, _ := sheets(t)
	var none *extract.NotVolumeError
	for _, at := range []int64{512, 12 * 512, 4096} {
		if _, err := OpenExFAT(context.Background(), v.Reader(), at, 0, extract.Options{}); !errors.As(err, &none) {
			t.Errorf("a volume at %d: %v", at, err)
		}
	}
	v.Put32(100, 0x87654321)
	want := []extract.Candidate{
		{Start: 1 << 20, Length: v.length(), Filesystem: "exfat", From: "boot sector", At: 1 << 20, ID: "87654321"},
		{Start: 1<<20 - 12*512, Length: v.length(), Filesystem: "exfat", From: "backup boot sector", At: 1 << 20, ID: "87654321"},
	}
	if diff := cmp.Diff(want, SniffExFAT(v.Read(0, 4096), 1<<20)); diff != "" {
		t.Error(diff)
	}
}

// TestShifts opens volumes at the limits of the sector and cluster shifts.
// Sections 3.1.14 and 3.1.15: sectors of 512 to 4096 bytes, clusters to 32 MiB.
func TestShifts(t *testing.T) {
	for _, c := range [][2]uint8{{9, 0}, {12, 0}, {9, 16}, {12, 13}} {
		v := buildExFAT(t, 4000, c[0], c[1])
		v.mark(500)
		v.put(&v.root, exfatEntry{name: "a.txt", flags: flagContiguous, first: 500, size: 100})
		got, l, _ := listExFAT(t, v)
		if diff := cmp.Diff([]string{"a.txt file 100 [0@500+100]"}, got); diff != "" || !l.Complete {
			t.Errorf("sectors 2^%d, clusters 2^%d sectors: %s %+v", c[0], c[1], diff, l)
		}
	}
	for _, c := range [][2]uint8{{8, 0}, {13, 0}, {9, 17}, {12, 14}} {
		b := exfatBootBytes(4000, 9, 1)
		b[108], b[109] = c[0], c[1]
		if _, err := parseExFATBoot(b); err == nil {
			t.Errorf("sectors 2^%d, clusters 2^%d sectors are taken", c[0], c[1])
		}
	}
}

func FuzzExFATBoot(f *testing.F) {
	f.Add(exfatBootBytes(4000, 9, 1))
	f.Add(exfatBootBytes(70000, 12, 3))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := parseExFATBoot(b)
		if err != nil {
			return
		}
		if end := s.HeapSector*s.SectorSize + int64(s.Clusters)*s.ClusterSize; end > s.length() || end < 0 {
			t.Fatalf("clusters end at %d of %d bytes", end, s.length())
		}
		for _, c := range SniffExFAT(b, 1<<40) {
			if c.Start < 0 || c.Length <= 0 {
				t.Fatalf("speaks for %+v", c)
			}
		}
	})
}

// FuzzFolder decodes any bytes as a folder.
func FuzzExFATFolder(f *testing.F) {
	v, dir := sheets(f)
	f.Add(v.Read(v.cluster(dir.clusters[0]), 512), uint8(0))
	f.Add(v.Read(v.cluster(v.RootCluster), 512), uint8(2))
	f.Fuzz(func(t *testing.T, b []byte, lose uint8) {
		d := &Disk{Size: 8 << 10}
		b = b[:min(len(b), 4096)]
		d.Write(0, b)
		for i := range 8 {
			if lose>>i&1 != 0 {
				d.Lose(int64(i)*512, 512)
			}
		}
		dec := &exfatFormat{geo: &geometry{cluster: 4096, clusters: 1000}, upcase: v.up}
		n := 0
		tally := dec.entries(folder{First: 2, Root: lose&1 == 0}, func(visit func(slot) bool) {
			eachSlot(d.Reader(), []extract.Extent{{Length: 4096}}, visit)
		}, func(e *entry) {
			n++
			if strings.ContainsAny(e.Name, "/\x00") || e.Size < -1 || e.Valid > e.Size && e.Size >= 0 {
				t.Fatalf("%+v", e)
			}
		})
		if n > 128 || tally.Unread > 128 {
			t.Fatalf("%d entries, %d unread", n, tally.Unread)
		}
		dec.folderStart(2, b[:len(b)/32*32])
	})
}

// FuzzVolume walks a volume with any bytes over its tables and folders.
func FuzzExFATVolume(f *testing.F) {
	f.Add([]byte{1, 2, 3}, uint16(600), uint32(5))
	f.Add([]byte{0x85, 3, 0, 0}, uint16(44000), uint32(0xFFFF0000))
	f.Fuzz(func(t *testing.T, b []byte, at uint16, lose uint32) {
		var first []string
		for i := range 2 {
			v, _ := sheets(t)
			v.Write(v.tableAt(0)+int64(at), b[:min(len(b), 4096)])
			for k := range int64(32) {
				if lose>>k&1 != 0 {
					v.Lose(k*4096, 1024)
				}
			}
			if i == 1 {
				v.Scribble(3)
			}
			if _, err := OpenExFAT(context.Background(), v.Reader(), 0, v.Size, extract.Options{}); err != nil {
				return
			}
			lines, _, _ := listExFAT(t, v)
			if i == 1 {
				if diff := cmp.Diff(first, lines); diff != "" {
					t.Fatalf("unread bytes matter: %s", diff)
				}
			}
			first = lines
		}
	})
}

// FuzzUpcase expands any bytes as an up-case table: never more than a mapping
// for each unit.
func FuzzUpcase(f *testing.F) {
	table, err := os.ReadFile("testdata/upcase.bin")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(table)
	f.Fuzz(func(t *testing.T, b []byte) {
		if up := parseUpcase(b); len(up) > 1<<16 {
			t.Fatalf("%d mappings", len(up))
		}
	})
}

// An entry whose file slot is unread tells no kind. A folder is what shows its
// slots where the content begins, whatever its name looks like.
func TestKindByContent(t *testing.T) {
	v := buildExFAT(t, 1000, 9, 3)
	// set slots until the next set's file slot is the last of its sector
	for i := 0; v.root.at%512 != 512-32; i++ {
		v.slot(&v.root, make([]byte, 32))
		v.Write(v.cluster(v.root.clusters[0])+v.root.at-32, []byte{typeFile &^ 0x80}) // deleted
	}
	at := v.cluster(v.root.clusters[0]) + v.root.at/512*512
	plates := v.sub(&v.root, "plates.1987", 300)
	v.put(plates, exfatEntry{name: "acer.tif", flags: flagContiguous, first: 310, size: 100})
	v.mark(310)
	v.Lose(at, 512)
	got, l, _ := listExFAT(t, v)
	if l.Complete || !slices.ContainsFunc(got, func(s string) bool { return strings.HasPrefix(s, "plates.1987 folder ") }) ||
		!slices.ContainsFunc(got, func(s string) bool { return strings.HasPrefix(s, "plates.1987/acer.tif file 100 ") }) {
		t.Errorf("%q, want a folder plates.1987 with acer.tif in it", got)
	}
}
