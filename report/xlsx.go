package report

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/xuri/excelize/v2"

	"fileassay/verify/result"
)

// sheetRows is how many rows a sheet of a spreadsheet takes (ECMA-376 part 1,
// ST_CellRef as spreadsheet programs bound it).
const sheetRows = excelize.TotalRows

// XLSX writes a spreadsheet: a sheet with the totals, and the list of files on
// as many sheets as it takes. Every text is text, whatever it begins with.
func XLSX(w io.Writer, r *result.Result, o Options) error {
	return xlsx(w, r, o, sheetRows)
}

// xlsx is XLSX with the rows of a sheet, which tests make few.
func xlsx(w io.Writer, r *result.Result, o Options, limit int) (err error) {
	book := excelize.NewFile(excelize.Options{TmpDir: o.Scratch})
	defer func() {
		// its temporary files hold names of the customer's
		if cerr := book.Close(); err == nil {
			err = cerr
		}
	}()
	head, err := book.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}})
	if err != nil {
		return err
	}
	number, err := book.NewStyle(&excelize.Style{NumFmt: 3})
	if err != nil {
		return err
	}
	if err := totalsSheet(book, r, o, head, number); err != nil {
		return err
	}
	s := &sheets{book: book, cols: columns(o.For), table: newTable(r), head: head, number: number, limit: limit}
	for f, err := range r.Files() {
		if err != nil {
			return err
		}
		if err := s.add(f); err != nil {
			return err
		}
	}
	if err := s.end(); err != nil {
		return err
	}
	return writeInOrder(w, book)
}

// writeInOrder writes a spreadsheet with its parts in order of name: the
// library writes those of its streams in any order, and the same result must
// give the same bytes.
func writeInOrder(w io.Writer, book *excelize.File) error {
	buf, err := book.WriteToBuffer()
	if err != nil {
		return err
	}
	in, err := zip.NewReader(bytes.NewReader(buf.Bytes()), int64(buf.Len()))
	if err != nil {
		return err
	}
	slices.SortFunc(in.File, func(a, b *zip.File) int { return strings.Compare(a.Name, b.Name) })
	out := zip.NewWriter(w)
	for _, f := range in.File {
		if err := out.Copy(f); err != nil {
			return err
		}
	}
	return out.Close()
}

// totalsSheet fills the first sheet.
func totalsSheet(book *excelize.File, r *result.Result, o Options, head, number int) error {
	const name = "Summary"
	if err := book.SetSheetName("Sheet1", name); err != nil {
		return err
	}
	sw, err := book.NewStreamWriter(name)
	if err != nil {
		return err
	}
	for i, width := range []float64{34, 16, 22, 18} {
		if err := sw.SetColWidth(i+1, i+1, width); err != nil {
			return err
		}
	}
	at := 0
	put := func(cells ...any) {
		at++
		for i, c := range cells {
			if text, ok := c.(string); ok {
				cells[i] = cellText(text)
			}
		}
		if err == nil {
			err = sw.SetRow(fmt.Sprintf("A%d", at), cells)
		}
	}
	bold := func(s string) excelize.Cell { return excelize.Cell{StyleID: head, Value: s} }
	num := func(n int64) excelize.Cell { return excelize.Cell{StyleID: number, Value: n} }
	for _, l := range o.Job.lines() {
		put(bold(l[0]), strings.NewReplacer("\r\n", " ", "\n", " ").Replace(strings.TrimSpace(l[1])))
	}
	put(outcomeWords(r))
	put()
	put(bold("verdict"), bold("files"), bold("size"), bold("bytes"))
	sizes := byVerdict(r.Summary.Sizes)
	for i, n := range byVerdict(r.Summary.Files) {
		put(string(verdicts[i]), num(n), size(sizes[i]), num(sizes[i]))
	}
	put()
	put(bold("is the list complete?"))
	for _, l := range listingWords(r) {
		put(l)
	}
	if o.For == Bench {
		for _, v := range r.Volumes {
			for _, why := range v.Listing.Why {
				put(fmt.Sprintf("volume %d: %s", v.Volume, why))
			}
		}
	}
	if err != nil {
		return err
	}
	return sw.Flush()
}

// sheets writes rows of files, and begins a new sheet where one is full.
type sheets struct {
	book         *excelize.File
	cols         []column
	table        *table
	head, number int
	limit        int

	sw    *excelize.StreamWriter
	name  string
	count int
	row   int
}

func (s *sheets) add(f *result.File) error {
	if s.sw == nil || s.row == s.limit {
		if err := s.begin(); err != nil {
			return err
		}
	}
	cells := make([]any, len(s.cols))
	for i, c := range s.cols {
		switch v := c.cell(f, s.table).(type) {
		case int64:
			cells[i] = excelize.Cell{StyleID: s.number, Value: v}
		case string:
			if v != "" {
				cells[i] = cellText(v)
			}
		}
	}
	s.row++
	return s.sw.SetRow(fmt.Sprintf("A%d", s.row), cells)
}

// begin ends the sheet that is full and begins the next, with its header.
func (s *sheets) begin() error {
	if err := s.flush(); err != nil {
		return err
	}
	s.count++
	s.name = "Files"
	if s.count > 1 {
		s.name = fmt.Sprintf("Files %d", s.count)
	}
	if _, err := s.book.NewSheet(s.name); err != nil {
		return err
	}
	var err error
	if s.sw, err = s.book.NewStreamWriter(s.name); err != nil {
		return err
	}
	if err := s.sw.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	cells := make([]any, len(s.cols))
	for i, c := range s.cols {
		if err := s.sw.SetColWidth(i+1, i+1, c.width); err != nil {
			return err
		}
		cells[i] = excelize.Cell{StyleID: s.head, Value: c.name}
	}
	s.row = 1
	return s.sw.SetRow("A1", cells)
}

// end ends the last sheet; a list without files has a sheet all the same.
func (s *sheets) end() error {
	if s.sw == nil {
		if err := s.begin(); err != nil {
			return err
		}
	}
	return s.flush()
}

func (s *sheets) flush() error {
	if s.sw == nil {
		return nil
	}
	// a table is how the streaming writer gives a header its filters
	last, err := excelize.CoordinatesToCellName(len(s.cols), max(s.row, 2))
	if err != nil {
		return err
	}
	plain := false
	if err := s.sw.AddTable(&excelize.Table{Range: "A1:" + last, Name: fmt.Sprintf("Files%d", s.count), StyleName: "TableStyleLight1", ShowRowStripes: &plain}); err != nil {
		return err
	}
	return s.sw.Flush()
}
