package ntfs

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/ntfs/ntfsimage"
)

// attrAt is where the first attribute of a type, with a name or without, stands in a
// record; -1 for none.
func attrAt(b []byte, typ attrType, named bool) int {
	for at := int(le.Uint16(b[recordFirstAttr:])); attrType(le.Uint32(b[at:])) != attrEnd; at += int(le.Uint32(b[at+attrLength:])) {
		if attrType(le.Uint32(b[at:])) == typ && (b[at+attrNameLen] > 0) == named {
			return at
		}
	}
	return -1
}

// endAt ends the attributes of a record at an attribute.
func endAt(b []byte, at int) {
	le.PutUint32(b[at:], uint32(attrEnd))
	le.PutUint32(b[recordUsedBytes:], uint32(at+8))
}

// proved reports whether all that is listed under a path may be intact, but for its
// content's sectors.
func (l *listed) proved(path string) bool {
	for _, f := range l.files[path] {
		if f.RecordUnread || f.NameOnly || f.Size < 0 {
			return false
		}
		pos := int64(0)
		for _, p := range f.Pieces {
			if p.Kind == extract.Unlocated || p.Offset != pos {
				return false
			}
			pos += p.Length
		}
		if pos < f.Size {
			return false
		}
	}
	return len(l.files[path]) > 0
}

func (l *listed) says(words string) bool {
	for _, list := range l.files {
		for _, f := range list {
			if strings.Contains(strings.Join(f.Why, "; "), words) {
				return true
			}
		}
	}
	return strings.Contains(strings.Join(l.Listing.Why, "; "), words)
}

// An attribute whose first bytes are read, whose head or name goes on in an unread
// stride and whose end lies in a read one is not left out as if it were not there:
// not in the record of a file, nor in a further one.
func TestHalfReadAttribute(t *testing.T) {
	const most = 250
	long := strings.Repeat("n", most)
	pieces := ntfsimage.Stream{Data: ntfsimage.Content(7, 200*4096), Pieces: 200}
	side := ntfsimage.Stream{Name: long, Data: ntfsimage.Content(8, 64), Resident: true} // whose clusters, if it had any, would tell of it
	one := ntfsimage.Stream{Data: []byte("one"), Resident: true}
	for _, tt := range []struct {
		name  string
		file  ntfsimage.File
		typ   attrType
		named bool
		far   bool // in a further record
	}{
		{"content", ntfsimage.File{Streams: []ntfsimage.Stream{pieces}}, attrData, false, false},
		{"stream", ntfsimage.File{Streams: []ntfsimage.Stream{one, side}}, attrData, true, false},
		{"name", ntfsimage.File{Names: win(root, long), Streams: []ntfsimage.Stream{one}}, attrFileName, false, false},
		{"content in a further record", ntfsimage.File{Streams: []ntfsimage.Stream{pieces}, DataOut: true, NamesOut: true}, attrData, false, true},
		{"stream in a further record", ntfsimage.File{Streams: []ntfsimage.Stream{one, side}, DataOut: true, NamesOut: true}, attrData, true, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			// a name before the attribute is made longer until its head ends where the unread stride begins
			for n := 1; n < most; n++ {
				f := tt.file
				f.Names = append(win(root, strings.Repeat("x", n)), f.Names...)
				f.Names = append([]ntfsimage.Name{{Parent: root, Text: "y" + strings.Repeat("z", n/2), Space: ntfsimage.Win32}}, f.Names...)
				v := ntfsimage.New(ntfsimage.Params{Record: 4096, Clusters: 1200})
				number := v.Add(f)
				v.Finish()
				holder := number
				if tt.far {
					holder = v.Extensions[number][0]
				}
				b := v.Record(holder)
				at := attrAt(b, tt.typ, tt.named)
				if tt.typ == attrFileName { // the last of them
					for next := at; attrType(le.Uint32(b[next:])) == attrFileName; next += int(le.Uint32(b[next+attrLength:])) {
						at = next
					}
				}
				head := at + residentHeader
				if at < 0 || head%stride != 0 || at+int(le.Uint32(b[at+attrLength:])) <= head+stride {
					continue
				}
				l := list(t, v.Image)
				if !l.Complete || len(l.paths) < 2 {
					t.Fatalf("whole: %q %+v", l.paths, l.Listing)
				}
				for _, p := range l.paths {
					if !l.proved(p) {
						t.Errorf("whole: %s is not proved", p)
					}
				}
				l = list(t, v.Image, span{v.RecordAt(holder) + int64(head), stride})
				if l.Complete {
					t.Error("a list that may be short is called complete")
				}
				if tt.typ == attrData && !tt.named {
					for _, p := range l.paths {
						if l.proved(p) {
							t.Errorf("%s is proved: %+v", p, l.files[p][0])
						}
					}
				}
				return
			}
			t.Fatal("no attribute lies so")
		})
	}
}

