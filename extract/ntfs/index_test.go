package ntfs

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"unicode/utf16"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/fixture"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/extract/partial"
)

func entryBytes(child, parent reference, name string) []byte {
	key := fileNameBytes(parent, utf16.Encode([]rune(name)), nameWin32, int64(len(name)))
	b := make([]byte, (entryKey+len(key)+7)&^7)
	le.PutUint64(b, uint64(child))
	le.PutUint16(b[entryLength:], uint16(len(b)))
	le.PutUint16(b[entryKeyLen:], uint16(len(key)))
	copy(b[entryKey:], key)
	return b
}

var lastEntry = []byte{0, 0, 0, 0, 0, 0, 0, 0, 0x10, 0, 0, 0, entryLast, 0, 0, 0}

func TestIndexEntry(t *testing.T) {
	parent := makeReference(70, 3)
	b := entryBytes(makeReference(99, 4), parent, "sheet 04.tif")
	e, n, last, err := parseIndexEntry(b)
	if err != nil || last || n != len(b) || e.child != makeReference(99, 4) || e.parent != parent || !e.exact(b, n, parent) || e.exact(b, n, parent+1) {
		t.Errorf("%+v, %d bytes, last %v, error %v", e, n, last, err)
	}
	if _, n, last, err := parseIndexEntry(lastEntry); n != 0x10 || !last || err != nil {
		t.Errorf("last: %d bytes, last %v, error %v", n, last, err)
	}
	for name, change := range map[string]func(b []byte) []byte{
		"cut":             func(b []byte) []byte { return b[:len(b)-8] },
		"no head":         func(b []byte) []byte { return b[:8] },
		"no length":       func(b []byte) []byte { b[entryLength] = 0; return b },
		"odd length":      func(b []byte) []byte { b[entryLength]++; return b },
		"key too long":    func(b []byte) []byte { b[entryKeyLen+1] = 9; return b },
		"key of no name":  func(b []byte) []byte { b[entryKeyLen] = 10; return b },
		"name of nothing": func(b []byte) []byte { b[entryKey+nameLength] = 0; return b },
	} {
		if e, _, _, err := parseIndexEntry(change(bytes.Clone(b))); err == nil {
			t.Errorf("%s: %+v", name, e)
		}
	}
	// with a reference to a deeper block, an entry is 8 bytes longer
	deeper := append(bytes.Clone(b), make([]byte, 8)...)
	le.PutUint16(deeper[entryLength:], uint16(len(deeper)))
	if e, n, _, err := parseIndexEntry(deeper); err != nil || e.exact(deeper, n, parent) {
		t.Errorf("an entry with 8 odd bytes is exact: %v", err)
	}
	deeper[entryFlags] = entryHasChild
	if e, n, _, err := parseIndexEntry(deeper); err != nil || !e.exact(deeper, n, parent) {
		t.Errorf("an entry with a deeper block is not exact: %v", err)
	}
}

// entriesBlock is 4 KiB of entries from 0x40 on: what the names are is told by
// the function.
func entriesBlock(parent reference, names int) (b []byte, to int) {
	b = make([]byte, 4096)
	at := 0x40
	for i := range names {
		at += copy(b[at:], entryBytes(makeReference(uint64(100+i), 1), parent, fmt.Sprintf("specimen %02d in the tray.txt", i)))
	}
	return b, at + copy(b[at:], lastEntry)
}

func walked(b []byte, to int, bad strides, parent reference) (names []string, all bool) {
	all = walkEntries(bad.of(b), 0x40, to, parent, func(e indexEntry) { names = append(names, string(utf16.Decode(e.name))) })
	return names, all
}

// Where a chain of entries breaks at an unread stride it is taken up again
// behind it, but only at entries that prove themselves.
func TestWalkEntries(t *testing.T) {
	parent := makeReference(70, 3)
	b, to := entriesBlock(parent, 24)
	whole, all := walked(b, to, 0, parent)
	if len(whole) != 24 || !all {
		t.Fatalf("%d names, all %v", len(whole), all)
	}
	for bad := strides(1); bad < 1<<7; bad++ {
		block := bytes.Clone(b)
		for s := range 8 {
			if bad.has(s) {
				clear(block[s*512 : (s+1)*512])
			}
		}
		got, all := walked(block, to, bad, parent)
		if all {
			t.Errorf("strides %b unread: all entries were read", bad)
		}
		// brute force: an entry that lies in good strides is found, except where
		// it could not prove itself; never one that does not
		want := map[string]bool{}
		at := 0x40
		for i := range 24 {
			n := int(le.Uint16(b[at+entryLength:]))
			if bad.of(b).Has(at, n) {
				want[whole[i]] = true
			}
			at += n
		}
		seen := map[string]bool{}
		for _, name := range got {
			if !want[name] || seen[name] {
				t.Fatalf("strides %b unread: %q", bad, name)
			}
			seen[name] = true
		}
		if len(got) < len(want) {
			t.Errorf("strides %b unread: %d of %d names", bad, len(got), len(want))
		}
	}
}

