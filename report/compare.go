package report

import (
	"cmp"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/dustin/go-humanize"

	"fileassay/verify/compare"
	"fileassay/verify/result"
	"fileassay/verify/shown"
)

// Comparison writes what a further pass won for the terminal, with at most rows
// files of each sort; 0 for all. What got worse comes first.
func Comparison(w io.Writer, c *compare.Comparison, rows int, s Style) error {
	p := &printer{w: w, Style: s}
	p.line("%s  %s to %s, wanted by %s", p.bold("What was won"), c.Before, c.After, c.Wanted)
	p.notes("  ", c.Notes)
	p.worse(c, rows)
	p.line("")
	p.line("  %s", contentWords(c))
	if c.Content != nil {
		p.notes("  ", c.Content.Notes)
	}
	p.line("")
	p.line("  %s newly whole, weight %s; %s of content won; %s won", count(c.Whole, "file", "files"), weight(c.Weight), size(c.Bytes),
		count(c.Sectors, "sector", "sectors"))
	b, a := c.Verdicts[0], c.Verdicts[1]
	p.line("  intact %s -> %s, damaged %s -> %s, lost %s -> %s", humanize.Comma(b.Intact), humanize.Comma(a.Intact), humanize.Comma(b.Damaged),
		humanize.Comma(a.Damaged), humanize.Comma(b.Lost), humanize.Comma(a.Lost))
	if len(c.Kinds) > 0 {
		p.line("")
		p.line("  %-10s %12s %12s %12s %12s", "kind", "newly whole", "rose", "weight", "won")
		for _, k := range c.Kinds {
			p.line("  %-10s %12s %12s %12s %12s", k.Kind, humanize.Comma(k.Whole), humanize.Comma(k.Rose), weight(k.Weight), size(k.Bytes))
		}
	}
	p.listings(c)
	for _, x := range comparedSorts[3:] {
		p.changes(c, x, rows)
	}
	p.next(c)
	return p.err
}

// comparedSort is a sort of changes with its heading; the first three are what
// got worse.
type comparedSort struct {
	what  compare.What
	title string
}

var comparedSorts = [...]comparedSort{
	{compare.Fell, "Fell"},
	{compare.Gone, "No longer listed"},
	{compare.Changed, "Not the same as before"},
	{compare.Rose, "Rose"},
	{compare.Found, "Newly listed"},
	{compare.Named, "Known by number before, now by name"},
	{compare.Renamed, "Listed under another path"},
	{compare.More, "More of it read"},
}

func (p *printer) worse(c *compare.Comparison, rows int) {
	p.line("")
	if !c.Worse() {
		p.line("  %s", notWorse(c))
		return
	}
	p.line("%s", p.bold("GOT WORSE:"))
	for _, n := range worseWords(c) {
		p.line("  - %s", n)
	}
	for _, x := range comparedSorts[:3] {
		p.changes(c, x, rows)
	}
}

// notWorse says that nothing got worse, and by what.
func notWorse(c *compare.Comparison) string {
	if c.Content == nil {
		return "nothing got worse by what the results tell"
	}
	return "nothing got worse"
}

// worseWords say what got worse beyond single files.
func worseWords(c *compare.Comparison) []string {
	var out []string
	if c.Lost > 0 {
		out = append(out, fmt.Sprintf("%s read before and not now, the first at byte %d: was the newer map made of this pass alone? merge the passes (map merge)",
			count(c.Lost, "sector was", "sectors were"), c.LostAt[0][0]))
	}
	return append(append(out, contentWarnings(c)...), visibleAll(c.Warnings)...)
}

// contentWarnings says what differs in sectors that both passes read, and what
// that may mean.
func contentWarnings(c *compare.Comparison) []string {
	r := c.Content
	if r == nil {
		return nil
	}
	var out []string
	if r.Differ > 0 {
		out = append(out, fmt.Sprintf("%s other bytes now (%s, the first at byte %d): %s",
			count(r.Differ, "sector was read both times and holds", "sectors were read both times and hold"), count(r.Ranges, "range", "ranges"), r.At[0][0],
			strings.Join(holdsWords(r), ", ")),
			"the drive was written to, or gives other bytes for the same sector, or an image was changed since: no map tells which of the two images is right. Keep both, "+
				"and let the responsible technician decide before the drive runs again")
	}
	if r.Failed > 0 {
		out = append(out, fmt.Sprintf("%s: what holds the image may be failing too",
			count(r.Failed, "sector could not be compared, since an image file no longer gives it", "sectors could not be compared, since an image file no longer gives them")))
	}
	return out
}

