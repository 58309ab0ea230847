package report

import (
	"embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/dustin/go-humanize"

	"fileassay/verify/compare"
	"fileassay/verify/reread"
	"fileassay/verify/shown"
)

// The pages about passes over a drive, what one won and what the next would win, are as
// self-contained as the report, in its style, and need no script.

//go:embed pass/pass.html
var passFiles embed.FS

//go:embed pass/pass.css
var passStyle []byte

// passPage is what both templates show.
type passPage struct {
	Title, Sentence, Names, Caution, Next string
	Notes, Warnings                       []string
	NotRead                               bool // content was not compared
	Worse                                 bool
	NotWorse                              string
	WorseTables, Tables, CurveTable       []passTable
	Curve                                 template.HTML
	Style                                 template.CSS
	StyleHash                             string
}

// passTable is a table of a page. A column whose head begins with a mark holds
// no numbers: "=" is for words, "/" for names, which may be long and break
// anywhere, "~" for remarks.
type passTable struct {
	Title string
	Head  []string
	Rows  [][]string
	More  string // what is left out
}

// filled are the tables that have rows.
func filled(list ...passTable) []passTable {
	return slices.DeleteFunc(list, func(t passTable) bool { return len(t.Rows) == 0 })
}

// passColumn is how a column is shown.
type passColumn struct{ Name, Class string }

// Columns are the columns of the table.
func (t passTable) Columns() []passColumn {
	var out []passColumn
	classes := map[byte]string{'=': "words", '/': "path", '~': "why"}
	for _, h := range t.Head {
		if class := classes[h[0]]; class != "" {
			out = append(out, passColumn{h[1:], class})
		} else {
			out = append(out, passColumn{h, "n"})
		}
	}
	return out
}

// passRows bounds the tables of a page.
const passRows = 500

func (v *passPage) write(w io.Writer, name string) error {
	style := slices.Concat(pageStyle, passStyle)
	v.Style, v.StyleHash = template.CSS(style), hashOf(style)
	t, err := template.ParseFS(passFiles, "pass/pass.html")
	if err != nil {
		return err
	}
	return t.ExecuteTemplate(w, name, v)
}

// ComparisonPage writes what a further pass won as a self-contained page.
func ComparisonPage(w io.Writer, c *compare.Comparison) error {
	v := &passPage{Title: "What a further pass won", Worse: c.Worse(), Notes: visibleAll(c.Notes)}
	v.Sentence = fmt.Sprintf("%s newly whole, %s of content and %s won", count(c.Whole, "file is", "files are"), size(c.Bytes), count(c.Sectors, "sector", "sectors"))
	v.Names = fmt.Sprintf("%s to %s, wanted by %s.", shown.Text(c.Before), shown.Text(c.After), shown.Text(c.Wanted))
	if v.Worse {
		v.Sentence = "Something got worse; " + v.Sentence
	}
	v.NotWorse = capital(notWorse(c)) + "."
	v.Warnings = worseWords(c)
	if r := c.Content; r != nil {
		v.Notes = append(append(v.Notes, contentWords(c)+"."), visibleAll(r.Notes)...)
	} else {
		v.NotRead = true
	}
	was, now := byVerdict(c.Verdicts[0]), byVerdict(c.Verdicts[1])
	files := passTable{Title: "Files by verdict", Head: []string{"=Verdict", "Before", "After"}}
	for i, verdict := range verdicts {
		files.Rows = append(files.Rows, []string{string(verdict), humanize.Comma(was[i]), humanize.Comma(now[i])})
	}
	kinds := passTable{Title: "By kind", Head: []string{"=Kind", "Newly whole", "Rose", "Weight", "Won"}}
	for _, k := range c.Kinds {
		kinds.Rows = append(kinds.Rows, []string{string(k.Kind), humanize.Comma(k.Whole), humanize.Comma(k.Rose), weight(k.Weight), size(k.Bytes)})
	}
	lists := passTable{Title: "Lists of the volumes", Head: []string{"=Volume", "=Filesystem", "=Found", "Files before", "Files after", "=List before", "=List after", "Unread records before", "Unread records after"}}
	for _, l := range c.Listings {
		lists.Rows = append(lists.Rows, []string{fmt.Sprint(l.Volume), shown.Text(l.Filesystem), l.State, humanize.Comma(l.Files[0]), humanize.Comma(l.Files[1]),
			completeness(l.Complete[0]), completeness(l.Complete[1]), humanize.Comma(l.UnreadRecords[0]), humanize.Comma(l.UnreadRecords[1])})
	}
	v.Tables = filled(files, kinds, lists)
	for i, s := range comparedSorts {
		t, err := changeTable(c, s)
		if err != nil {
			return err
		}
		switch {
		case len(t.Rows) == 0:
		case i < 3:
			v.WorseTables = append(v.WorseTables, t)
		default:
			v.Tables = append(v.Tables, t)
		}
	}
	v.WorseTables = append(v.WorseTables, filled(differTable(c))...)
	n := c.Next
	v.Next = fmt.Sprintf("Of the wanted files %s are whole and %s not. ", humanize.Comma(n.Files.Intact), humanize.Comma(n.Files.Missing))
	if n.Sectors == 0 {
		v.Next += "Nothing that is unread would win anything by this list."
		return v.write(w, "compare")
	}
	v.Next += fmt.Sprintf("%s would be read in some %s; %s, %s whole%s.",
		count(n.Sectors, "sector", "sectors"), span(time.Duration(n.Seconds*float64(time.Second))), ifRead(n.Sectors),
		count(n.Whole, "more file is", "more files are"), perhapsMore(n.Perhaps))
	return v.write(w, "compare")
}

