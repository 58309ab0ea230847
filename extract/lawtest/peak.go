package lawtest

import (
	"runtime"
	"runtime/metrics"
	"time"
)

// Peak runs f and returns how far the memory that the program holds from the
// system rose above what was held before, in bytes. It asks every few milliseconds.
func Peak(f func()) int64 {
	runtime.GC()
	held := func() int64 {
		s := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}, {Name: "/memory/classes/heap/unused:bytes"}}
		metrics.Read(s)
		return int64(s[0].Value.Uint64() + s[1].Value.Uint64())
	}
	before := held()
	peak := before
	done, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for {
			peak = max(peak, held())
			select {
			case <-done:
				return
			case <-time.After(2 * time.Millisecond):
			}
		}
	}()
	f()
	close(done)
	<-stopped
	return max(peak, held()) - before
}
