package report

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/dustin/go-humanize"

	"fileassay/verify/reread"
	"fileassay/verify/shown"
)

// Plan writes a re-read plan for the terminal: the caution, what the unread
// sectors hold, the first rows steps in order, the curve of what is won against
// time, and what heads hold back where a head map tells.
func Plan(w io.Writer, pl *reread.Plan, rows int, s Style) error {
	p := &printer{w: w, Style: s}
	p.line("%s", p.bold(pl.Caution))
	p.line("")
	p.held(pl)
	p.line("")
	if len(pl.Steps) == 0 {
		p.line("%s", p.bold("Nothing that is unread would win anything by this list."))
		p.headValues(pl)
		return p.err
	}
	p.steps(pl, rows)
	p.line("")
	p.curve(pl)
	p.line("")
	p.planTotal(pl)
	p.headValues(pl)
	return p.err
}

func (p *printer) held(pl *reread.Plan) {
	p.line("%s", wantedWords(pl))
	first, second := costWords(pl)
	p.line("%s;", first)
	p.line("%s", second)
	p.title("The unread sectors hold")
	for _, worth := range []bool{true, false} {
		for _, h := range pl.Holds {
			if h.Worth != worth {
				continue
			}
			note := ""
			switch {
			case h.Gates > 0:
				note = "; " + gateWords(h)
			case !worth && h.Holds == "free space":
				note = "; nothing is missed, and this time is saved"
			case !worth:
				note = "; worth nothing here"
			}
			p.line("  %-32s %14s  %10s%s", h.Holds, count(h.Sectors, "sector", "sectors"), span(h.Took), note)
		}
	}
	if pl.LeftOut > 0 {
		p.line("  %s", leftOutWords(pl))
	}
}

// The words of a plan that the terminal and the page have alike.

func wantedWords(pl *reread.Plan) string {
	f := pl.Files
	return fmt.Sprintf("Wanted by %s: %s, of which %s whole and %s not", shown.Text(pl.Wanted), count(f.Intact+f.Missing, "file", "files"), humanize.Comma(f.Intact), humanize.Comma(f.Missing))
}

func costWords(pl *reread.Plan) (times, gap string) {
	c := pl.Options.Costs
	return fmt.Sprintf("Taken for reading: %v a seek, a sector %v where skipped, %v where failed, %v where doubtful", c.Seek, c.Skipped, c.Failed, c.Doubtful),
		fmt.Sprintf("ranges no more than %s apart in one go (defaults: common practice, no source)", count(c.Gap, "sector", "sectors"))
}

func gateWords(h reread.Held) string {
	if h.Known {
		return "they lead to " + count(h.Gates, "entry", "entries")
	}
	return fmt.Sprintf("they lead to some %s (an estimate)", count(h.Gates, "entry", "entries"))
}

func leftOutWords(pl *reread.Plan) string {
	return count(pl.LeftOut, "file was", "files were") + " left out: what they claim is too long to be planned for"
}

// planWords say what the whole plan wins: no drive promises that a sector which
// failed can be read.
func planWords(pl *reread.Plan) string {
	return fmt.Sprintf("%s in %s: %s, %s whole", count(pl.Sectors, "sector", "sectors"), span(pl.Took), ifRead(pl.Sectors),
		count(pl.Whole, "more wanted file is", "more wanted files are"))
}

func perhapsWords(pl *reread.Plan) string {
	if pl.Perhaps == 0 {
		return ""
	}
	return perhapsMore(pl.Perhaps) + ", of which metadata is unread too"
}

func ifRead(sectors int64) string {
	if sectors == 1 {
		return "if it can be read"
	}
	return "if all of them can be read"
}

func chosenWords(pl *reread.Plan) []string {
	var out []string
	if pl.Options.Budget > 0 {
		out = append(out, fmt.Sprintf("chosen for a budget of %v", pl.Options.Budget))
	}
	if pl.Options.BudgetSectors > 0 {
		out = append(out, "chosen for a budget of "+count(pl.Options.BudgetSectors, "sector", "sectors"))
	}
	if pl.InOneGo {
		out = append(out, "so little is unread that it is read in one go, by place: to come back for what structures lead to would take longer")
	}
	return out
}

func stopWords(pl *reread.Plan) string {
	st := pl.Stop
	return fmt.Sprintf("after %s (%s) a further hour wins less than %s: %.3g", span(st.After), count(int64(st.Step), "step", "steps"), weight(pl.Options.Worth), st.Next)
}

// afterWords is what to do after any plan.
const afterWords = "after it, verify again and plan anew: what was read may lead to more"

// weight is a weight, or a sum of weights, as people read it.
func weight(w float64) string {
	if r := math.Round(w*1000) / 1000; r != 0 || w == 0 {
		return humanize.Commaf(r)
	}
	return fmt.Sprintf("%.3g", w)
}