func TestWalkEntriesProof(t *testing.T) {
	parent := makeReference(70, 3)
	for name, change := range map[string]func(b []byte, at, n int){
		"of another folder":     func(b []byte, at, n int) { le.PutUint64(b[at+entryKey:], uint64(makeReference(71, 3))) },
		"of an earlier folder":  func(b []byte, at, n int) { le.PutUint64(b[at+entryKey:], uint64(makeReference(70, 2))) },
		"not laid out as it is": func(b []byte, at, n int) { b[at+entryKeyLen] += 2 },
		"with a broken name":    func(b []byte, at, n int) { b[at+entryKey+nameSpace] = 9 },
	} {
		b, to := entriesBlock(parent, 24)
		// the first stride is unread; every entry behind it is spoilt
		for at := 0x40; at < to-0x10; {
			n := int(le.Uint16(b[at+entryLength:]))
			change(b, at, n)
			at += n
		}
		clear(b[:512])
		if got, all := walked(b, to, 1, parent); len(got) > 0 || all {
			t.Errorf("%s: %q believed", name, got)
		}
	}
	// a chain that does not reach the end proves nothing
	b, to := entriesBlock(parent, 24)
	at, last := 0x40, 0
	for at < to-0x10 {
		last = at
		at += int(le.Uint16(b[at+entryLength:]))
	}
	b[last+entryLength] = 7
	clear(b[:512])
	if got, all := walked(b, to, 1, parent); len(got) > 0 || all {
		t.Errorf("broken chain: %q believed", got)
	}
}

func FuzzIndexEntries(f *testing.F) {
	parent := makeReference(70, 3)
	b, to := entriesBlock(parent, 24)
	f.Add(b, uint64(0), uint16(0x40), uint16(to), uint64(parent))
	f.Add(b, uint64(1), uint16(0x40), uint16(to), uint64(parent))
	img := fixture.Load(f, "v01-ntfs-4k").Image
	for at, n := 0, 0; at < len(img) && n < 6; at += 4096 {
		if string(img[at:at+4]) == "INDX" {
			block := bytes.Clone(img[at : at+4096])
			if _, _, err := applyFixups(&partial.Bytes{Data: block}); err == nil {
				from := blockHeader + int(le.Uint32(block[blockHeader:]))
				e, _, _, _ := parseIndexEntry(block[from:])
				f.Add(block, uint64(2), uint16(from), uint16(blockHeader+int(le.Uint32(block[blockHeader+headerUsed:]))), uint64(e.parent))
				n++
			}
		}
	}
	f.Fuzz(func(t *testing.T, b []byte, unread uint64, from, to uint16, parent uint64) {
		b = append(b, make([]byte, 4096)...)[:4096]
		bad := strides(unread) & 0xff
		x, y := int(from)%4096&^7, int(to)%4097
		if x > y {
			return
		}
		dirty := bytes.Clone(b)
		for i := range 8 {
			if bad.has(i) {
				clear(b[i*512 : (i+1)*512])
				for k := range dirty[i*512 : (i+1)*512] {
					dirty[i*512+k] ^= 0x5a
				}
			}
		}
		list := func(b []byte) (out string, n int) {
			all := walkEntries(bad.of(b), x, y, reference(parent), func(e indexEntry) {
				n++
				out += fmt.Sprintln(e.child, e.parent, e.name)
			})
			return out + fmt.Sprint(all), n
		}
		p, n := list(b)
		if q, _ := list(dirty); p != q {
			t.Fatalf("unread bytes change the entries:\n%s\n%s", p, q)
		}
		if n > 4096/(entryKey+nameText) {
			t.Fatalf("%d entries", n)
		}
	})
}

// A hole in a folder's index is no block, however long it is.
func TestIndexHole(t *testing.T) {
	x := &index{size: 4096, blocks: &mapping{size: 1 << 60, runs: []extract.Extent{{Image: hole, Length: 1 << 60}}}}
	for _, bits := range []*bitmap.Map{nil, bitmap.Of(partial.Bytes{Data: make([]byte, 8)}, 64, bitmap.LowFirst)} {
		x.bits = bits
		n := 0
		for range x.inUse() {
			if n++; n > 1 {
				t.Fatal("blocks of a hole are looked at one by one")
			}
		}
	}
}

// Blocks that the scan of free space finds are believed only whole in their
// head and of one folder.
func FuzzStrayBlock(f *testing.F) {
	v := ntfsimage.New(ntfsimage.Params{Clusters: 600, Records: 128})
	folder := v.AddFolder(root, "Tray")
	for i := range 40 {
		v.AddFile(folder, fmt.Sprintf("specimen %02d in the tray.txt", i), ntfsimage.Stream{Data: []byte("x"), Resident: true})
	}
	v.Finish()
	for _, at := range v.Blocks[folder] {
		f.Add(v.Image[at:at+4096], uint64(0))
		f.Add(v.Image[at:at+4096], uint64(4))
	}
	f.Fuzz(func(t *testing.T, b []byte, unread uint64) {
		b = append(b, make([]byte, 4096)...)[:4096]
		bad := strides(unread) & 0xfe
		for i := range 8 {
			if bad.has(i) {
				clear(b[i*512 : (i+1)*512])
			}
		}
		vol := &names{table: &table{count: 64}}
		s, ok := vol.parseStray(bad.of(b))
		for _, n := range s.names {
			if shown, _ := n.shown(); ok && n.parent != s.folder || strings.Contains(shown, "/") {
				t.Fatalf("%+v in a block of %d", n, s.folder)
			}
		}
	})
}
