package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"github.com/dustin/go-humanize"

	"fileassay/extract/imap"
	"fileassay/verify/shown"
)

// MapRecord is what is said of an imaging map alone.
type MapRecord struct {
	Path string `json:"path"`
	imap.Survey
	Image string    `json:"image,omitempty"`
	Odd   *imap.Odd `json:"odd,omitempty"` // where an image was given
	// Broken says in words what the image file did not give; "" where it gave
	// all that was asked for.
	Broken string `json:"image_file_errors,omitempty"`
}

// states are the states in the order in which they are told.
var states = [...]imap.State{imap.Read, imap.Doubtful, imap.Failed, imap.Skipped}

// Map writes a map's totals for the terminal. It returns the first error of w.
func Map(w io.Writer, m *MapRecord, s Style) error {
	p := &printer{w: w, Style: s}
	p.line("%s  %s", p.bold("Map "+m.Path), exact(m.Size))
	p.line("  %-9s %12s %13s %9s %12s %12s", "", "bytes", "", "ranges", "longest", "median")
	for _, state := range states {
		l := m.States[state.String()]
		p.line("  %-9s %12s %13s %9s %12s %12s", state, size(l.Bytes), share(l.Bytes, m.Size), humanize.Comma(int64(l.Ranges)), size(l.Longest), size(l.Median))
	}
	if m.Unread.Ranges > 0 {
		p.line("  unread of any kind: %s, the longest %s, half of them at most %s",
			count(int64(m.Unread.Ranges), "run", "runs"), size(m.Unread.Longest), size(m.Unread.Median))
	}
	p.title("By tenths of the drive")
	p.line("  %-12s %12s %12s %12s %12s", "", "read", "doubtful", "failed", "skipped")
	for i, t := range m.Tenths {
		var cells [len(states)]string
		for k, state := range states {
			cells[k] = size(t[state.String()])
		}
		p.line("  %3d - %3d %%  %12s %12s %12s %12s", 10*i, 10*i+10, cells[0], cells[1], cells[2], cells[3])
	}
	p.line("")
	p.odd(m)
	return p.err
}

// exact is a number of bytes for people and to the last digit.
func exact(n int64) string { return fmt.Sprintf("%s (%s bytes)", size(n), humanize.Comma(n)) }

// odd says what is odd about a map, and its image where one was given.
func (p *printer) odd(m *MapRecord) {
	if m.Usual != nil {
		p.line("The size is that of a drive of %d GB.", m.Usual.Gigabytes)
	} else {
		p.line("The size is no usual drive capacity: small and flash drives follow no rule, and a larger drive's image or map may be cut short.")
	}
	o := m.Odd
	if o == nil {
		return
	}
	if o.ImageSize != o.MapEnd {
		p.line("Image and map differ in size: the image has %s bytes, the map ends at %s.", humanize.Comma(o.ImageSize), humanize.Comma(o.MapEnd))
	}
	p.content("read", o.Read)
	p.content("unread", o.Unread)
	p.areas(o.FilledRead, "read area holds one filler throughout, and may not have been read", "read areas hold one filler throughout, and may not have been read")
	p.areas(o.ZeroRead, "read area holds zeros wherever looked at, which sound drives have too", "read areas hold zeros wherever looked at, which sound drives have too")
	p.areas(o.DataUnread, "unread area holds data: what stood on the medium before, or the map is not that of this image", "unread areas hold data: what stood on the medium before, or the map is not that of this image")
	if o.Looked < o.Ranges {
		p.line("%s of %s were looked at.", humanize.Comma(int64(o.Looked)), count(int64(o.Ranges), "range", "ranges"))
	}
	if m.Broken != "" {
		p.line("Warning: %s.", m.Broken)
	} else if o.ImageSize == o.MapEnd && o.FilledRead.Ranges+o.DataUnread.Ranges == 0 {
		p.line("Nothing looked at in the image speaks against the map; that does not prove it.")
	}
}

