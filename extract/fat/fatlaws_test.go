package fat_test

import (
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"fileassay/extract/fat"
	"fileassay/extract/fixture"
	"fileassay/extract/lawtest"
)

var lawReader = lawtest.Reader{Name: "fat", Open: lawtest.Opener(fat.Open), Structures: structures}

// TestProperties tries what every reader holds to, and with FILEASSAY_TOOLS=1 on
// all volumes there are.
func TestProperties(t *testing.T) {
	for _, im := range lawtest.FixtureImages(t, fixture.Load(t, "v02-fat12"), "fat12") {
		lawtest.Run(t, lawReader, im, 8)
	}
	lawtest.RunFixtures(t, lawReader, "fat12", "fat16", "fat32")
	lawtest.RunMade(t, lawReader,
		lawtest.Made{Name: "made-fat16", Megabytes: 12, Format: []string{"mkfs.fat", "-F", "16", "-s", "2", "IMAGE"}},
		lawtest.Made{Name: "made-fat32", Megabytes: 36, Format: []string{"mkfs.fat", "-F", "32", "-s", "1", "IMAGE"}})
}

// TestSoundEdits asks checkers of the formats about volumes after edits that are
// called sound: they find nothing. It runs where FILEASSAY_TOOLS is 1.
func TestSoundEdits(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	for _, c := range []struct {
		reader         lawtest.Reader
		volume, format string
		checker        []string
	}{
		{lawReader, "v02-fat12", "fat12", []string{"fsck.fat", "-n"}},
		{exfatReader, "exfat-kernel", "exfat", []string{"fsck.exfat", "-n"}},
	} {
		all := 0
		for _, im := range lawtest.FixtureImages(t, fixture.Load(t, c.volume), c.format) {
			path := filepath.Join(t.TempDir(), "volume")
			all += lawtest.SoundEdits(c.reader, im, lawtest.Times(t, 10), func(edit string, volume []byte) {
				if err := os.WriteFile(path, volume, 0o600); err != nil {
					t.Fatal(err)
				}
				if out, err := exec.Command(c.checker[0], append(c.checker[1:], path)...).CombinedOutput(); err != nil {
					t.Errorf("%s after %s: %v\n%s", c.volume, edit, err, out)
				}
			})
		}
		if all < 10 {
			t.Errorf("%s: only %d edits were found", c.volume, all)
		}
	}
}

var le = binary.LittleEndian

// volume is what must be known to find structures (Microsoft, FAT: General
// Overview of On-Disk Format).
type fatView struct {
	b                            []byte
	sector, cluster, table, data int64
	bits                         int64
	seen                         map[int64]bool
	out                          []lawtest.Structure
}

