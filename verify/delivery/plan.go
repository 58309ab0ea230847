package delivery

import (
	"cmp"
	"fileassay/verify/files"
	"fileassay/verify/paths"
	"fileassay/verify/result"
	"fmt"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"
)

// file is a file of a delivery.
type file struct {
	place    paths.Path // below the payload folder
	volume   int
	id       uint64
	original paths.Path
	exact    []byte // name in the image's own bytes, where the path cannot carry it
	modified time.Time
	runs     bool // the owner may run it
	damaged  bool
	number   int32 // in the plan
	stored   string
	size     int64
	content  int64 // bytes of it that the image holds
	last     int64 // where the last of them ends
	missing  []span
	units    []unit
	method   string

	left   atomic.Int64 // content bytes still to be written and hashed
	whole  *[]byte      // a small file's content while it comes together
	big    *bigFile     // any other's
	hash   *orderedHash // of one that is hashed piece by piece
	sum    [32]byte
	done   bool
	failed string // why it was left out after all
}

// segment is content of a file at a place in the image: length bytes of the
// image. For a unit they are the first run of its stored bytes.
type segment struct {
	image, off, length int64
	prev               int64 // where the content before it ends: in between are holes and missing ranges
	file, unit         int32 // unit is -1 for plain content
}

func (s *segment) end() int64 { return s.image + s.length }

// link is a link of the result.
type link struct {
	place, original, target paths.Path
	volume                  int
	id                      uint64
	modified                time.Time
	to                      *file // of the delivery, that it leads to; nil where none is
}

// leftOut is a chosen file that is not delivered.
type leftOut struct {
	volume   int
	id       uint64
	original paths.Path
	target   paths.Path // of a link, which stands before why
	why      string
}

// reason is why it is left out, in whole words.
func (l *leftOut) reason(s *paths.Store) string {
	if l.target == (paths.Path{}) {
		return l.why
	}
	return linkWhy(s.String(l.target), l.why)
}

// plan is what a delivery will hold.
type plan struct {
	files    []*file
	segments []segment // by place in the image
	links    []link
	left     []leftOut
	namer    *namer
	paths    *paths.Store // of all of them
	content  int64        // bytes to copy
	space    int64        // bytes that the files take on the target, at most
}

const (
	clusterGuess = 4096       // bytes that a file's end wastes on most targets
	holesFree    = 1 << 30    // bytes of holes that any delivery may have
	holesTimes   = 16         // and how many times the image's size besides
	lightFiles   = 1<<31 - 16 // files of one delivery
)

func volumeFolder(branch string, volume int) string {
	return fmt.Sprintf("%s/volume-%d", branch, volume)
}

// newPlan plans the delivery of the files that sel takes. Nothing in it
// depends on anything but the result, the selection and the filler. Its paths are
// kept in store.
func newPlan(res *result.Result, sel *Selection, filler []byte, store *paths.Store) (*plan, error) {
	p := &plan{namer: newNamer(), paths: store}
	holes := holesFree + holesTimes*min(res.Image.Size, 1<<56)
	for f, err := range res.Files() {
		if err != nil {
			return nil, err
		}
		if !sel.takes(f) {
			continue
		}
		out := func(why string) {
			p.left = append(p.left, leftOut{volume: f.Volume, id: f.ID, original: store.Add(f.Path), why: why})
		}
		branch := string(f.Verdict)
		if f.Kind == "link" {
			place := p.namer.place(volumeFolder(branch, f.Volume), f.Path)
			p.links = append(p.links, link{store.Add(place), store.Add(f.Path), store.Add(f.Target), f.Volume, f.ID, keptTime(f), nil})
			continue
		}
		c, err := contentOf(f)
		if err != nil {
			out(err.Error())
			continue
		}
		bytes, missing := c.bytes(), total(c.missing)
		if bytes == 0 && missing > 0 {
			out("none of its stored bytes was read")
			continue
		}
		void := max(0, c.size-bytes)
		if void > holes {
			out(fmt.Sprintf("%d bytes of it are holes or missing: more than a drive of this size can be believed to have", void))
			continue
		}
		holes -= void
		if outside(&c, res.Image.Size) {
			out(errNonsense.Error())
			continue
		}
		if len(p.files) == lightFiles {
			return nil, &files.InputError{Err: fmt.Errorf("result %s: more files than one delivery can hold; choose some with --path", res.Path)}
		}
		d := &file{place: store.Add(p.namer.place(volumeFolder(branch, f.Volume), f.Path)), volume: f.Volume, id: f.ID, original: store.Add(f.Path), exact: f.NameBytes,
			damaged: f.Verdict == result.Damaged, stored: f.Stored, size: c.size, content: bytes, missing: c.missing, units: c.units, method: c.method}
		d.modified = keptTime(f)
		d.runs = f.Runs
		p.add(d, &c)
		p.content += bytes
		p.space += (bytes + 2*clusterGuess - 1) / clusterGuess * clusterGuess
		if !zeros(filler) {
			p.space += missing
		}
	}
	slices.SortFunc(p.segments, func(a, b segment) int {
		return cmp.Or(cmp.Compare(a.image, b.image), cmp.Compare(a.file, b.file), cmp.Compare(a.off, b.off))
	})
	return p, nil
}

