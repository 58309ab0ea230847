package delivery

import (
	"bytes"
	"cmp"
	"context"
	"slices"
	"strings"

	"golang.org/x/text/unicode/norm"

	"fileassay/extract/image"
	"fileassay/verify/paths"
	"fileassay/verify/result"
)

// pair is a file of a folder and what should be in it.
type pair struct {
	path    paths.Path // in the folder
	size    int64
	name    paths.Path // in the image
	content content
	filler  []byte // where a delivery of ours has bytes missing; nil elsewhere
	verdict result.Verdict
}

// matchOwn finds the files of a delivery of ours by making its plan again, and
// holds all else of it to that plan. r is nil where there is no image.
func (a *audit) matchOwn(ctx context.Context, res *result.Result, r *image.Reader, w *wish) ([]pair, error) {
	p, err := newPlan(res, &w.Selection, w.filler, a.paths)
	if err != nil {
		return nil, err
	}
	contents := make([]content, len(p.files))
	for _, g := range p.segments {
		if g.unit < 0 {
			c := &contents[g.file]
			c.parts = append(c.parts, part{g.off, g.length, g.image})
		}
	}
	var pairs []pair
	match := func(path string, x *entry, f *file) {
		c := &contents[f.number]
		if x.size != c.size {
			a.found(path, FoundLength, "has %d bytes, should have %d", x.size, c.size)
		}
		v := result.Intact
		if f.damaged {
			v = result.Damaged
		}
		pairs = append(pairs, pair{x.path, x.size, f.original, *c, w.filler, v})
	}
	claim := func(place paths.Path) (path string, x *entry) {
		path = payloadName + "/" + a.paths.String(place)
		if x = a.entry(path); x != nil {
			x.planned = true
		}
		return path, x
	}
	excuses := a.excuses()
	for i, f := range p.files {
		c := &contents[i]
		c.size, c.units, c.missing, c.method = f.size, f.units, f.missing, f.method
		c.settle()
		path, x := claim(f.place)
		switch {
		case x == nil:
			if err := a.absent(ctx, r, path, f, c, excuses); err != nil {
				return nil, err
			}
			continue
		case x.link:
			a.found(path, FoundChanged, "is a link, and should be a file")
		default:
			a.looks(path, x, f.modified, f.runs)
		}
		match(path, x, f)
	}
	h, err := p.settle(func(l *link, f *file) (because string, err error) {
		path, x := claim(l.place)
		switch {
		case x == nil:
			why := a.paths.String(excuses[leftKey(l.volume, l.id, a.paths.String(l.original))])
			if why == cell(linkWhy(a.paths.String(l.target), becauseTarget)) && a.gone(path) {
				a.note(path, FoundLeft, "%s", becauseTarget[2:])
				return becauseTarget, nil
			}
			a.found(path, FoundMissing, "is in the result, a link to %q", a.paths.String(f.original))
		case !x.link: // a copy that follows links made a file of it
			match(path, x, f)
		default:
			way, err := a.root.Readlink(path)
			if want := p.linkText(l, f); err != nil || slashed(way) != slashed(want) {
				a.found(path, FoundChanged, "leads to %q, should lead to %q", way, want)
			}
			a.timeOf(path, x, l.modified)
		}
		return "", nil
	})
	if err != nil {
		return nil, err
	}
	for _, x := range a.there {
		if !x.planned && x.payload {
			a.found(a.paths.String(x.path), FoundExtra, "is not in the result")
		}
	}
	a.beside(h, w)
	a.summarize()
	return pairs, nil
}

// slashed is the way that a link says, as it would on any system.
func slashed(way string) string { return strings.ReplaceAll(way, `\`, "/") }

// stripped is how many folders at the top of a tree may stand before the paths
// of the image.
const stripped = 4

// matchTree finds the files of any folder in the result, by their paths: as
// they are in the image, or as a delivery of ours would have them; folders
// may stand before.
func (a *audit) matchTree(res *result.Result) ([]pair, error) {
	type name struct {
		key       // of a path of the image that a file of the folder may be
		at  int32 // of that file in there
	}
	var names []name
	for i, x := range a.there {
		if a.rep.Bag && !x.payload {
			continue
		}
		rest := a.paths.String(x.path)
		for range stripped + 1 {
			names = append(names, name{keyOf(norm.NFC.String(rest)), int32(i)})
			_, after, ok := strings.Cut(rest, "/")
			if !ok {
				break
			}
			rest = after
		}
	}
	slices.SortFunc(names, func(x, y name) int { return cmp.Or(bytes.Compare(x.key[:], y.key[:]), cmp.Compare(x.at, y.at)) })
	// the best match of each: fewest folders before, then the right size
	type match struct {
		pair
		depth int
	}
	best := make([]*match, len(a.there))
	for f, err := range res.Files() {
		if err != nil {
			return nil, err
		}
		if f.Kind != "file" && f.Kind != "stream" {
			continue
		}
		hit := false
		try := func(path string) {
			k := keyOf(norm.NFC.String(path))
			i, _ := slices.BinarySearchFunc(names, k, func(x name, k key) int { return bytes.Compare(x.key[:], k[:]) })
			for ; i < len(names) && names[i].key == k; i++ {
				hit = true
				x := &a.there[names[i].at]
				c, cerr := contentOf(f)
				if f.Verdict == result.Lost {
					c.parts, c.units = nil, nil
				} else if cerr != nil {
					continue
				}
				depth := strings.Count(a.paths.String(x.path), "/") - strings.Count(f.Path, "/")
				old := best[names[i].at]
				if old == nil || depth < old.depth || depth == old.depth && c.size == x.size && old.content.size != x.size {
					best[names[i].at] = &match{pair{x.path, x.size, a.paths.Add(f.Path), c, nil, f.Verdict}, depth}
				}
			}
		}
		try(f.Path)
		if safe := safePath(f.Path); safe != f.Path {
			try(safe)
		}
		if !hit && a.o.takes(f) {
			a.found(f.Path, FoundMissing, "is %s in the result, and not in the folder", f.Verdict)
		}
	}
	var pairs []pair
	for i, x := range a.there {
		size := x.size
		if a.rep.Bag && !x.payload {
			continue
		}
		m := best[i]
		path := func() string { return a.paths.String(x.path) }
		switch {
		case m == nil:
			a.found(path(), FoundExtra, "no file of the result has such a path")
		case m.verdict == result.Lost:
			a.found(path(), FoundFiller, "the drive gave no byte of %s", a.paths.String(m.name))
		default:
			if size != m.content.size {
				a.found(path(), FoundLength, "has %d bytes, should have %d", size, m.content.size)
			}
			if missing := total(m.content.missing); missing > 0 {
				a.found(path(), FoundFiller, "%d of its %d bytes the drive did not give", missing, m.content.size)
			}
			pairs = append(pairs, m.pair)
		}
	}
	return pairs, nil
}

func safePath(p string) string {
	names := strings.Split(p, "/")
	for i := range names {
		names[i] = SafeName(names[i])
	}
	return strings.Join(names, "/")
}
