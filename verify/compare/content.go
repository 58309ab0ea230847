package compare

import (
	"bytes"
	"context"
	"fmt"
	"iter"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
	"fileassay/verify/files"
	"fileassay/verify/result"
)

// ContentOptions say how the content of two images is compared.
type ContentOptions struct {
	Before, After string // paths of the images; "" for those that the results name
	Whole         bool   // they are one file each, even where a name counts on into others beside it
	extract.Options
}

// ContentRecord says what became of the sectors that both passes read.
type ContentRecord struct {
	Images   [2]string  `json:"images"` // before and after
	Sector   int64      `json:"sector"` // bytes of those that are counted here
	Compared int64      `json:"sectors_compared"`
	Differ   int64      `json:"sectors_differ"`
	Holds    Holds      `json:"holds"`            // of those that differ
	Files    int64      `json:"files"`            // entries with content in them
	Ranges   int64      `json:"ranges"`           // that they form
	At       [][2]int64 `json:"at,omitempty"`     // [offset, length] of the first of the ranges
	Failed   int64      `json:"sectors_not_read"` // that the image files themselves do not give now
	Notes    []string   `json:"notes,omitempty"`
}

// Holds counts sectors by what they hold, as the newer pass tells it.
type Holds struct {
	Files      int64 `json:"files"`      // content of listed files
	Structures int64 `json:"structures"` // folders, records and other structures of a filesystem
	Free       int64 `json:"free"`       // free space, and the slack behind the ends of files
	Outside    int64 `json:"outside"`    // outside any volume
	Unknown    int64 `json:"unknown"`    // allocated but claimed by no listed file, or not known to be free
}

// windowSize is how much of each image is read at once.
const windowSize = 1 << 20

// Content reads the images of two results and compares, byte for byte, what
// both passes read; the comparison of the results then tells of it. Nothing
// that either pass did not read is looked at. Errors are [*files.InputError]
// or the context's, and leave the comparison as it was.
func Content(ctx context.Context, c *Comparison, before, after *result.Result, o ContentOptions) error {
	return c.readContent(ctx, before, after, o, batchRanges)
}

// readContent is [Content] with a limit of how many ranges are held at a time.
func (c *Comparison) readContent(ctx context.Context, before, after *result.Result, o ContentOptions, limit int) error {
	a, b, err := openImages(before, after, o)
	if err != nil {
		return err
	}
	defer a.Close()
	defer b.Close()
	rec := &ContentRecord{Images: [2]string{a.path, b.path}, Sector: min(a.Sector(), b.Sector())}
	for _, r := range []*result.Result{before, after} {
		rec.note(r)
	}
	h := &holders{after: after, a: a.Reader, b: b.Reader, list: c.all.wanted, options: o.Options, rec: rec, found: map[int64]*holder{}}
	s := &sweep{a: a.Reader, b: b.Reader, rec: rec, settle: h.settle, progress: o.Report}
	s.batch.unit, s.batch.limit = rec.Sector, limit
	if err := s.run(ctx); err != nil {
		return err
	}
	for _, in := range []*opened{a, b} {
		if err := in.Unchanged(); err != nil {
			return &files.InputError{Err: fmt.Errorf("image %w", err)}
		}
	}
	c.Content = rec
	c.holdOther(h.found)
	return nil
}

// note says what makes a comparison less than it looks.
func (rec *ContentRecord) note(r *result.Result) {
	if m := &r.Image.Map; m.TrustDoubtful && m.Doubtful > 0 {
		rec.Notes = append(rec.Notes, fmt.Sprintf("%s takes %d bytes of doubtful sectors as read: the drive did not vouch for them, and what differs may lie there", r.Path, m.Doubtful))
	}
	if r.Image.Map.AssumedRead {
		rec.Notes = append(rec.Notes, fmt.Sprintf("%s was made without an imaging map, on the claim that every sector was read: what differs may never have been read", r.Path))
	}
	if !slices.ContainsFunc(r.Volumes, func(v result.Volume) bool { return v.Proof != nil }) {
		rec.Notes = append(rec.Notes, fmt.Sprintf("%s lists no files, so only its size shows that the image is the one it was made from", r.Path))
	}
}

