package ntfs

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// scan reads ranges of the image for structures that nothing leads to. look gets
// the bytes of a piece [from, to) of them, and as many more as a structure that
// begins in it may need; it is asked in several goroutines, where a part of the
// piece was read. take gets what it found, in order.
func scan[T any](ctx context.Context, v *area, step string, where []ranges.Range, more int64, look func(b partial.Bytes, from, to int64) T, take func(T)) error {
	const piece = 4 << 20
	var pieces []ranges.Range
	var done, total int64
	for _, w := range where {
		total += max(w.Len(), 0)
		for at := w.Start; at < w.End; at += piece {
			pieces = append(pieces, ranges.Range{Start: at, End: min(at+piece, w.End)})
		}
	}
	taken := 0
	return extract.InOrder(ctx, v.opt.Workers(), len(pieces), func(_ context.Context, i int) (found T, err error) {
		if p := pieces[i]; v.r.Map().Tally(p.Start, p.Len())[imap.Read] > 0 { // cheaper to know than to look
			found = look(v.plain(p.Start, p.Len()+more).read(make([]byte, p.Len()+more), 0), p.Start, p.End)
		}
		return found, nil
	}, func(found T) error {
		take(found)
		done += pieces[taken].Len()
		taken++
		v.opt.Report(step, done, total)
		return nil
	})
}
