package ntfsimage

import (
	"bytes"
	"unicode"
	"unicode/utf16"
)

// system adds the system's own files (files/index.html).
func (v *Volume) system(boot int64) {
	named := func(n uint64, name string, f File) {
		f.Number, f.Seq, f.Flags = n, uint16(max(n, 1)), 6
		f.Names = []Name{{Parent: Root, Text: name, Space: Win32DOS}}
		v.add(f)
	}
	small := Stream{Resident: true, Data: []byte{}}
	named(Root, ".", File{Folder: true})
	named(0, "$MFT", File{})
	n := v.clustersOf(4 * v.P.Record)
	named(1, "$MFTMirr", File{Streams: []Stream{{Runs: []Run{{v.Mirror, n}}, Size: int64(4 * v.P.Record)}}})
	log := v.P.Journal
	if log == nil {
		log = bytes.Repeat([]byte{0xff}, 20<<10) // an empty one
	}
	if v.P.ForTools {
		log = bytes.Repeat([]byte{0xff}, 1<<20)
	}
	named(2, "$LogFile", File{Streams: []Stream{{Data: log}}})
	info := make([]byte, 12)
	info[8], info[9] = 3, 1
	if v.P.Dirty {
		info[10] = 1
	}
	var label []byte
	for _, u := range utf16.Encode([]rune(v.P.Label)) {
		label = le.AppendUint16(label, u)
	}
	named(3, "$Volume", File{Streams: []Stream{small}, Extra: [][]byte{Resident(0x60, "", label), Resident(0x70, "", info)}})
	named(4, "$AttrDef", File{Streams: []Stream{v.attrDef()}})
	named(6, "$Bitmap", File{})
	named(7, "$Boot", File{Streams: []Stream{{Runs: []Run{{boot, v.clustersOf(8192)}}, Size: 8192}}})
	named(8, "$BadClus", File{Streams: []Stream{small, {Name: "$Bad", Runs: []Run{{-1, v.P.Clusters}}, Size: v.P.Clusters * int64(v.P.Cluster), Init: -1}}})
	named(9, "$Secure", File{Streams: []Stream{small}})
	up := small
	if v.P.ForTools {
		up = Stream{Data: upcase()}
	}
	named(10, "$UpCase", File{Streams: []Stream{up}})
	named(11, "$Extend", File{Folder: true})
	for n := uint64(12); n < 16; n++ {
		v.add(File{Number: n, Seq: uint16(n), Streams: []Stream{small}})
	}
}

func (v *Volume) attrDef() Stream {
	if !v.P.ForTools {
		return Stream{Resident: true, Data: []byte{}}
	}
	b := make([]byte, 2560)
	for i, a := range []struct {
		name string
		typ  uint32
	}{{"$STANDARD_INFORMATION", 0x10}, {"$ATTRIBUTE_LIST", 0x20}, {"$FILE_NAME", 0x30}, {"$OBJECT_ID", 0x40},
		{"$SECURITY_DESCRIPTOR", 0x50}, {"$VOLUME_NAME", 0x60}, {"$VOLUME_INFORMATION", 0x70}, {"$DATA", 0x80},
		{"$INDEX_ROOT", 0x90}, {"$INDEX_ALLOCATION", 0xa0}, {"$BITMAP", 0xb0}, {"$REPARSE_POINT", 0xc0}} {
		e := b[160*i:]
		for k, u := range utf16.Encode([]rune(a.name)) {
			le.PutUint16(e[2*k:], u)
		}
		le.PutUint32(e[128:], a.typ)
		for k := range 8 {
			e[152+k] = 0xff
		}
	}
	return Stream{Data: b}
}

// upcase is a table of upper case; not the system's own to the last letter.
func upcase() []byte {
	b := make([]byte, 1<<17)
	for i := range 1 << 16 {
		u := unicode.ToUpper(rune(i))
		if u > 0xffff {
			u = rune(i)
		}
		le.PutUint16(b[2*i:], uint16(u))
	}
	return b
}
