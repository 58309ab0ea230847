package report

import (
	"fmt"
	"io"
	"strings"

	"github.com/dustin/go-humanize"

	"fileassay/verify"
	"fileassay/verify/result"
	"fileassay/verify/shown"
)

// Summary writes the terminal summary of a run: the image and its map, each
// volume with the statement on its list, files by verdict, and where the
// unread bytes lie. It returns the first error of w.
func Summary(w io.Writer, o *verify.Outcome, s Style) error {
	p := &printer{w: w, Style: s}
	p.image(&o.Image)
	for i := range o.Volumes {
		p.volume(&o.Volumes[i])
	}
	p.total(o)
	return p.err
}

// Style says how words are set off on the terminal.
type Style struct {
	Color bool // use bold; never set where NO_COLOR is
}

// printer writes lines for the terminal. What it is given to put into them is
// made safe to show.
type printer struct {
	w   io.Writer
	err error
	Style
}

func (p *printer) line(format string, a ...any) {
	if p.err == nil {
		_, p.err = shown.Fprintf(p.w, format+"\n", a...)
	}
}

func (p *printer) bold(s string) shown.Safe {
	s = shown.Lines(s)
	if p.Color {
		s = "\x1b[1m" + s + "\x1b[0m"
	}
	return shown.Safe(s)
}

// title begins a part.
func (p *printer) title(s string) {
	p.line("")
	p.line("%s", p.bold(s))
}

// notes are lines with a dash before each.
func (p *printer) notes(indent string, list []string) {
	for _, n := range list {
		p.line(indent+"- %s", n)
	}
}

// size is a number of bytes as people read it.
func size(n int64) string {
	if n < 1024 {
		return fmt.Sprintf("%d B", n)
	}
	return humanize.IBytes(uint64(n))
}

func count(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return humanize.Comma(n) + " " + many
}

// share is n of total in percent, never rounded to nothing or to all.
func share(n, total int64) string {
	if total == 0 {
		return "0 %"
	}
	f := 100 * float64(n) / float64(total)
	switch {
	case n == 0:
		return "0 %"
	case n == total:
		return "100 %"
	case f < 0.01:
		return "under 0.01 %"
	case f > 99.99:
		return "over 99.99 %"
	}
	return fmt.Sprintf("%.2f %%", f)
}

func (p *printer) image(im *result.Image) {
	sector := max(im.Sector, 1)
	p.line("%s  %s, %s of %d bytes", p.bold("Image "+im.Path), size(im.Size), count((im.Size+sector-1)/sector, "sector", "sectors"), sector)
	if im.DriveSize > im.Size {
		p.line("  the drive has %s; the image stops short of it by %s", size(im.DriveSize), size(im.DriveSize-im.Size))
	}
	p.parts(im)
	m := im.Map
	switch {
	case m.AssumedRead:
		p.line("  no imaging map: every sector is assumed to have been read (--assume-read)")
	default:
		p.line("  map %s: read %s (%s), doubtful %s, failed %s, skipped %s", m.Path,
			size(m.Read), share(m.Read, m.Total()), size(m.Doubtful), size(m.Failed), size(m.Skipped))
	}
	if m.TrustDoubtful {
		p.line("  doubtful sectors are taken as read (--trust-doubtful)")
	}
	for _, text := range imageFileWords(im) {
		p.line("  %s", text)
	}
	p.heads(im.Heads)
	p.line("  partition table: %s", im.Table)
	p.notes("    ", im.Notes)
	if len(im.Missing) > 0 {
		p.line("  %s", p.bold("VOLUMES MAY BE MISSING:"))
		p.notes("    ", im.Missing)
	}
}

func (p *printer) volume(v *result.Volume) {
	p.line("")
	p.line("%s%s  %s at offset %d, %s", p.bold(fmt.Sprintf("Volume %d: %s", v.Volume, v.Filesystem)), quoted(v.Label), size(v.Length), v.Start, v.Found)
	p.notes("    ", v.Notes)
	if v.Files.Total()+v.Folders.Total() > 0 || v.Listing.Complete && len(v.Listing.Why) == 0 {
		p.verdicts(v.Files, v.Sizes, v.Bytes)
		if d := v.Folders.Damaged + v.Folders.Lost; d > 0 {
			p.line("  folders   %s, of which %s not fully read", humanize.Comma(v.Folders.Total()), humanize.Comma(d))
		} else {
			p.line("  folders   %s", humanize.Comma(v.Folders.Total()))
		}
	}
	if v.Listing.Complete {
		if v.Files.Total()+v.Folders.Total() == 0 && len(v.Listing.Why) > 0 {
			p.line("  holds no files: %s", strings.Join(v.Listing.Why, "; "))
			return
		}
		p.line("  the list is complete")
	} else {
		p.line("  %s", p.bold("THE LIST MAY BE SHORT:"))
	}
	p.notes("    ", v.Listing.Why)
}