func changeTable(c *compare.Comparison, s comparedSort) (passTable, error) {
	n := c.Counts[s.what]
	if n == 0 {
		return passTable{}, nil
	}
	t := passTable{Title: s.title + ": " + count(n, "entry", "entries"), Head: []string{"/File", "=Before", "=After", "Won", "Weight", "~Remark"}}
	for ch, err := range c.Changes.Of(s.what) {
		if err != nil {
			return t, err
		}
		if len(t.Rows) == passRows {
			break
		}
		name, won := changeName(ch), size(max(ch.Won, 0))
		if ch.Won < 0 {
			won = "-" + size(-ch.Won)
		}
		t.Rows = append(t.Rows, []string{shown.Text(name), verdictWords(ch.Before), verdictWords(ch.After), won, weight(ch.Weight), shown.Text(ch.Why)})
	}
	told := c.Changes.Count(s.what)
	var more []string
	if left := told - len(t.Rows); left > 0 {
		more = append(more, fmt.Sprintf("and %s more, which compare --json tells", humanize.Comma(int64(left))))
	}
	if other := n - int64(told); other > 0 {
		more = append(more, elsewhere(other))
	}
	t.More = strings.Join(more, "; ")
	return t, nil
}

// differTable is where sectors that both passes read hold other bytes now.
func differTable(c *compare.Comparison) passTable {
	t := passTable{Title: "Sectors that hold other bytes now", Head: []string{"From byte", "Sector", "Sectors"}}
	if c.Content == nil {
		return t
	}
	r := c.Content
	for i, g := range r.At {
		if i == passRows {
			break
		}
		t.Rows = append(t.Rows, []string{humanize.Comma(g[0]), humanize.Comma(g[0] / r.Sector), humanize.Comma((g[1] + r.Sector - 1) / r.Sector)})
	}
	if left := r.Ranges - int64(len(t.Rows)); left > 0 {
		t.More = fmt.Sprintf("and %s more", count(left, "range", "ranges"))
	}
	return t
}

// capital begins a sentence with words that stand in a line elsewhere.
func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func visibleAll(list []string) []string {
	var out []string
	for _, s := range list {
		out = append(out, shown.Text(s))
	}
	return out
}