func (p *printer) content(kind string, c imap.Content) {
	if c.Sectors == 0 {
		return
	}
	text := fmt.Sprintf("Of %s looked at, with data that is not repeated: %s, with zeros: %s", count(int64(c.Sectors), kind+" sector", kind+" sectors"),
		humanize.Comma(int64(c.Data)), humanize.Comma(int64(c.Zeros)))
	if filler := c.FillerText(); filler != "" && filler != "zeros" && c.Same > 1 {
		text += fmt.Sprintf(", with the filler %s: %s", filler, humanize.Comma(int64(c.Same)))
	}
	p.line("%s.", text)
}

func (p *printer) areas(a imap.Areas, one, many string) {
	if a.Ranges == 0 {
		return
	}
	p.line("%s (%s):", count(int64(a.Ranges), one, many), size(a.Bytes))
	for _, x := range a.First {
		filler := ""
		if x.Filler != "" {
			filler = "  " + x.Filler
		}
		p.line("  offset %-15d %12s%s", x.Start, size(x.Length), filler)
	}
	if more := a.Ranges - len(a.First); more > 0 {
		p.line("  and %s", count(int64(more), "more", "more"))
	}
}

// MergeRecord is what the merge of several maps gave.
type MergeRecord struct {
	Passes []PassRecord     `json:"passes"`
	Bytes  map[string]int64 `json:"bytes"` // of the merged map, by state
	End    int64            `json:"end"`
}

// PassRecord is what one map gave to a merge.
type PassRecord struct {
	Path  string           `json:"path"`
	Has   map[string]int64 `json:"has"`   // bytes by state
	Added map[string]int64 `json:"added"` // bytes that first had a better state by this map, by that state
}

// NewMergeRecord makes the record of a merge.
func NewMergeRecord(paths []string, merged *imap.Map, gains []imap.Gain) MergeRecord {
	named := func(t imap.Tally) map[string]int64 {
		out := map[string]int64{}
		for s, n := range t {
			out[imap.State(s).String()] = n
		}
		return out
	}
	r := MergeRecord{Bytes: named(merged.Tally(0, merged.End())), End: merged.End()}
	for i, g := range gains {
		r.Passes = append(r.Passes, PassRecord{paths[i], named(g.Has), named(g.Added)})
	}
	return r
}

// MergeLines tell of a merge in words, a line each.
func MergeLines(r *MergeRecord) []string {
	lines := []string{fmt.Sprintf("merged from %d maps; true only of an image into which all of these passes were written", len(r.Passes))}
	for i, p := range r.Passes {
		verb := "adds"
		if i == 0 {
			verb = "has"
		}
		lines = append(lines, shown.Sprintf("%s %s %d bytes read, %d doubtful, %d failed (tried, and in no map before it)",
			p.Path, verb, p.Added["read"], p.Added["doubtful"], p.Added["failed"]))
	}
	return append(lines, fmt.Sprintf("in all %d bytes read, %d doubtful, %d failed, %d skipped", r.Bytes["read"], r.Bytes["doubtful"], r.Bytes["failed"], r.Bytes["skipped"]))
}

// FillerLines tell of a map made from a filler, a line each. broken are the
// ranges that the image file did not give.
func FillerLines(image, filler string, s imap.FillerSearch, m *imap.Map, imageSize int64, broken []imap.Range) []string {
	t := m.Tally(0, imageSize)
	var lost, pos int64 // bytes of sectors that were not given whole
	for _, b := range broken {
		start := max(b.Start/s.Sector*s.Sector, pos)
		pos = min((b.End()+s.Sector-1)/s.Sector*s.Sector, imageSize)
		lost += max(pos-start, 0)
	}
	t[imap.Failed] -= lost
	how := "hold nothing but"
	if s.Prefix {
		how = "begin with"
	}
	lines := []string{
		shown.Sprintf("made from the image %s alone, %d bytes: sectors of %d bytes that %s the filler %q are %s", image, imageSize, s.Sector, how, filler, s.State),
		"a sector that was read and truly holds those bytes cannot be told apart; one left out without being filled is taken for read",
		fmt.Sprintf("%d bytes read, %d failed, %d skipped", t[imap.Read], t[imap.Failed], t[imap.Skipped]),
	}
	if lost > 0 {
		lines = append(lines, fmt.Sprintf("%d bytes more are failed because the image file did not give their sectors, whatever they hold", lost))
	}
	return lines
}

