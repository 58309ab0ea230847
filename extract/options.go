package extract

import "runtime"

// Options are what a person may decide about how volumes are read. The zero
// value is usable.
type Options struct {
	Threads   int    // goroutines for long steps; 0 is one a core
	Codepage  string // of FAT short names; "" is 437
	NoJournal bool   // leave a journal's newer blocks aside
	// Progress, where not nil, is told now and then how far a long step has
	// come, in bytes of the image. It may be called from several goroutines.
	Progress func(step string, done, total int64)
}

// Workers is the number of goroutines to use for a long step.
func (o Options) Workers() int {
	if o.Threads > 0 {
		return o.Threads
	}
	return runtime.GOMAXPROCS(0)
}

// Report tells Progress, if there is one.
func (o Options) Report(step string, done, total int64) {
	if o.Progress != nil {
		o.Progress(step, done, total)
	}
}