// listEntries edits the entries of a resident attribute list.
func listEntries(b []byte, edit func(typ attrType, e []byte)) {
	at := attrAt(b, attrList, false)
	value := b[at+int(le.Uint16(b[at+attrValueOff:])):][:le.Uint32(b[at+attrValueLen:])]
	for len(value) > 0 {
		n := int(le.Uint16(value[listLength:]))
		edit(attrType(le.Uint32(value)), value[:n])
		value = value[n:]
	}
}

// Every entry of an attribute list is matched by what it names, and every attribute
// has an entry.
func TestAttributeListHeld(t *testing.T) {
	data := ntfsimage.Content(9, 3*4096)
	side := ntfsimage.Stream{Name: "side", Data: ntfsimage.Content(10, 5000)}
	whole := func(f ntfsimage.File) (*ntfsimage.Volume, uint64) {
		v := ntfsimage.New(ntfsimage.Params{})
		f.Names, f.Streams = win(root, "x"), []ntfsimage.Stream{{Data: data, Pieces: 3}, side}
		n := v.Add(f)
		v.Finish()
		l := list(t, v.Image)
		l.holds(t, v.Image, "x", data)
		if !l.Complete {
			t.Errorf("whole: %+v", l.Listing)
		}
		return v, n
	}
	content := func(change func(e []byte)) func(b []byte) {
		return func(b []byte) {
			listEntries(b, func(typ attrType, e []byte) {
				if typ == attrData && e[listNameLen] == 0 {
					change(e)
				}
			})
		}
	}
	for _, tt := range []struct {
		name string
		edit func(b []byte) // of the file's own record
		far  func(b []byte) // of the further one
	}{
		{name: "another id", edit: content(func(e []byte) { e[listID]++ })},
		{name: "another first cluster", edit: content(func(e []byte) { e[listLowest] = 5 })},
		{name: "another type", edit: content(func(e []byte) { le.PutUint32(e, uint32(attrBitmap)) })},
		{name: "another name", edit: content(func(e []byte) { e[listNameLen] = 1 })},
		{name: "another record", edit: content(func(e []byte) { le.PutUint64(e[listRef:], 40|1<<48) })},
		{name: "another sequence number", edit: content(func(e []byte) { e[listRef+6]++ })},
		{name: "nothing stands in the further record", far: func(b []byte) { endAt(b, attrAt(b, attrData, false)) }},
		{name: "the further record is free", far: func(b []byte) { b[recordFlags] = 0 }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v, n := whole(ntfsimage.File{DataOut: true})
			if tt.edit != nil {
				v.EditRecord(n, tt.edit)
			}
			if tt.far != nil {
				v.EditRecord(v.Extensions[n][0], tt.far)
			}
			l := list(t, v.Image)
			if l.proved("x") || l.Complete {
				t.Errorf("%+v, complete %v", l.file(t, "x"), l.Complete)
			}
		})
	}
	t.Run("nothing stands in the record itself", func(t *testing.T) {
		v := ntfsimage.New(ntfsimage.Params{})
		n := v.Add(ntfsimage.File{Names: win(root, "x"), NamesOut: true, Streams: []ntfsimage.Stream{{Data: data}}})
		v.Finish()
		list(t, v.Image).holds(t, v.Image, "x", data)
		v.EditRecord(n, func(b []byte) { endAt(b, attrAt(b, attrData, false)) })
		if l := list(t, v.Image); l.proved("x") || l.Complete {
			t.Errorf("%+v, complete %v", l.file(t, "x"), l.Complete)
		}
	})
	t.Run("a stream is gone from the further record", func(t *testing.T) {
		v, n := whole(ntfsimage.File{DataOut: true})
		v.EditRecord(v.Extensions[n][0], func(b []byte) { endAt(b, attrAt(b, attrData, true)) })
		l := list(t, v.Image)
		if f := l.file(t, "x:side"); l.Complete || !f.RecordUnread || f.Size >= 0 {
			t.Errorf("%+v, complete %v", f, l.Complete)
		}
		l.holds(t, v.Image, "x", data)
	})
	t.Run("a stream without an entry", func(t *testing.T) {
		v, n := whole(ntfsimage.File{DataOut: true, ListOut: true})
		v.EditRecord(n, func(b []byte) { // its entry is the last
			at := attrAt(b, attrList, false)
			size := le.Uint64(b[at+attrSize:]) - 0x28
			le.PutUint64(b[at+attrSize:], size)
			le.PutUint64(b[at+attrInit:], size)
		})
		l := list(t, v.Image)
		if f := l.file(t, "x:side"); l.Complete || !f.RecordUnread {
			t.Errorf("%+v, complete %v", f, l.Complete)
		}
	})
	t.Run("a further record without an entry", func(t *testing.T) {
		v := ntfsimage.New(ntfsimage.Params{})
		n := v.Add(ntfsimage.File{Names: win(root, "x"), DataOut: true, Streams: []ntfsimage.Stream{side}})
		v.Add(ntfsimage.File{Names: win(root, "y"), Streams: []ntfsimage.Stream{{Data: data}}})
		v.Finish()
		v.EditRecord(n, func(b []byte) { // as if it had a small stream of its own, and no list
			at := attrAt(b, attrList, false)
			value := ntfsimage.Resident(uint32(attrData), "", []byte("small"))
			name := attrAt(b, attrFileName, false)
			moved := bytes.Clone(b[name : name+int(le.Uint32(b[name+attrLength:]))])
			copy(b[at:], moved)
			copy(b[at+len(moved):], value)
			endAt(b, at+len(moved)+len(value))
		})
		l := list(t, v.Image)
		if l.Complete || !l.says("which does not name it") && l.UnreadRecords != 1 {
			t.Errorf("%+v", l.Listing)
		}
		l.holds(t, v.Image, "y", data)
	})
}

