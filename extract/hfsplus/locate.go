package hfsplus

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
)

// layout is where the volume's own structures lie: what the first stage found.
type layout struct {
	src    source
	start  int64
	length int64 // of the place it was opened in
	header volumeHeader
	notes  []string
	doubt  extract.Doubt

	first, last headerCopy // the volume header and its alternate, as they stand on the disk
	alternate   bool       // the alternate one is used
	headerStale bool       // the journal has a newer one that is unread
	journal     journalState

	allocation *fork
	trees      struct{ extents, catalog, attributes *tree }
	overflow   *overflow
}

// headerCopy is a copy of the volume header, and why it cannot be used.
type headerCopy struct {
	volumeHeader
	at  int64
	err error
}

// locate finds the volume's structures, and lays what the journal holds over
// the image.
func locate(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (*layout, error) {
	l := &layout{src: source{r: r}, start: start, length: length, overflow: &overflow{}}
	if err := l.findHeader(); err != nil {
		return nil, &extract.NotVolumeError{Filesystem: "hfsplus", Start: start, Why: err.Error()}
	}
	alone := l.alternate
	l.journal = openJournal(&l.src, start, l.header.bytes(), &l.header, !alone, !o.NoJournal)
	l.notes = append(l.notes, l.journal.notes...)
	l.renewHeader()
	if !alone && l.header.attributes&attrUnmounted == 0 {
		l.notes = append(l.notes, "the volume was not unmounted cleanly")
	}

	if f := l.own(&l.header.extents, idExtents); len(f.runs) > 0 {
		l.trees.extents = openTree("extents overflow file", f, extFile, overflowSize)
		var err error
		if l.overflow, err = loadOverflow(ctx, l.trees.extents, o); err != nil {
			return nil, err
		}
	}
	l.trees.catalog = openTree("catalog file", l.own(&l.header.catalog, idCatalog), catParent, catalogSize)
	if l.header.attributeFile.size > 0 {
		l.trees.attributes = openTree("attributes file", l.own(&l.header.attributeFile, idAttributes), attrFile, attributeSize)
	}
	if alone {
		if err := l.placed(); err != nil {
			return nil, &extract.NotVolumeError{Filesystem: "hfsplus", Start: start, Why: err.Error()}
		}
		for _, t := range l.there() {
			if t.opposes {
				l.doubt = append(l.doubt, fmt.Sprintf("the alternate volume header is used, and what was read where it puts the %s is none (%s): another volume may have been made in its place", t.name, t.headerIs))
			}
		}
	}
	l.allocation = l.own(&l.header.allocation, idAllocation)
	return l, nil
}

// findHeader takes the volume header, else the alternate one: it stands 1024
// bytes before the end of the place that the volume is in, or of the volume.
func (l *layout) findHeader() error {
	l.first = l.readHeader(l.start + headerOffset)
	l.last = l.readHeader(l.start + l.length - alternateOffset)
	switch {
	case l.first.err == nil:
		l.header = l.first.volumeHeader
		if own := l.start + l.header.bytes() - alternateOffset; l.last.err != nil && own != l.last.at {
			if c := l.readHeader(own); c.err == nil {
				l.last = c
			}
		}
	case l.last.err == nil:
		l.header, l.alternate = l.last.volumeHeader, true
		l.notes = append(l.notes, fmt.Sprintf("the alternate volume header was used: %v", l.first.err))
	case errors.Is(l.first.err, errLarge): // no copy of it says more
		return l.first.err
	default:
		for at := range Copies(l.start, l.length) {
			// one that ends the volume a little before or behind the place's end
			// must fit that end: less than a block is left over
			c := l.readHeader(at)
			if left := at + alternateOffset - l.start - c.bytes(); c.err == nil && left >= 0 && left < c.blockSize {
				l.last, l.header, l.alternate = c, c.volumeHeader, true
				l.notes = append(l.notes, fmt.Sprintf("the alternate volume header was used: %v; it ends the volume at offset %d, the place ends at %d",
					l.first.err, l.src.r.Origin(at+alternateOffset), l.src.r.Origin(l.start+l.length)))
				return nil
			}
		}
		return fmt.Errorf("%w; alternate: %w", l.first.err, l.last.err)
	}
	return nil
}

// endReach is how far from the end of its place a volume may end, bytes: what
// tools leave to begin and end partitions at whole MiB. It is not farther than the
// place is long.
const endReach = 1 << 20

// Copies are the places in the image where the alternate header may stand of a
// volume that begins at start, in a place of length bytes: 1024 bytes before the
// end, or before one that is a little nearer or farther (TN1150, Volume Header).
func Copies(start, length int64) iter.Seq[int64] {
	return func(yield func(int64) bool) {
		last := start + length - alternateOffset
		for off := int64(0); off <= min(endReach, length); off += minNode {
			if at := last - off; at > start+headerOffset && !yield(at) {
				return
			}
			if off > 0 && length > 0 && !yield(last+off) {
				return
			}
		}
	}
}

// errLarge is the error of a header that was read, of a volume larger than its place.
var errLarge = errors.New("it is too large for its place")

func (l *layout) readHeader(at int64) headerCopy {
	c := headerCopy{at: at}
	room := max(l.length, at+alternateOffset-l.start) // an alternate header stands at the volume's own end
	var b [headerSize]byte
	if _, err := l.src.r.ReadAt(b[:], at); err != nil {
		c.err = fmt.Errorf("volume header: %w", err)
		return c
	}
	c.volumeHeader, c.err = parseHeader(b[:])
	if c.err != nil {
		c.err = fmt.Errorf("%w (at offset %d, sector %d)", c.err, l.src.r.Origin(at), l.src.r.Origin(at)/l.src.r.Sector())
	} else if n := c.bytes(); n > room+c.blockSize {
		c.err = fmt.Errorf("volume header: %w: a volume of %d bytes in %d (at offset %d, sector %d)", errLarge, n, room, l.src.r.Origin(at), l.src.r.Origin(at)/l.src.r.Sector())
	}
	return c
}

// renewHeader takes the header that the journal holds, if it holds one.
func (l *layout) renewHeader() {
	at := l.start + headerOffset
	if !l.src.newer.any(at, headerSize) {
		return
	}
	var b [headerSize]byte
	if !l.src.read(b[:], at).Whole() {
		l.headerStale = true
		l.notes = append(l.notes, "the journal has a newer volume header, which is unread")
		return
	}
	h, err := parseHeader(b[:])
	if err != nil || h.blockSize != l.header.blockSize || h.totalBlocks != l.header.totalBlocks {
		l.headerStale = true
		l.notes = append(l.notes, "the journal has a newer volume header, which does not fit the volume")
		return
	}
	h.attributes = l.header.attributes
	l.header, l.alternate = h, false
}

// stale reports whether newer metadata may stand in what of the journal could
// not be used.
func (l *layout) stale() bool { return l.journal.broken || l.headerStale }

// there are the trees that the volume has.
func (l *layout) there() []*tree {
	return slices.DeleteFunc([]*tree{l.trees.extents, l.trees.catalog, l.trees.attributes}, func(t *tree) bool { return t == nil })
}

// at is where an allocation block stands in the image.
func (l *layout) at(block uint32) int64 { return l.start + int64(block)*l.header.blockSize }

// own locates a fork of the volume's own files.
func (l *layout) own(f *forkData, file uint32) *fork {
	out := l.fork(&partFork{*f, true, true}, file, dataFork)
	out.size = min(out.size, l.header.bytes())
	return &out
}

// fork works out where the fork p of a file lies.
func (l *layout) fork(p *partFork, file uint32, kind uint8) fork {
	out := fork{src: &l.src, size: -1, whole: p.whole}
	if !p.sized {
		out.gaps = true
		return out
	}
	bs := l.header.blockSize
	out.size = int64(min(p.size, 1<<62))
	need := (out.size + bs - 1) / bs
	pos := int64(0) // in allocation blocks of the fork
	// add takes extents, up to the first empty one.
	add := func(list []blockRun) bool {
		for _, r := range list {
			if r.count == 0 {
				break
			}
			if !l.header.holds(r) {
				out.against = fmt.Sprintf("an extent of %d blocks from block %d lies outside the volume", r.count, r.start)
				return false
			}
			out.runs = out.runs.add(extract.Extent{Offset: pos * bs, Image: l.at(r.start), Length: int64(r.count) * bs})
			pos += int64(r.count)
		}
		return true
	}
	further := l.overflow.of(file, kind)
	if add(p.runs[:]) && (pos < need || pos < int64(p.blocks)) {
		for len(further) > 0 {
			rec := further[0]
			if int64(rec.start) < pos {
				out.why = append(out.why, fmt.Sprintf("an overflow record begins at block %d of the fork, before block %d", rec.start, pos))
				out.gaps = true // which of the two is right cannot be told
				break
			}
			out.gaps = out.gaps || int64(rec.start) > pos && pos < need
			pos = int64(rec.start)
			out.doubtful = out.doubtful || rec.doubtful
			further = further[1:]
			if !add(rec.runs[:]) {
				break
			}
		}
	}
	if pos < need {
		out.gaps = true
	}
	switch {
	case !p.whole:
	case pos > int64(p.blocks):
		out.against = fmt.Sprintf("the extents have %d blocks, the fork has %d", pos, p.blocks)
	case out.gaps || out.against != "" || len(out.why) > 0:
	case slices.ContainsFunc(further, func(r overflowRecord) bool { return !r.doubtful }):
		out.against = "the extents overflow file has further extents of it than its record asks for: the record may be of an earlier time"
	case pos < int64(p.blocks) || pos > need:
		out.against = fmt.Sprintf("its record has %d bytes in %d blocks, its extents have %d: it may be longer or shorter, or was being written", out.size, p.blocks, pos)
	}
	return out
}
