package delivery

import (
	"context"
	"strings"

	"golang.org/x/text/unicode/norm"

	"fileassay/extract/image"
	"fileassay/verify/result"
)

// pair is a file of a folder and what should be in it.
type pair struct {
	path    string // in the folder
	size    int64
	name    string // in the image
	content content
	filler  []byte // where a delivery of ours has bytes missing; nil elsewhere
	verdict result.Verdict
}

// matchOwn finds the files of a delivery of ours by making its plan again, and
// holds all else of it to that plan. r is nil where there is no image.
func (a *audit) matchOwn(ctx context.Context, res *result.Result, r *image.Reader, w *wish) ([]pair, error) {
	p, err := newPlan(ctx, res, &w.Selection, w.filler)
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
	match := func(path string, x entry, f *file) {
		c := &contents[f.number]
		if x.size != c.size {
			a.found(path, FoundLength, "has %d bytes, should have %d", x.size, c.size)
		}
		v := result.Intact
		if f.damaged {
			v = result.Damaged
		}
		pairs = append(pairs, pair{path, x.size, f.original, *c, w.filler, v})
	}
	claim := func(path string) (entry, bool) {
		x, ok := a.there[path]
		if ok {
			x.planned = true
			a.there[path] = x
		}
		return x, ok
	}
	excuses := a.excuses()
	for i, f := range p.files {
		path := payloadName + "/" + f.place
		c := &contents[i]
		c.size, c.units, c.missing, c.method = f.size, f.units, f.missing, f.method
		c.settle()
		x, ok := claim(path)
		switch {
		case !ok:
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
		path := payloadName + "/" + l.place
		x, ok := claim(path)
		switch {
		case !ok:
			if excuses[leftKey(l.volume, l.id, l.original)] == cell(linkWhy(l, becauseTarget)) && a.gone(path) {
				a.note(path, FoundLeft, "%s", becauseTarget[2:])
				return becauseTarget, nil
			}
			a.found(path, FoundMissing, "is in the result, a link to %q", f.original)
		case !x.link: // a copy that follows links made a file of it
			match(path, x, f)
		default:
			way, err := a.root.Readlink(path)
			if want := linkText(l, f); err != nil || slashed(way) != slashed(want) {
				a.found(path, FoundChanged, "leads to %q, should lead to %q", way, want)
			}
			a.timeOf(path, x, l.modified)
		}
		return "", nil
	})
	if err != nil {
		return nil, err
	}
	for path, x := range a.there {
		if !x.planned && strings.HasPrefix(path, payloadName+"/") {
			a.found(path, FoundExtra, "is not in the result")
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
func (a *audit) matchTree(ctx context.Context, res *result.Result) ([]pair, error) {
	keys := map[string][]string{} // paths of the folder, by the paths of the image they may be
	for path := range a.there {
		if a.rep.Bag && !strings.HasPrefix(path, payloadName+"/") {
			continue
		}
		rest := path
		for range stripped + 1 {
			k := norm.NFC.String(rest)
			keys[k] = append(keys[k], path)
			_, after, ok := strings.Cut(rest, "/")
			if !ok {
				break
			}
			rest = after
		}
	}
	// the best match of each: fewest folders before, then the right size
	type match struct {
		pair
		depth int
	}
	best := map[string]match{}
	n := 0
	for f, err := range res.Files() {
		if err != nil {
			return nil, err
		}
		if n++; n&1023 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if f.Kind != "file" && f.Kind != "stream" {
			continue
		}
		paths := keys[norm.NFC.String(f.Path)]
		if safe := safePath(f.Path); safe != f.Path {
			paths = append(paths[:len(paths):len(paths)], keys[norm.NFC.String(safe)]...)
		}
		hit := false
		for _, path := range paths {
			hit = true
			size := a.there[path].size
			c, cerr := contentOf(f)
			if f.Verdict == result.Lost {
				c.parts, c.units = nil, nil
			} else if cerr != nil {
				continue
			}
			m := match{pair{path, size, f.Path, c, nil, f.Verdict}, strings.Count(path, "/") - strings.Count(f.Path, "/")}
			old, ok := best[path]
			if !ok || m.depth < old.depth || m.depth == old.depth && m.content.size == size && old.content.size != size {
				best[path] = m
			}
		}
		if !hit && a.o.takes(f) {
			a.found(f.Path, FoundMissing, "is %s in the result, and not in the folder", f.Verdict)
		}
	}
	var pairs []pair
	for path, x := range a.there {
		size := x.size
		if a.rep.Bag && !strings.HasPrefix(path, payloadName+"/") {
			continue
		}
		m, ok := best[path]
		switch {
		case !ok:
			a.found(path, FoundExtra, "no file of the result has such a path")
		case m.verdict == result.Lost:
			a.found(path, FoundFiller, "the drive gave no byte of %s", m.name)
		default:
			if size != m.content.size {
				a.found(path, FoundLength, "has %d bytes, should have %d", size, m.content.size)
			}
			var missing int64
			for _, s := range m.content.missing {
				missing += s.length
			}
			if missing > 0 {
				a.found(path, FoundFiller, "%d of its %d bytes the drive did not give", missing, m.content.size)
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
