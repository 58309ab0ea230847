package reread

import (
	"slices"
	"testing"
	"time"

	"fileassay/extract/imap"
)

// Steps that win about the same are read by place where they lie near each
// other, so that no way back costs a seek; what is worth a seek keeps its turn.
func TestSweep(t *testing.T) {
	costs := Costs{Seek: 20 * time.Millisecond, Skipped: 20 * time.Microsecond, Failed: time.Second, Gap: 1024}
	for _, c := range []struct {
		name   string
		at     []int64 // sector of each step's range, in the order that was found
		weight []float64
		want   []int64
	}{
		{"neighbours", []int64{40, 30, 20, 10}, []float64{4, 3.9, 3.8, 3.7}, []int64{10, 20, 30, 40}},
		{"the last is far", []int64{40, 30, 20, 9000}, []float64{4, 3.9, 3.8, 3.7}, []int64{20, 30, 40, 9000}},
		{"the first is worth a seek", []int64{9000, 30, 20, 10}, []float64{400, 1, 1, 1}, []int64{9000, 10, 20, 30}},
		{"all are far", []int64{9000, 6000, 3000}, []float64{3, 2, 1}, []int64{9000, 6000, 3000}},
		{"one", []int64{5}, []float64{1}, []int64{5}},
		{"none", nil, nil, nil},
	} {
		places := slices.Sorted(slices.Values(c.at))
		p := &problem{itemAt: []int32{0}}
		l, plan := &atomPlaces{}, &Plan{}
		for k, at := range places {
			l.start, l.end, l.state = append(l.start, at*512), append(l.end, at*512+512), append(l.state, imap.Skipped)
			p.sectors, p.cost, p.link = append(p.sectors, 1), append(p.cost, 20), append(p.link, 0)
			w := c.weight[slices.Index(c.at, at)]
			p.itemAtoms, p.whole, p.part = append(p.itemAtoms, int32(k)), append(p.whole, w), append(p.part, 0)
			p.itemAt = append(p.itemAt, int32(k+1))
			plan.items = append(plan.items, item{weight: w})
		}
		p.index()
		tl := &teller{p: p, places: l, c: &costs, sector: 512, plan: plan}
		var order, ends []int32
		for k, at := range c.at {
			order, ends = append(order, int32(slices.Index(places, at))), append(ends, int32(k+1))
		}
		before := tl.waiting(order, ends)
		order, ends = tl.sweep(order, ends)
		var got []int64
		for _, a := range order {
			got = append(got, places[a])
		}
		if !slices.Equal(got, c.want) || len(ends) != len(c.at) {
			t.Errorf("%s: %v in %d steps, want %v in %d", c.name, got, len(ends), c.want, len(c.at))
		}
		if after := tl.waiting(order, ends); after > before {
			t.Errorf("%s: waits for %g, and did for %g", c.name, after, before)
		}
	}
}
