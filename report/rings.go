package report

import (
	"fileassay/verify/result"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"
)

// The picture of a drive: a disk on which the drive's bytes lie from the outer
// edge inwards, ring by ring, each ring clockwise from the top. Equal areas are
// equal numbers of bytes. The drive is drawn slice by slice (result.Profile);
// within a slice the read bytes come first, then doubtful, failed and skipped.
// What would be too small to see is drawn over with a mark.

// Of a disk, in units of the picture.
const (
	diskOuter = 240.0
	diskInner = 80.0
	diskRings = 20
	leastMark = 2.4 // what is shorter along its ring gets a mark
)

// drawn are the states that are drawn, in the order of result.Profile's
// counts; read comes first.
var drawn = [...]string{"read", "doubtful", "failed", "skipped"}

// disk is a drive, or what one head of it serves, as it is drawn.
type disk struct {
	Title  string
	Totals [len(drawn)]int64
	Paths  [len(drawn)]string // SVG path data for each state
	Marks  [len(drawn)]string // path data of marks over what is too small to see
	Wanted string             // path data along slices where wanted files have unread places
	total  int64
	words  [len(drawn)]string // what the states are called
}

// slice is a part of a drive with its bytes by state.
type slice struct {
	bytes   [len(drawn)]int64
	touched bool // a wanted file has unread places here
}

func (s *slice) length() (n int64) {
	for _, b := range s.bytes {
		n += b
	}
	return n
}

// good reports whether the counts are such that a drive may have.
func (s *slice) good() bool {
	return !slices.ContainsFunc(s.bytes[:], func(b int64) bool { return b < 0 || b > math.MaxInt64/maxSlices/8 })
}

// newDisk draws slices that stand one behind the other.
func newDisk(title string, slices []slice) *disk {
	d := &disk{Title: title}
	for i := range slices {
		d.total += slices[i].length()
	}
	if d.total == 0 {
		return d
	}
	var paths, marks [len(drawn)]strings.Builder
	var wanted strings.Builder
	at := int64(0)
	// runs of one state are drawn as one, from their first byte
	run, begin := -1, int64(0)
	flush := func(end int64) {
		if run >= 0 && end > begin {
			d.sweep(begin, end, func(a arc) { a.area(&paths[run]) })
			if run > 0 && d.along(begin, end) < leastMark {
				d.mark(&marks[run], begin, end)
			}
		}
		begin = end
	}
	for i := range slices {
		s := &slices[i]
		from := at
		for state, n := range s.bytes {
			d.Totals[state] += n
			if n == 0 {
				continue
			}
			if run != state {
				flush(at)
				run = state
			}
			at += n
		}
		if s.touched && at > from {
			d.sweep(from, at, func(a arc) { a.rim(&wanted) })
		}
	}
	flush(at)
	for i := range paths {
		d.Paths[i], d.Marks[i] = paths[i].String(), marks[i].String()
	}
	d.Wanted = wanted.String()
	return d
}

// arc is a part of one ring, from one angle to another, in turns clockwise
// from the top.
type arc struct{ outer, inner, from, to float64 }

// ringEdge is the outer radius of ring i.
func ringEdge(i int) float64 { return diskOuter - (diskOuter-diskInner)*float64(i)/diskRings }

// sweep gives the arcs of bytes from begin to end. Equal numbers of bytes have
// equal areas, so outer rings hold more.
func (d *disk) sweep(begin, end int64, yield func(arc)) {
	all := diskOuter*diskOuter - diskInner*diskInner
	passed := 0.0
	a, b := float64(begin)/float64(d.total), float64(end)/float64(d.total)
	for i := range diskRings {
		outer, inner := ringEdge(i), ringEdge(i+1)
		share := (outer*outer - inner*inner) / all
		from, to := max((a-passed)/share, 0), min((b-passed)/share, 1)
		if i == diskRings-1 && end == d.total {
			to = 1
		}
		if from < to {
			yield(arc{outer, inner, from, to})
		}
		passed += share
	}
}

