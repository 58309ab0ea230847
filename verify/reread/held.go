package reread

import (
	"sort"
	"time"

	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// Held tells of unread sectors that hold one thing.
type Held struct {
	Holds   string        `json:"holds"`
	Worth   bool          `json:"worth"` // whether reading them wins anything
	Sectors int64         `json:"sectors"`
	Took    time.Duration `json:"-"` // by the costs, without seeks
	Seconds float64       `json:"seconds"`
	Gates   int64         `json:"gates,omitempty"`       // entries that structures lead to
	Known   bool          `json:"gates_known,omitempty"` // Gates is counted, not estimated
}

// The things that unread sectors hold, in the order in which they are told.
const (
	heldGates   = "structures that files wait for"
	heldWanted  = "wanted file data"
	heldCopies  = "other structures"
	heldUnknown = "unknown"
	heldOther   = "other file data"
	heldFree    = "free space"
	heldOutside = "outside any volume"
)

// held sorts the unread sectors into what they hold.
func (b *builder) held(p *problem, l *atomPlaces, c *Costs) ([]Held, error) {
	names := []string{heldGates, heldWanted, heldCopies, heldUnknown, heldOther, heldFree, heldOutside}
	index := map[string]int{}
	worth, nothing := make([]Held, len(names)), make([]Held, len(names))
	for i, n := range names {
		index[n] = i
		worth[i] = Held{Holds: n, Worth: true}
		nothing[i] = Held{Holds: n}
	}
	add := func(h *Held, sectors int64, s imap.State) {
		h.Sectors += sectors
		h.Took += time.Duration(capped(sectors, c.perSector(s))) * time.Microsecond
	}
	bySort := [...]int{gate: index[heldGates], wholeFile: index[heldWanted], copies: index[heldCopies], unknown: index[heldUnknown]}
	for a := range p.cost {
		best := unknown
		for _, i := range p.items(int32(a)) {
			switch s := b.items[i].sort; s {
			case gate, volumeGate, driveGate:
				best = gate
			case wholeFile, perhapsFile, unitOfFile:
				if best != gate {
					best = wholeFile
				}
			case copies:
				if best == unknown {
					best = copies
				}
			}
			if best == gate {
				break
			}
		}
		add(&worth[bySort[best]], p.sectors[a], l.state[a])
	}
	gates := &worth[index[heldGates]]
	gates.Known = true
	for i := range b.items {
		switch it := &b.items[i]; it.sort {
		case gate:
			gates.Gates += it.gates
			gates.Known = gates.Known && it.sure
		case driveGate:
			gates.Known = false
		}
	}
	for i := range b.r.Volumes {
		if v := &b.r.Volumes[i]; len(v.Needs) > 0 {
			gates.Gates += unreadRecords(v)
			if x := b.perVol[v.Volume]; x != nil {
				gates.Gates += x.blocked
			}
			gates.Known = false
		}
	}
	type kind struct {
		name  string
		state imap.State
	}
	left := map[kind]int64{}
	for p, err := range b.r.Places() {
		if err != nil {
			return nil, err
		}
		name := map[string]string{result.HoldsFiles: heldOther, result.HoldsStructures: heldCopies, result.HoldsUnknown: heldUnknown, result.HoldsFree: heldFree, "": heldOutside}[p.Most()]
		left[kind{name, p.State}] += l.lacks(p.Start, p.End())
	}
	for k, n := range left {
		add(&nothing[index[k.name]], n/b.sector, k.state)
	}
	var out []Held
	for _, list := range [][]Held{worth, nothing} {
		for _, h := range list {
			if h.Sectors > 0 {
				h.Seconds = h.Took.Seconds()
				out = append(out, h)
			}
		}
	}
	return out, nil
}

// lacks is how many bytes of a range are in no atom.
func (l *atomPlaces) lacks(start, end int64) int64 {
	n := end - start
	for i := sort.Search(len(l.end), func(i int) bool { return l.end[i] > start }); i < len(l.start) && l.start[i] < end; i++ {
		n -= min(l.end[i], end) - max(l.start[i], start)
	}
	return n
}