// outside reports whether content lies past the end of the image.
func outside(c *content, size int64) bool {
	for _, p := range c.parts {
		if p.image > size-p.length {
			return true
		}
	}
	for _, u := range c.units {
		for _, p := range u.stored {
			if p.image > size-p.length {
				return true
			}
		}
	}
	return false
}

// add adds a file and the segments of its content, in order.
func (p *plan) add(d *file, c *content) {
	n := int32(len(p.files))
	d.number = n
	p.files = append(p.files, d)
	prev := int64(0)
	parts, units := c.parts, c.units
	for len(parts) > 0 || len(units) > 0 {
		if len(units) == 0 || len(parts) > 0 && parts[0].off < units[0].off {
			a := parts[0]
			p.segments = append(p.segments, segment{a.image, a.off, a.length, prev, n, -1})
			prev = a.off + a.length
			parts = parts[1:]
			continue
		}
		u := units[0]
		p.segments = append(p.segments, segment{u.stored[0].image, u.off, u.stored[0].length, prev, n, int32(len(d.units) - len(units))})
		prev = u.end()
		units = units[1:]
	}
	d.last = prev
}

// resolve finds the file that each link points to, if that is a file of the same
// volume in the delivery. A link is judged by its words alone: nothing on the
// target is followed.
func (p *plan) resolve() (notes []leftOut) {
	if len(p.links) == 0 {
		return nil
	}
	at := func(volume int, path string) key { return keyOf(strconv.Itoa(volume) + "/" + path) }
	want := map[key]*file{}
	goal := func(l *link) (key, bool) {
		t := strings.ReplaceAll(p.paths.String(l.target), `\`, "/")
		if t == "" || strings.HasPrefix(t, "/") || strings.Contains(t, ":") {
			return key{}, false
		}
		to := path.Join(path.Dir(p.paths.String(l.original)), t)
		return at(l.volume, to), to != ".." && !strings.HasPrefix(to, "../")
	}
	for i := range p.links {
		if k, ok := goal(&p.links[i]); ok {
			want[k] = nil
		}
	}
	for _, f := range p.files {
		k := at(f.volume, p.paths.String(f.original))
		if have, ok := want[k]; ok && have == nil {
			want[k] = f
		}
	}
	for i := range p.links {
		l := &p.links[i]
		if k, ok := goal(l); ok {
			l.to = want[k]
		}
		if l.to != nil {
			continue
		}
		why := becauseElsewhere
		if l.target == (paths.Path{}) {
			why = "a link" + why
		}
		notes = append(notes, leftOut{l.volume, l.id, l.original, l.target, why})
	}
	return notes
}

// zeros reports whether a filler is zeros alone.
func zeros(filler []byte) bool {
	return !slices.ContainsFunc(filler, func(b byte) bool { return b != 0 })
}