// A list that is longer than what is read of one is not a whole one.
func TestAttributeListCut(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{Clusters: 600})
	var value []byte
	add := func(typ attrType, n int, id uint16) {
		e := make([]byte, n)
		le.PutUint32(e, uint32(typ))
		le.PutUint16(e[listLength:], uint16(n))
		e[listNameOff] = listHeader
		le.PutUint64(e[listRef:], 24|1<<48)
		le.PutUint16(e[listID:], id)
		value = append(value, e...)
	}
	for i := range uint16(16) {
		add(attrList, 0xfff8, i)
	}
	add(attrStandardInfo, 64, 0)
	add(attrFileName, 64, 2)
	if len(value) != maxAttributeList {
		t.Fatal(len(value))
	}
	add(attrData, 64, 3)
	run := ntfsimage.Run{LCN: v.Alloc(257), Length: 257}
	v.Add(ntfsimage.File{Names: win(root, "x"), Extra: [][]byte{v.NonResident(uint32(attrList), "", []ntfsimage.Run{run}, 0, int64(len(value)), int64(len(value)), 0, 0)}})
	copy(v.Image[v.At(run.LCN):], value)
	if l := list(t, v.Finish().Image); l.proved("x") || l.Complete {
		t.Errorf("%+v, complete %v", l.file(t, "x"), l.Complete)
	}
}

