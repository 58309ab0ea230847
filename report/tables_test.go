package report

import (
	"bytes"
	"encoding/csv"
	"fileassay/verify/shown"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/xuri/excelize/v2"
)

func csvText(t *testing.T, a Audience) string {
	t.Helper()
	var b bytes.Buffer
	if err := CSV(&b, bellowsResult(t), a); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestCSV(t *testing.T) {
	for _, a := range []Audience{Customer, Bench} {
		text := csvText(t, a)
		golden(t, "bellows-"+string(a)+".csv", text)
		// a mark for spreadsheet programs only where a customer opens it
		var marked bool
		if text, marked = strings.CutPrefix(text, "\ufeff"); marked != (a == Customer) {
			t.Errorf("%s: byte order mark: %v", a, marked)
		}
		// RFC 4180, section 2: lines end with CRLF, and every record has as many fields
		if strings.Count(text, "\n") != strings.Count(text, "\r\n") {
			t.Errorf("%s: a line does not end with CRLF", a)
		}
		records, err := csv.NewReader(strings.NewReader(text)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, rec := range records {
			for _, cell := range rec {
				if strings.IndexAny(cell, "=+-@\t\r＝＋－＠") == 0 {
					t.Errorf("%s: the cell %q begins as a formula does", a, cell)
				}
				if strings.ContainsAny(cell, "\n\x00\x1b\u202e\u2028") {
					t.Errorf("%s: the cell %q holds what nobody sees", a, cell)
				}
			}
		}
	}
	if c := csvText(t, Customer); strings.Contains(c, "sector") {
		t.Error("the customer's table tells of sectors")
	}
}

// The spreadsheet holds every file, text as text, over as many sheets as it
// takes, and comes out the same each time.
func TestXLSX(t *testing.T) {
	r := bellowsResult(t)
	o := Options{For: Bench, Job: Job{Number: "B-1", Remarks: "=1+1"}}
	var first bytes.Buffer
	for range 2 {
		var b bytes.Buffer
		if err := xlsx(&b, r, o, 8); err != nil {
			t.Fatal(err)
		}
		if first.Len() > 0 && !bytes.Equal(first.Bytes(), b.Bytes()) {
			t.Error("two runs give different bytes")
		}
		first = b
	}
	book, err := excelize.OpenReader(bytes.NewReader(first.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	if got, want := book.GetSheetList(), []string{"Summary", "Files", "Files 2", "Files 3", "Files 4"}; !slices.Equal(got, want) {
		t.Fatalf("sheets %q, want %q", got, want)
	}
	var paths []string
	for i, sheet := range book.GetSheetList()[1:] {
		rows, err := book.GetRows(sheet)
		if err != nil {
			t.Fatal(err)
		}
		if len(rows) > 8 {
			t.Errorf("%s has %d rows, want at most 8", sheet, len(rows))
		}
		if rows[0][1] != "path" {
			t.Errorf("%s begins with %q", sheet, rows[0])
		}
		for _, row := range rows[1:] {
			paths = append(paths, row[1])
		}
		panes, err := book.GetPanes(sheet)
		if err != nil || !panes.Freeze || panes.YSplit != 1 {
			t.Errorf("%s: its header is not frozen: %+v, %v", sheet, panes, err)
		}
		tables, err := book.GetTables(sheet)
		if err != nil || len(tables) != 1 || tables[0].Name != fmt.Sprintf("Files%d", i+1) {
			t.Errorf("%s has no filters: %+v, %v", sheet, tables, err)
		}
	}
	var want []string
	for _, f := range bellows().Files {
		want = append(want, shown.Text(f.Path))
	}
	if d := cmp.Diff(want, paths); d != "" {
		t.Errorf("paths (-want +got):\n%s", d)
	}
	for _, sheet := range book.GetSheetList() {
		for row := 1; row <= 8; row++ {
			for col := 1; col <= 20; col++ {
				cell, err := excelize.CoordinatesToCellName(col, row)
				if err != nil {
					t.Fatal(err)
				}
				if f, err := book.GetCellFormula(sheet, cell); err != nil || f != "" {
					t.Errorf("%s %s is a formula: %q, %v", sheet, cell, f, err)
				}
			}
		}
	}
}

func TestClip(t *testing.T) {
	long := strings.Repeat("é", maxCell+1)
	if got := clip(long); got != strings.Repeat("é", maxCell)+" … (cut)" {
		t.Errorf("a long cell is cut to %d bytes", len(got))
	}
	// a spreadsheet counts UTF-16 units, and such a character has two
	if got := clip(strings.Repeat("😀", maxCell/2+1)); got != strings.Repeat("😀", maxCell/2)+" … (cut)" {
		t.Errorf("a long cell of wide characters is cut to %d bytes", len(got))
	}
	if got := clip(long[2:]); got != long[2:] {
		t.Error("a cell that fits is cut")
	}
}
