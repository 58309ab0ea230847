package volume

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// FindFrom is [Find] for a drive that begins at an offset of the image. What
// it says of places still counts from the image's start, but for sector
// numbers, which are the drive's own.
func FindFrom(ctx context.Context, r *image.Reader, offset int64, o extract.Options) (*Layout, error) {
	return findFrom(ctx, r, offset, o, Kinds())
}

func findFrom(ctx context.Context, r *image.Reader, offset int64, o extract.Options, kinds []Kind) (*Layout, error) {
	if offset == 0 {
		return find(ctx, r, o, kinds)
	}
	if offset < 0 || offset >= r.Size() {
		return nil, fmt.Errorf("offset %d is not in the image, which has %d bytes", offset, r.Size())
	}
	l, err := find(ctx, r.From(offset), o, kinds)
	if err != nil {
		return nil, err
	}
	for i := range l.Partitions {
		l.Partitions[i].Start += offset
	}
	shifted := map[*Partition]*Partition{} // those that are not of the list
	for i := range l.Volumes {
		v := &l.Volumes[i]
		v.Start += offset
		v.fs = nil // it counts places from the drive's begin
		moveSpans(v.Needs, offset)
		p := v.Partition
		inList := func() bool {
			for j := range l.Partitions {
				if p == &l.Partitions[j] {
					return true
				}
			}
			return false
		}
		if p == nil || inList() {
			continue
		}
		if shifted[p] == nil {
			moved := *p
			moved.Start += offset
			shifted[p] = &moved
		}
		v.Partition = shifted[p]
	}
	for i := range l.Structures {
		if l.Structures[i].Image >= 0 {
			l.Structures[i].Image += offset
		}
	}
	moveSpans(l.Needs, offset)
	l.note("the drive is taken to begin at offset %d of the image, as was asked; sectors count from there", offset)
	return l, nil
}

// FilesystemNames are the names that [At] knows.
func FilesystemNames() []string {
	var out []string
	for _, k := range Kinds() {
		for _, name := range append([]string{k.Name}, k.Filesystems...) {
			if !slices.Contains(out, name) {
				out = append(out, name)
			}
		}
	}
	return out
}

// At is the layout of one volume, of the named filesystem, that a person says
// begins at start. It ends where its own structures say, or else with the
// image. The error is that of ctx, or says why there is no such volume: an
// [*extract.NotVolumeError] where the filesystem's reader refuses.
func At(ctx context.Context, r *image.Reader, start int64, filesystem string, o extract.Options) (*Layout, error) {
	return volumeAt(ctx, r, start, filesystem, o, Kinds())
}

func volumeAt(ctx context.Context, r *image.Reader, start int64, filesystem string, o extract.Options, kinds []Kind) (*Layout, error) {
	i := slices.IndexFunc(kinds, func(k Kind) bool { return k.Name == filesystem || slices.Contains(k.Filesystems, filesystem) })
	if i < 0 {
		return nil, fmt.Errorf("filesystem %q cannot be listed: those that can are %s", filesystem, strings.Join(FilesystemNames(), ", "))
	}
	if start < 0 || start >= r.Size() {
		return nil, fmt.Errorf("a volume at offset %d is not in the image, which has %d bytes", start, r.Size())
	}
	f := newFinder(r, o, kinds[i:i+1])
	lengths, err := f.lengths(ctx, start)
	if err != nil {
		return nil, err
	}
	rest := r.DriveSize() - start
	var why error
	for _, length := range lengths {
		fs, err := kinds[i].either(ctx, r, start, length, o)
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err != nil {
			if why == nil {
				why = err
			}
			continue
		}
		f.l.Scheme, f.l.SectorSize = SchemeUnknown, r.Sector()
		f.l.note("no partition table was looked for: the one volume was given by hand")
		if start > 0 || length < rest {
			f.l.Missing = append(f.l.Missing, "other volumes of the image were not looked for: one was given by hand")
		}
		f.l.Volumes = []Volume{{Start: start, Length: length, Filesystem: fs.Info().Filesystem, Found: "given by hand", fs: fs}}
		return f.l, nil
	}
	if no := (*extract.NotVolumeError)(nil); errors.As(why, &no) {
		return nil, why
	}
	return nil, fmt.Errorf("volume at offset %d: %w", start, why)
}

// lengths are the lengths that a volume at start may have, likeliest first: by
// its primary structures, by a backup of them, up to the end of the drive.
func (f *finder) lengths(ctx context.Context, start int64) ([]int64, error) {
	var out []int64
	add := func(n int64) {
		if n > 0 && n <= maxOffset-start && !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	for _, c := range f.primaries(start) {
		add(c.Length)
	}
	if len(out) == 0 {
		// only a backup tells, which stands anywhere
		l := f.l
		f.l = &Layout{} // what a search remarks on is about other volumes
		s := newSearch(f, []ranges.Range{{Start: start, End: f.r.DriveSize()}})
		err := s.run(ctx)
		f.l = l
		if err != nil {
			return nil, err
		}
		for _, h := range s.hits {
			if h.Start == start {
				add(h.Length)
			}
		}
	}
	add(f.r.DriveSize() - start)
	return out, nil
}
