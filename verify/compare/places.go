package compare

import (
	"fmt"
	"strings"

	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// maxPlaces bounds how many places that got worse are named.
const maxPlaces = 1000

// places compares what was read.
func (c *Comparison) places(before, after *result.Result) {
	was, now := &before.Unread, &after.Unread
	sector := c.Sector
	all, kept := int64(0), int64(0)
	for s := range was.All() {
		all += s.Length
	}
	for s := range now.All() {
		pos := s.Start
		lost := func(end int64) {
			if end > pos {
				c.Lost += (end - pos + sector - 1) / sector
				if len(c.LostAt) < maxPlaces {
					c.LostAt = append(c.LostAt, [2]int64{pos, end - pos})
				}
			}
		}
		for w := range was.Within(s.Start, s.Length) {
			lost(w.Start)
			kept += w.Length
			pos = w.End()
		}
		lost(s.End())
	}
	c.Sectors = (all - kept) / sector
	c.gaveWay(before, after, sector)
	if len(before.Image.Missing) == 0 && len(after.Image.Missing) > 0 {
		c.Warnings = append(c.Warnings, "volumes may be missing now, and nothing said so before: "+strings.Join(after.Image.Missing, "; "))
	}
	if a, b := before.Image.Sector, after.Image.Sector; a != b {
		c.Notes = append(c.Notes, fmt.Sprintf("the results count in sectors of %d and %d bytes", a, b))
	}
	if a, b := before.Image.Map.TrustDoubtful, after.Image.Map.TrustDoubtful; a != b {
		c.Notes = append(c.Notes, "doubtful sectors were trusted in one of the results and not in the other: what that changes was not won on the drive")
	}
	if a, b := before.Image.Map.AssumedRead, after.Image.Map.AssumedRead; a != b {
		c.Notes = append(c.Notes, "one of the results was made without an imaging map, on the claim that every sector was read: it proves nothing of what was won")
	}
}

// gaveWay says which sectors gave data before, though the drive did not vouch
// for it, and none now: unread both times, and worse all the same.
func (c *Comparison) gaveWay(before, after *result.Result, sector int64) {
	n, first := int64(0), int64(-1)
	for s := range after.Unread.All() {
		if s.State == imap.Doubtful {
			continue
		}
		for w := range before.Unread.Within(s.Start, s.Length) {
			if w.State != imap.Doubtful {
				continue
			}
			if first < 0 {
				first = w.Start
			}
			n += (w.Length + sector - 1) / sector
		}
	}
	words := "%d sectors were doubtful before and are failed or not tried now, the first at byte %d"
	switch n {
	case 0:
		return
	case 1:
		words = "%d sector was doubtful before and is failed or not tried now, at byte %d"
	}
	c.Warnings = append(c.Warnings, fmt.Sprintf(words+": the drive gave data there before; keep that image, and merge the passes (map merge)", n, first))
}

// volumes compares the volumes and their lists.
func (c *Comparison) volumes(before, after *result.Result) {
	// volumes may begin at one place: an array, and what lies in it
	type place struct {
		start int64
		nth   int
	}
	numbered := func(list []result.Volume) []place {
		out, seen := make([]place, len(list)), map[int64]int{}
		for i := range list {
			out[i] = place{list[i].Start, seen[list[i].Start]}
			seen[list[i].Start]++
		}
		return out
	}
	old, places := numbered(before.Volumes), numbered(after.Volumes)
	was := map[place]*result.Volume{}
	for i := range before.Volumes {
		was[old[i]] = &before.Volumes[i]
	}
	for i := range after.Volumes {
		v := &after.Volumes[i]
		l := Listing{Volume: v.Volume, Start: v.Start, Filesystem: v.Filesystem, State: "found",
			Complete: [2]bool{false, v.Listing.Complete}, UnreadRecords: [2]int64{0, v.Listing.UnreadRecords}, Files: [2]int64{0, v.Files.Total()}}
		if x := was[places[i]]; x != nil {
			l.State = "the same"
			l.Complete[0], l.UnreadRecords[0], l.Files[0] = x.Listing.Complete, x.Listing.UnreadRecords, x.Files.Total()
			c.worse(x, v)
			delete(was, places[i])
		}
		c.Listings = append(c.Listings, l)
	}
	for i := range before.Volumes {
		v := &before.Volumes[i]
		if was[old[i]] == nil {
			continue
		}
		c.Listings = append(c.Listings, Listing{Volume: v.Volume, Start: v.Start, Filesystem: v.Filesystem, State: "gone",
			Complete: [2]bool{v.Listing.Complete, false}, UnreadRecords: [2]int64{v.Listing.UnreadRecords, 0}, Files: [2]int64{v.Files.Total(), 0}})
		c.Warnings = append(c.Warnings, fmt.Sprintf("the volume at offset %d (%s) was found before and is not now", v.Start, v.Filesystem))
	}
}

func (c *Comparison) worse(x, v *result.Volume) {
	if x.Filesystem != v.Filesystem {
		c.Warnings = append(c.Warnings, fmt.Sprintf("volume %d was %q before and is %q now", v.Volume, x.Filesystem, v.Filesystem))
	}
	if x.Listing.Complete && !v.Listing.Complete {
		c.Warnings = append(c.Warnings, fmt.Sprintf("the list of volume %d was complete before and is not now", v.Volume))
	}
	if x.Proof != nil && v.Proof != nil && x.Proof.Differs(v.Proof) {
		c.Warnings = append(c.Warnings, fmt.Sprintf("structures of volume %d that were read both times hold other bytes now: the drive, or the image, was written to or reads differently", v.Volume))
	}
}
