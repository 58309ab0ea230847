package hfsplus

import (
	"context"

	"fileassay/extract/bitmap"
	"fileassay/extract/ranges"
)

// maxUnnamed bounds the blocks that are searched for a journal.
const maxUnnamed = 1 << 16

// openAt says what keeps a journal that may begin at an offset of the image from
// being one without newer metadata; "" where nothing does. One that is named must
// have a header.
func (l *layout) openAt(at int64, named bool) string {
	var b [jhBytes]byte
	if at < 0 || !l.src.read(b[:], at).Whole() {
		return "is unread"
	}
	switch h, err := parseJournalHeader(b[:]); {
	case err == nil && h.start != h.end:
		return "is not empty"
	case err != nil && named:
		return "fails its checks"
	}
	return ""
}

// hiddenJournal searches the blocks that are in use and that nothing claims for a
// journal that may hold newer metadata, as openAt does.
func (l *layout) hiddenJournal(ctx context.Context, all *ranges.Set) (why string, err error) {
	left := maxUnnamed
	err = l.allocated().Runs(ctx, 0, int64(l.header.totalBlocks), func(first, n int64, s bitmap.State) error {
		bs := l.header.blockSize
		at := l.at(uint32(first))
		for end := at + n*bs; at < end && s != bitmap.Clear && why == ""; {
			if r, ok := all.First(at, end-at); ok && r.Start <= at {
				at = r.End
				continue
			}
			if left--; left < 0 {
				at = -1
			}
			why = l.openAt(at, false)
			at += bs
		}
		return nil
	})
	return why, err
}

// settleJournal works out whether a volume has a journal that no header which was
// read tells of. A journal is a file in the root folder (TN1150, Journal): there is
// none where all of that folder was read and names none, nor where every block was
// read that is in use and that nothing claims, and none begins one. at is the
// catalog's journalAt.
func (r *records) settleJournal(c *names, at int64) {
	j := &r.journal
	if !j.unknown {
		return
	}
	why := ""
	switch {
	case at != 0:
		j.present, j.at = true, at
		why = r.openAt(at, true)
	case !c.full(idRoot):
		why = r.hidden
	}
	if why != "" {
		j.broken = true
		was := "the volume header is unread, and a journal of which the alternate one does not tell "
		if !r.alternate {
			was = "the volume header says that the volume keeps no journal, and yet one "
		}
		r.notes = append(r.notes, was+why+", or may be: newer metadata may stand in it")
	}
}
