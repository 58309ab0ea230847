package reread_test

import (
	"fmt"
	"reflect"
	"slices"
	"testing"
	"time"

	"fileassay/extract/imap"
	"fileassay/verify/compare"
	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
)

// drawn draws a result out of bytes: as odd as one may be that does not
// contradict itself.
type drawn struct {
	data []byte
	made resulttest.Made
	unit int64 // bytes by which places are drawn, of whole sectors
}

// drawnUnits is how many units the drive has.
const drawnUnits = 64

// below is a number below n.
func (d *drawn) below(n int) int64 {
	if len(d.data) == 0 {
		return 0
	}
	b := d.data[0]
	d.data = d.data[1:]
	return int64(b) % int64(n)
}

// length is mostly of some sectors, at times of a few bytes or huge.
func (d *drawn) length() int64 {
	switch n := 1 + d.below(16); d.below(8) {
	case 0:
		return n
	case 1:
		return n << 45
	case 2:
		return n * d.unit
	default:
		return n * 512
	}
}

// result draws a whole result.
func (d *drawn) result() *resulttest.Made {
	m := &d.made
	m.Image.Sector = []int64{512, 512, 4096, 1}[d.below(4)]
	d.unit = m.Image.Sector * []int64{1, 1, 8, 1 << 36}[d.below(4)]
	m.Image.DriveSize = drawnUnits*d.unit - d.below(int(min(m.Image.Sector, 256))) // the last sector may be short
	m.Image.Needs = d.ranges()
	if d.below(3) == 0 {
		m.Image.Missing = []string{"the table was not read"}
	}
	d.volumes()
	d.places()
	for k := range d.below(14) {
		d.file(k)
	}
	slices.SortStableFunc(m.Files, func(a, b *result.File) int { return a.Volume - b.Volume })
	m.Fill()
	for _, f := range m.Files { // what only a file's own metadata knows
		if n := d.below(4); n == 0 && f.Size != nil && f.Kind != "folder" {
			size, lost := *f.Size, d.length()
			*f.Size += lost
			f.Damage = append(f.Damage, result.Damage{Offset: size, Image: -1, Length: lost, What: result.Unlocated})
			f.Bytes, f.Verdict = result.NullBytes{}, ""
		} else if n == 1 && f.Verdict == result.Intact {
			f.Verdict, f.Why = result.Damaged, []string{"its journal is unread"}
		}
	}
	return m
}

// ranges are any ranges of the drive.
func (d *drawn) ranges() (list [][2]int64) {
	for range d.below(4) {
		at := d.below(drawnUnits) * d.unit
		list = append(list, [2]int64{at, min(d.length(), d.made.Image.DriveSize-at)})
	}
	return list
}

// volumes may overlap, and reach past the end of the drive.
func (d *drawn) volumes() {
	at := int64(0)
	for range 1 + d.below(3) {
		at += d.below(drawnUnits/2) * d.unit
		length := d.below(drawnUnits) * d.unit
		if d.below(9) == 0 {
			length = 1 << 62
		}
		d.made.Volumes = append(d.made.Volumes, result.Volume{Start: at, Length: length, Filesystem: "ext4", Needs: d.ranges(),
			Listing: result.Listing{Complete: d.below(2) == 0, UnreadRecords: d.below(5) << (d.below(2) * 54)}})
	}
}

func (d *drawn) places() {
	d.made.Places = []result.Place{}
	pos := int64(0)
	for range d.below(24) {
		start := pos + d.below(4)*d.unit
		end := min(start+(1+d.below(6))*d.unit, d.made.Image.DriveSize)
		if start >= end {
			return
		}
		p := result.Place{Start: start, Length: end - start, Kind: result.Kind{State: []imap.State{imap.Failed, imap.Skipped, imap.Doubtful}[d.below(3)]}}
		for v := range d.made.Volumes {
			if holds := d.below(6); holds < 4 {
				h := result.Holder{Volume: v + 1, Holds: []string{result.HoldsFiles, result.HoldsStructures, result.HoldsUnknown, result.HoldsFree}[holds]}
				if h.Holds == result.HoldsStructures && d.below(2) == 0 {
					h.Name = "table"
				}
				p.In = append(p.In, h)
			}
		}
		d.made.Places = append(d.made.Places, p)
		pos = end
	}
}

