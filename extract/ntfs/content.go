package ntfs

import (
	"fileassay/extract"
)

// pieces is the content of a settled, non-resident stream.
func (v *Volume) pieces(m *mapping) []extract.Piece {
	if m.flags&attrFlagsCompress != 0 && m.unitShift > 0 {
		return v.compressedPieces(m)
	}
	var w pieceWriter
	valid := min(m.initialized, m.size)
	for _, r := range m.runs {
		from, to := r.vcn*v.cluster, min((r.vcn+r.length)*v.cluster, m.size)
		if from >= to {
			continue
		}
		stored := min(to, max(from, valid))
		w.upTo(min(from, valid), extract.Unlocated)
		w.upTo(from, extract.Hole) // past the valid bytes all is zeros, wherever it lies
		if r.lcn == noCluster {
			w.upTo(to, extract.Hole)
			continue
		}
		w.data(from, stored, v.start+r.lcn*v.cluster)
		w.upTo(to, extract.Hole)
	}
	w.upTo(valid, extract.Unlocated)
	w.upTo(m.size, extract.Hole)
	return w.list
}

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

// data adds [from, to) of the content, which lies at image.
func (w *pieceWriter) data(from, to, image int64) {
	if from < w.pos { // never so for settled runs
		image += w.pos - from
		from = w.pos
	}
	if from >= to {
		return
	}
	if n := len(w.list); n > 0 {
		last := &w.list[n-1]
		if last.Kind == extract.Data && last.Image+last.Length == image && last.Offset+last.Length == from {
			last.Length += to - from
			w.pos = to
			return
		}
	}
	w.list = append(w.list, extract.Piece{Offset: from, Length: to - from, Kind: extract.Data, Image: image})
	w.pos = to
}

// compressedPieces is the content of a stream that is kept in compression
// units [docs: concepts/data_runs.html, compressed files]: a unit with all its
// clusters is stored plain, one with none is a hole, any other is compressed
// as a whole.
func (v *Volume) compressedPieces(m *mapping) []extract.Piece {
	var w pieceWriter
	unit := v.cluster << m.unitShift
	valid := min(m.initialized, m.size)
	i := 0
	for at := int64(0); at < m.size; at += unit {
		if at >= valid {
			w.upTo(m.size, extract.Hole)
			break
		}
		end := min(at+unit, m.size)
		for i < len(m.runs) && (m.runs[i].vcn+m.runs[i].length)*v.cluster <= at {
			i++
		}
		if i == len(m.runs) {
			w.upTo(m.size, extract.Unlocated)
			break
		}
		// a run that covers many units goes at once
		if r := m.runs[i]; r.vcn*v.cluster <= at {
			if whole := ((r.vcn+r.length)*v.cluster - at) / unit * unit; whole > 0 {
				stop := min(at+whole, m.size)
				if r.lcn == noCluster {
					w.upTo(stop, extract.Hole)
				} else {
					stored := min(stop, valid)
					w.data(at, stored, v.start+r.lcn*v.cluster+at-r.vcn*v.cluster)
					w.upTo(stop, extract.Hole)
				}
				at += whole - unit
				continue
			}
		}
		stored, have, mapped := unitExtents(m.runs[i:], v, at, at+unit)
		switch {
		case mapped < unit:
			w.upTo(end, extract.Unlocated)
		case have == 0:
			w.upTo(end, extract.Hole)
		case have == unit:
			for _, e := range stored {
				w.data(e.Offset, min(e.Offset+e.Length, end, valid), e.Image)
			}
			w.upTo(end, extract.Hole)
		default:
			w.list = append(w.list, extract.Piece{Offset: at, Length: min(end, valid) - at, Kind: extract.Unit, Units: stored})
			w.pos = min(end, valid)
			w.upTo(end, extract.Hole) // what the unit holds past the valid bytes is no content
		}
	}
	return w.list
}

// unitExtents are the stored extents of the unit [from, to) of a stream;
// mapped counts its bytes that are stored or a hole by the runs.
func unitExtents(runs []run, v *Volume, from, to int64) (stored []extract.Extent, have, mapped int64) {
	for _, r := range runs {
		a, z := max(r.vcn*v.cluster, from), min((r.vcn+r.length)*v.cluster, to)
		if r.vcn*v.cluster >= to {
			break
		}
		if a >= z {
			continue
		}
		mapped += z - a
		if r.lcn == noCluster {
			continue
		}
		have += z - a
		stored = append(stored, extract.Extent{Offset: a, Image: v.start + r.lcn*v.cluster + a - r.vcn*v.cluster, Length: z - a})
	}
	return stored, have, mapped
}

