package reread_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"fileassay/verify/compare"
	"fileassay/verify/reread"
	"fileassay/verify/result"
)

// absurd makes a result out of bytes: every number of it may be absurd.
type absurd struct {
	data []byte
	at   int
}

func (m *absurd) byte() byte {
	if m.at >= len(m.data) {
		return 0
	}
	m.at++
	return m.data[m.at-1]
}

// number is mostly near the sectors of a small drive, and at times absurd.
func (m *absurd) number() int64 {
	switch b := m.byte(); {
	case b < 200:
		return int64(b)*128 + int64(m.byte())
	case b < 220:
		return -int64(b)
	case b < 230:
		return math.MaxInt64 - int64(m.byte())
	case b < 235:
		return math.MinInt64 + int64(m.byte())
	}
	return int64(m.byte()) << (m.byte() % 60)
}

func (m *absurd) pairs() [][2]int64 {
	list := [][2]int64{}
	for range m.byte() % 5 {
		list = append(list, [2]int64{m.number(), m.number()})
	}
	return list
}

func (m *absurd) triples() [][3]int64 {
	list := [][3]int64{}
	for range m.byte() % 4 {
		list = append(list, [3]int64{m.number(), m.number(), m.number()})
	}
	return list
}

func (m *absurd) places() []result.Holding {
	var list []result.Holding
	for range m.byte() % 5 {
		list = append(list, result.Holding{
			Holds:  []string{"files", "structures", "free", "outside", "unknown", "odd"}[m.byte()%6],
			State:  []string{"failed", "skipped", "doubtful", "read", "odd"}[m.byte()%5],
			Ranges: m.pairs(),
		})
	}
	return list
}

// write writes the result. What no type of a result would write is left out:
// the parsers are tested elsewhere.
func (m *absurd) write(t *testing.T, path string) {
	var b bytes.Buffer
	drive := int64(32768)
	if m.byte() > 240 {
		drive = m.number()
	}
	fmt.Fprintf(&b, `{"type":"image","path":"x","size":%d,"drive_size":%d,"sector":%d,"map":{},"table":"none","format":1,"needs":%s}`+"\n", drive, drive,
		[]int64{512, 4096, 0, -5, 1, 1 << 40}[m.byte()%6], text(t, m.pairs()))
	volumes := 1 + int(m.byte()%3)
	for v := range volumes {
		fmt.Fprintf(&b, `{"type":"volume","volume":%d,"start":%d,"length":%d,"filesystem":"ntfs","listing":{"complete":%v,"unread_records":%d,"why":[]},"needs":%s,"places":%s}`+"\n",
			v+1, m.number(), m.number(), m.byte()%2 == 0, m.number(), text(t, m.pairs()), text(t, m.places()))
	}
	for k := range m.byte() % 12 {
		size, read, unlocated := m.number(), m.number(), m.number()
		fmt.Fprintf(&b, `{"type":"file","volume":%d,"id":%d,"path":%q,"kind":%q,"size":%d,"verdict":%q,"bytes":{"read":%d,"doubtful":0,"failed":0,"skipped":0,"unlocated":%d},"extents":%s,"patched":%s,"needs":%s,"heads":[%d],"damage":[],"why":[]}`+"\n",
			int(m.byte())%(volumes+1), m.byte()%8, fmt.Sprintf("%d/x.%s", k, []string{"jpg", "zip", "mp4", "tmp"}[m.byte()%4]), []string{"file", "folder", "stream"}[m.byte()%3],
			size, []string{"intact", "damaged", "lost"}[m.byte()%3], read, unlocated, text(t, m.triples()), text(t, m.triples()), text(t, m.pairs()), m.byte()%3)
	}
	fmt.Fprintf(&b, `{"type":"summary","files":{},"folders":{},"sizes":{},"bytes":{},"listing_complete":false,"places":%s}`+"\n", text(t, m.places()))
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
}

func text(t *testing.T, v any) string {
	line, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(line)
}

// FuzzPlan plans by absurd results: nothing panics or hangs, the laws hold, and
// the same plan is made again.
func FuzzPlan(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte("a result that was written over by something else, and still ends well enough"))
	for k := range 24 {
		seed := make([]byte, 400)
		for i := range seed {
			seed[i] = byte(i*(2*k+7)*31 + i*i*(k+3)>>3)
		}
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		path := filepath.Join(t.TempDir(), "r.jsonl")
		m := &absurd{data: data}
		budget, o := int64(m.byte())*7, reread.Options{Costs: reread.DefaultCosts(), Worth: 1}
		m.write(t, path)
		r, err := result.Open(path)
		if err != nil {
			return
		}
		defer r.Close()
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
		if err == nil && (c.Lost != 0 || c.Sectors != 0 || len(c.Changes) != 0) {
			t.Fatalf("a result against itself: %+v", c)
		}
	})
}

// lawful plans twice and holds the plan to its laws.
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
		if g.Start < 0 || g.Length <= 0 || g.Start > r.Image.DriveSize-g.Length {
			t.Fatalf("range %+v is not on the drive of %d bytes", g, r.Image.DriveSize)
		}
		for _, h := range p.Ranges[:i] {
			if g.Start < h.Start+h.Length && h.Start < g.Start+g.Length {
				t.Fatalf("%+v and %+v overlap", g, h)
			}
		}
	}
	return p
}
