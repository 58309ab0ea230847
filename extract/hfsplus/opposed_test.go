package hfsplus

import (
	"encoding/binary"
	"testing"
)

// The record of a file or folder and its thread name it alike, and an inode counts
// its links; what differs is not proved, and the list is not complete.
func TestOpposed(t *testing.T) {
	// edit changes the record of that type and name, or the thread that has the name
	edit := func(b *builder, kind uint16, name string, change func(p *leafRecord)) {
		for i := range b.catalog {
			p := &b.catalog[i]
			thread := kind == typeFileThread || kind == typeFolderThread
			if binary.BigEndian.Uint16(p.data) == kind && (p.name == name || thread && string(p.data[threadName:]) == string(rawName(name))) {
				change(p)
			}
		}
	}
	tests := []struct {
		name string
		add  func(b *builder)
		want []string // entries that are doubted
	}{
		{"nothing differs", func(b *builder) {}, nil},
		{"a file's thread has another name", func(b *builder) {
			edit(b, typeFileThread, "a", func(p *leafRecord) { copy(p.data[threadName:], rawName("b")) })
		}, []string{"a"}},
		{"another folder", func(b *builder) {
			edit(b, typeFileThread, "a", func(p *leafRecord) { copy(p.data[threadParent:], be32(77)) })
		}, []string{"a"}},
		{"a file's record has another number", func(b *builder) {
			edit(b, typeFile, "a", func(p *leafRecord) { copy(p.data[fileID:], be32(5000)) })
		}, []string{"a"}},
		{"a folder's thread has another name", func(b *builder) {
			edit(b, typeFolderThread, "maps", func(p *leafRecord) { copy(p.data[threadName:], rawName("mops")) })
		}, []string{"maps"}},
		{"a file with links counts more", func(b *builder) {
			edit(b, typeFile, "iNode77", func(p *leafRecord) { copy(p.data[fileSpecial:], be32(3)) })
		}, []string{"empty", "empty", "maps/first name", "maps/folder link a/within", "second name"}}, // the sample has empty files too
		{"a file with links counts fewer", func(b *builder) {
			edit(b, typeFile, "iNode77", func(p *leafRecord) { copy(p.data[fileSpecial:], be32(1)) })
		}, []string{"maps/first name", "second name"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := sample()
			b.file(idRoot, "a", fileSpec{data: b.data(1), size: 9, mode: modeRegular})
			b.file(idRoot, "empty", fileSpec{mode: modeRegular})
			tt.add(b)
			doubted(t, b, tt.want)
		})
	}
}
