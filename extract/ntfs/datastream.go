package ntfs

import (
	"cmp"
	"slices"

	"fileassay/extract"
)

// dataStream is a $DATA attribute put together from the records of a file.
type dataStream struct {
	name     []uint16   // nil for the file's own content
	resident *attribute // of one that stands in a record; nil for others
	inside   []extract.Piece
	mapping  mapping
	lack     string // why it is not known what the stream is, in words; "" if it is
}

// dataStreams are the $DATA attributes of a file, the unnamed one first.
func (t *table) dataStreams(f *fileRecords) []*dataStream {
	var out []*dataStream
	known := map[string]*dataStream{}
	stream := func(name string) *dataStream {
		s := known[name]
		if s == nil {
			s = &dataStream{name: utf16At([]byte(name), 0, len(name)/2)}
			out, known[name] = append(out, s), s
		}
		return s
	}
	for r, a := range f.of(attrData) {
		s := stream(a.key(r).name)
		switch {
		case !a.resident:
			s.mapping.add(t.area, r, a)
		case s.resident != nil:
			s.lack = "its records contradict each other: they hold two of it"
		default:
			s.resident, s.inside = a, t.inRecord(r, a.valueOff, a.valueLen)
		}
	}
	for k := range f.lacks {
		if k.typ == attrData {
			stream(k.name)
		}
	}
	for _, s := range out {
		s.mapping.settle()
		s.mapping.hold(t.cluster, f.all)
		s.lack = cmp.Or(f.lack(attrData, s.name), s.lack)
	}
	slices.SortFunc(out, func(a, b *dataStream) int { return slices.Compare(a.name, b.name) })
	return out
}

// holds reports whether the stream has any content.
func (s *dataStream) holds() bool {
	return s.lack != "" || s.resident != nil && s.resident.valueLen > 0 || s.mapping.size > 0 || len(s.mapping.runs) > 0
}

// fill sets a file's size and pieces.
func (s *dataStream) fill(f *extract.File) {
	m := &s.mapping
	if s.lack != "" {
		f.RecordUnread = true
		f.Why = append(f.Why, s.lack)
	}
	if s.resident != nil {
		if len(m.runs) > 0 || m.headed {
			f.Size = -1
			f.Why = append(f.Why, "its records contradict each other: its content stands in two places")
			return
		}
		f.Size, f.Pieces = int64(s.resident.valueLen), s.inside
		if s.resident.flags&attrFlagEncrypted != 0 && f.Size > 0 {
			f.RecordUnread = true
			f.Why = append(f.Why, "marked as encrypted, and it stands in its record, where no driver puts what is")
		}
		return
	}
	f.Why = append(f.Why, m.broken...)
	f.RecordUnread = f.RecordUnread || m.opposed
	if !m.headed {
		f.Size = -1
		f.Why = append(f.Why, "the record that states its size was not read")
		return
	}
	f.Size, f.Pieces = m.size, m.pieces()
	switch {
	case m.flags&attrFlagEncrypted != 0:
		f.Stored = extract.StoredEncrypted
		f.Why = append(f.Why, "encrypted by the system: readable only with the owner's key")
	case m.isPacked() && m.unit > 0:
		f.Stored = extract.StoredCompressed
		f.Packing = extract.Packing{Method: "lznt1", Unit: m.unit}
		if m.initialized < m.size {
			f.Packing.Valid = m.initialized
		}
	}
}

// plainStream is where a file's own content lies, where that is told of by
// extents of the content as it is; nil where not. Its size is the one that
// folders state, where no record that was read does.
func plainStream(streams []*dataStream, size int64) *mapping {
	if len(streams) == 0 || streams[0].name != nil || streams[0].resident != nil || streams[0].mapping.isPacked() {
		return nil
	}
	m := streams[0].mapping
	if !m.headed {
		m.size, m.initialized = size, size
	}
	return &m
}
