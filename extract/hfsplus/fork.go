package hfsplus

import "sort"

// run is a run of a fork's bytes: length bytes from off in the fork lie at
// image in the image.
type run struct{ off, image, length int64 }

// fork is where the bytes of a fork lie.
type fork struct {
	src  *source
	size int64 // bytes of content, as the fork's record has it, but no more than the volume's
	runs []run // in order of off, disjoint; gaps are not located
	// gaps says that runs do not cover the fork, and why in words.
	gaps bool
	why  string
}

// located is the number of the bytes up to the end of the last run.
func (f *fork) located() int64 {
	if len(f.runs) == 0 {
		return 0
	}
	last := f.runs[len(f.runs)-1]
	return last.off + last.length
}

// places yields [off, off+n) of the fork cut into pieces of one place, in
// order; at is negative where it is not known.
func (f *fork) places(off, n int64, yield func(off, at, n int64)) {
	end := off + n
	i := sort.Search(len(f.runs), func(i int) bool { return f.runs[i].off+f.runs[i].length > off })
	for off < end {
		if i == len(f.runs) || f.runs[i].off >= end {
			yield(off, -1, end-off)
			return
		}
		r := f.runs[i]
		if r.off > off {
			yield(off, -1, r.off-off)
			off = r.off
		}
		stop := min(r.off+r.length, end)
		yield(off, r.image+off-r.off, stop-off)
		off = stop
		i++
	}
}

// any reports whether a byte of [off, off+n) of the fork is located.
func (f *fork) any(off, n int64) bool {
	i := sort.Search(len(f.runs), func(i int) bool { return f.runs[i].off+f.runs[i].length > off })
	return i < len(f.runs) && f.runs[i].off < off+n
}

// read fills p with the fork's bytes from off, zeros where they were not read
// or are not located, and returns the ranges of p for which that is so.
func (f *fork) read(p []byte, off int64) []span {
	var unread []span
	base := off
	f.places(off, int64(len(p)), func(off, at, n int64) {
		part := p[off-base : off-base+n]
		if at < 0 {
			clear(part)
			unread = addSpan(unread, span{off - base, off - base + n})
			return
		}
		unread = f.src.read(part, at, unread, off-base)
	})
	return unread
}

// images yields where the bytes [off, off+n) of the fork stand in the image,
// with the journal in mind; at is negative where that is not known.
func (f *fork) images(off, n int64, yield func(off, at, n int64)) {
	f.places(off, n, func(off, at, n int64) {
		if at < 0 {
			yield(off, -1, n)
			return
		}
		base := off - at
		f.src.places(at, n, func(o, at, n int64) { yield(o+base, at, n) })
	})
}
