package report

import (
	"errors"
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fmt"
	"iter"
	"math"
	"slices"
)

// A report adds up what a result says. A result that says what no drive has is
// refused before, so that no sum can wrap and no count is shown that is below
// zero.

var errNumbers = errors.New("has numbers that no drive has; make it again with verify")

// Check refuses a result whose image, volumes or summary have numbers that no
// drive has. Errors are [*files.InputError].
func Check(r *result.Result) error {
	im, s := &r.Image, &r.Summary
	m := im.Map
	ok := natural(im.Sector, im.Size, im.DriveSize, im.Offset, im.Retried) && max(im.Sector, im.Size, im.DriveSize) <= mostBytes &&
		addable(m.Read, m.Doubtful, m.Failed, m.Skipped) && tallied(s.Files, s.Folders, s.Sizes) && counted(s.Bytes) && places(s.Unread)
	for _, b := range im.Broken {
		ok = ok && within(b[0], b[1])
	}
	if im.Heads != nil {
		for _, h := range im.Heads.Heads {
			ok = ok && addable(h.Read, h.Doubtful, h.Failed, h.Skipped)
		}
		o := im.Heads.Others
		ok = ok && addable(o.Read, o.Doubtful, o.Failed, o.Skipped)
	}
	for _, v := range r.Volumes {
		l := v.Listing
		ok = ok && within(v.Start, v.Length) && tallied(v.Files, v.Folders, v.Sizes) && counted(v.Bytes) && places(v.Unread) &&
			natural(v.Cluster, l.UnreadRecords, l.UnnamedFiles, l.UnclaimedBytes) && max(l.UnreadRecords, l.UnnamedFiles, l.UnclaimedBytes) <= mostBytes
		for _, st := range v.Structures {
			ok = ok && natural(st.Length, st.Unread) && (st.Start == nil || within(*st.Start, st.Length))
		}
	}
	if !ok {
		return &files.InputError{Err: fmt.Errorf("result %s: %w", r.Path, errNumbers)}
	}
	return nil
}

// soundFiles are the files of a result. It ends with an error at a file whose
// numbers no drive has, or whose bytes by state are not its size.
func soundFiles(r *result.Result) iter.Seq2[*result.File, error] {
	return func(yield func(*result.File, error) bool) {
		for f, err := range r.Files() {
			if err == nil {
				if err = soundFile(f); err != nil {
					f, err = nil, &files.InputError{Err: fmt.Errorf("result %s: %q %w", r.Path, clip(visible(f.Path)), err)}
				}
			}
			if !yield(f, err) || err != nil {
				return
			}
		}
	}
}

var errSum = errors.New("has bytes by state that are not its size; make it again with verify")

func soundFile(f *result.File) error {
	ok, all, left := true, f.Size != nil, int64(0)
	if f.Size != nil {
		ok, left = *f.Size >= 0, *f.Size
	}
	for _, n := range [...]*int64{f.Bytes.Read, f.Bytes.Doubtful, f.Bytes.Failed, f.Bytes.Skipped, f.Bytes.Unlocated} {
		if n == nil {
			all = false
			continue
		}
		ok = ok && *n >= 0
		if ok && f.Size != nil && *n > left {
			return errSum
		}
		left -= *n
	}
	if ok && all && left != 0 {
		return errSum
	}
	for _, d := range f.Damage {
		ok = ok && within(d.Offset, d.Length) && (d.Image < 0 || within(d.Image, d.Length))
	}
	for _, n := range f.Needs {
		ok = ok && within(n[0], n[1])
	}
	if !ok {
		return errNumbers
	}
	return nil
}

// mostBytes is more than any drive has, and small enough that the sums over all
// states and places end within the largest number.
const mostBytes = math.MaxInt64 / 64

// addable reports whether bytes by state are such that they can be added up.
func addable(n ...int64) bool { return natural(n...) && slices.Max(n) <= mostBytes }

func tallied(list ...result.VerdictCount) bool {
	for _, c := range list {
		if !natural(c.Intact, c.Damaged, c.Lost) {
			return false
		}
	}
	return true
}

func counted(b result.Bytes) bool {
	return natural(b.Read, b.Doubtful, b.Failed, b.Skipped, b.Unlocated)
}

func places(p result.Places) bool {
	for _, u := range [...]result.Unread{p.Files, p.Structures, p.Free, p.Outside, p.Unknown} {
		if !addable(u.Doubtful, u.Failed, u.Skipped) {
			return false
		}
	}
	return true
}

// natural reports whether no number is below zero.
func natural(list ...int64) bool {
	for _, n := range list {
		if n < 0 {
			return false
		}
	}
	return true
}

// within reports whether a range of n bytes from at on ends within the largest
// number.
func within(at, n int64) bool { return at >= 0 && n >= 0 && at <= math.MaxInt64-n }