// along is the length of bytes along their rings.
func (d *disk) along(begin, end int64) (sum float64) {
	d.sweep(begin, end, func(a arc) { sum += (a.to - a.from) * math.Pi * (a.outer + a.inner) })
	return sum
}

func point(b *strings.Builder, cmd byte, r, turn float64) {
	b.WriteByte(cmd)
	coordinates(b, r, turn)
}

func coordinates(b *strings.Builder, r, turn float64) {
	sin, cos := math.Sincos(2 * math.Pi * turn)
	number(b, r*sin)
	b.WriteByte(' ')
	number(b, -r*cos)
}

// number writes a coordinate to a thousandth.
func number(b *strings.Builder, f float64) {
	f = math.Round(f*1000) / 1000
	if f == 0 {
		f = 0 // no negative zero
	}
	b.WriteString(strconv.FormatFloat(f, 'f', -1, 64))
}

func turnTo(b *strings.Builder, r, to float64, large, sweep int) {
	b.WriteByte('A')
	number(b, r)
	b.WriteByte(' ')
	number(b, r)
	fmt.Fprintf(b, " 0 %d %d ", large, sweep)
	coordinates(b, r, to)
}

// area appends the arc as a filled path. A whole ring is two halves, since an
// arc that ends where it begins is none.
func (a arc) area(b *strings.Builder) {
	if a.to-a.from > 0.5 {
		a.halves(func(half arc) { half.area(b) })
		return
	}
	point(b, 'M', a.outer, a.from)
	turnTo(b, a.outer, a.to, 0, 1)
	point(b, 'L', a.inner, a.to)
	turnTo(b, a.inner, a.from, 0, 0)
	b.WriteByte('Z')
}

func (a arc) halves(yield func(arc)) {
	mid := (a.from + a.to) / 2
	yield(arc{a.outer, a.inner, a.from, mid})
	yield(arc{a.outer, a.inner, mid, a.to})
}

// rim appends a line along the outer side of the arc.
func (a arc) rim(b *strings.Builder) {
	if a.to-a.from > 0.5 {
		a.halves(func(half arc) { half.rim(b) })
		return
	}
	r := a.outer - 1.2
	from, to := a.from, a.to
	if length := (to - from) * 2 * math.Pi * r; length < leastMark {
		more := (leastMark - length) / (4 * math.Pi * r)
		from, to = from-more, to+more
	}
	point(b, 'M', r, from)
	turnTo(b, r, to, 0, 1)
}

// mark appends a short stroke across the ring in the middle of bytes.
func (d *disk) mark(b *strings.Builder, begin, end int64) {
	d.sweep(begin, end, func(a arc) {
		mid := (a.from + a.to) / 2
		point(b, 'M', a.outer-0.8, mid)
		point(b, 'L', a.inner+0.8, mid)
	})
}

// touched tells which slices of a drive hold unread places of wanted files.
type touched struct {
	slice int64
	set   map[int64]bool
}

func newTouched(p *result.Profile) *touched {
	t := &touched{set: map[int64]bool{}}
	if p != nil {
		t.slice = p.Slice
	}
	return t
}

// maxSlices bounds the slices of a profile: a result that has more is none of
// ours.
const maxSlices = 1 << 14

// mark notes a range of the drive.
func (t *touched) mark(at, n int64) {
	if t.slice <= 0 || at < 0 || n <= 0 {
		return
	}
	for i := at / t.slice; i <= (at+n-1)/t.slice && len(t.set) < maxSlices; i++ {
		t.set[i] = true
	}
}

// driveSlices are the slices of a whole drive; nil where the result does not
// tell, or tells what no drive has.
func driveSlices(im *result.Image, t *touched) []slice {
	p := im.Profile
	if p == nil || p.Slice <= 0 || im.DriveSize <= 0 || im.DriveSize/p.Slice >= maxSlices {
		return nil
	}
	slices := make([]slice, (im.DriveSize-1)/p.Slice+1)
	for i := range slices {
		slices[i].bytes[0] = min(p.Slice, im.DriveSize-int64(i)*p.Slice)
		slices[i].touched = t.set[int64(i)]
	}
	for _, s := range p.Slices {
		if s[0] < 0 || s[0] >= int64(len(slices)) {
			return nil
		}
		told := slice{bytes: [4]int64(s[1:]), touched: slices[s[0]].touched}
		if !told.good() || told.length() != slices[s[0]].length() {
			return nil // what is not told must not be drawn as read
		}
		slices[s[0]] = told
	}
	return slices
}