// What no driver writes in a record, or in the head of a stream, proves nothing of
// the file, and is said.
func TestContradictedRecord(t *testing.T) {
	data := ntfsimage.Content(11, 3*4096-100)
	text := []byte("a note of the herbarium")
	build := func() (*ntfsimage.Volume, uint64, uint64) {
		v := ntfsimage.New(ntfsimage.Params{})
		x := v.AddFile(root, "x", ntfsimage.Stream{Data: data})
		y := v.AddFile(root, "y", ntfsimage.Stream{Data: text, Resident: true})
		return v.Finish(), x, y
	}
	v, _, _ := build()
	l := list(t, v.Image)
	l.holds(t, v.Image, "x", data)
	l.holds(t, v.Image, "y", text)
	stream := func(off int, value uint64) func(b []byte) {
		return func(b []byte) { le.PutUint64(b[attrAt(b, attrData, false)+off:], value) }
	}
	head := func(change func(a []byte)) func(b []byte) {
		return func(b []byte) { change(b[attrAt(b, attrData, false):]) }
	}
	for _, tt := range []struct {
		name string
		x, y func(b []byte)
	}{
		{name: "no content", x: head(func(a []byte) { a[0] = 0x10 }), y: head(func(a []byte) { a[0] = 0x10 })},
		{name: "the content is another attribute", x: head(func(a []byte) { a[0] = 0xd0 }), y: head(func(a []byte) { a[0] = 0xd0 })},
		{name: "no type", x: head(func(a []byte) { a[0] = 0x81 }), y: head(func(a []byte) { a[0] = 0x81 })},
		{name: "the attributes end early", x: head(func(a []byte) { le.PutUint32(a, uint32(attrEnd)) }), y: head(func(a []byte) { le.PutUint32(a, uint32(attrEnd)) })},
		{name: "a name over the value", x: head(func(a []byte) { a[attrNameLen], a[attrNameOff] = 4, 0x18 }), y: head(func(a []byte) { a[attrNameLen], a[attrNameOff] = 4, 0x18 })},
		{name: "another place of the value or runs", x: head(func(a []byte) { a[attrRunsOff]-- }), y: head(func(a []byte) { a[attrValueOff]++; a[attrValueLen]-- })},
		{name: "size larger than what is allocated", x: stream(attrSize, 3*4096+1)},
		{name: "size without its last cluster", x: func(b []byte) { stream(attrSize, 4096)(b); stream(attrInit, 4096)(b) }},
		{name: "more is allocated than it has", x: stream(attrAllocated, 4*4096)},
		{name: "less is allocated than it has", x: stream(attrAllocated, 2*4096)},
		{name: "no standard information", x: func(b []byte) { le.PutUint16(b[recordFirstAttr:], uint16(attrAt(b, attrFileName, false))) }},
		{name: "marked as a folder", x: func(b []byte) { b[recordFlags] |= 2 }, y: func(b []byte) { b[recordFlags] |= 2 }},
		{name: "more names than stand in it", x: func(b []byte) { b[recordLinks] = 2 }, y: func(b []byte) { b[recordLinks] = 2 }},
		{name: "marked as encrypted", x: func(b []byte) {
			at := attrAt(b, attrStandardInfo, false)
			le.PutUint32(b[at+int(le.Uint16(b[at+attrValueOff:]))+infoFlags:], fileFlagEncrypted)
		}, y: head(func(a []byte) { le.PutUint16(a[attrFlags:], attrFlagEncrypted) })},
		{name: "value shorter than its attribute", y: head(func(a []byte) { a[attrValueLen] = 2 })},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v, x, y := build()
			for path, edit := range map[string]func(b []byte){"x": tt.x, "y": tt.y} {
				if edit == nil {
					continue
				}
				v.EditRecord(map[string]uint64{"x": x, "y": y}[path], edit)
				if l := list(t, v.Image); l.proved(path) {
					t.Errorf("%+v", l.file(t, path))
				}
			}
		})
	}
}

// Room past the size of a file with two names, whose folders may be late, is asked of
// them in a sparse stream too.
func TestRoomInSparse(t *testing.T) {
	const size = 40 * 4096
	for _, edited := range []bool{false, true} {
		v := ntfsimage.New(ntfsimage.Params{})
		names := append(win(root, "x"), ntfsimage.Name{Parent: root, Text: "z", Space: ntfsimage.POSIX})
		n := v.Add(ntfsimage.File{Names: names, Streams: []ntfsimage.Stream{{
			Runs: []ntfsimage.Run{{LCN: v.Alloc(4), Length: 4}, {LCN: -1, Length: 36}}, Size: size, Flags: attrFlagSparse}}})
		v.Finish()
		if edited {
			v.EditRecord(n, func(b []byte) {
				a := b[attrAt(b, attrData, false):]
				le.PutUint64(a[attrSize:], size/2)
				le.PutUint64(a[attrInit:], size/2)
			})
		}
		if l := list(t, v.Image); l.proved("x") == edited {
			t.Errorf("edited %v: %+v", edited, l.file(t, "x"))
		}
	}
}

