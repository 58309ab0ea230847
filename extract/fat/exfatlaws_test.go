package fat_test

import (
	"testing"

	"fileassay/extract/fat"
	"fileassay/extract/fixture"
	"fileassay/extract/lawtest"
)

var exfatReader = lawtest.Reader{Name: "exfat", Open: lawtest.Opener(fat.OpenExFAT), Structures: exfatStructures}

// TestProperties tries what every reader holds to, and with FILEASSAY_TOOLS=1 on
// all volumes there are.
func TestPropertiesExFAT(t *testing.T) {
	for _, im := range lawtest.FixtureImages(t, fixture.Load(t, "exfat-kernel"), "exfat") {
		lawtest.Run(t, exfatReader, im, 5)
	}
	lawtest.RunFixtures(t, exfatReader, "exfat")
}

// volume is what must be known to find structures (Microsoft, exFAT file system
// specification).
type exfatView struct {
	b                    []byte
	table, data, cluster int64
	seen                 map[int64]bool
	out                  []lawtest.Structure
}

func exfatStructures(b []byte) []lawtest.Structure {
	sector := int64(1) << b[108]
	v := &exfatView{b: b, table: int64(le.Uint32(b[80:])) * sector, data: int64(le.Uint32(b[88:])) * sector, cluster: sector << b[109], seen: map[int64]bool{}}
	region := 12 * sector
	v.out = append(v.out, lawtest.Structure{Kind: "boot region", Length: region, Copies: []int64{region},
		Fields: lawtest.Fields(0, "sectors", 72, 8, "table", 80, 4, "sectors of the table", 84, 4, "clusters' start", 88, 4, "clusters", 92, 4,
			"root cluster", 96, 4, "volume flags", 106, 2, "sector size", 108, 1, "cluster size", 109, 1, "tables", 110, 1),
		Mend: func(b []byte) { // 3.4
			sum := uint32(0)
			for i, c := range b[:11*sector] {
				if i != 106 && i != 107 && i != 112 {
					sum = sum<<31 | sum>>1
					sum += uint32(c)
				}
			}
			for i := 11 * sector; i < region; i += 4 {
				le.PutUint32(b[i:], sum)
			}
		}},
		lawtest.Structure{Kind: "second boot region", At: region, Length: region})
	for k, n := int64(0), int64(le.Uint32(b[84:]))*sector/512; k < n; k++ {
		s := lawtest.Structure{Kind: "table sector", Number: k, At: v.table + k*512, Length: 512}
		for at := 0; at < 512; at += 4 {
			if le.Uint32(b[s.At+int64(at):]) != 0 {
				s.Fields = append(s.Fields, lawtest.Field{Name: "table entry", At: at, Size: 4})
			}
		}
		v.out = append(v.out, s)
	}
	v.folder(int64(le.Uint32(b[96:])), 1<<30, false)
	return v.out
}

func (v *exfatView) next(c int64) int64 { return int64(le.Uint32(v.b[v.table+4*c:])) }

// folder adds the entry sets of a folder, each as far as it lies in one cluster.
func (v *exfatView) folder(c, size int64, row bool) {
	for ; c >= 2 && size > 0 && !v.seen[c]; size -= v.cluster {
		at := v.data + (c-2)*v.cluster
		if at+v.cluster > int64(len(v.b)) {
			return
		}
		v.seen[c] = true
		for p := at; p < at+v.cluster; p += 32 {
			e := v.b[p:]
			n := int64(0)
			switch e[0] {
			case 0x85:
				if n = int64(e[1]); p+32*(n+1) > at+v.cluster || n < 2 {
					continue
				}
				v.set(p, n+1)
				p += 32 * n
			case 0x81, 0x82:
				s := lawtest.Structure{Kind: map[byte]string{0x81: "bitmap entry", 0x82: "up-case entry"}[e[0]], At: p, Length: 32,
					Fields: lawtest.Fields(0, "type", 0, 1, "first cluster", 20, 4, "length", 24, 8)}
				v.out = append(v.out, s, lawtest.Structure{Kind: map[byte]string{0x81: "bitmap", 0x82: "up-case table"}[e[0]],
					At: v.data + (int64(le.Uint32(e[20:]))-2)*v.cluster, Length: int64(le.Uint64(e[24:]))})
			}
		}
		v.out = append(v.out, lawtest.Structure{Kind: "folder cluster", Number: c, At: at, Length: v.cluster})
		if row {
			c++
		} else {
			c = v.next(c)
		}
	}
}

// sound is [lawtest.Structure.Sound] of an entry set: a length that ends in the same
// cluster is held against nothing else, nor is how much of it is valid.
func (v *exfatView) sound(f lawtest.Field, was, is []byte) bool {
	if f.Name != "valid length" && f.Name != "length" || le.Uint16(is[4:])&0x10 != 0 {
		return false
	}
	clusters := func(b []byte) int64 { return (int64(le.Uint64(b[56:])) + v.cluster - 1) / v.cluster }
	return clusters(was) == clusters(is) && le.Uint64(is[40:]) <= le.Uint64(is[56:])
}

func (v *exfatView) set(at, n int64) {
	s := lawtest.Structure{Kind: "entry set", Number: at / 32, At: at, Length: 32 * n, Mend: func(b []byte) { // 6.3.3
		sum := uint16(0)
		for i, c := range b {
			if i != 2 && i != 3 {
				sum = sum<<15 | sum>>1
				sum += uint16(c)
			}
		}
		le.PutUint16(b[2:], sum)
	}}
	s.Sound = v.sound
	s.Fields = lawtest.Fields(0, "secondary count", 1, 1, "attributes", 4, 2, "stream type", 32, 1, "stream flags", 33, 1, "name length", 35, 1, "name hash", 36, 2,
		"valid length", 40, 8, "first cluster", 52, 4, "length", 56, 8, "name type", 64, 1, "name letter", 66, 2)
	v.out = append(v.out, s)
	if e := v.b[at:]; le.Uint16(e[4:])&0x10 != 0 {
		v.folder(int64(le.Uint32(e[52:])), int64(le.Uint64(e[56:])), e[33]&2 != 0)
	}
}
