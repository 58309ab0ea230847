package verify

import (
	"cmp"
	"context"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// holdings collects unread ranges by what they hold.
type holdings struct {
	list  []result.Holding
	index map[[3]string]int
}

func (h *holdings) add(holds, name string, s imap.State, start, end int64) {
	key := [3]string{holds, name, s.String()}
	i, ok := h.index[key]
	if !ok {
		if h.index == nil {
			h.index = map[[3]string]int{}
		}
		i = len(h.list)
		h.index[key] = i
		h.list = append(h.list, result.Holding{Holds: holds, Name: name, State: s.String()})
	}
	r := &h.list[i].Ranges
	if n := len(*r); n > 0 && (*r)[n-1][0]+(*r)[n-1][1] == start {
		(*r)[n-1][1] += end - start
		return
	}
	*r = append(*r, [2]int64{start, end - start})
}

// located is what the unread bytes of a volume hold.
type located struct {
	result.Places
	holdings
	end int64 // of what the filesystem tells of
}

// locate sorts the unread bytes of a volume by what they hold. content holds
// the unread ranges of the image that content of listed files lies in.
func locate(ctx context.Context, fs extract.Filesystem, r *image.Reader, content *extract.Spans) (*located, error) {
	l := &located{}
	named, err := namedStructures(ctx, fs)
	if err != nil {
		return nil, err
	}
	err = fs.Space(ctx, func(start, length int64, use extract.Use) error {
		l.end = max(l.end, start+length)
		if r.IsRead(start, length) {
			return nil
		}
		for u := range r.Unread(start, length) {
			switch use {
			case extract.UseStructure:
				l.Structures.Count(u.State, u.Length)
				l.structures(named, u)
			case extract.UseFree:
				l.Free.Count(u.State, u.Length)
				l.add("free", "", u.State, u.Start, u.End())
			case extract.UseFile:
				pos := u.Start
				for c := range content.Within(u.Start, u.Length) {
					if c.Start > pos {
						l.Free.Count(u.State, c.Start-pos)
						l.add("free", "", u.State, pos, c.Start)
					}
					l.Files.Count(u.State, c.End-c.Start)
					l.add("files", "", u.State, c.Start, c.End)
					pos = c.End
				}
				if pos < u.End() {
					l.Free.Count(u.State, u.End()-pos)
					l.add("free", "", u.State, pos, u.End())
				}
			default:
				l.Unknown.Count(u.State, u.Length)
				l.add("unknown", "", u.State, u.Start, u.End())
			}
		}
		return ctx.Err()
	})
	return l, err
}

// namedStructures are the structures of known place and size, by place.
func namedStructures(ctx context.Context, fs extract.Filesystem) ([]extract.Structure, error) {
	list, err := fs.Structures(ctx)
	if err != nil {
		return nil, err
	}
	list = slices.DeleteFunc(slices.Clone(list), func(s extract.Structure) bool { return s.Image < 0 || s.Length <= 0 })
	slices.SortStableFunc(list, func(a, b extract.Structure) int { return cmp.Compare(a.Image, b.Image) })
	return list, nil
}

// structures adds an unread range of structures under their names.
func (l *located) structures(named []extract.Structure, u imap.Range) {
	pos := u.Start
	// structures may lie in each other, so a few before the place may reach it
	i, _ := slices.BinarySearchFunc(named, pos+1, func(s extract.Structure, at int64) int { return cmp.Compare(s.Image, at) })
	i = max(i-8, 0)
	for ; i < len(named) && named[i].Image < u.End() && pos < u.End(); i++ {
		s := &named[i]
		if s.Image > pos {
			l.add("structures", "", u.State, pos, s.Image)
			pos = s.Image
		}
		if end := min(s.Image+s.Length, u.End()); end > pos {
			l.add("structures", s.Name, u.State, pos, end)
			pos = end
		}
	}
	if pos < u.End() {
		l.add("structures", "", u.State, pos, u.End())
	}
}