// Room past the size is no contradiction where the folder says the same size.
func TestRoomPastTheSize(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	lcn := v.Alloc(5)
	data := ntfsimage.Content(12, 5000)
	v.AddFile(root, "log", ntfsimage.Stream{Runs: []ntfsimage.Run{{LCN: lcn, Length: 5}}, Data: data})
	v.Finish()
	l := list(t, v.Image)
	if l.holds(t, v.Image, "log", data); !l.Complete {
		t.Errorf("%+v", l.Listing)
	}
}

// Content that may be elsewhere is no zeros.
func TestContentElsewhere(t *testing.T) {
	const size = 3 * 4096
	here := ntfsimage.Content(13, size)
	tags := map[string]uint32{"deduplicated": tagDedup, "slower storage": tagHSM, "older slower storage": tagHSM2, "cloud": tagCloud, "cloud, by a provider": tagCloud | 0x7000,
		"container": 0x80000018, "container, newer": 0x90001018, "projected": 0x9000001c, "single instance": 0x80000007, "sync": 0x8000001e, "no known kind": 0x00001234}
	flags := map[string]uint32{"offline": fileFlagOffline, "recall on open": fileFlagRecallOpen, "recall on data access": fileFlagRecallData}
	check := func(name string, f ntfsimage.File) {
		t.Run(name, func(t *testing.T) {
			v := ntfsimage.New(ntfsimage.Params{})
			add := func(name string, s ...ntfsimage.Stream) {
				f := f
				f.Names, f.Streams = win(root, name), s
				v.Add(f)
			}
			sparse := ntfsimage.Stream{Runs: []ntfsimage.Run{{LCN: -1, Length: 3}}, Size: size, Flags: attrFlagSparse}
			side := sparse
			side.Name = "side"
			add("away", sparse, side)
			add("unwritten", ntfsimage.Stream{Runs: []ntfsimage.Run{{LCN: v.Alloc(3), Length: 3}}, Size: size, Init: -1})
			add("here", ntfsimage.Stream{Data: here})
			add("empty", ntfsimage.Stream{Data: []byte{}, Resident: true})
			l := list(t, v.Finish().Image)
			for _, p := range []string{"away", "away:side", "unwritten"} {
				if f := l.file(t, p); l.proved(p) || f.Stored != extract.StoredElsewhere || f.Size != size {
					t.Errorf("%s: %+v", p, f)
				}
			}
			l.holds(t, v.Image, "here", here)
			point := reparsePoint{}
			if f.Reparse != nil {
				point.tag = le.Uint32(f.Reparse)
			}
			if got, want := l.proved("empty"), f.Reparse == nil || !point.unknown(); got != want {
				t.Errorf("empty: %v, %+v", got, l.file(t, "empty"))
			}
		})
	}
	for name, tag := range tags {
		check(name, ntfsimage.File{Flags: fileFlagReparse, Reparse: reparse(tag, make([]byte, 16))})
	}
	for name, f := range flags {
		check(name, ntfsimage.File{Flags: f})
	}
}

