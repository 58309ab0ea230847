package fat

import (
	"context"
	"encoding/binary"
	"fmt"
	"testing"
	"unicode/utf16"

	"fileassay/extract"
)

// volume is a FAT volume that a test builds byte by byte, after the Overview
// and by nothing of this package but the parsed boot sector's arithmetic.
type fatImage struct {
	*Disk
	fatBoot
	root fatDir
}

// folder is where the next slot of a folder goes.
type fatDir struct {
	first    uint32
	clusters []uint32
	at       int64 // of its content
	fixed    int64 // place of a fixed root; 0 otherwise
}

// shape says what a volume is like.
type shape struct {
	width    width
	clusters uint32
	sector   int64 // 0 is 512
	spc      byte  // 0 is 1
}

// bootBytes makes a boot sector. Overview, "Boot Sector and BPB".
func bootBytes(s shape) []byte {
	if s.sector == 0 {
		s.sector = 512
	}
	if s.spc == 0 {
		s.spc = 1
	}
	b := make([]byte, 512)
	copy(b, []byte{0xEB, 0x3C, 0x90})
	le := binary.LittleEndian
	le.PutUint16(b[11:], uint16(s.sector))
	b[13] = s.spc
	reserved, root := int64(1), int64(512)
	bytes := (int64(s.clusters) + 2) * int64(s.width) / 8
	if s.width == width28 {
		reserved, root = 32, 0
		bytes = (int64(s.clusters) + 2) * 4
	}
	table := (bytes + s.sector) / s.sector
	le.PutUint16(b[14:], uint16(reserved))
	b[16] = 2
	le.PutUint16(b[17:], uint16(root))
	total := reserved + 2*table + root*32/s.sector + int64(s.clusters)*int64(s.spc)
	if total < 1<<16 {
		le.PutUint16(b[19:], uint16(total))
	} else {
		le.PutUint32(b[32:], uint32(total))
	}
	b[21] = 0xF8
	if s.width == width28 {
		le.PutUint32(b[36:], uint32(table))
		le.PutUint32(b[44:], 2)
		le.PutUint16(b[48:], 1)
		le.PutUint16(b[50:], 6)
	} else {
		le.PutUint16(b[22:], uint16(table))
	}
	b[510], b[511] = 0x55, 0xAA
	return b
}

func build(t testing.TB, s shape) *fatImage {
	t.Helper()
	b := bootBytes(s)
	boot, err := parseFATBoot(b)
	if err != nil {
		t.Fatal(err)
	}
	v := &fatImage{Disk: &Disk{Size: boot.length()}, fatBoot: boot}
	v.Write(0, b)
	for i := range boot.Tables {
		at := boot.tableAt(i)
		switch boot.Width {
		case width12:
			v.Write(at, []byte{0xF8, 0xFF, 0xFF})
		case width16:
			v.Write(at, []byte{0xF8, 0xFF, 0xFF, 0xFF})
		default:
			v.Write(at, []byte{0xF8, 0xFF, 0xFF, 0x0F, 0xFF, 0xFF, 0xFF, 0x0F})
		}
	}
	if boot.Width == width28 {
		v.Write(backupSector*boot.SectorSize, b)
		v.root = fatDir{first: 2, clusters: []uint32{2}}
		v.chain(2)
	} else {
		v.root = fatDir{fixed: boot.tableAt(2)}
	}
	return v
}

// cluster is where a cluster begins.
func (v *fatImage) cluster(c uint32) int64 {
	return v.HeapSector*v.SectorSize + int64(c-2)*v.ClusterSize
}

// set writes an entry of the given copies of the table; none is both.
func (v *fatImage) set(c, value uint32, copies ...int64) {
	if len(copies) == 0 {
		copies = []int64{0, 1}
	}
	for _, i := range copies {
		at := v.tableAt(i)
		switch v.Width {
		case width12:
			at += int64(c) * 3 / 2
			old := binary.LittleEndian.Uint16(v.Read(at, 2))
			if c&1 != 0 {
				v.Put16(at, old&0xF|uint16(value<<4))
			} else {
				v.Put16(at, old&0xF000|uint16(value&0xFFF))
			}
		case width16:
			v.Put16(at+2*int64(c), uint16(value))
		default:
			v.Put32(at+4*int64(c), value)
		}
	}
}

const last = 0x0FFFFFFF

// chain makes a chain of the clusters.
func (v *fatImage) chain(clusters ...uint32) {
	for i, c := range clusters {
		next := uint32(last)
		if i+1 < len(clusters) {
			next = clusters[i+1]
		}
		v.set(c, next)
	}
}

