package hfsplus

import (
	"fmt"
	"slices"

	"fileassay/extract"
)

// place is where a fork's bytes lie, as far as it is known.
type place struct {
	runs     []run // whole allocation blocks, in order
	gaps     bool  // some of the fork's bytes are not located
	why      []string
	doubtful bool // an overflow record used may be out of use
}

// locate works out where the fork p of a file lies. x may be nil, for the
// forks that have no overflow records.
func (v *Volume) locate(p *partFork, file uint32, kind uint8, x *overflow) place {
	var out place
	bs := v.header.blockSize
	if !p.sized {
		out.gaps = true
		return out
	}
	need := int64((p.size + uint64(bs) - 1) / uint64(bs))
	if p.size > 1<<62 {
		need = 1 << 62 / bs
	}
	pos := int64(0) // in allocation blocks of the fork
	add := func(r blockRun) bool {
		if !v.header.holds(r) {
			out.why = append(out.why, fmt.Sprintf("an extent of %d blocks from block %d lies outside the volume", r.count, r.start))
			return false
		}
		if n := len(out.runs); n > 0 && out.runs[n-1].off+out.runs[n-1].length == pos*bs &&
			out.runs[n-1].image+out.runs[n-1].length == v.start+int64(r.start)*bs {
			out.runs[n-1].length += int64(r.count) * bs
		} else {
			out.runs = append(out.runs, run{pos * bs, v.start + int64(r.start)*bs, int64(r.count) * bs})
		}
		pos += int64(r.count)
		return true
	}
	good := true
	for _, r := range p.forkData.runs[:p.runs] {
		if r.count == 0 {
			break
		}
		if good = add(r); !good {
			break
		}
	}
	if good && x != nil && (pos < need || pos < int64(p.blocks)) {
		for _, rec := range x.of(file, kind) {
			if int64(rec.start) < pos {
				out.why = append(out.why, fmt.Sprintf("an overflow record begins at block %d of the fork, before block %d", rec.start, pos))
				out.gaps = true // which of the two is right cannot be told
				break
			}
			out.gaps = out.gaps || int64(rec.start) > pos && pos < need
			pos = int64(rec.start)
			out.doubtful = out.doubtful || rec.doubtful
			for _, r := range rec.runs {
				if r.count == 0 {
					break
				}
				if good = add(r); !good {
					break
				}
			}
			if !good {
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
	p := partFork{forkData: *f, sized: true, runs: extentsInRecord}
	at := v.locate(&p, file, dataFork, x)
	out := &fork{src: &v.src, size: int64(min(f.size, uint64(v.header.bytes()))), runs: at.runs, gaps: at.gaps}
	if len(at.why) > 0 {
		out.why = at.why[0]
	}
	return out
}

// pieces are the pieces of content of size bytes that lies in at.
func (v *Volume) pieces(at *place, size int64) (pieces []extract.Piece, stale bool) {
	pieces = make([]extract.Piece, 0, len(at.runs))
	for _, r := range at.runs {
		n := min(r.length, size-r.off)
		if n <= 0 {
			break
		}
		if !v.src.patched(r.image, n) {
			pieces = append(pieces, extract.Piece{Offset: r.off, Length: n, Image: r.image})
			continue
		}
		shift := r.off - r.image
		v.src.places(r.image, n, func(off, img, n int64) {
			if img < 0 {
				stale = true
				return
			}
			pieces = append(pieces, extract.Piece{Offset: off + shift, Length: n, Image: img})
		})
	}
	return slices.Clip(pieces), stale
}
