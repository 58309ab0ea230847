package report

import (
	"bytes"
	"fmt"
	"html"
	"strings"
	"testing"
	"time"

	"fileassay/verify/compare"
	"fileassay/verify/reread"
)

// longPlan is a plan of n steps of one sector each.
func longPlan(n int) *reread.Plan {
	pl := &reread.Plan{Caution: reread.Caution, Wanted: "made", Options: reread.Options{Costs: reread.DefaultCosts(), Forward: true, Budget: 2 * time.Hour, Worth: 1e6}, Sector: 512,
		Holds: []reread.Held{{Holds: "structures", Worth: true, Sectors: 3, Took: time.Second, Gates: 1}, {Holds: "wanted file data", Worth: true, Sectors: int64(n)}},
		Files: reread.WantedCount{Intact: 4, Missing: 6}, Sectors: int64(n), Took: time.Duration(n) * time.Second, Whole: 1, Perhaps: 2, Weight: 0.1 + 0.2, LeftOut: 1,
		Stop: &reread.Stop{Step: 1, After: time.Second, Next: 2}}
	for i := range n {
		pl.Ranges = append(pl.Ranges, reread.Range{Start: int64(i) * 4096, Length: 512})
		s := reread.Step{First: i, Ranges: 1, Sectors: 1, Took: time.Second, Pass: 1 + i/100}
		if i == 0 {
			s.Files, s.Weight = 1, 0.1+0.2
		}
		pl.Steps = append(pl.Steps, s)
	}
	return pl
}

// The page of a plan tells what the terminal tells: what was left out, the
// costs, the budget, the passes; and nothing of it as sure.
func TestPlanPageTellsAll(t *testing.T) {
	for _, n := range []int{passRows, passRows + 1, passRows + 2} {
		pl := longPlan(n)
		var page, text bytes.Buffer
		if err := PlanPage(&page, pl); err != nil {
			t.Fatal(err)
		}
		if err := Plan(&text, pl, 10, Style{}); err != nil {
			t.Fatal(err)
		}
		both := []string{
			"Wanted by made: 10 files, of which 4 whole and 6 not",
			"20ms a seek", "1,024 sectors apart in one go",
			"1 file was left out: what they claim is too long to be planned for",
			"hosen for a budget of 2h0m0s",
			"fter 1.0 s (1 step) a further hour wins less than 1,000,000: 2",
			"if all of them can be read, 1 more wanted file is whole",
			"fter it, verify again and plan anew: what was read may lead to more",
			"they lead to some 1 entry (an estimate)",
		}
		for _, want := range both {
			if !strings.Contains(html.UnescapeString(page.String()), want) {
				t.Errorf("the page does not say %q", want)
			}
			if !strings.Contains(text.String(), want) {
				t.Errorf("the terminal does not say %q", want)
			}
		}
		if got := page.String(); !strings.Contains(got, `>Pass</th>`) || !strings.Contains(got, `<td class="n">5</td></tr>`) {
			t.Error("the page does not say in which pass a step is read")
		}
		if strings.Contains(page.String()+text.String(), "0.30000000000000004") {
			t.Error("a weight has the digits of its arithmetic")
		}
		more := map[int]string{passRows + 1: "and 1 more step, which", passRows + 2: "and 2 more steps, which"}[n]
		if more == "" && strings.Contains(page.String(), "which reread --list") || !strings.Contains(page.String(), more) {
			t.Errorf("%d steps: the page does not say %q", n, more)
		}
	}
}

func TestWeight(t *testing.T) {
	for in, want := range map[float64]string{0: "0", 1: "1", 0.1 + 0.2: "0.3", 1e6: "1,000,000", 36.05: "36.05", 0.00001: "1e-05", 251.04999999999998: "251.05"} {
		if got := weight(in); got != want {
			t.Errorf("weight(%v) = %q, want %q", in, got, want)
		}
	}
}

// What got worse is told first on the page too, with all that the terminal
// says of it, and counted where it is cut off.
func TestComparisonPageWorse(t *testing.T) {
	page := func(c *compare.Comparison) string {
		t.Helper()
		var b bytes.Buffer
		if err := ComparisonPage(&b, c); err != nil {
			t.Fatal(err)
		}
		return html.UnescapeString(b.String())
	}
	c := worse()
	c.Next = compare.Next{Sectors: 3, Seconds: 3, Whole: 1}
	c.Listings = []compare.Listing{{Volume: 1, State: "the same", UnreadRecords: [2]int64{17, 1800}}}
	c.Changes = append(c.Changes.(told), &compare.Change{What: compare.Gone, Path: "a.txt", Before: "intact"})
	c.Counts[compare.Gone] = 1
	text := page(c)
	for _, want := range []string{
		`<h2 class="lead">Something got worse; 0 files are newly whole`,
		"was the newer map made of this pass alone? merge the passes (map merge)",
		"Fell: 1 entry", "Not the same as before: 3 entries", "1 of them told under another heading",
		">not listed</td>", ">17</td>", ">1,800</td>",
		"if all of them can be read, 1 more file is whole",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q on the page", want)
		}
	}
	many := &compare.Comparison{Counts: map[compare.What]int64{compare.Fell: 700}}
	var fell told
	for i := range 700 {
		fell = append(fell, &compare.Change{What: compare.Fell, Path: fmt.Sprint(i), Before: "intact", After: "lost"})
	}
	many.Changes = fell
	if text := page(many); !strings.Contains(text, "Fell: 700 entries") || !strings.Contains(text, "and 200 more, which compare --json tells") {
		t.Error("what is cut off is not counted")
	}
	none := &compare.Comparison{Counts: map[compare.What]int64{}}
	if text := page(none); strings.Contains(text, "Something got worse") || !strings.Contains(text, "Nothing got worse by what the results tell.") {
		t.Error("without content compared, the page says that nothing got worse at all")
	}
	none.Content = &compare.ContentRecord{Sector: 512}
	if text := page(none); !strings.Contains(text, "Nothing got worse.") {
		t.Error("the page does not say that nothing got worse")
	}
}