// A hole in a stream that is neither sparse nor compressed is a contradiction, and so
// are a compressed stream's other counts.
func TestHolesHeld(t *testing.T) {
	const size = 16 * 4096
	for _, tt := range []struct {
		name   string
		runs   []ntfsimage.Run
		flags  uint16
		unit   byte
		edit   func(a []byte)
		proved bool
	}{
		{"sparse", []ntfsimage.Run{{LCN: 0, Length: 4}, {LCN: -1, Length: 12}}, attrFlagSparse, 0, nil, true},
		{"sparse in units", []ntfsimage.Run{{LCN: 0, Length: 4}, {LCN: -1, Length: 12}}, attrFlagSparse, 4, nil, true},
		{"neither", []ntfsimage.Run{{LCN: 0, Length: 4}, {LCN: -1, Length: 12}}, 0, 0, nil, false},
		{"neither, all of it", []ntfsimage.Run{{LCN: -1, Length: 16}}, 0, 0, nil, false},
		{"compressed", []ntfsimage.Run{{LCN: 0, Length: 4}, {LCN: -1, Length: 12}}, 1, 4, nil, true},
		{"compressed in other units", []ntfsimage.Run{{LCN: 0, Length: 4}, {LCN: -1, Length: 12}}, 1, 3, nil, false},
		{"more is stored than it has", []ntfsimage.Run{{LCN: 0, Length: 4}, {LCN: -1, Length: 12}}, attrFlagSparse, 0, func(a []byte) { le.PutUint64(a[attrStored:], 5*4096) }, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := ntfsimage.New(ntfsimage.Params{})
			lcn := v.Alloc(4)
			for i := range tt.runs {
				if tt.runs[i].LCN == 0 {
					tt.runs[i].LCN = lcn
				}
			}
			n := v.AddFile(root, "x", ntfsimage.Stream{Runs: tt.runs, Size: size, Flags: tt.flags, Unit: tt.unit})
			v.Finish()
			if tt.edit != nil {
				v.EditRecord(n, func(b []byte) { tt.edit(b[attrAt(b, attrData, false):]) })
			}
			if l := list(t, v.Image); l.proved("x") != tt.proved {
				t.Errorf("%+v", l.file(t, "x"))
			}
		})
	}
}

// An encrypted file is of no use without its keys.
func TestEncryptedWithoutKeys(t *testing.T) {
	data := ntfsimage.Content(14, 3*4096)
	keys := func(v *ntfsimage.Volume, far bool) []byte {
		if !far {
			return ntfsimage.Resident(uint32(attrLogged), "$EFS", make([]byte, 400))
		}
		return v.NonResident(uint32(attrLogged), "$EFS", []ntfsimage.Run{{LCN: v.Alloc(1), Length: 1}}, 0, 600, 600, 0, 0)
	}
	for _, tt := range []struct {
		name             string
		keys, far, plain bool
		unread           func(v *ntfsimage.Volume, n uint64) span
		proved           bool
	}{
		{name: "with its keys", keys: true, proved: true},
		{name: "with keys in clusters", keys: true, far: true, proved: true},
		{name: "no keys"},
		{name: "keys unread", keys: true, unread: func(v *ntfsimage.Volume, n uint64) span { return span{v.RecordAt(n) + stride, stride} }},
		{name: "keys in clusters unread", keys: true, far: true, unread: func(v *ntfsimage.Volume, n uint64) span {
			b := v.Record(n)
			a := b[attrAt(b, attrLogged, true):]
			return span{v.At(int64(a[int(le.Uint16(a[attrRunsOff:]))+2])), stride}
		}},
		{name: "keys of a file that is not encrypted", keys: true, plain: true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := ntfsimage.New(ntfsimage.Params{})
			f := ntfsimage.File{Names: win(root, "x"), Streams: []ntfsimage.Stream{{Data: data, Flags: attrFlagEncrypted}}}
			if tt.plain {
				f.Streams[0].Flags = 0
			}
			if tt.keys {
				f.Extra = [][]byte{keys(v, tt.far)}
			}
			n := v.Add(f)
			v.Finish()
			var unread []span
			if tt.unread != nil {
				unread = append(unread, tt.unread(v, n))
			}
			l := list(t, v.Image, unread...)
			if l.proved("x") != tt.proved || !tt.proved && !l.says("keys") {
				t.Errorf("%+v", l.file(t, "x"))
			}
		})
	}
}

// clearBit clears the bit of n in a bitmap.
func clearBit(b []byte, n uint64) { b[n/8] &^= 1 << (n % 8) }

// bitmapOf is the bitmap of the table, or of the volume, in the image.
func bitmapOf(v *ntfsimage.Volume, record uint64, typ attrType) []byte {
	b := v.Record(record)
	a := b[attrAt(b, typ, false):]
	m := a[le.Uint16(a[attrRunsOff:]):]
	nlen, noff := int(m[0]&15), int(m[0]>>4)
	return v.Image[v.At(signed(m[1+nlen:1+nlen+noff])):]
}

