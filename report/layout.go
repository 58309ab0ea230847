package report

import (
	"fmt"
	"io"

	"fileassay/verify"
	"fileassay/verify/result"
)

// Layout writes the partitions, volumes and the health of their structures for
// the terminal. It returns the first error of w.
func Layout(w io.Writer, l *verify.LayoutRecord, s Style) error {
	p := &printer{w: w, Style: s}
	p.image(&l.Image)
	p.holes(l.Holes)
	p.structures(l.Structures)
	if len(l.Partitions) > 0 {
		p.title("Partitions")
		for _, e := range l.Partitions {
			p.line("  %2d  offset %-14d %10s  %s%s", e.Number, e.Start, size(e.Length), e.Type, quoted(e.Name))
		}
	}
	for _, v := range l.Volumes {
		p.line("")
		p.line("%s%s  %s at offset %d, %s", p.bold(fmt.Sprintf("Volume %d: %s", v.Volume, v.Filesystem)), quoted(v.Label), size(v.Length), v.Start, v.Found)
		if v.Cluster > 0 {
			p.line("  allocation unit %s", size(v.Cluster))
		}
		switch {
		case v.NoFiles:
			p.line("  holds no files: %s", v.Reason)
		case v.Reason != "":
			p.line("  files cannot be listed: %s", v.Reason)
		}
		p.notes("    ", v.Notes)
		p.structures(v.Structures)
	}
	if len(l.Volumes) == 0 {
		p.line("")
		p.line("no volume was found")
	}
	return p.err
}

func (p *printer) structures(list []result.Structure) {
	for _, s := range list {
		where := "place unknown"
		if s.Start != nil {
			where = fmt.Sprintf("offset %d", *s.Start)
		}
		text := s.Health
		if s.Unread > 0 && s.Unread < s.Length {
			text += fmt.Sprintf(" (%s of %s unread)", size(s.Unread), size(s.Length))
		}
		if s.Note != "" {
			text += "; " + s.Note
		}
		p.line("  %-34s %-22s %s", s.Name, where, text)
	}
}
