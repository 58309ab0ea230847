package reread

import (
	"cmp"
	"fileassay/verify/result"
	"fmt"
	"maps"
	"slices"
)

// HeadSet tells what waits for heads: files with unread content on sectors of
// all of them, and on no other's.
type HeadSet struct {
	Heads  []int   `json:"heads"`
	Files  int64   `json:"files"`
	Bytes  int64   `json:"bytes"` // of their content that is not read
	Weight float64 `json:"weight"`
}

// HeadValue tells of one head.
type HeadValue struct {
	Head   int     `json:"head"`
	Files  int64   `json:"files"`  // wanted files with unread content on its sectors
	Weight float64 `json:"weight"` // of them
	Alone  HeadSet `json:"alone"`  // those that wait for nothing else that is known
}

// headSets are head sets by their heads in words.
type headSets map[string]*headSet

type headSet struct {
	HeadSet
	all       int64 // files, also those that wait for something else
	allWeight float64
}

func (h headSets) add(f *result.File, weight float64) {
	if len(f.Heads) == 0 {
		return
	}
	key := fmt.Sprint(f.Heads)
	s := h[key]
	if s == nil {
		s = &headSet{HeadSet: HeadSet{Heads: slices.Clone(f.Heads)}}
		h[key] = s
	}
	s.all++
	s.allWeight += weight
	if f.NoHead || len(f.Needs) > 0 || f.Size == nil || f.Bytes.Read == nil || f.Bytes.Unlocated == nil || *f.Bytes.Unlocated > 0 {
		return
	}
	s.Files++
	s.Weight += weight
	s.Bytes += *f.Size - *f.Bytes.Read
}

// values are what each head, and each set of several, holds back.
func (h headSets) values(r *result.Result) (heads []HeadValue, sets []HeadSet) {
	if r.Image.Heads == nil {
		return nil, nil
	}
	list := slices.SortedFunc(maps.Values(h), func(a, b *headSet) int {
		return cmp.Or(cmp.Compare(b.Weight, a.Weight), slices.Compare(a.Heads, b.Heads))
	})
	for _, rec := range r.Image.Heads.Heads {
		v := HeadValue{Head: rec.Head, Alone: HeadSet{Heads: []int{rec.Head}}}
		for _, s := range list {
			if slices.Contains(s.Heads, rec.Head) {
				v.Files += s.all
				v.Weight += s.allWeight
				if len(s.Heads) == 1 {
					v.Alone = s.HeadSet
				}
			}
		}
		heads = append(heads, v)
	}
	for _, s := range list {
		if len(s.Heads) > 1 && s.Files > 0 && len(sets) < 64 {
			sets = append(sets, s.HeadSet)
		}
	}
	return heads, sets
}
