package ntfs

import (
	"bytes"
	"testing"

	"fileassay/extract"
	"fileassay/extract/ntfs/ntfsimage"
)

// A record and the names that folders have of it say the same, or neither is proved:
// what a folder names is listed.
func TestHeldByFolders(t *testing.T) {
	data := ntfsimage.Content(31, 16)
	// value is where the value of a record's first attribute of a type begins
	value := func(b []byte, typ attrType) []byte {
		at := attrAt(b, typ, false)
		return b[at+int(le.Uint16(b[at+attrValueOff:])):]
	}
	for _, tt := range []struct {
		name   string
		params ntfsimage.Params
		edit   func(v *ntfsimage.Volume, n uint64, b []byte) // of the record
		entry  func(b []byte)                                // of the folder, its entry of the file
		unread bool                                          // the folder's record
		bare   bool                                          // the table's bitmap is zeros
		lists  []string                                      // beside y
		proved bool
	}{
		{name: "the same", lists: []string{"f/x"}, proved: true},
		{name: "an earlier file's record", edit: func(v *ntfsimage.Volume, n uint64, b []byte) {
			le.PutUint16(b[recordSeq:], 9)
			value(b, attrFileName)[nameText] = 'w'
		}, lists: []string{"f/w", "f/x"}},
		{name: "an older name", edit: func(v *ntfsimage.Volume, n uint64, b []byte) { value(b, attrFileName)[nameText] = 'w' }, lists: []string{"f/w", "f/x"}},
		{name: "an older folder", edit: func(v *ntfsimage.Volume, n uint64, b []byte) {
			le.PutUint64(value(b, attrFileName), uint64(makeReference(recRoot, recRoot)))
		}, lists: []string{"f/x", "x"}},
		{name: "a further name", edit: func(v *ntfsimage.Volume, n uint64, b []byte) {}, entry: func(b []byte) { b[entryKey+nameText] = 'z' }, lists: []string{"f/x", "f/z"}},
		{name: "another namespace", entry: func(b []byte) { b[entryKey+nameSpace] = ntfsimage.POSIX }, lists: []string{"f/x"}},
		{name: "a folder by its folder", entry: func(b []byte) { b[entryKey+nameFlags+3] = 0x10 }, lists: []string{"f/x"}},
		{name: "an older size", edit: func(v *ntfsimage.Volume, n uint64, b []byte) {
			le.PutUint32(b[attrAt(b, attrData, false)+attrValueLen:], 15)
		}, lists: []string{"f/x"}},
		{name: "an older size on a volume that was not closed", params: ntfsimage.Params{Dirty: true}, entry: func(b []byte) { b[entryKey+nameSize]++ }, lists: []string{"f/x"}, proved: true},
		{name: "free, and the table's bitmap says so", edit: func(v *ntfsimage.Volume, n uint64, b []byte) { b[recordFlags] = 0 }, bare: true, lists: []string{"f/x"}},
		{name: "past the table's end", entry: func(b []byte) { le.PutUint32(b, 3000) }, lists: []string{"f/x", "f/x"}},
		{name: "an older name, and the folder unread", edit: func(v *ntfsimage.Volume, n uint64, b []byte) { value(b, attrFileName)[nameText] = 'w' }, unread: true, lists: []string{"f/w"}, proved: true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := ntfsimage.New(tt.params)
			f := v.AddFolder(root, "f")
			n := v.AddFile(f, "x", ntfsimage.Stream{Data: data, Resident: true})
			v.AddFile(root, "y", ntfsimage.Stream{Data: data, Resident: true})
			v.Finish()
			if tt.edit != nil {
				v.EditRecord(n, func(b []byte) { tt.edit(v, n, b) })
			}
			if tt.entry != nil {
				v.EditRecord(f, func(b []byte) {
					tt.entry(b[bytes.Index(b, le.AppendUint64(nil, uint64(makeReference(n, 1)))):])
				})
			}
			if tt.bare {
				clearBit(bitmapOf(v, recMFT, attrBitmap), n)
			}
			var bad []span
			if tt.unread {
				bad = append(bad, span{v.RecordAt(f), 1024})
			}
			l := list(t, v.Image, bad...)
			if !l.proved("y") {
				t.Errorf("y: %+v", l.file(t, "y"))
			}
			got := 0
			for path, files := range l.files {
				if path != "y" && path != "f" {
					got += len(files)
				}
			}
			for _, path := range tt.lists {
				if len(l.files[path]) == 0 || l.proved(path) != tt.proved {
					t.Errorf("%s: %+v", path, l.files[path])
				}
			}
			if got != len(tt.lists) || l.Complete && !tt.proved {
				t.Errorf("%q, %+v", l.paths, l.Listing)
			}
		})
	}
}

// A folder whose record is of an older version has its place by what its own folder
// says, as drivers follow it.
func TestFolderHeld(t *testing.T) {
	for name, edit := range map[string]func(b []byte){
		"sequence": func(b []byte) { b[recordSeq]++ },
		"name": func(b []byte) {
			at := attrAt(b, attrFileName, false)
			b[at+int(le.Uint16(b[at+attrValueOff:]))+nameText] = 'w'
		},
	} {
		v := ntfsimage.New(ntfsimage.Params{})
		f := v.AddFolder(root, "f")
		data := ntfsimage.Content(32, 16)
		v.AddFile(f, "x", ntfsimage.Stream{Data: data, Resident: true})
		v.Finish()
		v.EditRecord(f, edit)
		l := list(t, v.Image)
		if l.file(t, "f/x"); l.Complete || l.file(t, "f").Kind != extract.KindFolder {
			t.Errorf("%s: %q, %+v", name, l.paths, l.Listing)
		}
	}
}