// Zeros where the bitmap or a folder has a file are a damaged record.
func TestZeroRecord(t *testing.T) {
	build := func() (*ntfsimage.Volume, uint64) {
		v := ntfsimage.New(ntfsimage.Params{})
		v.AddFile(root, "other", ntfsimage.Stream{Data: []byte("1"), Resident: true})
		n := v.AddFile(root, "x", ntfsimage.Stream{Data: ntfsimage.Content(15, 9000)})
		return v.Finish(), n
	}
	for _, tt := range []struct {
		name string
		bit  bool // the table's bitmap calls it used
		fill byte
	}{
		{"zeros, called used", true, 0},
		{"zeros, called free, and named", false, 0},
		{"noise, called used", true, 0xa7},
		{"noise, called free, and named", false, 0xa7},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v, n := build()
			for i := range 1024 {
				v.Image[v.RecordAt(n)+int64(i)] = tt.fill
			}
			if !tt.bit {
				clearBit(bitmapOf(v, recMFT, attrBitmap), n)
			}
			l := list(t, v.Image)
			if f := l.file(t, "x"); !f.NameOnly || f.Size != 9000 || l.Complete || l.UnreadRecords != 1 {
				t.Errorf("%+v, %+v", f, l.Listing)
			}
		})
	}
	t.Run("zeros that nothing speaks of", func(t *testing.T) {
		v, n := build()
		for m := n + 1; m < uint64(v.P.Records); m++ {
			clear(v.Image[v.RecordAt(m):][:1024])
		}
		if l := list(t, v.Image); !l.Complete || len(l.Listing.Why) > 0 || len(l.paths) != 2 {
			t.Errorf("%q, %+v", l.paths, l.Listing)
		}
	})
	t.Run("zeros under an unread bitmap", func(t *testing.T) {
		v, n := build()
		clear(v.Image[v.RecordAt(n):][:1024])
		b := bitmapOf(v, recMFT, attrBitmap)
		at := int64(len(v.Image) - len(b))
		if l := list(t, v.Image, span{at, stride}); l.Complete || !l.file(t, "x").NameOnly {
			t.Errorf("%q, %+v", l.paths, l.Listing)
		}
	})
}

// A record in use that its bitmap, its folder and its clusters' bitmap call gone is
// not proved, and it is said; the table's bitmap alone is outvoted.
func TestRecordCalledGone(t *testing.T) {
	for _, tt := range []struct {
		name             string
		bit, folder, lcn bool // each calls it gone
		proved, complete bool
	}{
		{name: "none", proved: true, complete: true},
		{name: "all", bit: true, folder: true, lcn: true},
		{name: "the table's bitmap and its folder", bit: true, folder: true},
		{name: "the clusters' bitmap", lcn: true},
		{name: "the table's bitmap alone", bit: true, proved: true},
		{name: "the folder alone", folder: true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := ntfsimage.New(ntfsimage.Params{})
			data := ntfsimage.Content(16, 9000)
			name := win(root, "x")
			name[0].NotIndexed = tt.folder
			n := v.Add(ntfsimage.File{Names: name, Streams: []ntfsimage.Stream{{Data: data}}})
			v.AddFile(root, "y", ntfsimage.Stream{Data: data})
			v.Finish()
			if tt.bit {
				clearBit(bitmapOf(v, recMFT, attrBitmap), n)
			}
			if tt.lcn {
				clearBit(bitmapOf(v, recBitmap, attrData), uint64(v.Places[n][""][0].LCN))
			}
			l := list(t, v.Image)
			l.holds(t, v.Image, "y", data)
			if l.proved("x") != tt.proved || l.Complete != tt.complete || !tt.proved && !l.says("contradicted") || tt.bit && !l.says("bitmap calls free") {
				t.Errorf("%+v, %+v", l.file(t, "x"), l.Listing)
			}
		})
	}
}

