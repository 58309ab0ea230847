package verify

import (
	"cmp"
	"context"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// Unread counts bytes that were not read, by state.
type Unread struct {
	Doubtful int64 `json:"doubtful"`
	Failed   int64 `json:"failed"`
	Skipped  int64 `json:"skipped"`
}

func (u *Unread) add(s imap.State, n int64) {
	switch s {
	case imap.Doubtful:
		u.Doubtful += n
	case imap.Failed:
		u.Failed += n
	case imap.Skipped:
		u.Skipped += n
	}
}

// Add adds the counts of o.
func (u *Unread) Add(o Unread) {
	u.Doubtful += o.Doubtful
	u.Failed += o.Failed
	u.Skipped += o.Skipped
}

// Total is the number of unread bytes of any state.
func (u Unread) Total() int64 { return u.Doubtful + u.Failed + u.Skipped }

// Places says what the unread bytes of the drive hold.
type Places struct {
	Files      Unread `json:"files"`      // content of listed files
	Structures Unread `json:"structures"` // folders, records and other structures of a filesystem
	Free       Unread `json:"free"`       // free space, and the slack behind the ends of files: nothing is missed here
	Outside    Unread `json:"outside"`    // outside any volume
	Unknown    Unread `json:"unknown"`    // allocated but claimed by no listed file, or not known to be free
}

// Add adds the counts of o.
func (p *Places) Add(o Places) {
	p.Files.Add(o.Files)
	p.Structures.Add(o.Structures)
	p.Free.Add(o.Free)
	p.Outside.Add(o.Outside)
	p.Unknown.Add(o.Unknown)
}

// Total is the number of unread bytes in all places.
func (p Places) Total() int64 {
	return p.Files.Total() + p.Structures.Total() + p.Free.Total() + p.Outside.Total() + p.Unknown.Total()
}

// Holding is unread ranges of a volume, or of what lies outside any, that hold
// one thing and are in one state.
type Holding struct {
	Holds  string     `json:"holds"`          // "files", "structures", "free", "outside" or "unknown", as in [Places]
	Name   string     `json:"name,omitempty"` // of the structure, in the filesystem's own terms, where it is one of those that have a fixed place
	State  string     `json:"state"`
	Ranges [][2]int64 `json:"ranges"` // [offset, length], in order
}

// holdings collects unread ranges by what they hold.
type holdings struct {
	list  []Holding
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
		h.list = append(h.list, Holding{Holds: holds, Name: name, State: s.String()})
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
	Places
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
				l.Structures.add(u.State, u.Length)
				l.structures(named, u)
			case extract.UseFree:
				l.Free.add(u.State, u.Length)
				l.add("free", "", u.State, u.Start, u.End())
			case extract.UseFile:
				pos := u.Start
				for c := range content.Within(u.Start, u.Length) {
					if c.Start > pos {
						l.Free.add(u.State, c.Start-pos)
						l.add("free", "", u.State, pos, c.Start)
					}
					l.Files.add(u.State, c.End-c.Start)
					l.add("files", "", u.State, c.Start, c.End)
					pos = c.End
				}
				if pos < u.End() {
					l.Free.add(u.State, u.End()-pos)
					l.add("free", "", u.State, pos, u.End())
				}
			default:
				l.Unknown.add(u.State, u.Length)
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
