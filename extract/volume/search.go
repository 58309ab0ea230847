package volume

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"sync"

	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// hit is a volume that a search found by its own structures.
type hit struct {
	claim
	filesystem string
	sure       bool // its primary structure stands, or the place of it was not read
}

func (h *hit) end() int64 { return h.Start + h.Length }

// search finds volumes without a table, within some ranges of the image.
//
// A candidate counts where its reader opens it. A volume inside an accepted one
// is a file's content and is dropped: the outermost wins. A backup whose
// primary sector was read and holds something else is old: it waits till the
// end and takes only what nothing else claims.
type search struct {
	f      *finder
	within ranges.Set // where volumes may begin and lie
	hits   []hit      // disjoint
	late   []claim
	seen   map[attempt]bool
	data   ranges.Set // of each dataBlock, the first sector that holds anything but zeros
	tries  int
	spent  int64 // bytes of the candidates that were opened
	capped bool
}

const (
	// maxTries bounds the candidates that are opened. A drive full of volume
	// images could name any number.
	maxTries = 20000
	maxLate  = 4096
	maxSeen  = 1 << 20
	// maxSpent bounds what opening them may read, in sizes of the drive: a
	// reader may look through a whole volume before it refuses it.
	maxSpent = 64
)

func newSearch(f *finder, within []ranges.Range) *search {
	s := &search{f: f, seen: map[attempt]bool{}}
	for _, w := range within {
		s.within.Add(w.Start, w.End-w.Start)
	}
	return s
}

