package delivery

import (
	"bytes"
	"context"
	"errors"
	"io"
	"sync/atomic"

	"fileassay/extract/input"
)

// prove finds which files of earlier runs are what this one would make. Such a
// file has the digest that the journal says, so it is whole; and the image gives
// content of that digest now, so it was not copied while something wrote to the
// image. Nothing that an earlier run knew of the image is a proof of that: it may
// have been killed before it looked.
func (d *delivery) prove(ctx context.Context) error {
	if err := d.proveWhole(ctx); err != nil {
		return err
	}
	var total, done atomic.Int64
	for _, f := range d.plan.files {
		if f.done {
			f.left.Store(f.content)
			total.Add(f.content)
		}
	}
	c := &copier{r: d.r, t: d.target, files: d.plan.files, paths: d.plan.paths, filler: d.o.Filler, scratch: make([][2][]byte, d.o.Threads)}
	s := &sweep{r: d.r, files: d.plan.files, workers: d.o.Threads, progress: func(n int64) {
		d.o.Progress(Progress{Step: "holding what is done to the image", Done: done.Add(n), Total: total.Load()})
	}}
	err := s.run(ctx, d.plan.segments, func(f *file) bool { return f.done }, c.hold, func(*item) error { return nil })
	if err != nil {
		return err
	}
	for _, f := range d.plan.files {
		if f.done = f.done && f.left.Load() == 0; f.done {
			// its time and mode are no part of the digest
			if err := d.target.stamp(d.plan.paths.String(f.place), f.modified, f.runs); err != nil {
				return d.target.fault(d.plan.paths.String(f.place), err)
			}
			d.kept++
			continue
		}
		f.hash = nil
		f.prepare()
	}
	return nil
}

// proveWhole finds which files have the digest that the journal says.
func (d *delivery) proveWhole(ctx context.Context) error {
	last := make(map[int]int, len(d.lines)) // of two lines the later one counts
	for i, l := range d.lines {
		last[l.n] = i
	}
	var seen atomic.Int64
	return each(ctx, d.o.Threads, len(d.lines), func(i int, _ []byte) error {
		l := d.lines[i]
		if l.n >= len(d.plan.files) || last[l.n] != i {
			return nil
		}
		f := d.plan.files[l.n]
		if made, err := input.OpenIn(d.target.root, d.plan.paths.String(f.place)); err == nil {
			if got, n, err := digest(made); err == nil && n == f.size && got == l.sum {
				f.sum, f.done = got, true
			}
			made.Close()
		}
		d.o.Progress(Progress{Step: "proving what is done", Files: seen.Add(1), Among: int64(len(d.lines))})
		return nil
	})
}

// hold takes an item of the sweep of files that are made. It is hashed, or, where
// its turn has not come, compared with the file. Of a file that differs
// something is always left.
func (c *copier) hold(worker int, it *item) error {
	f := c.files[it.file]
	data := it.data
	if it.err == nil && it.unit >= 0 {
		data = c.unpack(worker, f, &f.units[it.unit], data)
	}
	if it.err != nil || f.failed != "" {
		f.failed = "" // copying it will tell
		return nil
	}
	file := made{c.t, c.place(f)}
	if h := c.hashOf(f); h.next == it.prev {
		h.put(it.prev, it.off, data)
	} else if same, err := file.holds(data, it.off); err != nil || !same {
		return nil
	}
	if f.left.Add(-int64(len(data))) == 0 {
		if sum, err := f.hash.finish(file); err != nil || sum != f.sum {
			f.left.Store(1)
		}
		f.hash = nil
	}
	return nil
}

// made reads a file of the payload, and has it open no longer than that.
type made struct {
	t     *target
	place string
}

func (m made) ReadAt(p []byte, off int64) (int, error) {
	f, err := m.t.root.Open(m.place)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	return f.ReadAt(p, off)
}

// holds reports whether the file has data at off.
func (m made) holds(data []byte, off int64) (bool, error) {
	have := make([]byte, len(data))
	if _, err := m.ReadAt(have, off); err != nil && !errors.Is(err, io.EOF) {
		return false, err
	}
	return bytes.Equal(have, data), nil
}
