package verify

import (
	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// Judgement is the verdict on one file with what it rests on.
type Judgement struct {
	Verdict result.Verdict
	Counted bool // false where the size is unknown: Bytes then means nothing
	Bytes   result.Bytes
	Extents []extract.Extent // stored bytes in file order, merged where contiguous
	Patched []extract.Extent // content bytes kept apart from their neighbours
	Holes   int64            // content bytes without storage
	Packed  [][]int64        // [Packing.Units]; nil where the file does not say how it is packed
	Damage  []result.Damage
	Needs   [][2]int64 // [offset, length] of unread metadata that would tell more
	Heads   []int      // that serve the unread places, in order; nil where no head map was given
	NoHead  bool       // a head map was given, and names no head for some unread place

	unread []imap.Range // image ranges behind Damage
}

// Judge crosses a file's pieces with the imaging map.
func Judge(f *extract.File, r *image.Reader) Judgement {
	j := Judgement{}
	if f.Kind == extract.KindFolder || f.Kind == extract.KindLink {
		j.Counted = f.Size >= 0
		j.Verdict = result.Intact
		switch {
		case f.NameOnly:
			j.Verdict = result.Lost
		case f.EntriesUnread || f.RecordUnread:
			j.Verdict = result.Damaged
		}
		if f.Size <= 0 {
			return j
		}
	}
	if f.Size < 0 {
		return judgeUnsized(f, r)
	}
	j.Counted = true
	held := j.Verdict // of a link with content
	pos := int64(0)
	for i := range f.Pieces {
		p := f.Pieces[i]
		if p.Offset+p.Length <= pos || p.Offset >= f.Size {
			continue
		}
		if p.Offset > pos {
			j.lose(pos, p.Offset-pos)
			pos = p.Offset
		}
		if cut := pos - p.Offset; cut > 0 && p.Kind != extract.Unit {
			p.Offset, p.Length, p.Image = pos, p.Length-cut, p.Image+cut
		} else if cut > 0 {
			p.Offset, p.Length = pos, p.Length-cut
		}
		p.Length = min(p.Length, f.Size-p.Offset)
		switch p.Kind {
		case extract.Hole:
			j.Bytes.Read += p.Length
			j.Holes += p.Length
		case extract.Data:
			j.data(r, p)
		case extract.Patched:
			j.patched(r, p)
		case extract.Unit:
			j.unit(r, p)
			j.packed(f, &p)
		default:
			j.lose(p.Offset, p.Length)
		}
		pos = p.Offset + p.Length
	}
	if pos < f.Size {
		j.lose(pos, f.Size-pos)
	}
	switch {
	case f.NameOnly:
		j.Verdict = result.Lost
	case j.Bytes.Read == f.Size: // an empty file too
		j.Verdict = result.Intact
		if f.RecordUnread {
			j.Verdict = result.Damaged
		}
	case j.Bytes.Read-j.Holes+j.Bytes.Doubtful == 0:
		j.Verdict = result.Lost
	default:
		j.Verdict = result.Damaged
	}
	if held == result.Damaged && j.Verdict == result.Intact {
		j.Verdict = result.Damaged
	}
	return j
}

// judgeUnsized judges a file whose size is not known: lost, unless content of
// it is located and read. Its bytes are not counted, but its extents are told,
// since they may be all there is of it.
func judgeUnsized(f *extract.File, r *image.Reader) Judgement {
	if f.NameOnly || len(f.Pieces) == 0 {
		return Judgement{Verdict: result.Lost}
	}
	located := *f
	last := f.Pieces[len(f.Pieces)-1]
	located.Size = last.Offset + last.Length
	located.RecordUnread = true // never intact
	j := Judge(&located, r)
	j.Counted, j.Bytes = false, result.Bytes{}
	return j
}

func (j *Judgement) lose(off, n int64) {
	j.Bytes.Unlocated += n
	j.hurt(result.Damage{Offset: off, Image: -1, Length: n, What: result.Unlocated})
}

// hurt notes damage, joined with the damage before it where it continues it.
func (j *Judgement) hurt(d result.Damage) {
	if n := len(j.Damage); n > 0 {
		last := &j.Damage[n-1]
		if last.What == d.What && last.Offset+last.Length == d.Offset &&
			(last.Image < 0 && d.Image < 0 || last.Image >= 0 && last.Image+last.Length == d.Image) {
			last.Length += d.Length
			return
		}
	}
	j.Damage = append(j.Damage, d)
}

func (j *Judgement) stored(e extract.Extent) {
	if n := len(j.Extents); n > 0 {
		last := &j.Extents[n-1]
		if last.Offset+last.Length == e.Offset && last.Image+last.Length == e.Image {
			last.Length += e.Length
			return
		}
	}
	j.Extents = append(j.Extents, e)
}

func (j *Judgement) data(r *image.Reader, p extract.Piece) {
	j.stored(extract.Extent{Offset: p.Offset, Image: p.Image, Length: p.Length})
	if r.IsRead(p.Image, p.Length) {
		j.Bytes.Read += p.Length
		return
	}
	for s := range r.Over(p.Image, p.Length) {
		j.Bytes.Count(s.State, s.Length)
		if s.State != imap.Read {
			j.hurt(result.Damage{Offset: p.Offset + s.Start - p.Image, Image: s.Start, Length: s.Length, What: s.State.String()})
			j.unread = append(j.unread, s)
		}
	}
}

// worst is the worst state in [off, off+n), with where it begins; the unread
// ranges are noted.
func (j *Judgement) worst(r *image.Reader, off, n int64) (imap.State, int64) {
	state, at := imap.Read, int64(-1)
	if r.IsRead(off, n) {
		return state, at
	}
	for s := range r.Over(off, n) {
		if s.State == imap.Read {
			continue
		}
		j.unread = append(j.unread, s)
		if s.State > state {
			state = s.State
		}
		if at < 0 {
			at = s.Start
		}
	}
	return state, at
}

func (j *Judgement) patched(r *image.Reader, p extract.Piece) {
	j.Patched = append(j.Patched, extract.Extent{Offset: p.Offset, Image: p.Image, Length: p.Length})
	state, at := j.worst(r, p.Image, p.Length)
	if p.AlsoLength > 0 {
		if s, a := j.worst(r, p.Also, p.AlsoLength); s > state {
			state, at = s, a
		}
	}
	j.count(p, state, at)
}

// count counts a piece that is of one state as a whole; at is where its first
// unread byte lies.
func (j *Judgement) count(p extract.Piece, state imap.State, at int64) {
	j.Bytes.Count(state, p.Length)
	if state != imap.Read {
		j.hurt(result.Damage{Offset: p.Offset, Image: at, Length: p.Length, What: state.String()})
	}
}

// packed notes the stored bytes of a unit of a file that says how it is packed.
func (j *Judgement) packed(f *extract.File, p *extract.Piece) {
	if f.Packing.Unit <= 0 || len(p.Units) == 0 {
		return
	}
	var stored int64
	for _, e := range p.Units {
		stored += e.Length
	}
	if n := len(j.Packed); n > 0 && j.Packed[n-1][0]+f.Packing.Unit*int64(len(j.Packed[n-1])-1) == p.Offset {
		j.Packed[n-1] = append(j.Packed[n-1], stored)
		return
	}
	j.Packed = append(j.Packed, []int64{p.Offset, stored})
}

func (j *Judgement) unit(r *image.Reader, p extract.Piece) {
	if len(p.Units) == 0 {
		j.lose(p.Offset, p.Length)
		return
	}
	state, at := imap.Read, int64(-1)
	for _, e := range p.Units {
		j.stored(e)
		s, a := j.worst(r, e.Image, e.Length)
		if at < 0 {
			at = a
		}
		state = max(state, s)
	}
	j.count(p, state, at)
}
