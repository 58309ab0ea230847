package verify

import (
	"encoding/hex"

	"fileassay/extract/heads"
	"fileassay/extract/image"
	"fileassay/verify/result"
)

// headsRecord crosses a head map with the imaging map.
func headsRecord(h *heads.File, r *image.Reader) *result.Heads {
	if h == nil {
		return nil
	}
	rec := &result.Heads{Path: h.Path, SHA256: hex.EncodeToString(h.SHA256[:]), Heads: []result.Head{}}
	var sums [heads.MaxHead + 1]result.ByteStates
	rec.Others.Count(r.Tally(), 1)
	for rg := range h.Ranges() {
		t := r.TallyOf(rg.Start, rg.Length)
		sums[rg.Head].Count(t, 1)
		rec.Others.Count(t, -1)
	}
	profiles := headProfiles(h, r)
	for _, n := range h.Heads() {
		rec.Heads = append(rec.Heads, result.Head{Head: n, ByteStates: sums[n], Profile: profiles[n]})
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
func (c *headCount) records(h *heads.File) []result.HeadFiles {
	if h == nil {
		return nil
	}
	out := []result.HeadFiles{}
	for _, n := range h.Heads() {
		out = append(out, result.HeadFiles{Head: n, Files: c.files[n], Alone: c.alone[n]})
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
