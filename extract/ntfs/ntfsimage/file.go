package ntfsimage

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"unicode/utf16"
)

// Namespaces of names.
const (
	POSIX, Win32, DOS, Win32DOS = 0, 1, 2, 3
)

// Name is one name of a file.
type Name struct {
	Parent     uint64
	ParentSeq  uint16 // 0 is the parent's own
	Text       string
	Units      []uint16 // in place of Text where not nil
	Space      byte
	NotIndexed bool // the folder's index does not have it
	Out        bool // it stands in a further record
}

// Run is a run of clusters; LCN -1 is a hole.
type Run struct{ LCN, Length int64 }

// Stream is a $DATA attribute of a file.
type Stream struct {
	Name     string
	Data     []byte
	Resident bool
	Runs     []Run // where it lies; nil is anywhere
	Pieces   int   // where Runs is nil: in so many fragments, apart
	Size     int64 // where Data is nil
	Init     int64 // valid bytes; 0 is all, -1 none
	Flags    uint16
	Unit     byte // clusters a compression unit, as a power of two
}

// File is what stands in a record of the table and its extension records.
type File struct {
	Number   uint64 // 0 is the next free one
	Seq      uint16 // 0 is 1
	Folder   bool
	Names    []Name
	Flags    uint32 // of $STANDARD_INFORMATION
	Modified int64  // 100 ns since 1601
	Streams  []Stream
	Reparse  []byte
	Extra    [][]byte // further attributes

	// RunsPerRecord splits streams into attributes of so many runs, each in a
	// record of its own but the first.
	RunsPerRecord int
	// DataOut and NamesOut move attributes out of the base record.
	DataOut, NamesOut bool
	// BlocksOut moves what tells of a folder's index blocks out of the base record.
	BlocksOut bool
	// ListOut makes the attribute list non-resident.
	ListOut bool
	// InBlocks makes the folder keep its names in index blocks even where they
	// are few.
	InBlocks bool
	// Stale are names in a further index block, which the folder's own bitmap
	// says is not in use.
	Stale []Name
	// StaleChild is the file that the stale names are of.
	StaleChild, StaleChildSeq uint64
}

// Add adds a file and returns its number.
func (v *Volume) Add(f File) uint64 {
	if f.Number == 0 {
		for v.used[v.number] {
			v.number++
		}
		f.Number = v.number
	}
	return v.add(f)
}

func (v *Volume) add(f File) uint64 {
	if f.Seq == 0 {
		f.Seq = 1
	}
	if f.Modified == 0 {
		f.Modified = 131000000000000000
	}
	v.used[f.Number] = true
	v.files[f.Number] = &f
	v.order = append(v.order, f.Number)
	return f.Number
}

// AddFile adds a file with one name and one stream.
func (v *Volume) AddFile(parent uint64, name string, s Stream) uint64 {
	return v.Add(File{Names: []Name{{Parent: parent, Text: name, Space: Win32}}, Streams: []Stream{s}})
}

// AddFolder adds a folder.
func (v *Volume) AddFolder(parent uint64, name string) uint64 {
	return v.Add(File{Folder: true, Names: []Name{{Parent: parent, Text: name, Space: Win32}}})
}

// Content is n bytes that occur nowhere else on a volume: each 16 bytes hold
// the id and their own place.
func Content(id uint64, n int) []byte {
	b := make([]byte, (n+15)/16*16)
	for i := 0; i < len(b); i += 16 {
		le.PutUint64(b[i:], id*0x9e3779b97f4a7c15|1<<63)
		le.PutUint64(b[i+8:], uint64(i)|0xa5a5<<48)
	}
	return b[:n]
}

func (v *Volume) ref(n uint64, seq uint16) uint64 {
	if seq == 0 {
		seq = 1
		if f := v.files[n]; f != nil {
			seq = f.Seq
		}
	}
	return n | uint64(seq)<<48
}

// fileName is a $FILE_NAME value (attributes/file_name.html).
func (v *Volume) fileName(f *File, m Name, fresh bool) []byte {
	units := m.Units
	if units == nil {
		units = utf16.Encode([]rune(m.Text))
	}
	b := make([]byte, 0x42+2*len(units))
	le.PutUint64(b, v.ref(m.Parent, m.ParentSeq))
	for i := range 4 {
		le.PutUint64(b[8+8*i:], uint64(f.Modified))
	}
	if fresh {
		for _, s := range f.Streams {
			if s.Name == "" {
				le.PutUint64(b[0x30:], uint64(s.size()))
				le.PutUint64(b[0x28:], uint64((s.size()+int64(v.P.Cluster)-1)/int64(v.P.Cluster)*int64(v.P.Cluster)))
			}
		}
	}
	flags := f.Flags
	if f.Folder {
		flags |= 0x10000000
	}
	le.PutUint32(b[0x38:], flags)
	b[0x40], b[0x41] = byte(len(units)), m.Space
	for i, u := range units {
		le.PutUint16(b[0x42+2*i:], u)
	}
	return b
}