// slot writes a slot into a folder and returns where.
func (v *fatImage) slot(f *fatDir, b []byte) int64 {
	at := f.fixed + f.at
	if f.fixed == 0 {
		at = v.cluster(f.clusters[f.at/v.ClusterSize]) + f.at%v.ClusterSize
	}
	f.at += 32
	v.Write(at, b)
	return at
}

func short(name string, attr byte, first, size uint32) []byte {
	b := make([]byte, 32)
	copy(b, name)
	b[11] = attr
	le := binary.LittleEndian
	le.PutUint16(b[20:], uint16(first>>16))
	le.PutUint16(b[22:], 0x4988)
	le.PutUint16(b[24:], 0x4E82)
	le.PutUint16(b[26:], uint16(first))
	le.PutUint32(b[28:], size)
	return b
}

// long makes the slots of a long name, in the order they stand.
func long(name, short string) [][]byte {
	units := utf16.Encode([]rune(name))
	n := (len(units) + 12) / 13
	var key [11]byte
	copy(key[:], short)
	sum := checksum(&key)
	var out [][]byte
	for i := n; i >= 1; i-- {
		b := make([]byte, 32)
		b[0] = byte(i)
		if i == n {
			b[0] |= 0x40
		}
		b[11], b[13] = 0x0F, sum
		for k := range 13 {
			u := uint16(0xFFFF)
			switch at := (i-1)*13 + k; {
			case at < len(units):
				u = units[at]
			case at == len(units):
				u = 0
			}
			off := 1 + 2*k
			if k >= 11 {
				off = 28 + 2*(k-11)
			} else if k >= 5 {
				off = 14 + 2*(k-5)
			}
			binary.LittleEndian.PutUint16(b[off:], u)
		}
		out = append(out, b)
	}
	return out
}

// file puts a file of the clusters into a folder, with a chain.
func (v *fatImage) file(f *fatDir, name, longName string, size uint32, clusters ...uint32) int64 {
	first := uint32(0)
	if len(clusters) > 0 {
		first = clusters[0]
		v.chain(clusters...)
		if n := v.ClusterSize; size > 0 && (int64(size)-1)/n == int64(len(clusters))-1 {
			v.Write(v.cluster(clusters[len(clusters)-1])+(int64(size)-1)%n, []byte("."))
		}
	}
	if longName != "" {
		for _, b := range long(longName, name) {
			v.slot(f, b)
		}
	}
	return v.slot(f, short(name, 0x20, first, size))
}

// sub puts a folder of the clusters into a folder.
func (v *fatImage) sub(f *fatDir, name string, clusters ...uint32) *fatDir {
	v.chain(clusters...)
	v.slot(f, short(name, 0x10, clusters[0], 0))
	s := &fatDir{first: clusters[0], clusters: clusters}
	v.slot(s, short(".          ", 0x10, clusters[0], 0))
	up := f.first
	if f.first == v.root.first {
		up = 0
	}
	v.slot(s, short("..         ", 0x10, up, 0))
	return s
}

// list walks the volume into lines: path, kind, size, what is located, whether
// something keeps it from being intact, remarks.
func list(t testing.TB, v *fatImage) ([]string, extract.Listing) {
	t.Helper()
	vol, err := Open(context.Background(), v.Reader(), 0, v.Size, extract.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return walk(t, vol)
}

func walk(t testing.TB, vol *Volume) ([]string, extract.Listing) {
	t.Helper()
	ctx := context.Background()
	if _, err := vol.layout.structures(ctx); err != nil {
		t.Fatal(err)
	}
	var lines []string
	ids := map[uint64]bool{}
	survey, err := vol.Walk(ctx, func(f *extract.File) error {
		lines = append(lines, line(f))
		if ids[f.ID] {
			t.Errorf("%s: its number %d is another's too", f.Path, f.ID)
		}
		ids[f.ID] = true
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	pos := vol.layout.start
	err = survey.Space(ctx, func(start, n int64, _ extract.Use) error {
		if start != pos || n <= 0 {
			return fmt.Errorf("space at %d follows %d", start, pos)
		}
		pos += n
		return nil
	})
	if err != nil || pos != vol.layout.start+vol.layout.length {
		t.Errorf("space ends at %d of %d: %v", pos, vol.layout.length, err)
	}
	return lines, survey.Listing
}

func line(f *extract.File) string {
	s := fmt.Sprintf("%s %s %d", f.Path, f.Kind, f.Size)
	for _, p := range f.Pieces {
		s += fmt.Sprintf(" [%d@%d+%d]", p.Offset, p.Image, p.Length)
	}
	if f.Unnamed {
		s += " unnamed"
	}
	if f.NameOnly {
		s += " name-only"
	} else if f.RecordUnread {
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
