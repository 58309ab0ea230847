package madelist

import "runtime"

// Held runs f and returns how much more memory is in use for what it made, in
// bytes.
func Held(f func() any) int64 {
	inUse := func() int64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.GC() // what pools kept goes with the second
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	before := inUse()
	made := f()
	after := inUse()
	runtime.KeepAlive(made)
	return after - before
}
