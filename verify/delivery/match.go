package delivery

import (
	"context"
	"encoding/hex"
	"fileassay/verify/result"
	"strconv"
	"strings"

	"golang.org/x/text/unicode/norm"
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

func parseHex(s string) ([]byte, error) { return hex.DecodeString(s) }

// matchOwn finds the files of a delivery of ours by making its plan again.
func (a *audit) matchOwn(ctx context.Context, res *result.Result, sel *Selection, filler []byte) ([]pair, error) {
	p, err := newPlan(ctx, res, sel, filler)
	if err != nil {
		return nil, err
	}
	var pairs []pair
	there := map[string]bool{}
	byFile := make([]content, len(p.files))
	for _, g := range p.segments {
		if g.unit < 0 {
			c := &byFile[g.file]
			c.parts = append(c.parts, part{g.off, g.length, g.image})
		}
	}
	left := a.leftOut()
	for i, f := range p.files {
		path := payloadName + "/" + f.place
		there[path] = true
		n, ok := a.sizes[path]
		if !ok {
			if !left[leftKey(strconv.Itoa(f.volume), strconv.FormatUint(f.id, 10), cell(f.original))] {
				a.found(path, FoundMissing, "is in the result, for %s", f.original)
			}
			continue
		}
		c := byFile[i]
		c.size, c.units, c.missing, c.method = f.size, f.units, f.missing, f.method
		c.settle()
		if n != c.size {
			a.found(path, FoundLength, "has %d bytes, should have %d", n, c.size)
		}
		v := result.Intact
		if f.damaged {
			v = result.Damaged
		}
		pairs = append(pairs, pair{path, n, f.original, c, filler, v})
	}
	for _, l := range p.links {
		there[payloadName+"/"+l.place] = true
	}
	for path := range a.sizes {
		if strings.HasPrefix(path, payloadName+"/") && !there[path] {
			a.found(path, FoundExtra, "is not in the result")
		}
	}
	return pairs, nil
}

func leftKey(volume, id, original string) string { return volume + "/" + id + "/" + original }

// leftOut are the keys of the files that a delivery says it left out.
func (a *audit) leftOut() map[string]bool {
	out := map[string]bool{}
	b, err := readFile(a.root, leftName, manifestLimit)
	if err != nil {
		return out
	}
	for _, row := range rows(b) {
		if len(row) == 4 {
			out[leftKey(row[0], row[1], row[2])] = true
		}
	}
	return out
}

// stripped is how many folders at the top of a tree may stand before the paths
// of the image.
const stripped = 4

// matchTree finds the files of any folder in the result, by their paths: as
// they are in the image, or as a delivery of ours would have them; folders
// may stand before.
func (a *audit) matchTree(ctx context.Context, res *result.Result) ([]pair, error) {
	keys := map[string][]string{} // paths of the folder, by the paths of the image they may be
	for path := range a.sizes {
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
			size := a.sizes[path]
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
	for path, size := range a.sizes {
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