// run looks at the likely places first, then everywhere, and settles what is
// left.
func (s *search) run(ctx context.Context) error {
	for _, at := range s.likely() {
		if err := s.look(ctx, window(s.f.r, s.f.buf, at), at); err != nil {
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
		if !s.overlaps(c.Start, max(c.Length, 1)) {
			if err := s.accept(ctx, c, false); err != nil {
				return err
			}
		}
	}
	s.closeOpenEnds()
	if s.capped {
		why := "the search met more places that look like volumes than it could open: some were left aside"
		s.f.l.Missing = append(s.f.l.Missing, why)
		s.f.l.note("%s", why)
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
	size := s.f.r.Size()
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

// everywhere looks at every sector that was read and that no accepted volume
// covers, in big reads in order.
func (s *search) everywhere(ctx context.Context) error {
	r := s.f.r
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
			s.f.o.Report("searching for volumes", base+at-w.Start, total)
			if h := s.covering(at); h != nil {
				at = h.end()
				continue
			}
			next, err := s.piece(ctx, buf, at, min(w.End, r.Size()))
			if err != nil {
				return err
			}
			at = next
		}
		done = base + min(w.End, r.Size()) - w.Start
	}
	s.f.o.Report("searching for volumes", total, total)
	return nil
}

// piece looks at the sectors from at that one read of buf holds, up to the
// next unread sector or accepted volume, and returns where to go on.
func (s *search) piece(ctx context.Context, buf []byte, at, end int64) (int64, error) {
	r := s.f.r
	at = (at + step - 1) / step * step
	n := min(int64(len(buf)), r.Size()-at)
	if n <= 0 {
		return end, nil
	}
	for rg := range r.Over(at, n) {
		if rg.State != imap.Read {
			return rg.End(), nil
		}
		n = rg.Length
		break
	}
	if _, err := r.ReadAt(buf[:n], at); err != nil {
		// the image file failed, and the map now says where: the next round
		// reads up to there
		switch {
		case r.IsRead(at, n):
			return at + n, nil
		case !r.IsRead(at, min(step, n)):
			return at + step, nil
		}
		return at, nil
	}
	// the last windows of a full buffer are cut short: leave them to the next
	stop := min(n, end-at)
	if n == int64(len(buf)) {
		stop = min(stop, n-windowSize+step)
	}
	heard := s.listen(buf[:n], at, stop)
	for _, h := range heard {
		if h.claims == nil {
			s.data.Add(h.at, step)
			continue
		}
		if v := s.covering(h.at); v != nil {
			return max(v.end(), h.at+step), nil
		}
		if err := s.judge(ctx, h.claims); err != nil {
			return 0, err
		}
	}
	return at + stop, nil
}

// heard is what one sector says: what it speaks for, or, with no claims, that
// it is the first of its block that holds data.
type heard struct {
	at     int64
	claims []claim
}

// listen takes the claims of the sectors of the first stop bytes of buf, which
// stand at the given place of the image, in order. Several goroutines share
// the work: what is made of the claims later needs their order alone.
func (s *search) listen(buf []byte, at, stop int64) []heard {
	sectors := (stop + step - 1) / step
	share := max((sectors+int64(s.f.o.Workers())-1)/int64(s.f.o.Workers()), 512)
	parts := make([][]heard, (sectors+share-1)/share)
	var wg sync.WaitGroup
	for i := range parts {
		wg.Go(func() {
			last := int64(-1)
			for off := int64(i) * share * step; off < min((int64(i)+1)*share*step, stop); off += step {
				win := buf[off:min(off+windowSize, int64(len(buf)))]
				if len(win) < step || quiet(win) {
					continue
				}
				if b := (at + off) / dataBlock; b != last {
					last = b
					parts[i] = append(parts[i], heard{at: at + off})
				}
				if c := s.f.claims(win, at+off); c != nil {
					parts[i] = append(parts[i], heard{at + off, c})
				}
			}
		})
	}
	wg.Wait()
	return slices.Concat(parts...)
}

// dataBlock is how finely it is remembered, in bytes, where data stands.
const dataBlock = 1 << 20

// quiet reports whether a window begins with a sector of nothing but zeros,
// in which no structure stands.
func quiet(win []byte) bool { return isZero(win[:step]) }

// look takes what the sector at the start of win speaks for.
func (s *search) look(ctx context.Context, win []byte, at int64) error {
	if len(win) < step {
		return nil
	}
	return s.judge(ctx, s.f.claims(win, at))
}

// judge considers the claims of one sector.
func (s *search) judge(ctx context.Context, claims []claim) error {
	two := twoWays(claims)
	if two {
		s.weigh(claims)
	}
	for _, c := range claims {
		if err := s.consider(ctx, c, two && s.support(&c) == 0); err != nil {
			return err
		}
	}
	return nil
}

// twoWays reports whether a family takes the sector for both a volume's first
// structure and another's backup: some write the two alike.
func twoWays(claims []claim) bool {
	for i, a := range claims {
		for _, b := range claims[:i] {
			if a.kind.Name == b.kind.Name && a.primary() != b.primary() {
				return true
			}
		}
	}
	return false
}

// weigh sorts the claims of one sector: those first whose other copy stands
// where it must, then those whose other copy was not read, of these the ones
// that begin where volumes are laid out to begin.
func (s *search) weigh(claims []claim) {
	weight := func(c *claim) int {
		w := 8 * s.support(c)
		switch {
		case c.Start%(1<<20) == 0:
			w += 3
		case c.Start%cylinder == 0, c.Start%cylinder == 63*512:
			w += 2
		case c.Start%4096 == 0:
			w++
		}
		return w
	}
	slices.SortStableFunc(claims, func(a, b claim) int { return cmp.Compare(weight(&b), weight(&a)) })
}

// support is what the place of a claim's other copy says: 2 the same volume, 1
// nothing since it was not read, 0 something else.
func (s *search) support(c *claim) int {
	r := s.f.r
	if !c.primary() {
		for _, p := range s.f.primaries(c.Start) {
			if p.kind.Name == c.kind.Name {
				return 2
			}
		}
		if c.Start >= 0 && r.IsRead(c.Start, 2*primaryReach) {
			return 0
		}
		return 1
	}
	from := max(c.Start+c.Length-windowSize, 0)
	for at := from; at < c.Start+c.Length; at += step {
		for _, o := range s.f.claims(window(r, s.f.buf, at), at) {
			if o.kind.Name == c.kind.Name && o.Start == c.Start && !o.primary() {
				return 2
			}
		}
	}
	if r.IsRead(from, windowSize) {
		return 0
	}
	return 1
}

// consider judges one candidate. A lonely one, whose sector may speak for
// another volume and whose other copy is missing, waits with the old ones.
func (s *search) consider(ctx context.Context, c claim, lonely bool) error {
	key := attempt{c.kind.Name, c.Start, c.Length}
	if s.seen[key] || !s.fits(&c) {
		return nil
	}
	if len(s.seen) >= maxSeen {
		s.capped = true
		return nil
	}
	if h := s.covering(c.Start); h != nil && c.Start+c.Length <= h.end() {
		return nil
	}
	switch {
	case c.primary():
		s.seen[key] = true
		if c.Start+c.Length > s.f.r.DriveSize() || lonely {
			return s.postpone(c)
		}
		return s.accept(ctx, c, true)
	case s.f.r.IsRead(c.Start, 2*primaryReach):
		s.seen[key] = true
		for _, p := range s.f.primaries(c.Start) {
			if p.kind.Name == c.kind.Name {
				return s.accept(ctx, c, true) // its primary says the same place
			}
		}
		return s.postpone(c)
	}
	s.seen[key] = true
	return s.accept(ctx, c, true)
}

// fits reports whether the candidate's volume could lie where the search
// looks. One that passes the end of the drive is kept only if its primary
// structure says so, since the image may have been cut.
func (s *search) fits(c *claim) bool {
	if c.Start < 0 || c.Start%step != 0 || c.Length < 0 || c.Length > maxOffset || s.within.Covered(c.Start, 1) == 0 {
		return false
	}
	length := max(c.Length, 1)
	if over := c.Start + length - s.f.r.DriveSize(); over > 0 {
		length -= over
		if !c.primary() || s.f.r.DriveSize() > s.f.r.Size() {
			return false
		}
	}
	return s.within.Covered(c.Start, length) == length
}

func (s *search) postpone(c claim) error {
	if len(s.late) < maxLate {
		s.late = append(s.late, c)
	} else {
		s.capped = true
	}
	return nil
}

// accept opens the candidate and, if it is a volume, takes it into the hits,
// dropping those that lie in it. Of two that overlap in part, the longer
// stays.
func (s *search) accept(ctx context.Context, c claim, sure bool) error {
	length := c.Length
	if length == 0 {
		length = s.f.r.DriveSize() - c.Start
	}
	if s.tries >= maxTries || s.spent/maxSpent > s.f.r.DriveSize() {
		s.capped = true
		return nil
	}
	s.tries++
	s.spent += min(length, s.f.r.DriveSize())
	res, err := s.f.open(ctx, c.kind, c.Start, length)
	if err != nil || res.filesystem == "" {
		return err
	}
	h := hit{c, res.filesystem, sure}
	var losers []hit
	for _, o := range s.hits {
		if o.Start >= h.end() || h.Start >= o.end() {
			continue
		}
		inside := h.Start >= o.Start && h.end() <= o.end()
		around := o.Start >= h.Start && o.end() <= h.end()
		if inside || !around && o.Length >= h.Length {
			if !inside {
				s.f.l.note("%s volume at offset %d is left out: it overlaps the %s volume at offset %d", h.filesystem, s.f.r.Base()+h.Start, o.filesystem, s.f.r.Base()+o.Start)
			}
			return nil
		}
		losers = append(losers, o)
	}
	for _, o := range losers {
		s.f.l.note("%s volume at offset %d is left out: it lies in the %s volume at offset %d", o.filesystem, s.f.r.Base()+o.Start, h.filesystem, s.f.r.Base()+h.Start)
	}
	s.hits = slices.DeleteFunc(s.hits, func(o hit) bool { return o.Start < h.end() && h.Start < o.end() })
	s.hits = append(s.hits, h)
	slices.SortFunc(s.hits, func(a, b hit) int { return cmp.Compare(a.Start, b.Start) })
	return nil
}

// covering is the accepted volume that the place lies in, nil if none.
func (s *search) covering(at int64) *hit {
	i, found := slices.BinarySearchFunc(s.hits, at, func(h hit, at int64) int { return cmp.Compare(h.Start, at) })
	if !found {
		i--
	}
	if i < 0 || at >= s.hits[i].end() {
		return nil
	}
	return &s.hits[i]
}

func (s *search) overlaps(start, length int64) bool {
	return slices.ContainsFunc(s.hits, func(h hit) bool { return h.Start < start+length && start < h.end() })
}

// closeOpenEnds gives volumes that do not tell their length the room up to the
// next one.
func (s *search) closeOpenEnds() {
	for i := range s.hits {
		h := &s.hits[i]
		if h.Length != 0 {
			continue
		}
		h.Length = s.f.r.DriveSize() - h.Start
		for w := range s.within.Within(h.Start, h.Length) {
			h.Length = w.End - h.Start
			break
		}
		if i+1 < len(s.hits) {
			h.Length = min(h.Length, s.hits[i+1].Start-h.Start)
		}
	}
}

// volumes are the hits as volumes.
func (s *search) volumes() []Volume {
	var out []Volume
	for _, h := range s.hits {
		from := h.From
		if from == "" {
			from = "own structure"
		}
		out = append(out, Volume{
			Start: h.Start, Length: h.Length, Filesystem: h.filesystem,
			Found: fmt.Sprintf("%s at offset %d (no table)", from, s.f.r.Base()+h.At),
		})
	}
	return out
}
