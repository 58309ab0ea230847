package verify

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
	"fileassay/verify/result"
)

const (
	proofLength = 4 << 10 // bytes of a range, at most
)

// prove takes a sample of the volume's own structures: its first sector, and
// read parts of its structures, evenly over the volume. It depends on nothing
// that was not read.
func prove(ctx context.Context, space extract.Space, r *image.Reader, start int64) (*result.Proof, error) {
	list := []ranges.Range{}
	step, seen := 1, 0
	err := space(ctx, func(at, length int64, use extract.Use) error {
		if use != extract.UseStructure {
			return ctx.Err()
		}
		for o := range r.Over(at, length) {
			if o.State != imap.Read {
				continue
			}
			if seen%step == 0 {
				list = append(list, ranges.Range{Start: o.Start, End: o.Start + min(o.Length, proofLength)})
			}
			seen++
			if len(list) == 2*result.ProofRanges { // every other of them will do
				list, step = everyOther(list), 2*step
			}
		}
		return ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	for len(list) > result.ProofRanges-1 {
		list = everyOther(list)
	}
	if r.IsRead(start, r.Sector()) {
		list = append([]ranges.Range{{Start: start, End: start + r.Sector()}}, list...)
	}
	p := &result.Proof{}
	for _, s := range list {
		_ = p.Add(r, s.Start, s.End-s.Start) // what the image file itself does not give is no part of the proof
	}
	return p, nil
}

// everyOther is a list without every second element, in place.
func everyOther(list []ranges.Range) []ranges.Range {
	for i := range (len(list) + 1) / 2 {
		list[i] = list[2*i]
	}
	return list[:(len(list)+1)/2]
}
