package hfsplus_test

import (
	"encoding/binary"
	"testing"

	"fileassay/extract/fixture"
	"fileassay/extract/hfsplus"
	"fileassay/extract/lawtest"
)

var lawReader = lawtest.Reader{Name: "hfsplus", Open: lawtest.Opener(hfsplus.Open), Structures: structures}

// TestProperties tries what every reader holds to, and with FILEASSAY_TOOLS=1 on
// all volumes there are.
func TestProperties(t *testing.T) {
	for _, name := range []string{"hfsx-cs-1k", "hfsplus-journal-pending"} {
		for _, im := range lawtest.FixtureImages(t, fixture.LoadFrom(t, "testdata", name), "hfsplus", "hfsx") {
			lawtest.Run(t, lawReader, im, 3)
		}
	}
	lawtest.RunFixtures(t, lawReader, "hfsplus", "hfsx")
}

var be = binary.BigEndian

// volume is what must be known to find structures (Apple, Technical Note TN1150).
type volume struct {
	b     []byte
	block int64
	// catalog is where the catalog goes on past its first extents
	catalog [][2]int64
	out     []lawtest.Structure
}

func structures(b []byte) []lawtest.Structure {
	h := b[1024:1536]
	v := &volume{b: b, block: int64(be.Uint32(h[40:]))}
	end := int64(be.Uint32(h[44:]))*v.block - 1024
	s := lawtest.Structure{Kind: "volume header", At: 1024, Length: 512, Copies: []int64{end},
		Fields: lawtest.BigFields(0, "version", 2, 2, "attributes", 4, 4, "journal block", 12, 4, "files", 32, 4, "folders", 36, 4, "block size", 40, 4, "blocks", 44, 4, "free blocks", 48, 4)}
	for i, name := range []string{"bitmap", "extents file", "catalog", "attributes file"} {
		s.Fields = append(s.Fields, fork(112+80*i, name+" ")...)
	}
	v.out = append(v.out, s, lawtest.Structure{Kind: "alternate volume header", At: end, Length: 512})
	for _, r := range v.runs(h[112:]) {
		v.out = append(v.out, lawtest.Structure{Kind: "bitmap", Number: r[0], At: r[0], Length: r[1]})
	}
	v.tree(v.runs(h[192:]), "extents")
	v.tree(append(v.runs(h[272:]), v.catalog...), "catalog")
	if j := int64(be.Uint32(h[12:])) * v.block; be.Uint32(h[4:])&(1<<13) != 0 && j > 0 && j+52 < int64(len(b)) {
		v.out = append(v.out, lawtest.Structure{Kind: "journal info block", At: j, Length: 512, Fields: lawtest.BigFields(0, "flags", 0, 4, "offset", 36, 8, "size", 44, 8)},
			lawtest.Structure{Kind: "journal", At: int64(be.Uint64(b[j+36:])), Length: int64(be.Uint64(b[j+44:]))})
	}
	return v.out
}

func fork(at int, name string) []lawtest.Field {
	return lawtest.BigFields(at, name+"size", 0, 8, name+"blocks", 12, 4, name+"extent start", 16, 4, name+"extent length", 20, 4,
		name+"extent start", 24, 4, name+"extent length", 28, 4)
}

// runs are a fork's first eight extents, as bytes.
func (v *volume) runs(f []byte) (out [][2]int64) {
	return v.extents(f[16:])
}

func (v *volume) extents(f []byte) (out [][2]int64) {
	for i := range 8 {
		start, n := int64(be.Uint32(f[8*i:])), int64(be.Uint32(f[4+8*i:]))
		if n > 0 && (start+n)*v.block <= int64(len(v.b)) {
			out = append(out, [2]int64{start * v.block, n * v.block})
		}
	}
	return out
}