func (s *Stream) size() int64 {
	if s.Data != nil {
		return int64(len(s.Data))
	}
	return s.Size
}

// Resident makes a resident attribute (concepts/attribute_header.html).
func Resident(typ uint32, name string, value []byte) []byte {
	units := utf16.Encode([]rune(name))
	at := (0x18 + 2*len(units) + 7) &^ 7
	b := make([]byte, (at+len(value)+7)&^7)
	le.PutUint32(b, typ)
	le.PutUint32(b[4:], uint32(len(b)))
	b[9] = byte(len(units))
	le.PutUint16(b[0x0a:], 0x18)
	le.PutUint32(b[0x10:], uint32(len(value)))
	le.PutUint16(b[0x14:], uint16(at))
	if typ == 0x30 {
		b[0x16] = 1
	}
	for i, u := range units {
		le.PutUint16(b[0x18+2*i:], u)
	}
	copy(b[at:], value)
	return b
}

// NonResident makes a non-resident attribute that maps runs from cluster
// lowest of the stream.
func (v *disk) NonResident(typ uint32, name string, runs []Run, lowest, size, init int64, flags uint16, unit byte) []byte {
	units := utf16.Encode([]rune(name))
	head := 0x40
	if flags&0x80ff != 0 && lowest == 0 { // compressed or sparse
		head = 0x48
	}
	m := Mapping(runs)
	at := (head + 2*len(units) + 7) &^ 7
	b := make([]byte, (at+len(m)+7)&^7)
	le.PutUint32(b, typ)
	le.PutUint32(b[4:], uint32(len(b)))
	b[8], b[9] = 1, byte(len(units))
	le.PutUint16(b[0x0a:], uint16(head))
	le.PutUint16(b[0x0c:], flags)
	le.PutUint64(b[0x10:], uint64(lowest))
	n := int64(0)
	stored := int64(0)
	for _, r := range runs {
		n += r.Length
		if r.LCN >= 0 {
			stored += r.Length
		}
	}
	le.PutUint64(b[0x18:], uint64(lowest+n-1))
	le.PutUint16(b[0x20:], uint16(at))
	b[0x22] = unit
	if lowest == 0 {
		all := (size + int64(v.P.Cluster) - 1) / int64(v.P.Cluster) * int64(v.P.Cluster)
		le.PutUint64(b[0x28:], uint64(max(all, n*int64(v.P.Cluster))))
		le.PutUint64(b[0x30:], uint64(size))
		le.PutUint64(b[0x38:], uint64(init))
		if head == 0x48 {
			le.PutUint64(b[0x40:], uint64(stored*int64(v.P.Cluster)))
		}
	}
	for i, u := range units {
		le.PutUint16(b[head+2*i:], u)
	}
	copy(b[at:], m)
	return b
}

// Mapping encodes runs (concepts/data_runs.html).
func Mapping(runs []Run) []byte {
	var out []byte
	prev := int64(0)
	for _, r := range runs {
		length := signedBytes(r.Length)
		var off []byte
		if r.LCN >= 0 {
			off = signedBytes(r.LCN - prev)
			prev = r.LCN
		}
		out = append(out, byte(len(length)|len(off)<<4))
		out = append(out, length...)
		out = append(out, off...)
	}
	return append(out, 0)
}

// signedBytes is the shortest two's complement form.
func signedBytes(n int64) []byte {
	var b []byte
	for {
		b = append(b, byte(n))
		if n>>7 == 0 || n>>7 == -1 {
			return b
		}
		n >>= 8
	}
}

// stored makes an attribute whose value lies in clusters of its own.
func (v *disk) stored(typ uint32, name string, data []byte, runs []Run) []byte {
	if runs == nil {
		runs = []Run{{v.Alloc(v.clustersOf(len(data))), v.clustersOf(len(data))}}
	}
	v.write(runs, data)
	return v.NonResident(typ, name, runs, 0, int64(len(data)), int64(len(data)), 0, 0)
}

// write puts data into runs; holes swallow theirs.
func (v *disk) write(runs []Run, data []byte) {
	for _, r := range runs {
		n := min(int64(len(data)), r.Length*int64(v.P.Cluster))
		if r.LCN >= 0 && r.LCN+r.Length <= v.P.Clusters {
			v.Use(r.LCN, r.Length)
			copy(v.Image[v.At(r.LCN):], data[:n])
		}
		data = data[n:]
	}
}

