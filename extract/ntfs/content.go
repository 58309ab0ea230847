package ntfs

import (
	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// pieces is the content of a settled, non-resident stream.
func (m *mapping) pieces() []extract.Piece {
	if m.isPacked() && m.unit > 0 {
		return m.packedPieces()
	}
	var w pieceWriter
	valid := min(m.initialized, m.size)
	for _, r := range m.runs {
		from, to := r.Offset, min(r.Offset+r.Length, m.size)
		if from >= to {
			continue
		}
		w.upTo(min(from, valid), extract.Unlocated)
		w.upTo(from, extract.Hole) // past the valid bytes all is zeros, wherever it lies
		if r.Image != hole {
			w.data(cut(r, from, min(to, max(from, valid))))
		}
		w.upTo(to, extract.Hole)
	}
	w.upTo(valid, extract.Unlocated)
	w.upTo(m.size, extract.Hole)
	return w.list
}

// isPacked reports whether any of the stream's attributes says that it is kept
// in compression units.
func (m *mapping) isPacked() bool { return m.flags&attrFlagsCompress != 0 }

// pieceWriter lays pieces one behind the other.
type pieceWriter struct {
	list []extract.Piece
	pos  int64
}

// upTo fills from where the pieces end to end with one of a kind that has no
// place.
func (w *pieceWriter) upTo(end int64, kind extract.PieceKind) {
	if end <= w.pos {
		return
	}
	if n := len(w.list); n > 0 && w.list[n-1].Kind == kind {
		w.list[n-1].Length += end - w.pos
	} else {
		w.list = append(w.list, extract.Piece{Offset: w.pos, Length: end - w.pos, Kind: kind})
	}
	w.pos = end
}

// data adds an extent of the content.
func (w *pieceWriter) data(e extract.Extent) {
	end := e.Offset + e.Length
	e = cut(e, max(e.Offset, w.pos), end) // all of it, for settled runs
	if e.Length <= 0 {
		return
	}
	w.pos = end
	if n := len(w.list); n > 0 {
		last := &w.list[n-1]
		if last.Kind == extract.Data && last.Image+last.Length == e.Image && last.Offset+last.Length == e.Offset {
			last.Length += e.Length
			return
		}
	}
	w.list = append(w.list, extract.Piece{Offset: e.Offset, Length: e.Length, Kind: extract.Data, Image: e.Image})
}

// unit adds content up to end that is stored as a whole in extents.
func (w *pieceWriter) unit(end int64, stored []extract.Extent) {
	w.list = append(w.list, extract.Piece{Offset: w.pos, Length: end - w.pos, Kind: extract.Unit, Units: stored})
	w.pos = end
}

// patched adds one byte that lies at image and is vouched for by the one at
// also; below 0 where they have no place.
func (w *pieceWriter) patched(image, also int64) {
	if image < 0 || also < 0 {
		w.upTo(w.pos+1, extract.Unlocated)
		return
	}
	w.pos++
	if n := len(w.list); n > 0 {
		last := &w.list[n-1]
		if last.Kind == extract.Patched && last.Image+last.Length == image && last.Also+last.AlsoLength == also {
			last.Length++
			last.AlsoLength++
			return
		}
	}
	w.list = append(w.list, extract.Piece{Offset: w.pos - 1, Length: 1, Kind: extract.Patched, Image: image, Also: also, AlsoLength: 1})
}

// packedPieces is the content of a stream that is kept in compression
// units [docs: concepts/data_runs.html, compressed files]: a unit with all its
// clusters is stored plain, one with none is a hole, any other is compressed
// as a whole.
func (m *mapping) packedPieces() []extract.Piece {
	var w pieceWriter
	valid := min(m.initialized, m.size)
	i := 0
	for at := int64(0); at < m.size; at += m.unit {
		if at >= valid {
			w.upTo(m.size, extract.Hole)
			break
		}
		end := min(at+m.unit, m.size)
		for i < len(m.runs) && m.runs[i].Offset+m.runs[i].Length <= at {
			i++
		}
		if i == len(m.runs) {
			w.upTo(m.size, extract.Unlocated)
			break
		}
		// a run that covers many units goes at once
		if r := m.runs[i]; r.Offset <= at {
			if whole := (r.Offset + r.Length - at) / m.unit * m.unit; whole > 0 {
				stop := min(at+whole, m.size)
				if r.Image != hole {
					w.data(cut(r, at, min(stop, valid)))
				}
				w.upTo(stop, extract.Hole)
				at += whole - m.unit
				continue
			}
		}
		stored, have, mapped := unitExtents(m.runs[i:], at, at+m.unit)
		switch {
		case mapped < m.unit:
			w.upTo(end, extract.Unlocated)
		case have == 0:
			w.upTo(end, extract.Hole)
		case have == m.unit:
			for _, e := range stored {
				w.data(cut(e, e.Offset, min(e.Offset+e.Length, end, valid)))
			}
			w.upTo(end, extract.Hole)
		default:
			w.unit(min(end, valid), stored)
			w.upTo(end, extract.Hole) // what the unit holds past the valid bytes is no content
		}
	}
	return w.list
}

// unitExtents are the stored extents of the unit [from, to) of a stream;
// mapped counts its bytes that are stored or a hole by the runs.
func unitExtents(runs []extract.Extent, from, to int64) (stored []extract.Extent, have, mapped int64) {
	for _, r := range runs {
		if r.Offset >= to {
			break
		}
		e := cut(r, max(r.Offset, from), min(r.Offset+r.Length, to))
		if e.Length <= 0 {
			continue
		}
		mapped += e.Length
		if e.Image != hole {
			have += e.Length
			stored = append(stored, e)
		}
	}
	return stored, have, mapped
}

// inRecord is content of n bytes that stands inside a record from off. Torn
// strides do not hold it; the last two bytes of each stride stand in the
// record's update sequence.
func (t *table) inRecord(rec *record, off, n int) []extract.Piece {
	var w pieceWriter
	s, base := t.holder(rec.number), int64(rec.number)*t.recordSize
	end := off + n
	for at := off; at < end; {
		i := at / stride
		plain := min(i*stride+stride-2, end)
		stop := min((i+1)*stride, end)
		if ranges.Touches(rec.torn, int64(at), int64(at)+1) {
			w.upTo(int64(stop-off), extract.Unlocated)
			at = stop
			continue
		}
		if at < plain { // they may lie in several extents of the table
			for e := range s.parts(base+int64(at), int64(plain-at)) {
				if e.Offset -= base + int64(off); e.Image < 0 {
					w.upTo(e.Offset+e.Length, extract.Unlocated)
				} else {
					w.data(e)
				}
			}
			at = plain
		}
		for ; at < stop; at++ { // one byte at a time: a value may begin between the two
			w.patched(s.place(base+int64(rec.array+2*(i+1)+at-(i*stride+stride-2))), s.place(base+int64(at)))
		}
	}
	return w.list
}

// residentStream reads a resident value as a stream; a value in torn or unread
// strides has gaps.
func (t *table) residentStream(rec *record, a *attribute) *stream {
	return pieceStream(t.r, int64(a.valueLen), t.inRecord(rec, a.valueOff, a.valueLen))
}

// pieceStream reads the first bytes of content by its pieces.
func pieceStream(r *image.Reader, size int64, pieces []extract.Piece) *stream {
	s := &stream{r: r, size: size}
	for _, p := range pieces {
		e := extract.Extent{Offset: p.Offset, Image: p.Image, Length: p.Length}
		switch p.Kind {
		case extract.Data, extract.Patched:
		case extract.Hole:
			e.Image = hole
		default:
			continue
		}
		s.extents = append(s.extents, e)
	}
	return s
}
