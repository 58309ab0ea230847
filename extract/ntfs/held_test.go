package ntfs

import (
	"bytes"
	"testing"
	"unicode/utf16"

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
		{name: "of an older version", entry: func(b []byte) { b[entryKey+nameChanged+6]++ }, lists: []string{"f/x"}},
		{name: "newer than its folder's entry", entry: func(b []byte) { b[entryKey+nameChanged+6]-- }, lists: []string{"f/x"}, proved: true},
		{name: "its content is older by its folder, and its record not", entry: func(b []byte) { b[entryKey+nameModified+6]++ }, lists: []string{"f/x"}, proved: true},
		{name: "of an older version on a volume that was not closed", params: ntfsimage.Params{Dirty: true}, entry: func(b []byte) { b[entryKey+nameChanged+6]++ }, lists: []string{"f/x"}, proved: true},
		{name: "an entry of another folder", entry: func(b []byte) { b[entryKey] = recRoot }, lists: []string{"f/x"}},
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

// What a folder has for a file's further names speaks as its first name does: of a
// short name, of several names that agree, of a name or size in a further record.
func TestHeldFurtherNames(t *testing.T) {
	const short, long = "LONG~1", "long name"
	one := []ntfsimage.Stream{{Data: ntfsimage.Content(33, 16), Resident: true}}
	type names = []ntfsimage.Name
	for _, tt := range []struct {
		name   string
		spaces [2]byte // of the two names
		apart  bool    // what can stand in a further record does
		edit   map[string]func(b []byte)
		twice  string // the name that the folder has again
		far    func(b []byte)
		proved bool
	}{
		{name: "short: the same", spaces: [2]byte{ntfsimage.Win32, ntfsimage.DOS}, proved: true},
		{name: "short: sequence", spaces: [2]byte{ntfsimage.Win32, ntfsimage.DOS}, edit: map[string]func(b []byte){short: func(b []byte) { b[6] = 9 }}},
		{name: "short: reference", spaces: [2]byte{ntfsimage.Win32, ntfsimage.DOS}, edit: map[string]func(b []byte){short: func(b []byte) { b[0]-- }}},
		{name: "short: size", spaces: [2]byte{ntfsimage.Win32, ntfsimage.DOS}, edit: map[string]func(b []byte){short: func(b []byte) { b[entryKey+nameSize]++ }}},
		{name: "short: folder", spaces: [2]byte{ntfsimage.Win32, ntfsimage.DOS}, edit: map[string]func(b []byte){short: func(b []byte) { b[entryKey+nameFlags+3] = 0x10 }}},
		{name: "short: name", spaces: [2]byte{ntfsimage.Win32, ntfsimage.DOS}, edit: map[string]func(b []byte){short: func(b []byte) { b[entryKey+nameText] = 'W' }}},
		{name: "short: of another folder", spaces: [2]byte{ntfsimage.Win32, ntfsimage.DOS}, edit: map[string]func(b []byte){short: func(b []byte) { b[entryKey] = recRoot }}},
		{name: "short: twice", spaces: [2]byte{ntfsimage.Win32, ntfsimage.DOS}, twice: short},
		{name: "long: twice", spaces: [2]byte{ntfsimage.Win32, ntfsimage.DOS}, twice: long},
		{name: "one of two later", edit: map[string]func(b []byte){long: func(b []byte) { b[entryKey+nameChanged+6]++ }}, proved: true},
		{name: "both later", edit: map[string]func(b []byte){
			short: func(b []byte) { b[entryKey+nameChanged+6]++ },
			long:  func(b []byte) { b[entryKey+nameChanged+6]++ },
		}},
		{name: "in a further record", spaces: [2]byte{ntfsimage.Win32, ntfsimage.DOS}, apart: true, proved: true},
		{name: "an older size in a further record", spaces: [2]byte{ntfsimage.Win32, ntfsimage.DOS}, apart: true, far: func(b []byte) {
			le.PutUint32(b[attrAt(b, attrData, false)+attrValueLen:], 15)
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := ntfsimage.New(ntfsimage.Params{})
			v.AddFile(root, "before", ntfsimage.Stream{Data: ntfsimage.Content(34, 16), Resident: true})
			f := v.AddFolder(root, "f")
			x := ntfsimage.File{Streams: one, DataOut: tt.apart, Names: names{{Parent: f, Text: long, Space: tt.spaces[0]}, {Parent: f, Text: short, Space: tt.spaces[1]}}}
			n := v.Add(x)
			if tt.twice != "" {
				for _, m := range x.Names {
					if m.Text == tt.twice {
						v.Alias(n, m)
					}
				}
			}
			v.Finish()
			v.EditRecord(f, func(b []byte) {
				for name, edit := range tt.edit {
					at := bytes.Index(b, utf16Bytes(utf16.Encode([]rune(name)))) - entryKey - nameText
					edit(b[at:])
				}
			})
			if tt.far != nil {
				v.EditRecord(v.Extensions[n][0], tt.far)
			}
			l := list(t, v.Image)
			if len(l.files["f/"+long]) == 0 || l.proved("f/"+long) != tt.proved || l.Complete != tt.proved {
				t.Errorf("%+v, %q, %+v", l.files["f/"+long], l.paths, l.Listing)
			}
		})
	}
}

// The content of a folder has the path that the folder itself has, wherever its long
// name stands.
func TestLongNameApart(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	f := v.Add(ntfsimage.File{Folder: true, Names: []ntfsimage.Name{{Parent: root, Text: "FOLD~1", Space: ntfsimage.DOS}, {Parent: root, Text: "folder", Space: ntfsimage.Win32, Out: true}}})
	v.AddFile(f, "x", ntfsimage.Stream{Data: ntfsimage.Content(35, 16), Resident: true})
	v.Finish()
	for name, bad := range map[string][]span{"read": nil, "the further record unread": {{v.RecordAt(v.Extensions[f][0]), 1024}}} {
		l := list(t, v.Image, bad...)
		l.none(t, "FOLD~1/x")
		l.file(t, "folder/x")
		if l.file(t, "folder"); bad == nil && !l.Complete {
			t.Errorf("%s: %q, %+v", name, l.paths, l.Listing)
		}
	}
}

// Hashes of names are summed: those of names that differ in a few letters do not
// cancel out.
func TestNameSums(t *testing.T) {
	sum := func(names ...string) (s uint64) {
		for _, n := range names {
			s += (&fileName{parent: recRoot, name: utf16.Encode([]rune(n))}).hash()
		}
		return s
	}
	for _, base := range []string{"", "job", "job02.log."} {
		if sum(base+"0", base+"3") == sum(base+"1", base+"2") || sum(base+"a", base+"d") == sum(base+"b", base+"c") {
			t.Errorf("%q", base)
		}
	}
}
