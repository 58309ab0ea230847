package fat

import "context"

// State is what an allocation map says of a cluster.
type state uint8

// The states.
const (
	stateUnknown   state = iota // the map is unread here
	stateVacant                 // free
	stateAllocated              // in use
	stateDefective              // marked as bad: it holds nothing
)

// Allocation yields an allocation map as ranges of clusters of one state, in
// order; what it leaves out is Unknown.
type allocation func(ctx context.Context, yield func(first uint32, n int64, s state) error) error

// stateRuns joins neighbours of one state.
type stateRuns struct {
	yield func(first uint32, n int64, s state) error
	first uint32
	n     int64
	state state
}

func (w *stateRuns) put(c uint32, n int64, s state) error {
	if w.n > 0 && s == w.state && int64(w.first)+w.n == int64(c) {
		w.n += n
		return nil
	}
	if err := w.flush(); err != nil {
		return err
	}
	w.first, w.n, w.state = c, n, s
	return nil
}

func (w *stateRuns) flush() error {
	if w.n == 0 {
		return nil
	}
	n := w.n
	w.n = 0
	return w.yield(w.first, n, w.state)
}

// JoinStates makes a yield function that joins neighbours of one state for
// yield, and the function to call at the end.
func joinStates(yield func(first uint32, n int64, s state) error) (put func(first uint32, n int64, s state) error, flush func() error) {
	w := &stateRuns{yield: yield}
	return w.put, w.flush
}
