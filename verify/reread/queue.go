package reread

import "slices"

// queue holds candidates by their keys: the highest first, then the lowest
// number, so that the order depends on nothing else. A candidate stands in it
// once, and moves as its key changes. It is a heap in which each entry has four
// below it, which lie together in memory.
type queue struct {
	heap []entry
	at   []int32 // where in heap each candidate stands; -1 where it does not
}

// entry is a candidate: an item, or (from the number of items) an atom.
type entry struct {
	key float64
	id  int32
}

func (e entry) before(f entry) bool { return e.key > f.key || e.key == f.key && e.id < f.id }

func newQueue(candidates int) queue {
	return queue{at: slices.Repeat([]int32{-1}, candidates)}
}

// grow makes room for n entries.
func (q *queue) grow(n int) { q.heap = slices.Grow(q.heap, max(n-len(q.heap), 0)) }

func (q *queue) clear() {
	for _, e := range q.heap {
		q.at[e.id] = -1
	}
	q.heap = q.heap[:0]
}

// set puts a candidate where its key belongs.
func (q *queue) set(id int32, key float64) {
	i := int(q.at[id])
	if i < 0 {
		i = len(q.heap)
		q.heap = append(q.heap, entry{})
		q.up(i, entry{key, id})
		return
	}
	if e := (entry{key, id}); e.before(q.heap[i]) {
		q.up(i, e)
	} else {
		q.down(i, e)
	}
}

// remove takes a candidate out, if it is in.
func (q *queue) remove(id int32) {
	i := int(q.at[id])
	if i < 0 {
		return
	}
	q.at[id] = -1
	last := len(q.heap) - 1
	e := q.heap[last]
	q.heap = q.heap[:last]
	if i == last {
		return
	}
	if i > 0 && e.before(q.heap[(i-1)/4]) {
		q.up(i, e)
	} else {
		q.down(i, e)
	}
}

// keep drops all candidates but some.
func (q *queue) keep(some func(id int32) bool) {
	kept := q.heap[:0]
	for _, e := range q.heap {
		if some(e.id) {
			kept = append(kept, e)
		} else {
			q.at[e.id] = -1
		}
	}
	q.heap = kept
	for i := len(kept) - 1; i >= 0; i-- {
		q.down(i, kept[i])
	}
}

// pop takes the first candidate out.
func (q *queue) pop() int32 {
	id := q.heap[0].id
	q.remove(id)
	return id
}

// up puts an entry at i or above it.
func (q *queue) up(i int, e entry) {
	for i > 0 {
		above := (i - 1) / 4
		if !e.before(q.heap[above]) {
			break
		}
		q.put(i, q.heap[above])
		i = above
	}
	q.put(i, e)
}

// down puts an entry at i or below it.
func (q *queue) down(i int, e entry) {
	for {
		first := 4*i + 1
		if first >= len(q.heap) {
			break
		}
		best := first
		for k := first + 1; k < min(first+4, len(q.heap)); k++ {
			if q.heap[k].before(q.heap[best]) {
				best = k
			}
		}
		if !q.heap[best].before(e) {
			break
		}
		q.put(i, q.heap[best])
		i = best
	}
	q.put(i, e)
}

func (q *queue) put(i int, e entry) {
	q.heap[i] = e
	q.at[e.id] = int32(i)
}