// A file with a name among the system's own and one of a customer's is listed by that.
func TestNameBelowExtend(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	data := ntfsimage.Content(17, 9000)
	both := []ntfsimage.Name{{Parent: recExtend, Text: "$Hidden", Space: ntfsimage.POSIX}, {Parent: root, Text: "x", Space: ntfsimage.POSIX}}
	v.Add(ntfsimage.File{Names: both, Streams: []ntfsimage.Stream{{Data: data}}})
	v.AddFile(recExtend, "$Quota", ntfsimage.Stream{Data: data})
	v.Finish()
	l := list(t, v.Image)
	l.holds(t, v.Image, "x", data)
	if fmt.Sprint(l.paths) != "[x]" || !l.Complete {
		t.Errorf("%q, %+v", l.paths, l.Listing)
	}
	// a folder of the same number that is not the system's hides nothing
	v.EditRecord(recExtend, func(b []byte) { b[recordSeq]++ })
	if l = list(t, v.Image); len(l.files["?/11/$Quota"]) != 1 {
		t.Errorf("%q", l.paths)
	}
}

// A file that says that it stands in a folder that is none leaves the list open: a
// folder that was read may name another file.
func TestAdrift(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	x := v.AddFile(root, "x", ntfsimage.Stream{Data: []byte("adrift"), Resident: true})
	v.Finish()
	v.EditRecord(x, func(b []byte) {
		at := attrAt(b, attrFileName, false)
		b[at+int(le.Uint16(b[at+attrValueOff:]))+6]++ // the sequence of the folder's number
		le.PutUint32(b[at+int(le.Uint16(b[at+attrValueOff:])):], 40)
	})
	if l := list(t, v.Image); l.Complete || !l.says("folders that are none") {
		t.Errorf("%+v", l.Listing)
	}
}

// A file that says that it stands in the system's own folder, and is none of the
// system's, is listed.
func TestUnderExtend(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	x := v.AddFile(root, "x", ntfsimage.Stream{Data: []byte("a note"), Resident: true})
	v.Finish()
	v.EditRecord(x, func(b []byte) {
		at := attrAt(b, attrFileName, false)
		at += int(le.Uint16(b[at+attrValueOff:]))
		le.PutUint64(b[at:], 11|11<<48)
	})
	if l := list(t, v.Image); l.Complete || len(l.files["?/11/x"]) != 1 {
		t.Errorf("%+v, %+v", l.files, l.Listing)
	}
}

// Whether the volume is marked as dirty stands in one record: without it, and its
// copy, the list is not complete.
func TestDirtyUnread(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	v.AddFile(root, "x", ntfsimage.Stream{Data: []byte("a note"), Resident: true})
	v.Finish()
	v.EditRecord(recVolume, func(b []byte) { b[attrAt(b, attrVolumeInfo, false)] = 0xd0 })
	if l := list(t, v.Image); l.Complete || !l.says("marked as dirty was not read") {
		t.Errorf("%+v", l.Listing)
	}
	// the mirror alone says so
	v = ntfsimage.New(ntfsimage.Params{Dirty: true}).Finish()
	at := v.RecordAt(recVolume)
	dirty := bytes.Clone(v.Image[at : at+1024])
	clean := ntfsimage.New(ntfsimage.Params{}).Finish()
	copy(v.Image[at:], clean.Image[at:at+1024])
	if l := list(t, v.Image); l.Complete || bytes.Equal(dirty, v.Image[at:at+1024]) || !l.says("marked as dirty") {
		t.Errorf("%+v", l.Listing)
	}
}

// Records that the table's bitmap calls in use past the end that record 0 states are
// missing from the list.
func TestTableCutShort(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	var last uint64
	for i := range 20 {
		last = v.AddFile(root, fmt.Sprintf("x%d", i), ntfsimage.Stream{Data: []byte("a note"), Resident: true})
	}
	v.Finish()
	if l := list(t, v.Image); !l.Complete {
		t.Fatalf("%+v", l.Listing)
	}
	v.EditRecord(recMFT, func(b []byte) {
		at := attrAt(b, attrData, false)
		size := (last - 4) * 1024
		le.PutUint64(b[at+attrSize:], size)
		le.PutUint64(b[at+attrInit:], size)
	})
	if l := list(t, v.Image); l.Complete || l.UnreadRecords < 5 {
		t.Errorf("%+v", l.Listing)
	}
}
