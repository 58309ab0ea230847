package delivery

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io"
	"slices"
	"sync/atomic"

	"fileassay/extract/image"
	"fileassay/extract/input"
	"fileassay/extract/unpack"
	"fileassay/verify/result"
)

// first is the first place in the image that content lies at.
func (c *content) first() int64 {
	at := int64(-1)
	if len(c.parts) > 0 {
		at = c.parts[0].image
	}
	if len(c.units) > 0 && len(c.units[0].stored) > 0 && (at < 0 || c.units[0].off < c.parts[0].off) {
		at = c.units[0].stored[0].image
	}
	return at
}

// compareAll compares files with the image, in the order of their places.
func (a *audit) compareAll(ctx context.Context, r *image.Reader, res *result.Result, pairs []pair) error {
	slices.SortFunc(pairs, func(x, y pair) int {
		return cmp.Or(cmp.Compare(x.content.first(), y.content.first()), a.paths.Compare(x.path, y.path))
	})
	var total int64
	for i := range pairs {
		total += pairs[i].content.bytes()
	}
	var done, files atomic.Int64
	wrong := make([]bool, len(pairs))
	err := each(ctx, a.o.Threads, len(pairs), func(i int, buf []byte) error {
		p := &pairs[i]
		d := a.compare(r, p, buf)
		a.o.Progress(Progress{"comparing", done.Add(p.content.bytes()), total, files.Add(1), int64(len(pairs))})
		wrong[i] = d.describe(a, p)
		if !a.rep.Bag {
			a.mu.Lock()
			a.rep.Files++
			a.rep.Bytes += p.size
			a.mu.Unlock()
		}
		return nil
	})
	if err != nil {
		return err
	}
	return a.identify(ctx, r, res, pairs, wrong)
}

// difference is how a file differs from what it should hold, in blocks of 512
// bytes.
type difference struct {
	blocks, off   int64 // all that were compared; those that differ
	uniform       int64 // of them, those that are one byte, or four, over and over
	first         int64
	filler, fillN int64 // bytes of missing ranges that are not the filler: the first, how many
	unknown       bool  // the image does not tell all that the file should hold
}

const block = 512

func (d *difference) put(at int64, have, want []byte) {
	if bytes.Equal(have, want) {
		d.blocks += int64(len(want)+block-1) / block
		return
	}
	for i := 0; i < len(want); i += block {
		end := min(i+block, len(want))
		d.blocks++
		h := have[i:end]
		if bytes.Equal(h, want[i:end]) {
			continue
		}
		if d.off == 0 {
			d.first = at + int64(i)
		}
		d.off++
		if repeats(h) {
			d.uniform++
		}
	}
}

// repeats reports whether a block is made of at most 16 bytes over and over,
// as no file's content is but by chance.
func repeats(b []byte) bool {
	return slices.ContainsFunc([]int{1, 2, 3, 4, 6, 8, 12, 16}, func(n int) bool { return len(b) > n && bytes.Equal(b[n:], b[:len(b)-n]) })
}

// describe says what is off; wrong is whether the content is.
func (d *difference) describe(a *audit, p *pair) (wrong bool) {
	path := a.paths.String(p.path)
	if d.fillN > 0 {
		a.found(path, FoundFiller, "%d bytes from byte %d on, which the drive did not give, are not the delivery's filler", d.fillN, d.filler)
	}
	switch {
	case d.off == 0:
		return false
	case d.uniform == d.off:
		a.found(path, FoundFiller, "%d bytes, the first at byte %d, are filler where the drive gave content", d.off*block, d.first)
	default:
		a.found(path, FoundContent, "%d of %d sectors differ from what the drive gave, the first at byte %d", d.off, d.blocks, d.first)
	}
	return true
}