// file draws a file with content anywhere, in a place or none, and past the end of
// the drive.
func (d *drawn) file(k int64) {
	f := &result.File{Volume: int(1 + d.below(len(d.made.Volumes))), ID: uint64(d.below(8)), Kind: []string{"file", "stream", "link", "folder"}[d.below(4)],
		Path: fmt.Sprintf("%d/x.%s", k, []string{"jpg", "zip", "mp4", "tmp"}[d.below(4)]), Stored: []string{"", "", "compressed", "encrypted"}[d.below(4)]}
	for range d.below(3) {
		f.Heads = append(f.Heads, int(d.below(3)))
	}
	if n := len(d.made.Places); n > 0 && d.below(3) == 0 {
		for range 1 + d.below(2) {
			p := &d.made.Places[d.below(n)]
			off := d.below(int(min(p.Length, 256)))
			f.Needs = append(f.Needs, [2]int64{p.Start + off, min(d.length(), p.Length-off)})
		}
	}
	d.made.Files = append(d.made.Files, f)
	if f.Kind == "folder" {
		f.Stored, f.Size = "", new(int64)
		if len(f.Needs) > 0 {
			f.Verdict = result.Damaged
		}
		return
	}
	size := int64(0)
	for range d.below(5) {
		if d.below(3) == 0 {
			size += d.length() // a hole
		}
		v := &d.made.Volumes[f.Volume-1]
		piece := [3]int64{size, v.Start + d.below(drawnUnits+4)*d.unit + d.below(3)*100, d.length()}
		v.Length = max(v.Length, piece[1]+piece[2]-v.Start)
		if f.Stored != "compressed" && d.below(4) == 0 {
			f.Patched = append(f.Patched, piece)
		} else {
			f.Extents = append(f.Extents, piece)
		}
		size += piece[2]
	}
	if d.below(3) == 0 {
		size += d.length()
	}
	f.Size = &size
	if f.Stored == "compressed" && d.below(2) == 0 && len(f.Extents) > 0 {
		f.Packing = result.Packing{Method: "xpress", Unit: 1 + d.length(), Units: [][]int64{{0, 1}}}
		if d.below(2) == 0 { // one that holds all
			stored := int64(0)
			for _, e := range f.Extents {
				stored += e[2]
			}
			f.Packing = result.Packing{Method: "lznt1", Unit: size, Units: [][]int64{{0, stored}}}
		}
	}
	if f.Stored == "" && d.below(6) == 0 {
		f.Size = nil
	}
}

// FuzzPlan plans by results of any kind: what does not contradict itself is
// taken, nothing panics or hangs, the laws hold, and the same plan is made again.
func FuzzPlan(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte("a result that was written over by something else, and still ends well enough"))
	for k := range 64 {
		seed := make([]byte, 600)
		for i := range seed {
			seed[i] = byte(i*(2*k+7)*31 + i*i*(k+3)>>3)
		}
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		d := &drawn{data: data}
		budget, o := d.below(256)*7, reread.Options{Costs: reread.DefaultCosts(), Worth: 1}
		r := d.result().Open(t)
		full := lawful(t, r, o)
		o.Forward = true
		if p := lawful(t, r, o); p.Sectors != full.Sectors {
			t.Fatalf("%d sectors forward, %d by value", p.Sectors, full.Sectors)
		}
		o.Forward, o.BudgetSectors = false, 1+budget
		if p := lawful(t, r, o); p.Sectors > o.BudgetSectors {
			t.Fatalf("%d sectors in a budget of %d", p.Sectors, o.BudgetSectors)
		}
		o.BudgetSectors, o.Budget = 0, time.Duration(1+budget)*10*time.Millisecond
		if p := lawful(t, r, o); p.Took > o.Budget {
			t.Fatalf("takes %v in a budget of %v", p.Took, o.Budget)
		}
		c, err := compare.Results(r, r, nil)
		if err == nil && (c.Lost != 0 || c.Sectors != 0 || len(c.Counts) != 0) {
			t.Fatalf("a result against itself: %+v", c)
		}
	})
}

// lawful plans twice and holds the plan to its laws; one for its sums alone comes
// to the same.
func lawful(t *testing.T, r *result.Result, o reread.Options) *reread.Plan {
	t.Helper()
	p, err := reread.New(r, o)
	if err != nil {
		t.Fatal(err)
	}
	again, err := reread.New(r, o)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(p.Ranges, again.Ranges) || !reflect.DeepEqual(p.Steps, again.Steps) {
		t.Fatal("another plan the second time")
	}
	only := o
	only.Sums = true
	short, err := reread.New(r, only)
	if err != nil {
		t.Fatal(err)
	}
	if len(short.Steps)+len(short.Ranges) > 0 || short.Sectors != p.Sectors || short.Took != p.Took || short.Whole != p.Whole ||
		short.Perhaps != p.Perhaps || short.Weight != p.Weight || short.Files != p.Files {
		t.Fatalf("sums %+v of a plan of %+v", short, p)
	}
	var sum int64
	n := 0
	for i := range p.Steps {
		s := &p.Steps[i]
		if s.First != n || s.Ranges <= 0 || s.Took < 0 {
			t.Fatalf("step %d: %+v", i, s)
		}
		n += s.Ranges
		sum += s.Sectors
		_ = p.Words(s)
	}
	if n != len(p.Ranges) || sum != p.Sectors {
		t.Fatalf("%d ranges of %d sectors in the steps, %d of %d in the plan", n, sum, len(p.Ranges), p.Sectors)
	}
	for i, g := range p.Ranges {
		unread := int64(0)
		for u := range r.Unread.Within(g.Start, g.Length) {
			if u.State == g.State {
				unread += u.Length
			}
		}
		if g.Length <= 0 || unread != g.Length {
			t.Fatalf("range %+v is not all unread in this state", g)
		}
		for _, h := range p.Ranges[:i] {
			if g.Start < h.Start+h.Length && h.Start < g.Start+g.Length {
				t.Fatalf("%+v and %+v overlap", g, h)
			}
		}
	}
	return p
}
