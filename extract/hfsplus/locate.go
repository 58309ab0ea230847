package hfsplus

import (
	"fmt"

	"fileassay/extract"
)

// locate works out where the fork p of a file lies. x may be nil, for the
// forks that have no overflow records.
func (v *Volume) locate(p *partFork, file uint32, kind uint8, x *overflow) fork {
	out := fork{src: &v.src, size: -1}
	if !p.sized {
		out.gaps = true
		return out
	}
	bs := v.header.blockSize
	out.size = int64(min(p.size, 1<<62))
	need := (out.size + bs - 1) / bs
	pos := int64(0) // in allocation blocks of the fork
	// add takes extents, up to the first empty one.
	add := func(list []blockRun) bool {
		for _, r := range list {
			if r.count == 0 {
				break
			}
			if !v.header.holds(r) {
				out.why = append(out.why, fmt.Sprintf("an extent of %d blocks from block %d lies outside the volume", r.count, r.start))
				return false
			}
			out.runs = out.runs.add(extract.Extent{Offset: pos * bs, Image: v.start + int64(r.start)*bs, Length: int64(r.count) * bs})
			pos += int64(r.count)
		}
		return true
	}
	if add(p.forkData.runs[:p.runs]) && x != nil && (pos < need || pos < int64(p.blocks)) {
		for _, rec := range x.of(file, kind) {
			if int64(rec.start) < pos {
				out.why = append(out.why, fmt.Sprintf("an overflow record begins at block %d of the fork, before block %d", rec.start, pos))
				out.gaps = true // which of the two is right cannot be told
				break
			}
			out.gaps = out.gaps || int64(rec.start) > pos && pos < need
			pos = int64(rec.start)
			out.doubtful = out.doubtful || rec.doubtful
			if !add(rec.runs[:]) {
				break
			}
		}
	}
	if pos < need {
		out.gaps = true
	}
	if pos > int64(p.blocks) && p.whole() {
		out.why = append(out.why, fmt.Sprintf("the extents have %d blocks, the fork has %d", pos, p.blocks))
		out.gaps = true
	}
	return out
}

// open makes a fork of the volume's own files readable.
func (v *Volume) open(f *forkData, file uint32, x *overflow) *fork {
	out := v.locate(&partFork{forkData: *f, sized: true, runs: extentsInRecord}, file, dataFork, x)
	out.size = min(out.size, v.header.bytes())
	return &out
}