// compare compares a file with the image, as far as both go.
func (a *audit) compare(r *image.Reader, p *pair, buf []byte) *difference {
	d := &difference{}
	path := a.paths.String(p.path)
	f, err := input.OpenIn(a.root, path)
	if err != nil {
		a.found(path, FoundContent, "cannot be read: %v", err)
		d.unknown = true
		return d
	}
	defer f.Close()
	c := &p.content
	size := min(p.size, c.size)
	have, want := buf[:len(buf)/2], buf[len(buf)/2:]
	pos := int64(0)
	unheld := func(err error) {
		a.found(path, FoundUnheld, "cannot be held to the image from byte %d on: %s", pos, unreadable(err))
		d.unknown = true
	}
	read := func(b []byte, at int64) bool {
		if _, err := f.ReadAt(b, at); err != nil && !errors.Is(err, io.EOF) {
			a.found(path, FoundContent, "cannot be read: %v", err)
			return false
		}
		return true
	}
	// over compares the file with what expect gives, from pos to end
	over := func(end int64, expect func(b []byte, at int64) error) bool {
		end = min(end, size)
		for pos < end {
			n := min(end-pos, int64(len(want)))
			if err := expect(want[:n], pos); err != nil {
				unheld(err)
				return false
			}
			if !read(have[:n], pos) {
				return false
			}
			d.put(pos, have[:n], want[:n])
			pos += n
		}
		return true
	}
	zero := func(b []byte, _ int64) error { clear(b); return nil }
	m := 0
	// void compares holes, and missing ranges where the filler is known
	void := func(end int64) bool {
		for ; m < len(c.missing) && c.missing[m].off < end; m++ {
			gap := c.missing[m]
			if !over(gap.off, zero) {
				return false
			}
			stop := min(gap.end(), size)
			if p.filler == nil {
				pos = max(pos, stop)
				continue
			}
			for pos < stop {
				n := min(stop-pos, int64(len(have)))
				if !read(have[:n], pos) {
					return false
				}
				for i, b := range have[:n] {
					if b != p.filler[(pos+int64(i))%int64(len(p.filler))] {
						if d.fillN == 0 {
							d.filler = pos + int64(i)
						}
						d.fillN++
					}
				}
				pos += n
			}
		}
		return over(end, zero)
	}
	parts, units := c.parts, c.units
	for len(parts) > 0 || len(units) > 0 {
		if len(units) == 0 || len(parts) > 0 && parts[0].off < units[0].off {
			q := parts[0]
			parts = parts[1:]
			if !void(q.off) || !over(q.off+q.length, func(b []byte, at int64) error {
				_, err := r.ReadAt(b, q.image+at-q.off)
				return err
			}) {
				return d
			}
			continue
		}
		u := &units[0]
		units = units[1:]
		src, err := u.read(r)
		if err != nil {
			pos = u.off
			unheld(err)
			return d
		}
		content := make([]byte, u.whole)
		if err := unpack.Unit(c.method, content, src); err != nil {
			a.found(path, FoundContent, "cannot be held to the image: what it stores from byte %d on is no compressed content: %v", u.off, err)
			d.unknown = true
			return d
		}
		if !void(u.off) || !over(u.end(), func(b []byte, at int64) error {
			copy(b, content[at-u.off:u.length])
			return nil
		}) {
			return d
		}
	}
	void(c.size)
	return d
}

// read reads the stored bytes of a unit.
func (u *unit) read(r *image.Reader) ([]byte, error) {
	var src []byte
	for _, p := range u.stored {
		b := make([]byte, p.length)
		if _, err := r.ReadAt(b, p.image); err != nil {
			return nil, err
		}
		src = append(src, b...)
	}
	return src, nil
}

const (
	identifyMost = 1000 // wrong files that are looked for under other names
	identifyEach = 16   // files of the same size that each is held to
)

// identify looks whether files with wrong content hold that of another file.
func (a *audit) identify(ctx context.Context, r *image.Reader, res *result.Result, pairs []pair, wrong []bool) error {
	bySize := map[int64][]int{}
	n := 0
	for i := range pairs {
		if wrong[i] && pairs[i].size > 0 && n < identifyMost {
			n++
			bySize[pairs[i].size] = append(bySize[pairs[i].size], i)
		}
	}
	if len(bySize) == 0 {
		return nil
	}
	tried := map[int64]int{}
	buf := make([]byte, 512<<10)
	quiet := &audit{root: a.root, paths: a.paths, findings: findings{rep: &AuditReport{}}}
	for f, err := range res.Files() {
		if err != nil {
			return err
		}
		if f.Size == nil || f.Kind != "file" && f.Kind != "stream" || f.Verdict != result.Intact || len(bySize[*f.Size]) == 0 || tried[*f.Size] == identifyEach {
			continue
		}
		tried[*f.Size]++
		c, err := contentOf(f)
		if err != nil {
			continue
		}
		for _, i := range bySize[*f.Size] {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			p := pairs[i]
			if a.paths.String(p.name) == f.Path {
				continue
			}
			p.content = c
			if d := quiet.compare(r, &p, buf); d.off == 0 && d.blocks > 0 && !d.unknown {
				a.found(a.paths.String(p.path), FoundOther, "holds the content of %s", f.Path)
			}
		}
	}
	return nil
}