// quoted is a name in quotes behind what it is of; nothing where there is none.
func quoted(name string) string {
	if name == "" {
		return ""
	}
	return ` "` + name + `"`
}

// verdicts writes files and the size of their content by verdict.
func (p *printer) verdicts(f, sizes result.VerdictCount, b result.Bytes) {
	bytes := byVerdict(sizes)
	for i, n := range byVerdict(f) {
		p.line("  %-9s %12s  %10s", verdicts[i], count(n, "file ", "files"), size(bytes[i]))
	}
	p.line("  content   %s read (%s), %s doubtful, %s failed, %s skipped, %s unlocated",
		size(b.Read), share(b.Read, b.Total()), size(b.Doubtful), size(b.Failed), size(b.Skipped), size(b.Unlocated))
}

func (p *printer) total(o *verify.Outcome) {
	s := &o.Summary
	p.title("In all")
	p.verdicts(s.Files, s.Sizes, s.Bytes)
	if w := s.Wanted; w != nil {
		p.line("  wanted    %s by %s: %s intact, %s missing or not whole", count(w.Files.Total(), "file", "files"), w.List,
			humanize.Comma(w.Files.Intact), humanize.Comma(w.Files.Damaged+w.Files.Lost))
	}
	if u := s.Unread; u.Total() > 0 {
		p.line("")
		p.line("%s  %s were not read; they hold", p.bold("Unread bytes"), size(u.Total()))
		for _, row := range []struct {
			what string
			n    result.Unread
		}{
			{"content of listed files", u.Files},
			{"folders, records and other structures", u.Structures},
			{"free space and slack (nothing is missed)", u.Free},
			{"outside any volume", u.Outside},
			{"unknown", u.Unknown},
		} {
			if row.n.Total() == 0 {
				continue
			}
			p.line("  %-42s %10s  (failed %s, skipped %s%s)", row.what, size(row.n.Total()), size(row.n.Failed), size(row.n.Skipped), doubtful(row.n))
		}
	}
	p.waiting(s.Heads)
	p.line("")
	p.line("%s", p.bold(advice(o)))
	p.line("%s", readAgainWords(&o.Image))
}

func doubtful(u result.Unread) string {
	if u.Doubtful == 0 {
		return ""
	}
	return ", doubtful " + size(u.Doubtful)
}

// advice says whether it is worth going back to the drive, and what that rests
// on beside the map. What to do is for the responsible technician to decide.
func advice(o *verify.Outcome) string {
	m := o.Image.Map
	switch {
	case m.AssumedRead:
		return verdictOf(o) + " That every sector was read is assumed, and nothing proves it."
	case m.TrustDoubtful && m.Doubtful > 0:
		return verdictOf(o) + " Doubtful sectors are taken as read; nothing proves what they hold."
	}
	return verdictOf(o)
}

func verdictOf(o *verify.Outcome) string {
	s := &o.Summary
	u := s.Unread
	switch {
	case len(o.Volumes) == 0:
		return "No volume was found: nothing can be said about files."
	case o.Clean():
		return "Recovery is complete: every listed file is intact and every list is complete."
	case s.ListingComplete && u.Files.Total() == 0 && u.Structures.Total() == 0 && u.Unknown.Total() == 0:
		return "A further pass over the drive wins nothing: no unread byte holds content of a file. What is missing was not on the unread sectors."
	}
	var open []string
	if n := s.Files.Damaged + s.Files.Lost; n > 0 {
		open = append(open, count(n, "file is", "files are")+" not whole")
	}
	if !s.ListingComplete {
		open = append(open, "files may be missing from the list")
	}
	if len(o.Image.Broken) > 0 {
		open = append(open, "the image file itself gives errors")
	}
	if n := s.Folders.Damaged + s.Folders.Lost; n > 0 && len(open) == 0 {
		open = append(open, count(n, "folder was", "folders were")+" not fully read")
	}
	win := u.Files.Total() + u.Structures.Total() + u.Unknown.Total()
	if win == 0 {
		return "Recovery is not complete: " + strings.Join(open, ", and ") + "; no unread byte of a volume would change that."
	}
	return fmt.Sprintf("Recovery is not complete: %s. Up to %s would have to be read again; %s of what is unread need not be.",
		strings.Join(open, ", and "), size(win), size(u.Free.Total()+u.Outside.Total()))
}