// driveDisks draws the whole drive, and each head where a head map was given.
// A result without a profile has none.
func driveDisks(im *result.Image, t *touched) []*disk {
	whole := driveSlices(im, t)
	if len(whole) == 0 {
		return nil
	}
	var disks []*disk
	draw := func(title string, list []slice) {
		d := newDisk(title, list)
		d.words = stateWords(im)
		disks = append(disks, d)
	}
	draw("The whole drive", whole)
	if im.Heads == nil {
		return disks
	}
	for _, h := range im.Heads.Heads {
		if h.Profile == nil || len(h.Profile.Slices) > maxSlices {
			continue
		}
		list := make([]slice, len(h.Profile.Slices))
		for i, s := range h.Profile.Slices {
			list[i] = slice{bytes: [4]int64(s[1:])}
		}
		if !slices.ContainsFunc(list, func(s slice) bool { return !s.good() }) {
			draw(fmt.Sprintf("Head %d", h.Head), list)
		}
	}
	return disks
}

// text says what the picture shows.
func (d *disk) text() string {
	var parts []string
	for i, n := range d.Totals {
		if n > 0 || i == 0 {
			parts = append(parts, fmt.Sprintf("%s %s (%s)", d.words[i], size(n), share(n, d.total)))
		}
	}
	return fmt.Sprintf("%s, %s: %s.", d.Title, size(d.total), strings.Join(parts, ", "))
}

// stateWords are what the states of a drive are called: without a map nothing
// is known to have been read.
func stateWords(im *result.Image) [len(drawn)]string {
	words := [...]string{"read", "doubtful", "failed", "not tried"}
	if im.Map.AssumedRead {
		words[0] = "assumed to be read"
	}
	return words
}

// svg is the picture as inline SVG. id sets its names apart from those of
// other pictures of the page.
func (d *disk) svg(id string) template.HTML {
	var b strings.Builder
	const edge = diskOuter + 6
	fmt.Fprintf(&b, `<svg class="disk" viewBox="%g %g %g %g" role="img" aria-labelledby="%s-t %s-d">`, -edge, -edge, 2*edge, 2*edge, id, id)
	fmt.Fprintf(&b, `<title id="%s-t">%s</title><desc id="%s-d">%s Drawn from the outer edge, where the drive begins, inwards, each ring clockwise from the top.</desc>`,
		id, template.HTMLEscapeString(d.Title), id, template.HTMLEscapeString(d.text()))
	for i, name := range drawn {
		if d.Paths[i] != "" {
			fmt.Fprintf(&b, `<path class="s-%s" data-bytes="%d" d="%s"/>`, name, d.Totals[i], d.Paths[i])
			if i > 0 {
				fmt.Fprintf(&b, `<path class="h-%s" d="%s"/>`, name, d.Paths[i])
			}
		}
	}
	for i := 1; i < diskRings; i++ {
		b.WriteString(`<circle class="groove" r="` + strconv.FormatFloat(ringEdge(i), 'f', -1, 64) + `"/>`)
	}
	for i, name := range drawn {
		if d.Marks[i] != "" {
			fmt.Fprintf(&b, `<path class="marks m-%s" d="%s"/>`, name, d.Marks[i])
		}
	}
	if d.Wanted != "" {
		fmt.Fprintf(&b, `<path class="rims" d="%s"/>`, d.Wanted)
	}
	b.WriteString(`<circle class="edge" r="` + strconv.FormatFloat(diskOuter, 'f', -1, 64) + `"/><circle class="edge" r="` + strconv.FormatFloat(diskInner, 'f', -1, 64) + `"/>`)
	b.WriteString(`<path class="start" d="M0 -246l-5 -1 5 9 5 -9z"/>`)
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) // numbers, and texts that were escaped
}
