package fat

import (
	"runtime"
	"runtime/metrics"
	"sync"
	"time"
)

// Peak runs do and gives the most bytes that the heap held meanwhile beyond
// what it held before, looked at every millisecond.
func Peak(do func()) int64 {
	sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	held := func() int64 {
		metrics.Read(sample)
		return int64(sample[0].Value.Uint64())
	}
	runtime.GC()
	before := held()
	most := before
	stop := make(chan struct{})
	var wait sync.WaitGroup
	wait.Go(func() {
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		for {
			most = max(most, held())
			select {
			case <-stop:
				return
			case <-tick.C:
			}
		}
	})
	do()
	close(stop)
	wait.Wait()
	return most - before
}