func structures(b []byte) []lawtest.Structure {
	v := &fatView{b: b, sector: int64(le.Uint16(b[11:])), seen: map[int64]bool{}}
	v.cluster = v.sector * int64(b[13])
	v.table = int64(le.Uint16(b[14:])) * v.sector
	tables, slots := int64(b[16]), int64(le.Uint16(b[17:]))
	length := int64(le.Uint16(b[22:]))
	if length == 0 {
		length = int64(le.Uint32(b[36:]))
	}
	length *= v.sector
	sectors := int64(le.Uint16(b[19:]))
	if sectors == 0 {
		sectors = int64(le.Uint32(b[32:]))
	}
	root := v.table + tables*length
	v.data = root + (slots*32+v.sector-1)/v.sector*v.sector
	boot := lawtest.Structure{Kind: "boot sector", Length: 512, Fields: lawtest.Fields(0, "bytes a sector", 11, 2, "sectors a cluster", 13, 1,
		"reserved sectors", 14, 2, "tables", 16, 1, "root entries", 17, 2, "sectors", 19, 2, "sectors a table", 22, 2, "sectors, wide", 32, 4)}
	switch n := (sectors*v.sector - v.data) / v.cluster; {
	case n < 4085:
		v.bits = 12
	case n < 65525:
		v.bits = 16
	default:
		v.bits = 32
		boot.Fields = append(boot.Fields, lawtest.Fields(0, "sectors a table, wide", 36, 4, "root cluster", 44, 4)...)
		if at := int64(le.Uint16(b[50:])) * 512; at > 0 && at < v.table {
			boot.Copies = []int64{at}
		}
	}
	v.out = append(v.out, boot)
	for k := int64(0); k < length/512; k++ {
		s := lawtest.Structure{Kind: "table sector", Number: k, At: v.table + k*512, Length: 512}
		for i := int64(1); i < tables; i++ {
			s.Copies = append(s.Copies, s.At+i*length)
		}
		step := max(int(v.bits)/8, 1)
		for at := 0; at+step < 512; at += 3 * step { // some of them; of 12 bits the neighbour changes with it
			s.Fields = append(s.Fields, lawtest.Field{Name: "table entry", At: at, Size: max(step, 2)})
		}
		v.out = append(v.out, s)
		for _, at := range s.Copies {
			v.out = append(v.out, lawtest.Structure{Kind: "second table", Number: k, At: at, Length: 512})
		}
	}
	if v.bits == 32 {
		v.chain(int64(le.Uint32(b[44:])))
	} else {
		v.folder(root, slots*32)
	}
	return v.out
}

func (v *fatView) next(c int64) int64 {
	switch v.bits {
	case 12:
		e := int64(le.Uint16(v.b[v.table+c*3/2:]))
		if c&1 == 1 {
			return e >> 4
		}
		return e & 0xfff
	case 16:
		return int64(le.Uint16(v.b[v.table+2*c:]))
	}
	return int64(le.Uint32(v.b[v.table+4*c:])) & 0xfffffff
}

// chain adds the folder that begins with a cluster.
func (v *fatView) chain(c int64) {
	for c >= 2 && !v.seen[c] {
		at := v.data + (c-2)*v.cluster
		if at+v.cluster > int64(len(v.b)) {
			return
		}
		v.seen[c] = true
		v.folder(at, v.cluster)
		c = v.next(c)
	}
}

// sound is [lawtest.Structure.Sound] of a sector of a folder: a size that ends in the
// same cluster is held against nothing else.
func (v *fatView) sound(f lawtest.Field, was, is []byte) bool {
	if f.Name != "size" || was[f.At-28+11]&0x18 != 0 {
		return false
	}
	last := func(b []byte) int64 { return (int64(le.Uint32(b[f.At:])) + v.cluster - 1) / v.cluster }
	return last(was) == last(is)
}

// folder adds the sectors of a part of a folder.
func (v *fatView) folder(at, n int64) {
	for ; n >= 512; at, n = at+512, n-512 {
		s := lawtest.Structure{Kind: "folder sector", Number: at / 512, At: at, Length: 512, Sound: v.sound}
		for i := 0; i < 512; i += 32 {
			e := v.b[at+int64(i):]
			switch {
			case e[0] == 0:
			case e[0] == 0xe5:
				s.Fields = append(s.Fields, lawtest.Fields(i, "deleted entry", 0, 1)...)
			case e[11]&0x3f == 0x0f:
				s.Fields = append(s.Fields, lawtest.Fields(i, "long name order", 0, 1, "long name letter", 1, 2, "long name checksum", 13, 1)...)
			default:
				s.Fields = append(s.Fields, lawtest.Fields(i, "name letter", 0, 1, "attributes", 11, 1, "first cluster", 26, 2, "size", 28, 4)...)
				first := int64(le.Uint16(e[26:]))
				if v.bits == 32 {
					s.Fields = append(s.Fields, lawtest.Fields(i, "first cluster, high", 20, 2)...)
					first |= int64(le.Uint16(e[20:])) << 16
				}
				if e[11]&0x18 == 0x10 && e[0] != '.' {
					v.chain(first)
				}
			}
		}
		v.out = append(v.out, s)
	}
}