// residentPieces is content that stands inside a record. Torn strides do not
// hold it; the last two bytes of each stride stand in the record's update
// sequence.
func (v *Volume) residentPieces(rec *record, a *attribute) []extract.Piece {
	return v.inRecord(rec, a.valueOff, a.valueLen)
}

// inRecord is the content of n bytes of a record from off.
func (v *Volume) inRecord(rec *record, off, n int) []extract.Piece {
	var w pieceWriter
	end := off + n
	for at := off; at < end; {
		s := at / stride
		plain := min(s*stride+stride-2, end)
		stop := min((s+1)*stride, end)
		content := int64(at - off)
		if rec.torn.has(int64(s)) {
			w.upTo(int64(stop-off), extract.Unlocated)
			at = stop
			continue
		}
		if at < plain {
			v.placed(rec, at, plain-at, content, &w)
			at = plain
		}
		for at < stop { // one byte at a time: a value may begin between the two
			guard := rec.us.offset + 2*(s+1) + at - (s*stride + stride - 2)
			from, to := v.recordByte(rec, guard), v.recordByte(rec, at)
			if from < 0 || to < 0 {
				w.upTo(int64(at+1-off), extract.Unlocated)
			} else if k := len(w.list); k > 0 && w.list[k-1].Kind == extract.Patched && w.list[k-1].Image+w.list[k-1].Length == from &&
				w.list[k-1].Also+w.list[k-1].AlsoLength == to {
				w.list[k-1].Length++
				w.list[k-1].AlsoLength++
				w.pos++
			} else {
				w.list = append(w.list, extract.Piece{Offset: int64(at - off), Length: 1, Kind: extract.Patched, Image: from, Also: to, AlsoLength: 1})
				w.pos++
			}
			at++
		}
	}
	return w.list
}

// placed adds n plain bytes of a record from at, which may lie in several
// extents of the table.
func (v *Volume) placed(rec *record, at, n int, content int64, w *pieceWriter) {
	t := v.table
	if t.isMirrored(rec.number) {
		w.data(content, content+int64(n), t.mirror+int64(rec.number)*t.recordSize+int64(at))
		return
	}
	base := int64(rec.number)*t.recordSize + int64(at)
	t.located(base, int64(n), func(off, image, length int64, located bool) {
		from := content + off - base
		if !located || image < 0 {
			w.upTo(from+length, extract.Unlocated)
			return
		}
		w.data(from, from+length, image)
	})
}

// recordByte is where a byte of a record lies in the image; -1 where not
// known.
func (v *Volume) recordByte(rec *record, at int) int64 {
	t := v.table
	if t.isMirrored(rec.number) {
		return t.mirror + int64(rec.number)*t.recordSize + int64(at)
	}
	where := int64(-1)
	t.located(int64(rec.number)*t.recordSize+int64(at), 1, func(_, image, _ int64, located bool) {
		if located {
			where = image
		}
	})
	return where
}

// residentStream reads a resident value as a stream; a value in torn or unread
// strides has gaps.
func (v *Volume) residentStream(rec *record, a *attribute) *stream {
	s := &stream{r: v.r, size: int64(a.valueLen)}
	for _, p := range v.residentPieces(rec, a) {
		if p.Kind == extract.Data || p.Kind == extract.Patched {
			s.extents = append(s.extents, extract.Extent{Offset: p.Offset, Image: p.Image, Length: p.Length})
		}
	}
	return s
}

// gather puts a stream together from the unnamed attributes of a type in a
// record and its extension records; nil where none was found or it is
// resident.
func (v *Volume) gather(rec *record, typ attrType, exts []*record) *mapping {
	return v.gatherNamed(rec, typ, "", exts)
}

func (v *Volume) gatherNamed(rec *record, typ attrType, name string, exts []*record) *mapping {
	var m *mapping
	add := func(r *record) {
		for i := range r.attrs {
			a := &r.attrs[i]
			if a.typ != typ || a.resident || !a.isNamed(r.data, name) {
				continue
			}
			if m == nil {
				m = &mapping{}
			}
			m.add(r, a, v.clusters)
		}
	}
	add(rec)
	for _, x := range exts {
		add(x)
	}
	if m != nil {
		m.settle()
	}
	return m
}
