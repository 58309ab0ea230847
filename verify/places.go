package verify

import (
	"cmp"
	"context"
	"encoding/binary"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
	"fileassay/verify/result"
)

// holdings are the unread ranges of a volume by what they hold, in order of
// place: a few bytes a range, since a drive may have millions.
type holdings struct {
	volume int
	first  int64 // where the first range begins
	end    int64 // of the last
	count  int
	kinds  []result.Holder
	index  map[result.Holder]uint64
	blocks [][]byte // for each range: bytes since the last one's end, length, kind, as varints
}

// holdingsBlock is how many bytes are kept in one piece.
const holdingsBlock = 64 << 10

// add takes a range behind those that were added. The start must not lie
// before the last one's end.
func (h *holdings) add(holds, name string, start, end int64) {
	key := result.Holder{Volume: h.volume, Holds: holds, Name: name}
	k, ok := h.index[key]
	if !ok {
		if h.index == nil {
			h.index = map[result.Holder]uint64{}
		}
		k = uint64(len(h.kinds))
		h.index[key] = k
		h.kinds = append(h.kinds, key)
	}
	if h.count == 0 {
		h.first, h.end = start, start
	}
	n := len(h.blocks)
	if n == 0 || len(h.blocks[n-1])+3*binary.MaxVarintLen64 > holdingsBlock {
		h.blocks = append(h.blocks, make([]byte, 0, holdingsBlock))
		n++
	}
	b := &h.blocks[n-1]
	*b = binary.AppendUvarint(*b, uint64(start-h.end))
	*b = binary.AppendUvarint(*b, uint64(end-start))
	*b = binary.AppendUvarint(*b, k)
	h.end = end
	h.count++
}

// cursor goes through holdings.
type cursor struct {
	h          *holdings
	left       int
	block      int
	rest       []byte
	start, end int64
	holder     *result.Holder
}

func (h *holdings) cursor() *cursor {
	c := &cursor{h: h, left: h.count, start: h.first, end: h.first}
	c.next()
	return c
}

// next goes to the next range; false behind the last one.
func (c *cursor) next() bool {
	if c.left == 0 {
		return false
	}
	c.left--
	for len(c.rest) == 0 {
		c.rest = c.h.blocks[c.block]
		c.block++
	}
	var v [3]uint64
	for i := range v {
		n := 0
		v[i], n = binary.Uvarint(c.rest)
		c.rest = c.rest[n:]
	}
	c.start = c.end + int64(v[0])
	c.end = c.start + int64(v[1])
	c.holder = &c.h.kinds[v[2]]
	return true
}

// places yields all that was not read of a drive, in order, with what it holds
// of each volume.
func places(r *image.Reader, volumes []*holdings, yield func(*result.Place) error) error {
	waiting := slices.DeleteFunc(slices.Clone(volumes), func(h *holdings) bool { return h.count == 0 })
	slices.SortStableFunc(waiting, func(a, b *holdings) int { return cmp.Compare(a.first, b.first) })
	var active []*cursor // by volume
	var in []result.Holder
	for u := range r.Unread(0, r.DriveSize()) {
		for pos := u.Start; pos < u.End(); {
			for len(waiting) > 0 && waiting[0].first <= pos {
				active = append(active, waiting[0].cursor())
				waiting = waiting[1:]
				slices.SortFunc(active, func(a, b *cursor) int { return cmp.Compare(a.h.volume, b.h.volume) })
			}
			stop := u.End()
			if len(waiting) > 0 {
				stop = min(stop, waiting[0].first)
			}
			in = in[:0]
			active = slices.DeleteFunc(active, func(c *cursor) bool {
				for c.end <= pos {
					if !c.next() {
						return true
					}
				}
				if c.start > pos {
					stop = min(stop, c.start)
				} else {
					stop = min(stop, c.end)
					in = append(in, *c.holder)
				}
				return false
			})
			if err := yield(&result.Place{Start: pos, Length: stop - pos, Kind: result.Kind{State: u.State, In: in}}); err != nil {
				return err
			}
			pos = stop
		}
	}
	return nil
}

// locate says what the unread bytes of a volume hold. content holds the unread
// ranges of the image that content of listed files lies in.
func locate(ctx context.Context, number int, survey *extract.Survey, r *image.Reader, content *ranges.Set) (*holdings, error) {
	h := &holdings{volume: number}
	named := namedStructures(survey.Structures)
	err := survey.Space(ctx, func(start, length int64, use extract.Use) error {
		length = min(length, r.DriveSize()-start)
		if length <= 0 || r.IsRead(start, length) {
			return ctx.Err()
		}
		for u := range r.Unread(start, length) {
			switch use {
			case extract.UseStructure:
				h.structures(named, u)
			case extract.UseFree:
				h.add(result.HoldsFree, "", u.Start, u.End())
			case extract.UseFile:
				pos := u.Start
				for c := range content.Within(u.Start, u.Length) {
					if c.Start > pos {
						h.add(result.HoldsFree, "", pos, c.Start)
					}
					h.add(result.HoldsFiles, "", c.Start, c.End)
					pos = c.End
				}
				if pos < u.End() {
					h.add(result.HoldsFree, "", pos, u.End())
				}
			default:
				h.add(result.HoldsUnknown, "", u.Start, u.End())
			}
		}
		return ctx.Err()
	})
	return h, err
}

// namedStructures are the structures of known place and size, by place.
func namedStructures(list []extract.Structure) []extract.Structure {
	list = slices.DeleteFunc(slices.Clone(list), func(s extract.Structure) bool { return s.Image < 0 || s.Length <= 0 })
	slices.SortStableFunc(list, func(a, b extract.Structure) int { return cmp.Compare(a.Image, b.Image) })
	return list
}

// structures adds an unread range of structures under their names.
func (h *holdings) structures(named []extract.Structure, u imap.Range) {
	pos := u.Start
	// structures may lie in each other, so a few before the place may reach it
	i, _ := slices.BinarySearchFunc(named, pos+1, func(s extract.Structure, at int64) int { return cmp.Compare(s.Image, at) })
	i = max(i-8, 0)
	for ; i < len(named) && named[i].Image < u.End() && pos < u.End(); i++ {
		s := &named[i]
		if s.Image > pos {
			h.add(result.HoldsStructures, "", pos, s.Image)
			pos = s.Image
		}
		if end := min(s.Image+s.Length, u.End()); end > pos {
			h.add(result.HoldsStructures, s.Name, pos, end)
			pos = end
		}
	}
	if pos < u.End() {
		h.add(result.HoldsStructures, "", pos, u.End())
	}
}
