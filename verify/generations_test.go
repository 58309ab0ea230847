package verify_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"fileassay/extract/lawtest"
	"fileassay/verify/ownertest"
)

// tally counts the faults of many cases by what was done and the class of the
// fault.
type tally struct {
	mu    sync.Mutex
	cases map[string]int
	found map[string]map[string]int // cases with a fault of a class
	told  map[string]int
}

// add counts a case, and tells of the first few faults of each class.
func (y *tally) add(t *testing.T, where, site, way string, faults []ownertest.Fault) {
	y.mu.Lock()
	defer y.mu.Unlock()
	row := site + ", " + way
	y.cases[row]++
	seen := map[string]bool{}
	for _, f := range faults {
		if seen[f.Class] {
			continue
		}
		seen[f.Class] = true
		if y.found[row] == nil {
			y.found[row] = map[string]int{}
		}
		y.found[row][f.Class]++
		t.Fail()
		if y.told[f.Class]++; y.told[f.Class] <= 12 {
			t.Errorf("FILEASSAY_CASE='%s, %s': %s: %s", where, row, f.Class, f.Text)
		}
	}
}

// String is a table of the cases and of those with faults by class.
func (y *tally) String() string {
	var rows []string
	for r := range y.cases {
		rows = append(rows, r)
	}
	slices.Sort(rows)
	var b strings.Builder
	line := func(name string, cases int, found map[string]int) {
		fmt.Fprintf(&b, "\n%-48s %6d", name, cases)
		for _, c := range ownertest.Classes {
			fmt.Fprintf(&b, " %12d", found[c])
		}
	}
	fmt.Fprintf(&b, "%-48s %6s", "cases with a fault", "cases")
	for _, c := range ownertest.Classes {
		fmt.Fprintf(&b, " %12s", c)
	}
	all, sum := 0, map[string]int{}
	for _, r := range rows {
		line(r, y.cases[r], y.found[r])
		all += y.cases[r]
		for c, n := range y.found[r] {
			sum[c] += n
		}
	}
	line("all", all, sum)
	return b.String()
}

// TestGenerations draws drives that were partitioned and formatted twice, and
// takes sectors of tables and of first structures away: they were not read, or
// were read as zeros or noise. Then nothing false is said, nothing is counted
// twice, and no volume of now is missed without a word. FILEASSAY_TOOLS=1 makes
// 200 drives, FILEASSAY_PROPERTIES=N that many times more; without tools those
// that are packed serve. FILEASSAY_CASE repeats a case as a failure names it.
func TestGenerations(t *testing.T) {
	type source struct {
		name string
		make func(t *testing.T) *ownertest.Disk
	}
	var list []source
	for _, name := range ownertest.Disks() {
		if !strings.HasPrefix(name, "clean") && name != "overlap" && name != "too-large" {
			list = append(list, source{name, func(t *testing.T) *ownertest.Disk { return ownertest.Load(t, name, *remake) }})
		}
	}
	if os.Getenv("FILEASSAY_TOOLS") == "1" {
		for seed := range uint64(lawtest.Times(t, 200)) {
			list = append(list, source{fmt.Sprintf("layout %d", seed), func(t *testing.T) *ownertest.Disk { return ownertest.Random(t, seed) }})
		}
	}
	only := os.Getenv("FILEASSAY_CASE")
	y := &tally{cases: map[string]int{}, found: map[string]map[string]int{}, told: map[string]int{}}
	t.Run("layouts", func(t *testing.T) {
		for number, from := range list {
			if only != "" && !strings.HasPrefix(only, from.name+", ") {
				continue
			}
			t.Run(from.name, func(t *testing.T) {
				t.Parallel()
				d := from.make(t)
				type hurt struct {
					site   ownertest.Site
					number int
					way    string
				}
				var cases []hurt
				for i, s := range d.Sites() {
					for _, way := range ownertest.Ways {
						cases = append(cases, hurt{s, i, way})
					}
				}
				if only == "" { // some, that differ between layouts
					n := 9
					if testing.Short() {
						n = 3
					}
					rnd := rand.New(rand.NewPCG(uint64(number), 3))
					rnd.Shuffle(len(cases), func(i, k int) { cases[i], cases[k] = cases[k], cases[i] })
					cases = cases[:min(lawtest.Times(t, n), len(cases))]
				}
				for _, c := range cases {
					where := fmt.Sprintf("%s, site %d", from.name, c.number)
					if only != "" && only != fmt.Sprintf("%s, %s, %s", where, c.site.Name, c.way) {
						continue
					}
					h, unread := d.Hurt(c.site, c.way)
					s := look(t, h, d.Image, unread)
					y.add(t, where, c.site.Name, c.way, s.Faults())
					if only != "" {
						for _, v := range d.Former {
							t.Logf("before: %s %q at %d of %d", v.Kind, v.Label, v.Start, v.Length)
						}
						for _, v := range d.Volumes {
							t.Logf("now: %s %q at %d of %d", v.Kind, v.Label, v.Start, v.Length)
						}
						t.Logf("hurt: %v; table %s, notes %q, missing %q", c.site.Ranges, s.Result.Image.Table, s.Result.Image.Notes, s.Result.Image.Missing)
						for _, v := range s.Result.Volumes {
							t.Logf("listed: %d %s %q at %d of %d, found by %s: %d intact, complete %v %q, notes %q", v.Volume, v.Filesystem, v.Label, v.Start, v.Length, v.Found,
								v.Files.Intact, v.Listing.Complete, v.Listing.Why, v.Notes)
						}
					}
				}
			})
		}
	})
	t.Log(y)
}
