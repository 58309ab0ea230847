package hfsplus

import (
	"context"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/claims"
)

// wholeCatalog reports whether every record of the catalog was read.
func (v *Volume) wholeCatalog() bool {
	t, c := v.trees.catalog, v.catalog
	return t.unreadNodes == 0 && t.badNodes == 0 && t.doubtful == 0 && c.lost == 0 && !t.fork.gaps && !v.journal.broken && !v.headerStale
}

// state makes the statement on the listing.
func (v *Volume) state(ctx context.Context, unnamed int64) error {
	t, c, l := v.trees.catalog, v.catalog, &v.listing
	why := func(format string, args ...any) { l.Why = append(l.Why, fmt.Sprintf(format, args...)) }
	l.Complete = v.wholeCatalog()
	l.Needs = v.needsOfVolume()
	l.UnnamedFiles = unnamed
	if t.fork.gaps {
		why("a part of the catalog file is not located: records of the extents overflow file are unread")
	}
	if t.unreadNodes > 0 {
		why("%d of %d nodes of the catalog file are unread", t.unreadNodes, t.total)
	}
	if t.badNodes > 0 {
		why("%d nodes of the catalog file fail their checks", t.badNodes)
	}
	if t.partNodes > 0 && c.lost > 0 {
		why("%d nodes of the catalog file are unread in part: %d records in them could not be read", t.partNodes, c.lost)
	} else if c.lost > 0 {
		why("%d records of the catalog file cannot be used", c.lost)
	}
	if !t.headerOK {
		why("the header of the catalog file %s", t.headerIs)
	}
	if t.doubtful > 0 {
		why("%d nodes of the catalog file may be out of use: the node map and what else would tell are unread", t.doubtful)
	}
	if v.journal.broken || v.headerStale {
		why("newer metadata may stand in a part of the journal that could not be used")
	}
	have := c.files + c.dirs
	switch {
	case !v.alternate && !v.headerStale:
		want := int64(v.header.fileCount) + int64(v.header.folderCount)
		if want > have {
			l.Complete = false
			l.UnreadRecords = want - have
		}
		if want != have {
			why("the volume header counts %d files and folders, the catalog has the records of %d", want, have)
		}
	case t.headerOK:
		if n := int64(t.header.leafRecords) - c.records; n > 0 {
			// most files and folders have two: their own and a thread
			l.Complete = false
			l.UnreadRecords = (n + 1) / 2
			why("the catalog file's header counts %d records, of which %d were read", t.header.leafRecords, c.records)
		}
	default:
		l.Complete = false
		why("how many files there should be is not known: the volume header is unread")
	}
	if !l.Complete && l.UnreadRecords == 0 {
		l.UnreadRecords = max(c.lost, 0)
	}
	if v.skipped > 0 {
		why("%d files are known by nothing but a part of their records", v.skipped)
	}
	if len(v.header.allocationRuns()) > 0 {
		n, _, err := claims.Unclaimed(ctx, v.space())
		if err != nil {
			return err
		}
		l.UnclaimedBytes = n
		if n > 0 && !l.Complete {
			why("%d bytes are allocated that no listed file claims", n)
		}
	}
	return nil
}

func (h *volumeHeader) allocationRuns() []blockRun {
	var out []blockRun
	for _, r := range h.allocation.runs {
		if r.count > 0 {
			out = append(out, r)
		}
	}
	return out
}

// claimOwn claims what the volume's own structures lie in.
func (v *Volume) claimOwn() {
	own := &v.claims.Structures
	bs := v.header.blockSize
	own.Add(v.start, (headerOffset+headerSize+bs-1)/bs*bs)
	end := v.header.bytes()
	last := max(end-alternateOffset, 0) / bs * bs
	own.Add(v.start+last, end-last)
	forks := []*fork{v.allocation, v.open(&v.header.startup, idStartup, v.extents)}
	for _, t := range []*tree{v.trees.extents, v.trees.catalog, v.trees.attributes} {
		if t != nil {
			forks = append(forks, t.fork)
		}
	}
	for _, f := range forks {
		for _, r := range f.runs {
			own.Add(r.Image, r.Length)
		}
	}
	if v.journal.info >= 0 {
		own.Add(v.journal.info, bs)
	}
	if v.journal.at >= 0 {
		own.Add(v.journal.at, v.journal.length)
	}
	blocks := v.compressed.blocks
	for _, r := range v.extents.of(idBadBlocks, dataFork) {
		for _, b := range r.runs {
			if v.header.holds(b) {
				blocks = append(blocks, b)
			}
		}
	}
	for _, b := range blocks {
		own.Add(v.start+int64(b.start)*bs, int64(b.count)*bs)
	}
}

// space is the use of every part of the volume. The allocation file has a bit
// for each block (TN1150, Allocation File).
func (v *Volume) space() extract.Space {
	m := &bitmap.Map{Bits: min(int64(v.header.totalBlocks), 8*v.allocation.size), Order: bitmap.HighFirst, Read: v.allocation.read}
	return v.claims.Space(v.start, v.header.bytes(), claims.Bitmap(m, v.start, v.header.blockSize))
}