// patchContent writes new content into a record's non-resident attribute in
// one run.
func (v *fileTable) patchContent(n uint64, typ uint32, data []byte) {
	b := v.records[n]
	for off := int(le.Uint16(b[0x14:])); le.Uint32(b[off:]) != 0xffffffff; off += int(le.Uint32(b[off+4:])) {
		if le.Uint32(b[off:]) == typ {
			m := b[off+int(le.Uint16(b[off+0x20:])):]
			nlen, noff := int(m[0]&15), int(m[0]>>4)
			lcn := int64(0)
			for i := noff - 1; i >= 0; i-- {
				lcn = lcn<<8 | int64(m[1+nlen+i])
			}
			copy(v.Image[v.At(lcn):], data)
			return
		}
	}
	panic(fmt.Sprintf("ntfsimage: record %d has no attribute %#x", n, typ))
}

// attr is an attribute on its way to a record.
type attr struct {
	b       []byte
	lowest  int64
	out     bool // not in the base record
	rec     uint64
	ordinal uint16
}

func (a attr) typ() uint32 { return le.Uint32(a.b) }
func (a attr) name() []byte {
	n := int(a.b[9])
	at := int(le.Uint16(a.b[0x0a:]))
	if n == 0 {
		return nil
	}
	return a.b[at : at+2*n]
}

// lay makes the records of a file.
func (v *Volume) lay(f *File) {
	info := make([]byte, 0x48)
	for i := range 4 {
		le.PutUint64(info[8*i:], uint64(f.Modified))
	}
	le.PutUint32(info[0x20:], f.Flags)
	list := []attr{{b: Resident(0x10, "", info)}}
	for _, m := range f.Names {
		list = append(list, attr{b: Resident(0x30, "", v.fileName(f, m, false)), out: f.NamesOut || m.Out})
	}
	v.Places[f.Number] = map[string][]Run{}
	for i := range f.Streams {
		list = append(list, v.streamAttrs(f, &f.Streams[i])...)
	}
	if f.Reparse != nil {
		list = append(list, attr{b: Resident(0xc0, "", f.Reparse)})
	}
	for _, b := range f.Extra {
		list = append(list, attr{b: b, out: f.BlocksOut && le.Uint32(b) == 0xa0})
	}
	slices.SortStableFunc(list, func(a, b attr) int {
		return cmp.Or(cmp.Compare(a.typ(), b.typ()), bytes.Compare(a.name(), b.name()), cmp.Compare(a.lowest, b.lowest))
	})
	total, out := 0, false
	for _, a := range list {
		total += len(a.b)
		out = out || a.out
	}
	room := v.P.Record - v.firstAttr() - 8
	if !out && total <= room {
		v.put(f.Number, f, 0, list, nil)
		return
	}
	// an attribute list, and as much in the base as fits beside it
	listSize := 0
	for _, a := range list {
		listSize += (0x1a + len(a.name()) + 7) &^ 7
	}
	inBase := (0x18 + listSize + 7) &^ 7
	if f.ListOut || inBase > room/3 {
		inBase = 0x60
		f.ListOut = true
	}
	left := room - inBase
	ext := uint64(0)
	extLeft := 0
	for i := range list {
		a := &list[i]
		n := len(a.b)
		if !a.out && n <= left {
			a.rec = f.Number
			left -= n
			continue
		}
		if ext == 0 || extLeft < n || a.lowest > 0 {
			ext = v.extension(f.Number)
			extLeft = room
		}
		a.rec = ext
		extLeft -= n
	}
	value := make([]byte, 0, listSize)
	count := map[uint64]uint16{}
	for i := range list {
		a := &list[i]
		a.ordinal = count[a.rec]
		if a.rec == f.Number && a.typ() > 0x20 {
			a.ordinal++ // the list itself stands before it
		}
		count[a.rec]++
		e := make([]byte, (0x1a+len(a.name())+7)&^7)
		le.PutUint32(e, a.typ())
		le.PutUint16(e[4:], uint16(len(e)))
		e[6], e[7] = byte(len(a.name())/2), 0x1a
		le.PutUint64(e[8:], uint64(a.lowest))
		seq := f.Seq
		if a.rec != f.Number {
			seq = 1
		}
		le.PutUint64(e[0x10:], a.rec|uint64(seq)<<48)
		le.PutUint16(e[0x18:], a.ordinal)
		copy(e[0x1a:], a.name())
		value = append(value, e...)
	}
	var listAttr []byte
	if f.ListOut {
		listAttr = v.stored(0x20, "", value, nil)
	} else {
		listAttr = Resident(0x20, "", value)
	}
	v.put(f.Number, f, 0, list, listAttr)
	for _, x := range v.Extensions[f.Number] {
		v.put(x, f, f.Number|uint64(f.Seq)<<48, list, nil)
	}
}

