package verify

import (
	"math"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// Verdict says how much of a file came off the drive.
type Verdict string

// The verdicts.
const (
	Intact  Verdict = "intact"
	Damaged Verdict = "damaged"
	Lost    Verdict = "lost"
)

// Bytes counts content by what became of it. For every file the five add up to
// its size. Holes count as Read.
type Bytes struct {
	Read      int64 `json:"read"`
	Doubtful  int64 `json:"doubtful"`
	Failed    int64 `json:"failed"`
	Skipped   int64 `json:"skipped"`
	Unlocated int64 `json:"unlocated"`
}

func (b *Bytes) add(s imap.State, n int64) {
	switch s {
	case imap.Read:
		b.Read = plus(b.Read, n)
	case imap.Doubtful:
		b.Doubtful = plus(b.Doubtful, n)
	case imap.Failed:
		b.Failed = plus(b.Failed, n)
	default:
		b.Skipped = plus(b.Skipped, n)
	}
}

// plus adds counts; the sum of what damaged metadata claims stops at the
// largest number there is.
func plus(a, b int64) int64 {
	if b > 0 && a > math.MaxInt64-b {
		return math.MaxInt64
	}
	return a + b
}

// Add adds the counts of o.
func (b *Bytes) Add(o Bytes) {
	b.Read = plus(b.Read, o.Read)
	b.Doubtful = plus(b.Doubtful, o.Doubtful)
	b.Failed = plus(b.Failed, o.Failed)
	b.Skipped = plus(b.Skipped, o.Skipped)
	b.Unlocated = plus(b.Unlocated, o.Unlocated)
}

// Total is the sum of the five counts.
func (b Bytes) Total() int64 {
	return plus(plus(plus(plus(b.Read, b.Doubtful), b.Failed), b.Skipped), b.Unlocated)
}

// Judgement is the verdict on one file with what it rests on.
type Judgement struct {
	Verdict Verdict
	Counted bool // false where the size is unknown: Bytes then means nothing
	Bytes   Bytes
	Extents []extract.Extent // stored bytes in file order, merged where contiguous
	Patched []extract.Extent // content bytes kept apart from their neighbours
	Packed  [][]int64        // [Packing.Units]; nil where the file does not say how it is packed
	Damage  []Damage
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
		j.Verdict = Intact
		switch {
		case f.NameOnly:
			j.Verdict = Lost
		case f.EntriesUnread || f.RecordUnread:
			j.Verdict = Damaged
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
	var holes int64
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
			holes += p.Length
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
		j.Verdict = Lost
	case f.Size == 0:
		j.Verdict = Intact
		if f.RecordUnread {
			j.Verdict = Damaged
		}
	case j.Bytes.Read == f.Size:
		j.Verdict = Intact
		if f.RecordUnread {
			j.Verdict = Damaged
		}
	case j.Bytes.Read-holes+j.Bytes.Doubtful == 0:
		j.Verdict = Lost
	default:
		j.Verdict = Damaged
	}
	if held == Damaged && j.Verdict == Intact {
		j.Verdict = Damaged
	}
	return j
}

// judgeUnsized judges a file whose size is not known: lost, unless content of
// it is located and read. Its bytes are not counted, but its extents are told,
// since they may be all there is of it.
func judgeUnsized(f *extract.File, r *image.Reader) Judgement {
	if f.NameOnly || len(f.Pieces) == 0 {
		return Judgement{Verdict: Lost}
	}
	located := *f
	last := f.Pieces[len(f.Pieces)-1]
	located.Size = last.Offset + last.Length
	located.RecordUnread = true // never intact
	j := Judge(&located, r)
	j.Counted, j.Bytes = false, Bytes{}
	return j
}

func (j *Judgement) lose(off, n int64) {
	j.Bytes.Unlocated += n
	j.hurt(Damage{off, -1, n, unlocated})
}

// hurt notes damage, joined with the damage before it where it continues it.
func (j *Judgement) hurt(d Damage) {
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
		j.Bytes.add(s.State, s.Length)
		if s.State != imap.Read {
			j.hurt(Damage{p.Offset + s.Start - p.Image, s.Start, s.Length, s.State.String()})
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
	j.Bytes.add(state, p.Length)
	if state != imap.Read {
		j.hurt(Damage{p.Offset, at, p.Length, state.String()})
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
	j.Bytes.add(state, p.Length)
	if state != imap.Read {
		j.hurt(Damage{p.Offset, at, p.Length, state.String()})
	}
}