func (p *printer) steps(pl *reread.Plan, rows int) {
	p.line("%s", p.bold("Read in this order"))
	p.line("  %4s %14s %7s %9s %11s %11s %9s  %s", "step", "from byte", "ranges", "sectors", "time", "in all", "whole", "what it wins")
	var took time.Duration
	var whole int64
	pass := 0
	for i := range pl.Steps {
		s := &pl.Steps[i]
		took += s.Took
		whole += s.Files
		if rows > 0 && i >= rows {
			continue
		}
		if s.Pass != pass {
			pass = s.Pass
			p.line("  pass %d", pass)
		}
		p.line("  %4d %14d %7d %9d %11s %11s %9d  %s", i+1, pl.Ranges[s.First].Start, s.Ranges, s.Sectors, span(s.Took), span(took), whole, pl.Words(s))
		if i+1 == pl.Again && i+1 < len(pl.Steps) {
			p.line("  %s", p.bold(verifyAgain))
		}
	}
	if rows > 0 && pl.Again > rows && pl.Again < len(pl.Steps) {
		p.line("  ... %s", p.bold(fmt.Sprintf("after step %d, %s", pl.Again, verifyAgain)))
	}
	if rows > 0 && len(pl.Steps) > rows {
		p.line("  ... and %s more (--rows 0 shows all, --list writes every range)", count(int64(len(pl.Steps)-rows), "step", "steps"))
	}
}

// verifyAgain is what to do once structures are read.
const verifyAgain = "verify again and plan anew: most of what leads to more has been read"

// curveRows is how many lines the curve has.
const curveRows = 12

func (p *printer) curve(pl *reread.Plan) {
	p.line("%s", p.bold("Wanted files whole against time"))
	for _, at := range Curve(pl, curveRows) {
		p.line("  %10s  %-40s %s", span(at.After), strings.Repeat("#", int(40*at.Share)), count(at.Whole, "file", "files"))
	}
}

// CurvePoint is a point of the curve of wanted files whole against time.
type CurvePoint struct {
	After  time.Duration `json:"-"`
	Hours  float64       `json:"hours"`
	Whole  int64         `json:"files"` // made whole by then
	Weight float64       `json:"weight"`
	Share  float64       `json:"share"` // of the weight of all that the plan makes whole
}

// Curve is the curve of a plan, in n points at even times.
func Curve(pl *reread.Plan, n int) []CurvePoint {
	if n <= 0 || pl.Took <= 0 {
		return nil
	}
	out := make([]CurvePoint, 0, n)
	var at CurvePoint
	k := 0
	var took time.Duration
	for i := 1; i <= n; i++ {
		until := pl.Took / time.Duration(n) * time.Duration(i)
		if i == n {
			until = pl.Took
		}
		for k < len(pl.Steps) && took+pl.Steps[k].Took <= until {
			took += pl.Steps[k].Took
			at.Whole += pl.Steps[k].Files
			at.Weight += pl.Steps[k].Weight
			k++
		}
		at.After, at.Hours = until, until.Hours()
		if pl.Weight > 0 {
			at.Share = min(at.Weight/pl.Weight, 1)
		}
		out = append(out, at)
	}
	return out
}

func (p *printer) planTotal(pl *reread.Plan) {
	p.line("%s", p.bold("In all "+planWords(pl)+perhapsWords(pl)))
	for _, words := range chosenWords(pl) {
		p.line("  %s", words)
	}
	if pl.Stop != nil {
		p.line("  %s", p.bold(stopWords(pl)))
	}
	p.line("  %s", afterWords)
}

func (p *printer) headValues(pl *reread.Plan) {
	if len(pl.Heads) == 0 {
		return
	}
	p.title("What heads hold back of what is wanted")
	for _, h := range pl.Heads {
		wait := "wait"
		if h.Files == 1 {
			wait = "waits"
		}
		p.line("  head %-3d %s of weight %s %s for it; a further head in its place alone buys %s, %s, weight %s", h.Head, count(h.Files, "file", "files"),
			weight(h.Weight), wait, count(h.Alone.Files, "file", "files"), size(h.Alone.Bytes), weight(h.Alone.Weight))
	}
	for _, s := range pl.HeadSets {
		p.line("  heads %s together hold back %s, %s, weight %s", numbers(s.Heads), count(s.Files, "file", "files"), size(s.Bytes), weight(s.Weight))
	}
}

func numbers(list []int) string {
	return strings.ReplaceAll(strings.Trim(fmt.Sprint(list), "[]"), " ", ", ")
}

// span is a time as people read it.
func span(d time.Duration) string {
	switch {
	case d == 0:
		return "0 s"
	case d < 100*time.Millisecond:
		return "under 0.1 s"
	case d < time.Minute:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < time.Hour:
		return fmt.Sprintf("%d min %02d s", int(d.Minutes()), int(d.Seconds())%60)
	}
	return fmt.Sprintf("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
}
