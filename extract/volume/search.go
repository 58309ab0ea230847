package volume

import (
	"cmp"
	"context"
	"fmt"
	"hash/crc64"
	"slices"
	"sync"

	"fileassay/extract/fat"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// search finds volumes without a table, within some ranges of the image: every
// sector that was read is asked what it speaks for, also inside volumes that are
// known or were found, since those may be old.
//
// A candidate counts where its reader opens it. What lies inside a volume whose
// own primary structure was read waits till it is known what that volume's files
// hold.
type search struct {
	*places
	l       *Layout    // that remarks go to
	within  ranges.Set // where volumes may begin and lie
	tables  ranges.Set // structures of the tables, which are no data of a volume
	tenants []tenant   // those that were known, and those that were found
	inner   []claim    // inside a tenant
	small   []heard    // the last sectors that may begin a table of FAT12
	traces  []trace    // that speak for volumes without telling where they begin
	late    []claim
	seen    map[attempt]bool
	data    ranges.Set // of each dataBlock, the first sector that holds anything but zeros
	tries   int
	spent   int64 // bytes of the candidates that were opened
	capped  bool
}

const (
	// maxTries bounds the candidates that are opened. A drive full of volume
	// images could name any number.
	maxTries = 20000
	maxLate  = 4096
	maxInner = 1 << 16
	// maxFound bounds the volumes that are taken: a drive has few.
	maxFound = 1024
	maxSeen  = 1 << 20
	// maxSpent bounds what opening them may read, in sizes of the drive: a
	// reader may look through a whole volume before it refuses it.
	maxSpent = 64
)

func newSearch(p *places, l *Layout, within []ranges.Range, known []tenant) *search {
	s := &search{places: p, l: l, tenants: known, seen: map[attempt]bool{}}
	for _, w := range within {
		s.within.Add(w.Start, w.End-w.Start)
	}
	for _, t := range l.Structures {
		s.tables.Add(max(t.Image, 0), t.Length)
	}
	s.tables.Len() // settles it: many goroutines ask it from now on
	return s
}

// run looks at the likely places first, then everywhere, and settles what is
// left.
func (s *search) run(ctx context.Context) error {
	for _, at := range s.likely() {
		if err := s.judge(ctx, s.claims(window(s.r, s.buf, at), at)); err != nil {
			return err
		}
	}
	if err := s.everywhere(ctx); err != nil {
		return err
	}
	slices.SortStableFunc(s.late, func(a, b claim) int {
		return cmp.Or(cmp.Compare(b.Length, a.Length), cmp.Compare(a.Start, b.Start))
	})
	for _, c := range s.late {
		if _, err := s.accept(ctx, c); err != nil {
			return err
		}
	}
	if s.capped {
		s.l.missing("the search met more places that look like volumes than it could open: some were left aside")
	}
	return nil
}

// cylinder is the size of a cylinder of the geometry that every system wrote
// to partition tables: 255 heads of 63 sectors. Common practice, no source.
const cylinder = 255 * 63 * 512

// likely are the places where volumes and their backups usually stand, in
// order: the first sector, sector 63, multiples of 1 MiB, cylinders, where the
// ranges begin, and the last sectors. Only the first thousands of the
// multiples are taken: a search of all sectors follows, and seeking costs more
// than reading on.
func (s *search) likely() []int64 {
	var out []int64
	size := s.r.Size()
	for w := range s.within.All() {
		for _, d := range []int64{0, 1024, 63 * 512, 63*512 + 1024} {
			out = append(out, w.Start+d)
		}
		end := min(w.End, size)
		for at := max(end-64*512, w.Start); at < end; at += step {
			out = append(out, at)
		}
	}
	for i := int64(0); i < 2048; i++ {
		for _, d := range []int64{0, 1024} {
			out = append(out, i<<20+d, i*cylinder+d, i*cylinder+63*512+d)
		}
	}
	out = slices.DeleteFunc(out, func(at int64) bool {
		return at < 0 || at >= size || s.within.Covered(at, 1) == 0
	})
	slices.Sort(out)
	return slices.Compact(out)
}

// chunk is how much is read at once in the search of all sectors.
const chunk = 4 << 20

// everywhere looks at every sector that was read, in big reads in order.
func (s *search) everywhere(ctx context.Context) error {
	r := s.r
	buf := make([]byte, min(chunk, r.Size()+windowSize))
	var total, done int64
	for w := range s.within.All() {
		total += max(min(w.End, r.Size())-w.Start, 0)
	}
	for w := range s.within.All() {
		base := done
		for at := w.Start; at < min(w.End, r.Size()); {
			if err := ctx.Err(); err != nil {
				return err
			}
			s.o.Report("searching for volumes", base+at-w.Start, total)
			next, err := s.piece(ctx, buf, at, min(w.End, r.Size()))
			if err != nil {
				return err
			}
			at = next
		}
		done = base + min(w.End, r.Size()) - w.Start
	}
	s.o.Report("searching for volumes", total, total)
	return nil
}

// piece looks at the sectors from at that one read of buf holds, up to the
// next unread sector, and returns where to go on.
func (s *search) piece(ctx context.Context, buf []byte, at, end int64) (int64, error) {
	r := s.r
	at = (at + step - 1) / step * step
	n := min(int64(len(buf)), r.Size()-at)
	if n <= 0 {
		return end, nil
	}
	win := window(r, buf[:n], at)
	if len(win) == 0 {
		for rg := range r.Over(at, n) {
			if rg.State != imap.Read {
				return rg.End(), nil
			}
			break
		}
		// the image file failed, and the map now says where: the next round
		// reads up to there
		if r.IsRead(at, n) {
			return at + n, nil
		}
		return at, nil
	}
	// the last windows of a full buffer are cut short: leave them to the next
	stop := min(int64(len(win)), end-at)
	if len(win) == len(buf) {
		stop = min(stop, int64(len(win))-windowSize+step)
	}
	heard := s.listen(win, at, stop)
	for _, h := range heard {
		if h.trace.from != "" && len(s.traces) < maxTraces {
			s.traces = append(s.traces, h.trace)
		}
		if h.begins != 0 {
			s.twin(&h)
		}
		if h.claims == nil {
			if h.trace.from == "" && h.begins == 0 {
				s.data.Add(h.at, step)
			}
			continue
		}
		if err := s.judge(ctx, h.claims); err != nil {
			return 0, err
		}
	}
	return at + stop, nil
}

// heard is what one sector says: what it speaks for, or, with no claims and no
// trace, that it is the first of its block that holds data.
type heard struct {
	at     int64
	claims []claim
	trace  trace
	begins uint64 // the sum of a sector that may begin a table of FAT12, 0 for none
}

// listen takes the claims of the sectors of the first stop bytes of buf, which
// stand at the given place of the image, in order. Several goroutines share
// the work: what is made of the claims later needs their order alone.
func (s *search) listen(buf []byte, at, stop int64) []heard {
	sums := crc64.MakeTable(crc64.ISO)
	sectors := (stop + step - 1) / step
	share := max((sectors+int64(s.o.Workers())-1)/int64(s.o.Workers()), 512)
	parts := make([][]heard, (sectors+share-1)/share)
	var wg sync.WaitGroup
	for i := range parts {
		wg.Go(func() {
			last := int64(-1)
			for off := int64(i) * share * step; off < min((int64(i)+1)*share*step, stop); off += step {
				win := buf[off:min(off+windowSize, int64(len(buf)))]
				if len(win) < step || isZero(win[:step]) {
					continue // in which no structure stands
				}
				if b := (at + off) / dataBlock; b != last && !s.tables.Touches(at+off, step) {
					last = b
					parts[i] = append(parts[i], heard{at: at + off})
				}
				c, t := s.claims(win, at+off), s.trace(win, at+off)
				begins := uint64(0)
				if t.from == "" && fat.Begins(win) {
					begins = crc64.Checksum(win[:step], sums)
				}
				if c != nil || t.from != "" || begins != 0 {
					parts[i] = append(parts[i], heard{at + off, c, t, begins})
				}
			}
		})
	}
	wg.Wait()
	return slices.Concat(parts...)
}

// dataBlock is how finely it is remembered, in bytes, where data stands.
const dataBlock = 1 << 20

// judge considers the claims of one sector. It is one structure: of the volumes
// of a family that it may speak for, the first that is there counts.
func (s *search) judge(ctx context.Context, claims []claim) error {
	two := twoWays(claims)
	if two {
		s.weigh(claims)
	}
	var settled []string // families
	for _, c := range claims {
		if slices.Contains(settled, c.kind.Name) {
			continue
		}
		there, err := s.consider(ctx, c, two && s.support(&c) == 0)
		if err != nil {
			return err
		}
		if there {
			settled = append(settled, c.kind.Name)
		}
	}
	return nil
}

// consider judges one candidate. A lonely one, whose sector may speak for
// another volume and whose other copy is missing, waits with the old ones. there
// is whether a volume stands there, or may in another.
func (s *search) consider(ctx context.Context, c claim, lonely bool) (there bool, err error) {
	key := attempt{c.kind.Name, c.Start, c.Length, false}
	if !s.fits(&c) {
		return false, nil
	}
	for i := range s.tenants {
		t := &s.tenants[i]
		if k, ok := kindOf(s.kinds, t.Filesystem); ok && t.listed() && t.copyOf(&c) && k.Name == c.kind.Name && (t.rests == onPrimary || t.is(&c)) {
			return true, nil // a copy of the same
		}
	}
	if s.seen[key] {
		return false, nil
	}
	if len(s.seen) >= maxSeen {
		s.capped = true
		return false, nil
	}
	s.seen[key] = true
	late := lonely || c.Start+c.Length > s.r.DriveSize()
	if !c.primary() {
		// its primary must say the same place, unless it was not read
		same := func(p claim) bool { return p.kind.Name == c.kind.Name }
		late = s.r.IsRead(c.Start, 2*primaryReach) && !slices.ContainsFunc(s.primaries(c.Start), same)
	}
	inside := func(t tenant) bool {
		return t.listed() && t.rests == onPrimary && (t.Start < c.Start || t.Pieces != nil) && t.covers(c.Start, c.Start+c.Length)
	}
	switch {
	case slices.ContainsFunc(s.tenants, inside):
		s.wait(&s.inner, c, maxInner)
		return true, nil
	case late:
		s.wait(&s.late, c, maxLate)
		return false, nil
	}
	return s.accept(ctx, c)
}

// wait puts a claim aside, if there is room for it.
func (s *search) wait(list *[]claim, c claim, most int) {
	if len(*list) >= most {
		s.capped = true
		return
	}
	*list = append(*list, c)
}

// fits reports whether the candidate's volume could lie where the search
// looks. One that passes the end of the drive is kept only if its primary
// structure says so, since the image may have been cut.
func (s *search) fits(c *claim) bool {
	if c.Start < 0 || c.Start%step != 0 || c.Length <= 0 || c.Length > maxOffset || s.within.Covered(c.Start, 1) == 0 {
		return false
	}
	length := c.Length
	if over := c.Start + length - s.r.DriveSize(); over > 0 {
		length -= over
		if !c.primary() || s.r.DriveSize() > s.r.Size() {
			return false
		}
	}
	return s.within.Covered(c.Start, length) == length
}

// accept opens the candidate and, if it is a volume, takes it among the tenants.
func (s *search) accept(ctx context.Context, c claim) (there bool, err error) {
	if s.tries >= maxTries || s.spent/maxSpent > s.r.DriveSize() || len(s.tenants) >= maxFound {
		s.capped = true
		return false, nil
	}
	s.tries++
	s.spent += min(c.Length, s.r.DriveSize())
	res, err := s.open(ctx, c.kind, c.Start, c.Length)
	if err != nil || res.filesystem == "" {
		return false, err
	}
	s.tenants = append(s.tenants, s.found(c, res.filesystem))
	return true, nil
}

// found is the volume that a claim was opened as.
func (p *places) found(c claim, filesystem string) tenant {
	t := tenant{by: c, Volume: Volume{Start: c.Start, Length: c.Length, Filesystem: filesystem, rests: onCopy, own: c.Length, id: c.ID,
		Found: fmt.Sprintf("%s at offset %d (no table)", c.From, p.r.Origin(c.At))}}
	if c.primary() {
		t.rests = onPrimary
	}
	return t
}

// gaps are the parts of the ranges that no volume covers.
func (s *search) gaps(volumes []tenant) []ranges.Range {
	var taken ranges.Set
	for _, t := range volumes {
		taken.Add(t.Start, 1)
		for _, s := range t.Places() {
			taken.Add(s.Start, s.Len())
		}
	}
	var out []ranges.Range
	for w := range s.within.All() {
		out = append(out, without(w, &taken)...)
	}
	return out
}

// without cuts the taken parts out of a range.
func without(g ranges.Range, taken *ranges.Set) []ranges.Range {
	var out []ranges.Range
	at := g.Start
	for t := range taken.Within(g.Start, g.End-g.Start) {
		if at < t.Start {
			out = append(out, ranges.Range{Start: at, End: t.Start})
		}
		at = t.End
	}
	if at < g.End {
		out = append(out, ranges.Range{Start: at, End: g.End})
	}
	return out
}
