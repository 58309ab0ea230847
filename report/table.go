package report

import (
	"fmt"
	"strings"
	"unicode/utf16"

	"fileassay/verify/result"
	"fileassay/verify/shown"
	"fileassay/verify/wanted"
)

// Audience says for whom a report is made.
type Audience string

// The readers of a report.
const (
	Customer Audience = "customer" // no sectors, no jargon
	Bench    Audience = "bench"    // everything
)

// column is a column of a table of files. A cell is a string, which cellText
// makes safe to show, or an int64; nil leaves it empty.
type column struct {
	name  string
	width float64 // in characters, for a spreadsheet
	cell  func(f *result.File, t *table) any
}

// table is what the rows of a table of files need to know.
type table struct {
	volumes map[int]string
	sector  int64
}

func newTable(r *result.Result) *table {
	t := &table{volumes: map[int]string{}, sector: max(r.Image.Sector, 1)}
	for _, v := range r.Volumes {
		t.volumes[v.Volume] = v.Label
	}
	return t
}

// maxCell bounds the text of a cell: a spreadsheet takes no more than 32,767
// characters (ECMA-376, and the specifications of spreadsheet programs), which
// are UTF-16 units.
const maxCell = 32000

// columns are the columns of a table of files.
func columns(a Audience) []column {
	list := []column{
		{"verdict", 10, func(f *result.File, _ *table) any { return string(f.Verdict) }},
		{"path", 60, func(f *result.File, _ *table) any { return f.Path }},
		{"kind", 10, func(f *result.File, _ *table) any { return kindText(f) }},
		{"size", 11, func(f *result.File, _ *table) any { return humanSize(f.Size) }},
		{"bytes", 14, func(f *result.File, _ *table) any { return known(f.Size) }},
		{"recovered", 11, func(f *result.File, _ *table) any { return humanSize(f.Bytes.Read) }},
		{"recovered bytes", 14, func(f *result.File, _ *table) any { return known(f.Bytes.Read) }},
		{"modified", 20, func(f *result.File, _ *table) any { return f.Modified }},
		{"volume", 8, func(f *result.File, _ *table) any { return int64(f.Volume) }},
		{"volume label", 14, func(f *result.File, t *table) any { return t.volumes[f.Volume] }},
	}
	if a == Customer {
		return append(list, column{"remark", 50, func(f *result.File, _ *table) any { return remark(f) }})
	}
	return append(list,
		column{"id", 10, func(f *result.File, _ *table) any { return fmt.Sprint(f.ID) }},
		column{"doubtful bytes", 12, func(f *result.File, _ *table) any { return known(f.Bytes.Doubtful) }},
		column{"failed bytes", 12, func(f *result.File, _ *table) any { return known(f.Bytes.Failed) }},
		column{"skipped bytes", 12, func(f *result.File, _ *table) any { return known(f.Bytes.Skipped) }},
		column{"unlocated bytes", 12, func(f *result.File, _ *table) any { return known(f.Bytes.Unlocated) }},
		column{"stored", 12, func(f *result.File, _ *table) any { return f.Stored }},
		column{"target", 20, func(f *result.File, _ *table) any { return f.Target }},
		column{"damage", 60, func(f *result.File, t *table) any { return damageText(f, t.sector) }},
		column{"why", 60, func(f *result.File, _ *table) any { return strings.Join(f.Why, "; ") }})
}

// remark is what the customer is told of an entry beside its verdict.
func remark(f *result.File) string {
	if f.Kind != "folder" {
		return strings.Join(noteWords(notesOf(f)), "; ")
	}
	if f.Verdict != result.Intact {
		return "its list of names was not read whole"
	}
	return ""
}

func known(n *int64) any {
	if n == nil {
		return nil
	}
	return *n
}

func humanSize(n *int64) any {
	if n == nil {
		return "unknown"
	}
	return size(*n)
}

// kindText is what a file is, and whether it is a file at all.
func kindText(f *result.File) string {
	if f.Kind != "file" {
		return f.Kind
	}
	return string(wanted.KindOf(f.Path))
}

// damageText lists the damaged ranges of a file by sector in one line.
func damageText(f *result.File, sector int64) string {
	var b strings.Builder
	for i, d := range f.Damage {
		if b.Len() > maxDetail {
			fmt.Fprintf(&b, "; and %s in the result", count(int64(len(f.Damage)-i), "more range", "more ranges"))
			break
		}
		if i > 0 {
			b.WriteString("; ")
		}
		b.WriteString(rangeText(f, d, sector))
	}
	return b.String()
}

// noteWords are the notes on a file for readers who know nothing of
// filesystems.
func noteWords(notes uint8) []string {
	var out []string
	for _, n := range noteTexts {
		if notes&n.bit != 0 {
			out = append(out, n.text)
		}
	}
	return out
}

var noteTexts = [...]struct {
	bit  uint8
	text string
}{
	{noteUnlocated, "where a part of it lies on the drive could not be read"},
	{noteDoubtful, "nothing is missing, but the drive was unsure of a part"},
	{noteElsewhere, "kept by an online service: its content was never on this drive"},
	{noteEncrypted, "encrypted: opens only with the owner's key"},
	{noteUnnamed, "its name could not be read"},
	{noteAdrift, "the folder it belongs to could not be read"},
	{noteStream, "a hidden second part of a file"},
	{noteLink, "a link to another place, without content of its own"},
}

// cellText is a text as a cell shows it.
func cellText(s string) string { return clip(shown.Text(s)) }

// clip cuts a text that is too long for a cell, and says so.
func clip(s string) string {
	if len(s) <= maxCell {
		return s
	}
	n := 0
	for i, r := range s {
		if n += max(utf16.RuneLen(r), 1); n > maxCell {
			return s[:i] + " … (cut)"
		}
	}
	return s
}
