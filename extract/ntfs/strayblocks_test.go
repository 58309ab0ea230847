package ntfs

import (
	"slices"
	"testing"
	"unicode/utf16"
)

// A block of names of a folder whose record is unread is in use or left over. One
// that names a file by an older sequence number than another does, or than the
// file's own record, is left over: none of its names is taken.
func TestRefutedBlocks(t *testing.T) {
	root, sub := makeReference(recRoot, 5), makeReference(40, 3)
	name := func(parent reference, number uint64, seq uint16, s string) indexEntry {
		return indexEntry{makeReference(number, seq), fileName{parent: parent, name: utf16.Encode([]rune(s))}}
	}
	dir := func(parent reference, number uint64, seq uint16, s string) indexEntry {
		n := name(parent, number, seq, s)
		n.folder = true
		return n
	}
	live := strayBlock{image: 1 << 20, folder: root, names: []indexEntry{name(root, 50, 7, "plate"), dir(root, 40, 3, "sub")}}
	below := strayBlock{image: 2 << 20, folder: sub, names: []indexEntry{name(sub, 51, 2, "sheet")}}
	for _, c := range []struct {
		name string
		more []strayBlock
		want []int64
	}{
		{"none", nil, []int64{1 << 20, 2 << 20}},
		{"a second name", []strayBlock{{image: 3 << 20, folder: root, vcn: 1, names: []indexEntry{name(root, 51, 2, "link")}}}, []int64{1 << 20, 3 << 20, 2 << 20}},
		{"older than another block's", []strayBlock{{image: 3 << 20, folder: root, vcn: 1, names: []indexEntry{name(root, 60, 1, "gone"), name(root, 51, 1, "older")}}}, []int64{1 << 20, 2 << 20}},
		{"older than a read record", []strayBlock{{image: 3 << 20, folder: root, vcn: 1, names: []indexEntry{name(root, 30, 8, "older")}}}, []int64{1 << 20, 2 << 20}},
		{"as a read record", []strayBlock{{image: 3 << 20, folder: root, vcn: 1, names: []indexEntry{name(root, 30, 9, "other name")}}}, []int64{1 << 20, 3 << 20, 2 << 20}},
		{"older than a read folder's name", []strayBlock{{image: 3 << 20, folder: root, vcn: 1, names: []indexEntry{name(root, 61, 65535, "older")}}}, []int64{1 << 20, 2 << 20}},
		{"a left over block that leads to a folder", []strayBlock{
			{image: 3 << 20, folder: root, vcn: 1, names: []indexEntry{name(root, 50, 6, "older"), dir(root, 70, 1, "gone")}},
			{image: 4 << 20, folder: makeReference(70, 1), names: []indexEntry{name(makeReference(70, 1), 71, 1, "gone, too")}}}, []int64{1 << 20, 2 << 20}},
	} {
		v := &names{table: &table{}, marks: make([]recordMark, 80), seqs: make([]uint16, 80), parents: map[uint64]uint16{}, folders: map[uint64]folder{},
			torn: map[uint64]bool{}, byFolder: map[uint64][]indexEntry{61: {name(makeReference(33, 1), 61, 1, "living")}}}
		for n := range v.marks {
			v.marks[n] = recordMark(recordUnread) | markNeedy
		}
		v.marks[30], v.seqs[30] = recordMark(recordUsed), 9
		byFolder := map[reference][]strayBlock{}
		for _, b := range append([]strayBlock{live, below}, c.more...) {
			byFolder[b.folder] = append(byFolder[b.folder], b)
		}
		var got []int64
		for _, b := range v.believe(byFolder) {
			got = append(got, b.image)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: blocks at %v are believed, want %v", c.name, got, c.want)
		}
	}
}
