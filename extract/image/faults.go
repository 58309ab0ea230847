package image

import (
	"io"
	"iter"
	"sync"
	"sync/atomic"

	"fileassay/extract/imap"
)

// faultUnit is how finely faults of the image file are told apart, in bytes:
// a sector of what it lies on, whatever the drive's own was.
const faultUnit = 512

// faults are the places that the image file itself did not give. The set is
// replaced, never changed, so that readers take no lock.
type faults struct {
	set     atomic.Pointer[faultSet] // nil while the image file has none
	retried atomic.Int64
	adding  sync.Mutex // held while set is replaced
}

// faultSet is a set of places as a map that calls them failed and no others.
type faultSet struct {
	failed *imap.Map
	once   sync.Once
	whole  *imap.Map // the imaging map with failed laid over it; made when asked for
}

// over is m with the faults laid over it.
func (s *faultSet) over(m *imap.Map) *imap.Map {
	s.once.Do(func() {
		var list []imap.Range
		for rg := range s.failed.Ranges() {
			list = append(list, rg)
		}
		s.whole = m.With(list)
	})
	return s.whole
}

// cross is m.Over with the faults laid over it, without laying them over all
// of m.
func (s *faultSet) cross(m *imap.Map, off, n int64) iter.Seq[imap.Range] {
	return func(yield func(imap.Range) bool) {
		var held imap.Range // not yielded yet: the next may continue it
		for rg := range m.Over(off, n) {
			for part := range s.failed.Over(rg.Start, rg.Length) {
				if part.State != imap.Failed {
					part.State = rg.State
				}
				if held.Length > 0 && held.State == part.State {
					held.Length += part.Length
					continue
				}
				if held.Length > 0 && !yield(held) {
					return
				}
				held = part
			}
		}
		if held.Length > 0 {
			yield(held)
		}
	}
}

// add puts places into the set.
func (f *faults) add(bad []imap.Range) {
	f.adding.Lock()
	defer f.adding.Unlock()
	failed := &imap.Map{}
	if set := f.set.Load(); set != nil {
		failed = set.failed
	}
	f.set.Store(&faultSet{failed: failed.With(bad)})
}

// fill reads the image file from off into p, all of it called read by the map.
// Where the file does not give all at once it is asked piece by piece: what it
// then gives stands in p, the rest of p is zeros and comes back as bad, with
// the first error as its cause, and those pieces are failed from now on. So
// what is found bad does not depend on how much was asked for at a time.
func (r *Reader) fill(p []byte, off int64) (bad []imap.Range, cause error) {
	if cause = readFull(r.src, p, off); cause == nil {
		return nil, nil
	}
	end := off + int64(len(p))
	var whole []imap.Range // the pieces of which bad is a part
	for at := off - off%faultUnit; at < end; at += faultUnit {
		a, z := max(at, off), min(at+faultUnit, end)
		part := p[a-off : z-off]
		if readFull(r.src, part, a) == nil {
			continue
		}
		clear(part)
		bad = join(bad, imap.Range{Start: a, Length: z - a, State: imap.Failed})
		whole = join(whole, imap.Range{Start: at, Length: min(faultUnit, r.size-at), State: imap.Failed})
	}
	if len(bad) == 0 {
		r.faults.retried.Add(1)
		return nil, nil
	}
	r.faults.add(whole)
	return bad, cause
}

// readFull reads all of p from off. An error that comes with all of p is an
// error still, unless it only says that the file ends there.
func readFull(src io.ReaderAt, p []byte, off int64) error {
	n, err := src.ReadAt(p, off)
	if n < len(p) && (err == nil || err == io.EOF) {
		return io.ErrUnexpectedEOF
	}
	if err == io.EOF {
		return nil
	}
	return err
}
