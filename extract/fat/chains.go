package fat

import (
	"fmt"

	"fileassay/extract/ranges"
)

// stop says why a chain was followed no further.
type stop uint8

const (
	stopWhole  stop = iota // as many clusters as were wanted, or the end mark
	stopShort              // the end mark came early
	stopFree               // an entry says that its cluster is free
	stopBad                // an entry marks a bad cluster
	stopRange              // a cluster number that the volume does not have
	stopLoop               // the chain comes back to itself
	stopShared             // a cluster that something else claims too
	stopUnread             // an entry was not read in any copy of the table
	stopLong               // longer than any folder may be
)

// followed is a chain as far as it could be followed.
type followed struct {
	runs   []ranges.Range // of the image; good until the next chain is followed
	n      int64          // clusters in runs
	stop   stop
	at     uint32 // the cluster whose entry, or which itself, stopped it
	raw    uint32 // the senseless value, for stopRange
	tail   value  // the entry of the last wanted cluster
	second bool   // an entry was had from a later copy of the table only
	differ int64  // entries on which the copies of the table disagree
}

// why tells in words where and why a chain of a file ended; off is the first
// byte that it leaves unlocated.
func (f *followed) why(off int64) string {
	rest := fmt.Sprintf("bytes from %d on are unlocated", off)
	switch f.stop {
	case stopShort:
		return fmt.Sprintf("its chain of clusters ends after %d clusters, before the file does: %s", f.n, rest)
	case stopFree:
		return fmt.Sprintf("the allocation table calls cluster %d of its chain free: %s", f.at, rest)
	case stopBad:
		return fmt.Sprintf("the allocation table marks a bad cluster after cluster %d of its chain: %s", f.at, rest)
	case stopRange:
		return fmt.Sprintf("its chain leads to cluster %d, which the volume does not have: %s", f.raw, rest)
	case stopLoop:
		return fmt.Sprintf("its chain is a loop after cluster %d: %s", f.at, rest)
	case stopShared:
		return fmt.Sprintf("cluster %d of its chain is claimed by another file or folder too (cross-linked): %s", f.at, rest)
	case stopUnread:
		return fmt.Sprintf("the allocation table's entry of cluster %d is unread in every copy: %s", f.at, rest)
	case stopLong:
		return fmt.Sprintf("its chain is longer than a folder can be: %s", rest)
	}
	return ""
}

// chains follows the chains of the table.
type chains struct {
	*geometry
	table *table
	loops set            // clusters whose entry closes a loop
	runs  []ranges.Range // room for those of a chain
}

// follow follows the chain from cluster c for need clusters, or to its end where
// need < 0, but no further than limit clusters. enter is asked before each
// cluster is taken.
func (t *chains) follow(c uint32, need, limit int64, enter func(c uint32, f *followed) stop) followed {
	if !t.valid(c) {
		return followed{stop: stopRange, raw: c}
	}
	f := followed{runs: t.runs[:0]}
	defer func() { t.runs = f.runs }()
	for {
		if f.stop = enter(c, &f); f.stop != stopWhole {
			if f.stop == stopShared {
				f.at = c
			}
			return f
		}
		f.runs = ranges.Append(f.runs, t.run(c, 1))
		f.n++
		f.at = c
		e := t.table.entry(c)
		f.second = f.second || e.Second
		if e.Disagree {
			f.differ++
		}
		v := e.value
		if need >= 0 && f.n == need {
			f.tail = v
			return f
		}
		switch {
		case t.loops.has(c):
			f.stop = stopLoop
		case v.Mark == markEnd && need < 0:
		case v.Mark == markEnd:
			f.stop = stopShort
		case v.Mark == markFree:
			f.stop = stopFree
		case v.Mark == markBad:
			f.stop = stopBad
		case v.Mark == markInvalid:
			f.stop, f.raw = stopRange, v.Raw
		case v.Mark == markUnread:
			f.stop = stopUnread
		case f.n >= limit:
			f.stop = stopLong
		default:
			c = v.Raw
			continue
		}
		return f
	}
}
