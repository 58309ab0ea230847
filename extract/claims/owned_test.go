package claims

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"fileassay/extract"
	"fileassay/extract/ranges"

	"github.com/google/go-cmp/cmp"
)

type use struct {
	Start, Length int64
	Use           extract.Use
}

// allocation yields ranges as a volume's allocation map would.
func allocation(list []use) extract.Space {
	return func(_ context.Context, yield func(start, length int64, u extract.Use) error) error {
		for _, a := range list {
			if err := yield(a.Start, a.Length, a.Use); err != nil {
				return err
			}
		}
		return nil
	}
}

func TestSpaceAgainstModel(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	for range 2000 {
		start, length := int64(rnd.IntN(50)), int64(rnd.IntN(200))
		end := start + length
		want := make([]extract.Use, 400) // all unknown
		var alloc []use
		for pos := int64(0); pos < 300; {
			pos += int64(max(0, rnd.IntN(20)-15))
			n := int64(1 + rnd.IntN(30))
			a := use{pos, n, []extract.Use{extract.UseFree, extract.UseUnclaimed, extract.UseUnknown}[rnd.IntN(3)]}
			alloc = append(alloc, a)
			for i := pos; i < pos+n; i++ {
				want[i] = a.Use
			}
			pos += n
		}
		var give extract.Space
		if rnd.IntN(5) == 0 {
			clear(want)
		} else {
			give = allocation(alloc)
		}
		var c Owned
		lay := func(s *ranges.Set, u extract.Use) {
			for range rnd.IntN(8) {
				a, n := int64(rnd.IntN(300)), int64(rnd.IntN(25))
				s.Add(a, n)
				for i := a; i < a+n; i++ {
					want[i] = u
				}
			}
		}
		lay(&c.Files, extract.UseFile)
		lay(&c.Structures, extract.UseStructure) // last: structures win

		var wantList []use
		var unclaimed int64
		for i := start; i < end; i++ {
			if want[i] == extract.UseUnclaimed {
				unclaimed++
			}
			if k := len(wantList) - 1; k >= 0 && wantList[k].Use == want[i] {
				wantList[k].Length++
			} else {
				wantList = append(wantList, use{i, 1, want[i]})
			}
		}
		var got []use
		err := c.Space(start, length, give)(t.Context(), func(a, n int64, u extract.Use) error {
			got = append(got, use{a, n, u})
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(wantList, got); diff != "" {
			t.Fatalf("Space(%d, %d) (-want +got):\n%s", start, length, diff)
		}
		if n, _, err := Unclaimed(t.Context(), c.Space(start, length, give)); n != unclaimed || err != nil {
			t.Fatalf("Unclaimed = %d, %v; want %d", n, err, unclaimed)
		}
	}
}

// A damaged allocation map may say anything: the answer still covers the
// volume once, in order.
func TestSpaceHostile(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 6))
	odd := []int64{math.MinInt64, -1, 0, 1, 99, 100, 150, 199, 200, 1 << 40, math.MaxInt64}
	for range 2000 {
		var alloc []use
		for range rnd.IntN(6) {
			alloc = append(alloc, use{odd[rnd.IntN(len(odd))], odd[rnd.IntN(len(odd))], extract.Use(rnd.IntN(5))})
		}
		var c Owned
		c.Files.Add(odd[rnd.IntN(len(odd))], odd[rnd.IntN(len(odd))])
		c.Structures.Add(odd[rnd.IntN(len(odd))], odd[rnd.IntN(len(odd))])
		pos := int64(100)
		last := extract.Use(255)
		err := c.Space(100, 100, allocation(alloc))(t.Context(), func(a, n int64, u extract.Use) error {
			if a != pos || n <= 0 || u == last {
				t.Fatalf("%v: range of %d at %d (%d) follows on %d", alloc, n, a, u, pos)
			}
			pos, last = a+n, u
			return nil
		})
		if err != nil || pos != 200 {
			t.Fatalf("%v: ended at %d, %v", alloc, pos, err)
		}
	}
}

func TestSpaceErrors(t *testing.T) {
	stop := errors.New("stop")
	var c Owned
	c.Files.Add(10, 10)
	calls := 0
	err := c.Space(0, 100, nil)(t.Context(), func(_, _ int64, _ extract.Use) error { calls++; return stop })
	if err != stop || calls != 1 {
		t.Errorf("got %v after %d calls", err, calls)
	}
	bad := func(context.Context, func(start, length int64, u extract.Use) error) error { return stop }
	if _, _, err := Unclaimed(t.Context(), c.Space(0, 100, bad)); err != stop {
		t.Errorf("error of the allocation map: %v", err)
	}
}
