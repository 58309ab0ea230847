package verify

import (
	"encoding/hex"

	"fileassay/extract/heads"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// HeadsRecord is the head map of a drive in a result, with what each head
// gave.
type HeadsRecord struct {
	Path   string       `json:"path"`
	SHA256 string       `json:"sha256"`
	Heads  []HeadRecord `json:"heads"`   // by number
	Others ByteStates   `json:"unnamed"` // bytes of the drive that the head map names no head for
}

// HeadRecord is one head: the bytes of the drive that it serves, by state.
type HeadRecord struct {
	Head int `json:"head"`
	ByteStates
	Profile *Profile `json:"profile,omitempty"` // along the drive, of the bytes that it serves
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

func (s *ByteStates) add(t imap.Tally, n int64) {
	s.Read += n * t[imap.Read]
	s.Doubtful += n * t[imap.Doubtful]
	s.Failed += n * t[imap.Failed]
	s.Skipped += n * t[imap.Skipped]
}

// HeadFiles counts the files that wait for a head: with content on sectors of
// it that were not read.
type HeadFiles struct {
	Head  int   `json:"head"`
	Files int64 `json:"files"`
	Alone int64 `json:"alone"` // of those, what waits for nothing else that is known
}

// headsRecord crosses a head map with the imaging map.
func headsRecord(h *heads.File, r *image.Reader) *HeadsRecord {
	if h == nil {
		return nil
	}
	rec := &HeadsRecord{Path: h.Path, SHA256: hex.EncodeToString(h.SHA256[:]), Heads: []HeadRecord{}}
	var sums [heads.MaxHead + 1]ByteStates
	rec.Others.add(r.Tally(), 1)
	for rg := range h.Ranges() {
		t := r.TallyOf(rg.Start, rg.Length)
		sums[rg.Head].add(t, 1)
		rec.Others.add(t, -1)
	}
	profiles := headProfiles(h, r)
	for _, n := range h.Heads() {
		rec.Heads = append(rec.Heads, HeadRecord{n, sums[n], profiles[n]})
	}
	return rec
}

// headCount adds up the files that wait for each head.
type headCount struct{ files, alone [heads.MaxHead + 1]int64 }

// add counts a file that waits for the given heads; whole is set where they
// are all that it waits for.
func (c *headCount) add(list []int, whole bool) {
	for _, h := range list {
		c.files[h]++
	}
	if len(list) == 1 && whole {
		c.alone[list[0]]++
	}
}

func (c *headCount) addAll(o *headCount) {
	for h := range c.files {
		c.files[h] += o.files[h]
		c.alone[h] += o.alone[h]
	}
}

// records are the counts of the heads of the map.
func (c *headCount) records(h *heads.File) []HeadFiles {
	if h == nil {
		return nil
	}
	out := []HeadFiles{}
	for _, n := range h.Heads() {
		out = append(out, HeadFiles{n, c.files[n], c.alone[n]})
	}
	return out
}

// waits finds the heads that serve the unread places of a file's content.
// whole is set where a known head serves each of them and no content is
// unlocated.
func (j *Judgement) waits(m *heads.Map) (whole bool) {
	var used [heads.MaxHead + 1]bool
	whole = j.Counted && j.Bytes.Unlocated == 0
	for _, u := range j.unread {
		known := int64(0)
		for rg := range m.Over(u.Start, u.Length) {
			used[rg.Head] = true
			known += rg.Length
		}
		j.NoHead = j.NoHead || known < u.Length
	}
	for h, ok := range used {
		if ok {
			j.Heads = append(j.Heads, h)
		}
	}
	return whole && !j.NoHead
}
