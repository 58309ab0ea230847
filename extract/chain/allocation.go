package chain

import "context"

// State is what an allocation map says of a cluster.
type State uint8

// The states.
const (
	Unknown   State = iota // the map is unread here
	Vacant                 // free
	Allocated              // in use
	Defective              // marked as bad: it holds nothing
)

// Allocation yields an allocation map as ranges of clusters of one state, in
// order; what it leaves out is Unknown.
type Allocation func(ctx context.Context, yield func(first uint32, n int64, s State) error) error

// stateRuns joins neighbours of one state.
type stateRuns struct {
	yield func(first uint32, n int64, s State) error
	first uint32
	n     int64
	state State
}

func (w *stateRuns) put(c uint32, n int64, s State) error {
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
func JoinStates(yield func(first uint32, n int64, s State) error) (put func(first uint32, n int64, s State) error, flush func() error) {
	w := &stateRuns{yield: yield}
	return w.put, w.flush
}