// holdsWords says what the sectors hold that differ.
func holdsWords(r *compare.ContentRecord) []string {
	var out []string
	for _, x := range []struct {
		n     int64
		where string
	}{
		{r.Holds.Files, "in content of " + count(r.Files, "file", "files")},
		{r.Holds.Structures, "in structures of volumes"},
		{r.Holds.Free, "in free space and slack"},
		{r.Holds.Unknown, "in places of unknown use"},
		{r.Holds.Outside, "outside any volume"},
	} {
		if x.n > 0 {
			out = append(out, humanize.Comma(x.n)+" "+x.where)
		}
	}
	return out
}

// contentWords says in a line whether content was compared.
func contentWords(c *compare.Comparison) string {
	r := c.Content
	if r == nil {
		return "the content of sectors that both passes read was not compared; with --content both images are read again, and it is"
	}
	differ := "all hold the same"
	if r.Differ > 0 {
		differ = count(r.Differ, "holds other bytes now", "hold other bytes now")
	}
	return fmt.Sprintf("%s by both passes compared byte for byte (%s and %s): %s", count(r.Compared, "sector read", "sectors read"), shown.Text(r.Images[0]), shown.Text(r.Images[1]),
		differ)
}

func (p *printer) listings(c *compare.Comparison) {
	p.line("")
	for _, l := range c.Listings {
		p.line("  volume %d (%s at %d): %s; files listed: %s before, %s now; list %s before, %s now; unread records %s before, %s now", l.Volume, l.Filesystem,
			l.Start, l.State, humanize.Comma(l.Files[0]), humanize.Comma(l.Files[1]), completeness(l.Complete[0]), completeness(l.Complete[1]),
			humanize.Comma(l.UnreadRecords[0]), humanize.Comma(l.UnreadRecords[1]))
	}
}

func completeness(ok bool) string {
	if ok {
		return "complete"
	}
	return "may be short"
}

func (p *printer) changes(c *compare.Comparison, x comparedSort, rows int) {
	n := c.Counts[x.what]
	if n == 0 {
		return
	}
	p.title(x.title + ": " + count(n, "entry", "entries"))
	printed := 0
	for ch, err := range c.Changes.Of(x.what) {
		if err != nil {
			p.err = cmp.Or(p.err, err)
			return
		}
		if rows > 0 && printed == rows {
			break
		}
		printed++
		p.line("  %s", changeWords(ch))
	}
	told := c.Changes.Count(x.what)
	if left := told - printed; left > 0 {
		p.line("  ... and %s more (--rows 0 shows all)", humanize.Comma(int64(left)))
	}
	if other := n - int64(told); other > 0 {
		p.line("  %s", elsewhere(other))
	}
}

func elsewhere(n int64) string { return humanize.Comma(n) + " of them told under another heading" }

// changeName is the name of a changed entry.
func changeName(ch *compare.Change) string {
	name := ch.Path
	if ch.Folder {
		name += " (folder)"
	}
	if ch.Old != "" {
		name += " (was " + ch.Old + ")"
	}
	return name
}

// changeWords is a change in one line.
func changeWords(ch *compare.Change) string {
	text := changeName(ch)
	before, after := verdictWords(ch.Before), verdictWords(ch.After)
	text += ": " + before
	if before != after {
		text += " -> " + after
	}
	if ch.Won > 0 {
		text += ", " + size(ch.Won) + " won"
	} else if ch.Won < 0 {
		text += ", " + size(-ch.Won) + " fewer read"
	}
	if ch.Why != "" {
		text += "; " + ch.Why
	}
	return text
}

func verdictWords(v result.Verdict) string {
	if v == "" {
		return "not listed"
	}
	return string(v)
}

func (p *printer) next(c *compare.Comparison) {
	n := c.Next
	p.title("What the next pass could still win")
	p.line("  of the wanted files %s are whole and %s not", humanize.Comma(n.Files.Intact), humanize.Comma(n.Files.Missing))
	if n.Sectors == 0 {
		p.line("  nothing that is unread would win anything by this list")
		return
	}
	p.line("  %s in some %s: %s, %s whole, weight %s%s (fileassay reread plans it)", count(n.Sectors, "sector", "sectors"),
		span(time.Duration(n.Seconds*float64(time.Second))), ifRead(n.Sectors), count(n.Whole, "more file is", "more files are"), weight(n.Weight), perhapsMore(n.Perhaps))
}

// perhapsMore tells of files that a plan may make whole too.
func perhapsMore(n int64) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf(", and perhaps %s more", humanize.Comma(n))
}
