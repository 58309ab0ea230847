package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"time"

	"fileassay/extract/imap"
	"fileassay/verify/reread"
)

// PlanRange is a range of a plan as templates get it.
type PlanRange struct {
	Number int   // from 1
	Step   int   // from 1
	Start  int64 // bytes
	Length int64 // bytes
	End    int64 // first byte past it
	Last   int64 // last byte
	Sector int64 // bytes in a sector
	State  imap.State

	StartSector, Sectors, EndSector, LastSector int64
}

// PlanWhole is what the templates "first" and "last" of a list get.
type PlanWhole struct {
	Caution string // several lines
	Size    int64  // bytes of the drive
	Sector  int64
	Ranges  int
	Steps   int
	Sectors int64
	Seconds float64
}

// planRanges calls each with the ranges in order.
func planRanges(pl *reread.Plan, each func(*PlanRange) error) error {
	n := 0
	for k := range pl.Steps {
		s := &pl.Steps[k]
		for _, g := range pl.Ranges[s.First : s.First+s.Ranges] {
			n++
			end := g.Start + g.Length
			r := PlanRange{Number: n, Step: k + 1, Start: g.Start, Length: g.Length, End: end, Last: end - 1, Sector: pl.Sector, State: g.State,
				StartSector: g.Start / pl.Sector, EndSector: (end + pl.Sector - 1) / pl.Sector}
			r.Sectors = r.EndSector - r.StartSector
			r.LastSector = r.EndSector - 1
			if err := each(&r); err != nil {
				return err
			}
		}
	}
	return nil
}

// PlanList writes the ranges of a plan in order: our own form, CSV with start
// and length in bytes and the state, the caution before it.
func PlanList(w io.Writer, pl *reread.Plan) error {
	b := bufio.NewWriterSize(w, 1<<16)
	for line := range strings.SplitSeq(pl.Caution, "\n") {
		fmt.Fprintf(b, "# %s\n", line)
	}
	fmt.Fprintf(b, "# to be read in this order; bytes\nstart,length,state\n")
	said := pl.Again == 0
	err := planRanges(pl, func(r *PlanRange) error {
		if !said && r.Step > pl.Again {
			said = true
			fmt.Fprintf(b, "# %s\n", verifyAgain)
		}
		_, err := fmt.Fprintf(b, "%d,%d,%s\n", r.Start, r.Length, r.State)
		return err
	})
	if err != nil {
		return err
	}
	return b.Flush()
}

// PlanFormat writes the ranges of a plan as any list: t is executed with a
// [PlanRange] for each, and with a [PlanWhole] before and after.
func PlanFormat(w io.Writer, pl *reread.Plan, t *imap.Template) error {
	whole := PlanWhole{pl.Caution, pl.Drive, pl.Sector, len(pl.Ranges), len(pl.Steps), pl.Sectors, pl.Took.Seconds()}
	return t.List(w, whole, func(put func(any) error) error {
		return planRanges(pl, func(r *PlanRange) error { return put(r) })
	})
}

// PlanRecord is a plan as JSON.
type PlanRecord struct {
	Type     string             `json:"type"` // "reread"
	Caution  string             `json:"caution"`
	Wanted   string             `json:"wanted"`
	Costs    reread.Costs       `json:"costs"`
	Budget   float64            `json:"budget_seconds,omitempty"`
	Most     int64              `json:"budget_sectors,omitempty"`
	Sector   int64              `json:"sector"`
	Files    reread.WantedCount `json:"wanted_files"`
	Holds    []reread.Held      `json:"holds"`
	Sectors  int64              `json:"sectors"`
	Seconds  float64            `json:"seconds"`
	Whole    int64              `json:"whole"`
	Perhaps  int64              `json:"perhaps_whole"`
	Weight   float64            `json:"weight"`
	LeftOut  int64              `json:"left_out,omitempty"`
	Stop     *StopRecord        `json:"stop,omitempty"`
	Again    int                `json:"verify_again_after,omitempty"` // steps
	InOneGo  bool               `json:"in_one_go,omitempty"`          // by place, since little is unread
	Curve    []CurvePoint       `json:"curve"`
	Heads    []reread.HeadValue `json:"heads,omitempty"`
	HeadSets []reread.HeadSet   `json:"head_sets,omitempty"`
	Steps    []StepRecord       `json:"steps"`
}

// StopRecord is the point after which a further hour wins too little.
type StopRecord struct {
	Steps   int     `json:"steps"`
	Seconds float64 `json:"seconds"`
	Next    float64 `json:"next_hour"`
}

// StepRecord is a step of a plan as JSON.
type StepRecord struct {
	Ranges  [][2]int64   `json:"ranges"` // [start, length] in bytes
	State   string       `json:"state"`  // of its first range
	Pass    int          `json:"pass,omitempty"`
	Sectors int64        `json:"sectors"`
	Seconds float64      `json:"seconds"`
	Files   int64        `json:"whole"`
	Weight  float64      `json:"weight"`
	Value   float64      `json:"estimated_value"`
	Won     int          `json:"wins_count"`
	Wins    []reread.Win `json:"wins"` // the first of them
}

// NewPlanRecord makes the record of a plan.
func NewPlanRecord(pl *reread.Plan) *PlanRecord {
	o := &pl.Options
	r := &PlanRecord{Type: "reread", Caution: strings.ReplaceAll(pl.Caution, "\n", " "), Wanted: pl.Wanted, Costs: o.Costs, Budget: o.Budget.Seconds(),
		Most: o.BudgetSectors, Sector: pl.Sector, Files: pl.Files, Holds: pl.Holds, Sectors: pl.Sectors, Seconds: pl.Took.Seconds(), Whole: pl.Whole,
		Perhaps: pl.Perhaps, Weight: pl.Weight, LeftOut: pl.LeftOut, Again: pl.Again, InOneGo: pl.InOneGo, Curve: Curve(pl, 100), Heads: pl.Heads, HeadSets: pl.HeadSets, Steps: []StepRecord{}}
	if s := pl.Stop; s != nil {
		r.Stop = &StopRecord{s.Step, s.After.Seconds(), s.Next}
	}
	const most = 20 // wins told of a step
	for i := range pl.Steps {
		s := &pl.Steps[i]
		rec := StepRecord{Pass: s.Pass, Sectors: s.Sectors, Seconds: s.Took.Round(time.Microsecond).Seconds(), Files: s.Files, Weight: s.Weight,
			Value: s.Value, Won: pl.WinCount(s), Wins: pl.Wins(s, most)}
		for _, g := range pl.Ranges[s.First : s.First+s.Ranges] {
			if rec.State == "" {
				rec.State = g.State.String()
			}
			rec.Ranges = append(rec.Ranges, [2]int64{g.Start, g.Length})
		}
		r.Steps = append(r.Steps, rec)
	}
	return r
}
