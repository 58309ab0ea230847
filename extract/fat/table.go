package fat

import (
	"bytes"
	"context"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// link is an entry as the copies of the table give it. Drivers follow the first, so
// that decides where it was read, unless it says what no chain holds and the second
// does not: then it fails its check and counts as unread. Where both were read and
// differ, what rests on the entry is not proved.
type link struct {
	value
	Second   bool  // had from a later copy, since the first is unread
	Disagree bool  // both were read and differ
	Alt      value // what the other copy says, where Disagree
}

// table is an allocation table in one or more copies, which are one logical
// table: where a sector of the first is unread, the next one's is used. It is
// not safe for concurrent use.
type table struct {
	form
	r       *image.Reader
	copies  []int64 // where they begin in the image
	size    int64   // of one in bytes, as far as entries stand in it
	counted *count

	pages map[int64]*page
	ring  []int64 // pages in the order they came
	last  *page
	spare []byte // for the copies of a page
	asked int64  // entries that were asked for
}

// page is a part of the table.
type page struct {
	at     int64         // in the table
	b      partial.Bytes // of the first copy that was read, byte by byte
	second ranges.Set    // of b, had from a later copy
	alt    partial.Bytes // the second copy where both were read; none where they are the same
}

const (
	// pageBytes is a multiple of 3, so that no entry of 12 bits stands in
	// two pages, and of any sector.
	pageBytes = 12 * 4096
	maxPages  = 512 // 24 MiB
)

// newTable makes a table of the entries for clusters, read from copies at the
// given image offsets, each of size bytes.
func newTable(r *image.Reader, copies []int64, size int64, w width, clusters uint32) *table {
	f := form{w, clusters}
	off, n := f.place(clusters + firstCluster - 1)
	return &table{form: f, r: r, copies: copies, size: min(off+n, size), pages: map[int64]*page{}}
}

// entry is the entry of cluster c. Entries 0 and 1 are of no cluster and must
// not be asked for.
func (t *table) entry(c uint32) link {
	off, n := t.place(c)
	t.asked++
	p := t.page(off / pageBytes)
	e := link{value: t.form.entry(p.b, p.at, c)}
	if e.Mark == markUnread {
		return e
	}
	e.Second = p.second.Touches(off-p.at, n)
	if alt := t.form.entry(p.alt, p.at, c); alt.Mark != markUnread && alt != e.value && !(alt.Mark == markEnd && e.Mark == markEnd) {
		e.Disagree, e.Alt = true, alt
		if !e.leads() && alt.leads() {
			e.value, e.Alt = e.Alt, e.value
		}
	}
	return e
}

// leads reports whether a value is what a cluster of a chain has: a next cluster,
// or the end mark.
func (v value) leads() bool { return v.Mark == markNext || v.Mark == markEnd }

// contradicted says in words what copies of the table say against a chain, "" where
// that is nothing. Entries that the second copy alone gave count as read only where
// no two entries of the whole table disagree: a copy that is not kept up to date is
// wrong wherever something changed since, and drivers give out clusters all over
// the volume, so that no part of the table vouches for another better than the rest.
func (n *count) contradicted(f *followed) string {
	switch {
	case f.differ > 0:
		return fmt.Sprintf("the copies of the allocation table disagree in %d entries of its chain", f.differ)
	case f.second && n.Disagree > 0:
		return "its chain rests on the second copy of the allocation table, which does not agree with the first elsewhere"
	}
	return ""
}

func (t *table) page(n int64) *page {
	if t.last != nil && t.last.at == n*pageBytes {
		return t.last
	}
	p := t.pages[n]
	if p == nil {
		p = t.load(n * pageBytes)
		if len(t.ring) >= maxPages {
			delete(t.pages, t.ring[0])
			t.ring = t.ring[1:]
		}
		t.pages[n] = p
		t.ring = append(t.ring, n)
	}
	t.last = p
	return p
}

// load reads a page out of the copies.
func (t *table) load(at int64) *page {
	p := &page{at: at}
	n := min(pageBytes, t.size-at)
	if n <= 0 {
		return p // the table is too short for these clusters
	}
	p.b = t.r.Partial(make([]byte, n), t.copies[0]+at)
	for i, c := range t.copies[1:] {
		if i > 0 && p.b.Whole() {
			break
		}
		if t.spare == nil {
			t.spare = make([]byte, pageBytes)
		}
		other := t.r.Partial(t.spare[:n], c+at)
		if i == 0 && !other.None() && !bytes.Equal(p.b.Data, other.Data) {
			p.alt, t.spare = other, nil
			for _, lost := range p.b.Unread {
				p.alt.Lose(int(lost.Start), int(lost.End))
			}
		}
		for _, took := range p.b.Fill(other) {
			p.second.Add(took.Start, took.Len())
		}
	}
	t.settle(p)
	return p
}

// dark reports whether no copy of page n was read, as nearly all of a large table
// that was not.
func (t *table) dark(n int64) bool {
	for _, at := range t.copies {
		if s, ok := t.r.Map().Uniform(at+n*pageBytes, min(pageBytes, t.size-n*pageBytes)); !ok || s == imap.Read {
			return false
		}
	}
	return true
}

// empty reports whether nothing of the page was read.
func (p *page) empty() bool { return p.b.Len() == 0 }

// settle takes the second copy of a sector first where the first copy's fails a check
// that the second's passes: it holds an entry that means nothing. Where only one entry
// differs, [table.entry] decides.
func (t *table) settle(p *page) {
	const sector = 512
	for a := 0; a+sector <= p.alt.Len(); a += sector {
		one, ok1 := p.b.Get(a, sector)
		two, ok2 := p.alt.Get(a, sector)
		if !ok1 || !ok2 || bytes.Equal(one, two) || !t.senseless(p.b, p.at, a, sector) || t.senseless(p.alt, p.at, a, sector) {
			continue
		}
		for i := range sector {
			p.b.Data[a+i], p.alt.Data[a+i] = p.alt.Data[a+i], p.b.Data[a+i]
		}
	}
}

// senseless reports whether n bytes of a part of the table, which begins at byte at,
// hold an entry that means nothing.
func (t *table) senseless(b partial.Bytes, at int64, from, n int) bool {
	first := max((at+int64(from))*8/t.bits()+1, firstCluster)
	last := min((at+int64(from+n))*8/t.bits(), int64(t.clusters)+firstCluster)
	for c := first; c < last; c++ {
		if t.form.entry(b, at, uint32(c)).Mark == markInvalid {
			return true
		}
	}
	return false
}

// secondAlone is how many bytes of the first copy are unread and the second has.
func (t *table) secondAlone() (n int64) {
	if len(t.copies) < 2 {
		return 0
	}
	for u := range t.r.Unread(t.copies[0], t.size) {
		n += u.Length
		for too := range t.r.Unread(u.Start-t.copies[0]+t.copies[1], u.Length) {
			n -= too.Length
		}
	}
	return n
}

// plain reports whether all of the page was read, and no two copies differ.
func (p *page) plain() bool {
	return p.b.Len() > 0 && p.b.Whole() && p.second.Len() == 0 && p.alt.Len() == 0
}

// count is what a table holds as a whole.
type count struct {
	Unread   int64 // entries read in no copy
	Disagree int64 // entries read in both and not the same
}

// count looks at every entry, once.
func (t *table) count(ctx context.Context) (count, error) {
	if t.counted != nil {
		return *t.counted, nil
	}
	var n count
	err := t.eachPage(ctx, func(p *page, c uint32, k int64) error {
		if p.plain() {
			return nil
		}
		if p.empty() {
			n.Unread += k
			return nil
		}
		for ; k > 0; c, k = c+1, k-1 {
			switch e := t.entry(c); {
			case e.Mark == markUnread:
				n.Unread++
			case e.Disagree:
				n.Disagree++
			}
		}
		return nil
	})
	if err == nil {
		t.counted = &n
	}
	return n, err
}

// eachPage calls visit for the pages in order, each with the clusters whose
// entries stand in it: k from c.
func (t *table) eachPage(ctx context.Context, visit func(p *page, c uint32, k int64) error) error {
	perPage := t.fits(pageBytes) + firstCluster
	last := int64(t.clusters) + firstCluster
	for n := int64(0); n*perPage < last; n++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		from, to := max(n*perPage, firstCluster), min((n+1)*perPage, last)
		if from >= to {
			continue
		}
		p := &page{at: n * pageBytes}
		if !t.dark(n) {
			p = t.page(n)
		}
		if err := visit(p, uint32(from), to-from); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// allocation is the table as an allocation map of the clusters of g. A bad
// cluster holds nothing: it is free.
func (t *table) allocation(g *geometry) extract.Space {
	return func(ctx context.Context, yield func(start, length int64, use extract.Use) error) error {
		blank := make([]byte, pageBytes)
		from, last := uint32(firstCluster), extract.UseUnknown
		// to says what the clusters from c on are used for
		to := func(c uint32, use extract.Use) (err error) {
			if use != last {
				if c > from {
					err = yield(g.at(from), int64(c-from)*g.cluster, last)
				}
				from, last = c, use
			}
			return err
		}
		err := t.eachPage(ctx, func(p *page, c uint32, k int64) error {
			if p.plain() && bytes.Equal(p.b.Data, blank[:p.b.Len()]) && t.form.entry(p.b, p.at, c+uint32(k)-1).Mark == markFree {
				return to(c, extract.UseFree)
			}
			if p.empty() {
				return to(c, extract.UseUnknown)
			}
			for ; k > 0; c, k = c+1, k-1 {
				use := extract.UseUnclaimed
				switch e := t.entry(c); {
				case e.Mark == markUnread:
					use = extract.UseUnknown
				case e.Mark == markBad, e.Mark == markFree && (!e.Disagree || e.Alt.Mark == markFree):
					use = extract.UseFree
				}
				if err := to(c, use); err != nil {
					return err
				}
			}
			return nil
		})
		if end := t.clusters + firstCluster; err == nil && end > from {
			err = yield(g.at(from), int64(end-from)*g.cluster, last)
		}
		return err
	}
}

// stands holds the place of the table against what was read there: 1 a table
// stands there, -1 none does, 0 not enough was read to tell.
func (t *table) stands() int {
	seen := false
	b := make([]byte, 4)
	for _, at := range t.copies {
		if _, err := t.r.ReadAt(b, at); err != nil {
			continue
		}
		if t.begins(b) {
			return 1
		}
		seen = true
	}
	if seen {
		return -1
	}
	// the beginning of every copy is unread: most entries of a table name
	// the cluster after their own, wherever its files are not in pieces
	next, links := 0, 0
	for c := uint32(firstCluster); c-firstCluster < min(t.clusters, 1<<20); c++ {
		if e := t.entry(c); e.Mark == markNext {
			links++
			if e.Raw == c+1 {
				next++
			}
		}
	}
	switch {
	case links < 16:
		return 0
	case next*16 > links:
		return 1
	}
	return -1
}