// extension takes a record for further attributes of another.
func (v *Volume) extension(base uint64) uint64 {
	n := v.number
	if base < 16 {
		n = 16
	}
	for v.used[n] {
		n++
	}
	v.used[n] = true
	v.Extensions[base] = append(v.Extensions[base], n)
	return n
}

// put makes one record with those of the attributes that go there.
func (v *fileTable) put(n uint64, f *File, base uint64, list []attr, attrList []byte) {
	var attrs [][]byte
	for _, a := range list {
		if a.rec == n || a.rec == 0 && base == 0 && attrList == nil {
			attrs = append(attrs, a.b)
		}
	}
	if attrList != nil {
		i := slices.IndexFunc(attrs, func(b []byte) bool { return le.Uint32(b) > 0x20 })
		if i < 0 {
			i = len(attrs)
		}
		attrs = slices.Insert(attrs, i, attrList)
	}
	flags := uint16(1)
	seq := f.Seq
	if base != 0 {
		seq = 1
	} else if f.Folder {
		flags |= 2
	}
	v.records[n] = v.header(n, seq, flags, uint16(len(f.Names)), attrs)
	le.PutUint64(v.records[n][0x20:], base)
	if base != 0 {
		le.PutUint16(v.records[n][0x12:], 0)
	}
}

func (v *disk) firstAttr() int { return (0x30 + 2*(v.P.Record/512+1) + 7) &^ 7 }

// header makes a record (concepts/file_record.html).
func (v *fileTable) header(n uint64, seq, flags, links uint16, attrs [][]byte) []byte {
	b := make([]byte, v.P.Record)
	copy(b, "FILE")
	le.PutUint16(b[4:], 0x30)
	le.PutUint16(b[6:], uint16(v.P.Record/512+1))
	le.PutUint16(b[0x10:], max(seq, 1))
	le.PutUint16(b[0x12:], links)
	le.PutUint16(b[0x14:], uint16(v.firstAttr()))
	le.PutUint16(b[0x16:], flags)
	le.PutUint32(b[0x1c:], uint32(v.P.Record))
	le.PutUint16(b[0x28:], uint16(len(attrs)))
	le.PutUint32(b[0x2c:], uint32(n))
	at := v.firstAttr()
	for i, a := range attrs {
		if at+len(a)+8 > len(b) {
			panic(fmt.Sprintf("ntfsimage: record %d overflows", n))
		}
		copy(b[at:], a)
		le.PutUint16(b[at+0x0e:], uint16(i))
		at += len(a)
	}
	le.PutUint32(b[at:], 0xffffffff)
	le.PutUint32(b[0x18:], uint32(at+8))
	return b
}

// streamAttrs lays out one stream.
func (v *Volume) streamAttrs(f *File, s *Stream) []attr {
	if s.Resident || s.Runs == nil && s.size() == 0 {
		return []attr{{b: Resident(0x80, s.Name, s.Data), out: f.DataOut}}
	}
	if s.Runs == nil {
		n := v.clustersOf(int(s.size()))
		pieces := min(max(int64(s.Pieces), 1), n)
		for i := range pieces {
			l := n / pieces
			if i == pieces-1 {
				l = n - l*(pieces-1)
			}
			s.Runs = append(s.Runs, Run{v.Alloc(l), l})
			if i < pieces-1 {
				v.next++ // apart from the next
			}
		}
	}
	v.Places[f.Number][s.Name] = s.Runs
	init := s.Init
	switch init {
	case 0:
		init = s.size()
	case -1:
		init = 0
	}
	v.write(s.Runs, s.Data)
	per := len(s.Runs)
	if f.RunsPerRecord > 0 {
		per = f.RunsPerRecord
	}
	var out []attr
	lowest := int64(0)
	for i := 0; i == 0 || i < len(s.Runs); i += max(per, 1) {
		part := s.Runs[i:min(i+per, len(s.Runs))]
		out = append(out, attr{b: v.NonResident(0x80, s.Name, part, lowest, s.size(), init, s.Flags, s.Unit),
			lowest: lowest, out: f.DataOut || i > 0})
		for _, r := range part {
			lowest += r.Length
		}
	}
	return out
}
