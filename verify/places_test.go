package verify

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// Unread ranges of structures are told under the names of those they lie in.
func TestStructureNames(t *testing.T) {
	named := []extract.Structure{
		{Name: "table", Image: 100, Length: 100},
		{Name: "inner", Image: 120, Length: 10},
		{Name: "copy", Image: 300, Length: 50},
	}
	h := holdings{volume: 1}
	for _, r := range []imap.Range{{Start: 50, Length: 60}, {Start: 150, Length: 200}, {Start: 350, Length: 10}} {
		h.structures(named, r)
	}
	want := []string{"50+50 ", "100+10 table", "150+50 table", "200+100 ", "300+50 copy", "350+10 "}
	if d := cmp.Diff(want, listOf(&h)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func listOf(h *holdings) (list []string) {
	if h.count == 0 {
		return nil
	}
	for c := h.cursor(); ; {
		list = append(list, fmt.Sprintf("%d+%d %s", c.start, c.end-c.start, c.holder.Name))
		if !c.next() {
			return list
		}
	}
}

// Every unread byte is placed once, with what it holds of every volume.
func TestPlaces(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 6))
	for round := range 300 {
		const sectors = 200
		var ranges []imap.Range
		for i := range int64(sectors) {
			ranges = append(ranges, imap.Range{Start: i * 512, Length: 512, State: imap.State(rnd.IntN(4))})
		}
		m, err := imap.New(ranges)
		if err != nil {
			t.Fatal(err)
		}
		r := image.New(bytes.NewReader(make([]byte, sectors*512)), sectors*512, m, image.Options{})
		var volumes []*holdings
		var whose [sectors * 4][]result.Holder // by 128 bytes: volumes may begin inside a sector
		for v := range 1 + rnd.IntN(4) {
			h := &holdings{volume: v + 1}
			for pos := rnd.IntN(sectors * 4); pos < sectors*4; {
				n := min(1+rnd.IntN(1+rnd.IntN(200)), sectors*4-pos)
				if k := rnd.IntN(5); k > 0 {
					holds := []string{"", "files", "structures", "unknown", "free"}[k]
					h.add(holds, strings.Repeat("x", rnd.IntN(2)), int64(pos)*128, int64(pos+n)*128)
					for i := pos; i < pos+n; i++ {
						whose[i] = append(whose[i], h.kinds[len(h.kinds)-1])
						whose[i][len(whose[i])-1] = *last(h)
					}
				}
				pos += n
			}
			volumes = append(volumes, h)
		}
		pos := int64(0)
		err = places(r, volumes, func(p *result.Place) error {
			if p.Start < pos {
				t.Fatalf("round %d: %d after %d", round, p.Start, pos)
			}
			if !r.IsRead(pos, 0) || p.Start > pos && !r.IsRead(pos, p.Start-pos) {
				t.Fatalf("round %d: nothing is told of %d to %d", round, pos, p.Start)
			}
			for at := p.Start; at < p.End(); at += 128 {
				if w := whose[at/128]; fmt.Sprint(w) != fmt.Sprint(p.In) {
					t.Fatalf("round %d: at %d %v, want %v", round, at, p.In, w)
				}
			}
			pos = p.End()
			return nil
		})
		if err != nil || pos < sectors*512 && !r.IsRead(pos, sectors*512-pos) {
			t.Fatalf("round %d: ends at %d, %v", round, pos, err)
		}
	}
}

// last is what the last range of holdings holds.
func last(h *holdings) *result.Holder {
	c := h.cursor()
	for c.next() {
	}
	return c.holder
}