// sweep goes over two images, forward, and collects the sectors that differ.
type sweep struct {
	a, b     *image.Reader
	rec      *ContentRecord
	batch    differing
	end      int64 // of the last range
	settle   func(context.Context, *differing) error
	progress func(step string, done, total int64)
}

// bothRead yields the ranges that both images hold and both passes read.
func (s *sweep) bothRead() iter.Seq[ranges.Range] {
	return func(yield func(ranges.Range) bool) {
		for x := range s.a.Over(0, min(s.a.Size(), s.b.Size())) {
			if x.State != imap.Read {
				continue
			}
			for y := range s.b.Over(x.Start, x.Length) {
				if y.State == imap.Read && !yield(ranges.Range{Start: y.Start, End: y.End()}) {
					return
				}
			}
		}
	}
}

func (s *sweep) run(ctx context.Context) error {
	total, done := int64(0), int64(0)
	for x := range s.bothRead() {
		total += x.End - x.Start
	}
	// the images may lie on two disks: both are read at a time
	p, q := make([]byte, windowSize), make([]byte, windowSize)
	asked, given := make(chan ranges.Range), make(chan []imap.Range)
	defer close(asked)
	go func() {
		for w := range asked {
			given <- s.b.ReadReadable(q[:w.End-w.Start], w.Start)
		}
	}()
	for x := range s.bothRead() {
		for at := x.Start; at < x.End; at += windowSize {
			if ctx.Err() != nil {
				return context.Cause(ctx)
			}
			w := ranges.Range{Start: at, End: min(at+windowSize, x.End)}
			asked <- w
			n := w.End - w.Start
			bad := s.a.ReadReadable(p[:n], w.Start)
			bad = append(bad, <-given...)
			s.window(p[:n], q[:n], w, bad)
			if len(s.batch.list) >= s.batch.limit {
				if err := s.settle(ctx, &s.batch); err != nil {
					return err
				}
				s.batch.list = s.batch.list[:0]
			}
			done += n
			s.progress("comparing content", done, total)
		}
	}
	if len(s.batch.list) > 0 {
		if err := s.settle(ctx, &s.batch); err != nil {
			return err
		}
	}
	for x := range s.batch.sectorsOf(slices.Concat(s.a.Broken(), s.b.Broken())).All() { // whoever asked for them
		s.rec.Failed += s.batch.count(x.Start, x.End)
	}
	return nil
}

// window compares a window, but for the sectors that an image file did not
// give.
func (s *sweep) window(p, q []byte, w ranges.Range, bad []imap.Range) {
	pos := w.Start
	for x := range s.batch.sectorsOf(bad).Within(w.Start, w.End-w.Start) {
		s.compare(p[pos-w.Start:x.Start-w.Start], q[pos-w.Start:x.Start-w.Start], pos)
		pos = x.End
	}
	s.compare(p[pos-w.Start:], q[pos-w.Start:], pos)
}

// compare compares sectors from a place on. That is where one begins.
func (s *sweep) compare(p, q []byte, at int64) {
	s.rec.Compared += s.batch.count(0, int64(len(p)))
	if bytes.Equal(p, q) {
		return
	}
	for len(p) > 0 {
		n := min(int(s.batch.unit), len(p))
		if !bytes.Equal(p[:n], q[:n]) {
			s.differs(at, at+int64(n))
		}
		p, q, at = p[n:], q[n:], at+int64(n)
	}
}

// differs notes a sector.
func (s *sweep) differs(start, end int64) {
	s.rec.Differ++
	s.batch.add(start, end)
	list := s.rec.At
	switch n := len(list); {
	case s.rec.Ranges == 0 || s.end != start:
		s.rec.Ranges++
		if n < maxPlaces {
			s.rec.At = append(list, [2]int64{start, end - start})
		}
	case s.rec.Ranges <= maxPlaces:
		list[n-1][1] += end - start
	}
	s.end = end
}