// tree adds the nodes of a tree.
func (v *volume) tree(runs [][2]int64, name string) {
	size, number := int64(0), int64(0)
	for _, r := range runs {
		if size == 0 {
			size = int64(be.Uint16(v.b[r[0]+32:]))
			v.out = append(v.out, lawtest.Structure{Kind: name + " header node", At: r[0], Length: size,
				Fields: lawtest.BigFields(0, "depth", 14, 2, "root", 16, 4, "leaf records", 20, 4, "first leaf", 24, 4, "last leaf", 28, 4, "node size", 32, 2, "nodes", 36, 4, "free nodes", 40, 4)})
		}
		if size < 512 {
			return
		}
		for at := r[0]; at+size <= r[0]+r[1]; at += size {
			if number > 0 {
				v.node(name, number, at, size)
			}
			number++
		}
	}
}

// sound is [lawtest.Structure.Sound] of a node: a size that ends in the block that the
// extents do. Neither the catalog nor the allocation file tells where in its last block
// a file ends (TN1150, HFSPlusForkData: logicalSize).
func (v *volume) sound(f lawtest.Field, was, is []byte) bool {
	blocks := func(b []byte) uint64 { return (be.Uint64(b[f.At:]) + uint64(v.block) - 1) / uint64(v.block) }
	return f.Name == "data size" && blocks(was) == blocks(is)
}

func (v *volume) node(name string, number, at, size int64) {
	b := v.b[at : at+size]
	kind, count := int8(b[8]), int(be.Uint16(b[10:]))
	s := lawtest.Structure{Kind: name + " node", Number: number, At: at, Length: size, Sound: v.sound,
		Fields: lawtest.BigFields(0, "next", 0, 4, "previous", 4, 4, "kind", 8, 1, "height", 9, 1, "records", 10, 2)}
	if kind == 0 {
		s.Kind = name + " index node"
	}
	if kind > 0 || count == 0 || int64(count) > size/4 {
		s.Kind, s.Fields = "free "+name+" node", nil
		v.out = append(v.out, s)
		return
	}
	for i := range count {
		slot := int(size) - 2*(i+1)
		s.Fields = append(s.Fields, lawtest.BigFields(slot, "record place", 0, 2)...)
		k := int(be.Uint16(b[slot:]))
		if k+8 > int(size) {
			continue
		}
		d := k + 2 + int(be.Uint16(b[k:]))
		if d += d & 1; d+8 > int(size) {
			continue
		}
		s.Fields = append(s.Fields, lawtest.BigFields(k, "key length", 0, 2)...)
		switch {
		case kind == 0:
			s.Fields = append(s.Fields, lawtest.BigFields(d, "child", 0, 4)...)
		case name == "extents":
			s.Fields = append(s.Fields, lawtest.BigFields(k, "key fork", 2, 1, "key file", 4, 4, "key start", 8, 4)...)
			s.Fields = append(s.Fields, lawtest.BigFields(d, "extent start", 0, 4, "extent length", 4, 4)...)
			if b[k+2] == 0 && be.Uint32(b[k+4:]) == 4 && d+64 <= int(size) {
				v.catalog = append(v.catalog, v.extents(b[d:])...)
			}
		default:
			s.Fields = append(s.Fields, lawtest.BigFields(k, "key parent", 2, 4, "key name length", 6, 2)...)
			s.Fields = append(s.Fields, lawtest.BigFields(d, "record type", 0, 2)...)
			switch t := be.Uint16(b[d:]); {
			case t == 1 && d+88 <= int(size):
				s.Fields = append(s.Fields, lawtest.BigFields(d, "folder number", 8, 4, "folder entries", 4, 4)...)
			case t == 2 && d+248 <= int(size):
				s.Fields = append(s.Fields, lawtest.BigFields(d, "file flags", 2, 2, "file number", 8, 4, "owner flags", 41, 1, "mode", 42, 2, "special", 44, 4, "file type", 48, 4)...)
				s.Fields = append(s.Fields, fork(d+88, "data ")...)
			case t == 3 || t == 4:
				s.Fields = append(s.Fields, lawtest.BigFields(d, "thread parent", 4, 4, "thread name length", 8, 2)...)
			}
		}
	}
	v.out = append(v.out, s)
}