// PlanPage writes a re-read plan as a self-contained page for the bench, with
// the curve of wanted files whole against hours.
func PlanPage(w io.Writer, pl *reread.Plan) error {
	v := &passPage{Title: "What to read next", Caution: strings.ReplaceAll(pl.Caution, "\n", " ")}
	v.Sentence = planWords(pl)
	times, gap := costWords(pl)
	v.Notes = []string{wantedWords(pl) + ".", times + "; " + gap + "."}
	if len(pl.Steps) == 0 {
		v.Sentence = "Nothing that is unread would win anything by this list"
	}
	if pl.Perhaps > 0 {
		v.Notes = append(v.Notes, fmt.Sprintf("Perhaps %s more, of which metadata is unread too.", humanize.Comma(pl.Perhaps)))
	}
	if pl.LeftOut > 0 {
		v.Notes = append(v.Notes, leftOutWords(pl)+".")
	}
	for _, words := range chosenWords(pl) {
		v.Notes = append(v.Notes, capital(words)+".")
	}
	if pl.Stop != nil {
		v.Notes = append(v.Notes, capital(stopWords(pl))+".")
	}
	if pl.Again > 0 && pl.Again < len(pl.Steps) {
		v.Notes = append(v.Notes, fmt.Sprintf("After step %d, %s.", pl.Again, verifyAgain))
	}
	if len(pl.Steps) > 0 {
		v.Notes = append(v.Notes, capital(afterWords)+".")
	}
	points := Curve(pl, 200)
	v.Curve = curveSVG(pl, points)
	t := passTable{Title: "The curve in figures", Head: []string{"=After", "Hours", "Files whole", "Weight"}}
	for _, at := range Curve(pl, curveRows) {
		t.Rows = append(t.Rows, []string{span(at.After), hours(at.After), humanize.Comma(at.Whole), weight(at.Weight)})
	}
	v.CurveTable = filled(t)
	holds := passTable{Title: "What the unread sectors hold", Head: []string{"=Holds", "=Worth reading", "Sectors", "Time"}}
	for _, h := range pl.Holds {
		worth := "yes"
		switch {
		case !h.Worth:
			worth = "no: this time is saved"
		case h.Gates > 0:
			worth += "; " + gateWords(h)
		}
		holds.Rows = append(holds.Rows, []string{h.Holds, worth, humanize.Comma(h.Sectors), span(h.Took)})
	}
	order := passTable{Title: "In this order", Head: []string{"/What it wins", "Step", "From byte", "Ranges", "Sectors", "Time", "Files whole"}}
	if pl.Options.Forward {
		order.Head = append(order.Head, "Pass")
	}
	whole := int64(0)
	for i := range pl.Steps {
		s := &pl.Steps[i]
		whole += s.Files
		if i == passRows {
			break
		}
		row := []string{shown.Text(pl.Words(s)), fmt.Sprint(i + 1), fmt.Sprint(pl.Ranges[s.First].Start), fmt.Sprint(s.Ranges),
			humanize.Comma(s.Sectors), span(s.Took), humanize.Comma(whole)}
		if pl.Options.Forward {
			row = append(row, fmt.Sprint(s.Pass))
		}
		order.Rows = append(order.Rows, row)
	}
	if n := len(pl.Steps) - passRows; n > 0 {
		order.More = fmt.Sprintf("and %s, which reread --list writes", count(int64(n), "more step", "more steps"))
	}
	v.Tables = filled(holds, headTable(pl), order)
	return v.write(w, "plan")
}

// headTable is what heads hold back, where a head map tells.
func headTable(pl *reread.Plan) passTable {
	t := passTable{Title: "What heads hold back of what is wanted", Head: []string{"=Head", "Files that wait for it", "Weight", "For it alone", "Bytes", "Weight"}}
	for _, h := range pl.Heads {
		t.Rows = append(t.Rows, []string{fmt.Sprint(h.Head), humanize.Comma(h.Files), weight(h.Weight), humanize.Comma(h.Alone.Files), size(h.Alone.Bytes),
			weight(h.Alone.Weight)})
	}
	for _, s := range pl.HeadSets {
		t.Rows = append(t.Rows, []string{numbers(s.Heads) + " together", "", "", humanize.Comma(s.Files), size(s.Bytes), weight(s.Weight)})
	}
	return t
}

// hours are hours as a number.
func hours(d time.Duration) string {
	if h := d.Hours(); h < 1 {
		return fmt.Sprintf("%.3g", h)
	}
	return fmt.Sprintf("%.2f", d.Hours())
}

// curveSVG draws the curve. What its axes end at stands beside the picture,
// since letters in it would shrink with it.
func curveSVG(pl *reread.Plan, points []CurvePoint) template.HTML {
	if len(points) == 0 || pl.Whole == 0 || pl.Took <= 0 {
		return ""
	}
	const width, height, edge = 640.0, 220.0, 3.0
	var b strings.Builder
	fmt.Fprintf(&b, `<figure class="curve"><p class="soft">%s</p><svg viewBox="0 0 %.0f %.0f" role="img" aria-label="%s made whole over %s">`, count(pl.Whole, "file", "files"),
		width+2*edge, height+2*edge, count(pl.Whole, "file", "files"), span(pl.Took))
	fmt.Fprintf(&b, `<path d="M%.1f %.1fV%.1fH%.1f" fill="none" stroke="currentColor" vector-effect="non-scaling-stroke"/>`, edge, edge, edge+height, edge+width)
	fmt.Fprintf(&b, `<path fill="none" stroke="currentColor" stroke-width="2" vector-effect="non-scaling-stroke" d="M%.1f %.1f`, edge, edge+height)
	for _, at := range points {
		x := edge + width*float64(at.After)/float64(pl.Took)
		y := edge + height*(1-float64(at.Whole)/float64(pl.Whole))
		fmt.Fprintf(&b, `H%.1fV%.1f`, x, y)
	}
	fmt.Fprintf(&b, `"/></svg><p class="soft n">%s</p></figure>`, span(pl.Took))
	return template.HTML(b.String()) // numbers alone
}
