package result

import (
	"math"

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

// Count adds n bytes of a state.
func (b *Bytes) Count(s imap.State, n int64) {
	switch s {
	case imap.Read:
		b.Read = Plus(b.Read, n)
	case imap.Doubtful:
		b.Doubtful = Plus(b.Doubtful, n)
	case imap.Failed:
		b.Failed = Plus(b.Failed, n)
	default:
		b.Skipped = Plus(b.Skipped, n)
	}
}

// Add adds the counts of o.
func (b *Bytes) Add(o Bytes) {
	b.Read = Plus(b.Read, o.Read)
	b.Doubtful = Plus(b.Doubtful, o.Doubtful)
	b.Failed = Plus(b.Failed, o.Failed)
	b.Skipped = Plus(b.Skipped, o.Skipped)
	b.Unlocated = Plus(b.Unlocated, o.Unlocated)
}

// Total is the sum of the five counts.
func (b Bytes) Total() int64 {
	return Plus(Plus(Plus(Plus(b.Read, b.Doubtful), b.Failed), b.Skipped), b.Unlocated)
}

// Plus adds counts; the sum of what damaged metadata claims stops at the
// largest number there is.
func Plus(a, b int64) int64 {
	if b > 0 && a > math.MaxInt64-b {
		return math.MaxInt64
	}
	return a + b
}

// VerdictCount counts entries, or their bytes, by verdict.
type VerdictCount struct {
	Intact  int64 `json:"intact"`
	Damaged int64 `json:"damaged"`
	Lost    int64 `json:"lost"`
}

// Count adds n of a verdict.
func (c *VerdictCount) Count(v Verdict, n int64) {
	switch v {
	case Intact:
		c.Intact = Plus(c.Intact, n)
	case Damaged:
		c.Damaged = Plus(c.Damaged, n)
	default:
		c.Lost = Plus(c.Lost, n)
	}
}

// Add adds the counts of o.
func (c *VerdictCount) Add(o VerdictCount) {
	c.Intact = Plus(c.Intact, o.Intact)
	c.Damaged = Plus(c.Damaged, o.Damaged)
	c.Lost = Plus(c.Lost, o.Lost)
}

// Total is the sum over the verdicts.
func (c VerdictCount) Total() int64 { return Plus(Plus(c.Intact, c.Damaged), c.Lost) }

// Sums are what lines of files add up to. Files counts files, streams and
// links by verdict, one for each name; Bytes is the sum over the same lines.
type Sums struct {
	Files   VerdictCount `json:"files"`
	Folders VerdictCount `json:"folders"`
	Sizes   VerdictCount `json:"sizes"` // bytes of content of the files of each verdict
	Bytes   Bytes        `json:"bytes"`
}

// Add adds the sums of o.
func (s *Sums) Add(o *Sums) {
	s.Files.Add(o.Files)
	s.Folders.Add(o.Folders)
	s.Sizes.Add(o.Sizes)
	s.Bytes.Add(o.Bytes)
}

// Tally adds a file.
func (s *Sums) Tally(f *File) {
	if f.Kind == "folder" {
		s.Folders.Count(f.Verdict, 1)
		return
	}
	s.Files.Count(f.Verdict, 1)
	if b := &f.Bytes; b.Read != nil {
		s.Sizes.Count(f.Verdict, *f.Size)
		s.Bytes.Add(Bytes{*b.Read, *b.Doubtful, *b.Failed, *b.Skipped, *b.Unlocated})
	}
}

// Unread counts bytes that were not read, by state.
type Unread struct {
	Doubtful int64 `json:"doubtful"`
	Failed   int64 `json:"failed"`
	Skipped  int64 `json:"skipped"`
}

// Count adds n bytes of a state.
func (u *Unread) Count(s imap.State, n int64) {
	switch s {
	case imap.Doubtful:
		u.Doubtful += n
	case imap.Failed:
		u.Failed += n
	case imap.Skipped:
		u.Skipped += n
	}
}

// Add adds the counts of o.
func (u *Unread) Add(o Unread) {
	u.Doubtful += o.Doubtful
	u.Failed += o.Failed
	u.Skipped += o.Skipped
}

// Total is the number of unread bytes of any state.
func (u Unread) Total() int64 { return u.Doubtful + u.Failed + u.Skipped }

// Places says what the unread bytes of the drive hold.
type Places struct {
	Files      Unread `json:"files"`      // content of listed files
	Structures Unread `json:"structures"` // folders, records and other structures of a filesystem
	Free       Unread `json:"free"`       // free space, and the slack behind the ends of files: nothing is missed here
	Outside    Unread `json:"outside"`    // outside any volume
	Unknown    Unread `json:"unknown"`    // allocated but claimed by no listed file, or not known to be free
}

// Total is the number of unread bytes in all places.
func (p Places) Total() int64 {
	return p.Files.Total() + p.Structures.Total() + p.Free.Total() + p.Outside.Total() + p.Unknown.Total()
}

// ByteStates counts bytes of the drive by state, as the imaging map has them.
type ByteStates struct {
	Read     int64 `json:"read"`
	Doubtful int64 `json:"doubtful"`
	Failed   int64 `json:"failed"`
	Skipped  int64 `json:"skipped"`
}

// Total is the number of bytes of all states.
func (s ByteStates) Total() int64 { return s.Read + s.Doubtful + s.Failed + s.Skipped }

// Count adds n times the bytes of a tally.
func (s *ByteStates) Count(t imap.Tally, n int64) {
	s.Read += n * t[imap.Read]
	s.Doubtful += n * t[imap.Doubtful]
	s.Failed += n * t[imap.Failed]
	s.Skipped += n * t[imap.Skipped]
}

// WantedFiles counts the wanted files of a result: those to which the wanted
// list gives a weight.
type WantedFiles struct {
	List    string       `json:"list"`   // the wanted list's name
	Files   VerdictCount `json:"files"`  // files, streams and links, one for each name
	Weight  float64      `json:"weight"` // of all of them
	Missing float64      `json:"missing_weight"`
}

// Count counts a file of a weight; one of no weight is not wanted.
func (w *WantedFiles) Count(weight float64, v Verdict) {
	if weight <= 0 {
		return
	}
	w.Files.Count(v, 1)
	w.Weight += weight
	if v != Intact {
		w.Missing += weight
	}
}

// Add adds the counts of o.
func (w *WantedFiles) Add(o *WantedFiles) {
	w.Files.Add(o.Files)
	w.Weight += o.Weight
	w.Missing += o.Missing
}
