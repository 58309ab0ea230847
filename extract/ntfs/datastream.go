package ntfs

import (
	"slices"

	"fileassay/extract"
)

// dataStream is a $DATA attribute put together from the records of a file.
type dataStream struct {
	name     []uint16   // nil for the file's own content
	resident *attribute // of one that stands in a record; nil for others
	inside   []extract.Piece
	mapping  mapping
}

// dataStreams are the $DATA attributes of a file, the unnamed one first.
func (t *table) dataStreams(f *fileRecords) []dataStream {
	var out []dataStream
	known := map[string]int{} // by the units of their names
	for r, a := range f.of(attrData) {
		units := string(r.data.Data[a.nameOff : a.nameOff+2*a.nameLen])
		k, ok := known[units]
		if !ok {
			out = append(out, dataStream{name: a.name(r)})
			k = len(out) - 1
			known[units] = k
		}
		s := &out[k]
		if !a.resident {
			s.mapping.add(t.area, r, a)
		} else if s.resident == nil {
			s.resident, s.inside = a, t.inRecord(r, a.valueOff, a.valueLen)
		}
	}
	for i := range out {
		out[i].mapping.settle()
	}
	slices.SortStableFunc(out, func(a, b dataStream) int { return slices.Compare(a.name, b.name) })
	return out
}

// fill sets a file's size and pieces.
func (s *dataStream) fill(f *extract.File) {
	m := &s.mapping
	if s.resident != nil {
		if len(m.runs) > 0 || m.headed {
			f.Size = -1
			f.Why = append(f.Why, "its records contradict each other: its content stands in two places")
			return
		}
		f.Size, f.Pieces = int64(s.resident.valueLen), s.inside
		return
	}
	f.Why = append(f.Why, m.broken...)
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
	case m.isPacked() && f.Size > 0:
		f.RecordUnread = true
		f.Why = append(f.Why, "its record says that it is compressed, and not in what units")
	}
}

// plainStream is where a file's own content lies, where that is told of by
// extents of the content as it is; nil where not. Its size is the one that
// folders state, where no record that was read does.
func plainStream(streams []dataStream, size int64) *mapping {
	if len(streams) == 0 || streams[0].name != nil || streams[0].resident != nil || streams[0].mapping.isPacked() {
		return nil
	}
	m := streams[0].mapping
	if !m.headed {
		m.size, m.initialized = size, size
	}
	return &m
}