// Learnt writes what was learnt of a list as a recipe in TOML; all that is no
// recipe stands in comments. Of a list that is ambiguous the readings too are
// comments. What words mean stands there if it was accepted; if accept says
// that it should have been and it was not, blanks to fill in, with which the
// recipe cannot be used; else the guesses in comments.
func Learnt(w io.Writer, path string, l *imap.Learnt, accept bool) error {
	b := bufio.NewWriter(w)
	note := func(format string, a ...any) { shown.Fprintf(b, "# "+format+"\n", a...) }
	sure := "ambiguous"
	if l.Sure {
		sure = "sure"
	}
	note("recipe for %s: %s", path, sure)
	for _, why := range l.Why {
		note("  %s", why)
	}
	if l.Best == nil {
		return b.Flush()
	}
	note("reading: %v", l.Best)
	for _, o := range l.Others {
		note("or:      %v", o)
	}
	if len(l.Words) > 0 {
		note("words:")
	}
	for _, word := range l.Words {
		note("  %-12q %s, %s", word.Word, count(int64(word.Ranges), "range", "ranges"), exact(word.Bytes))
		if c := word.Under; c != nil && c.Sectors > 0 {
			filler := ""
			if text := c.FillerText(); text != "" {
				filler = " (" + text + ")"
			}
			note("    under it, of %d sectors: %d of one filler%s, %d of zeros, %d of other data", c.Sectors, c.Same, filler, c.Zeros, c.Data)
		}
	}
	fmt.Fprintln(b)
	rec := *l.Best.Recipe
	words := rec.Words
	rec.Words = nil
	var text strings.Builder
	if err := rec.Write(&text); err != nil {
		return err
	}
	mark := ""
	if !l.Sure {
		note("the list is ambiguous: choose a reading, say what is open, and take the marks before these lines away")
		mark = "# "
	}
	for _, line := range strings.Split(strings.TrimSuffix(text.String(), "\n"), "\n") {
		shown.Fprintf(b, "%s%s\n", mark, line)
	}
	if len(l.Words) == 0 {
		return b.Flush()
	}
	fmt.Fprintln(b)
	guess, blank := mark, false
	switch {
	case words != nil:
	case accept:
		blank = true
		if l.Open != "" {
			note("not accepted: %s", l.Open)
		}
		note("say between the quotes what each word means: read, doubtful, failed or skipped")
	case l.Open != "":
		guess = "# "
		note("what the words mean is open: %s", l.Open)
		note("check each guess, put it right and take the marks away, or give --map-words")
	default:
		guess = "# "
		note("what the words mean is a guess: check it, then take the marks away, or give --accept or --map-words")
	}
	fmt.Fprintf(b, "%s[words]\n", guess)
	for _, word := range l.Words {
		key := imap.Recipe{Words: map[string]imap.State{word.Word: word.Guess}, Comments: []string{}}
		text.Reset()
		if err := key.Write(&text); err != nil {
			return err
		}
		_, line, _ := strings.Cut(text.String(), "[words]\n")
		line, reason := strings.TrimSpace(line), word.Reason
		if blank {
			line = line[:strings.LastIndex(line, " = ")] + ` = ""`
			reason = fmt.Sprintf("guessed %v: %s", word.Guess, reason)
		}
		shown.Fprintf(b, "%s%s # %s\n", guess, line, reason)
	}
	return b.Flush()
}
