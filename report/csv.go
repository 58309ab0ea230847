package report

import (
	"encoding/csv"
	"io"
	"strconv"

	"fileassay/verify/result"
	"fileassay/verify/sheet"
)

// CSV writes the list of files as RFC 4180 has it: comma, CRLF, a header, in
// UTF-8. What a spreadsheet program could take for a formula begins with an
// apostrophe. Folders are listed too. The customer's list begins with a mark by
// which spreadsheet programs know UTF-8; that of the bench, which programs read
// too, has none.
func CSV(w io.Writer, r *result.Result, a Audience) error {
	if a == Customer {
		if _, err := io.WriteString(w, sheet.Mark); err != nil {
			return err
		}
	}
	out := csv.NewWriter(w)
	out.UseCRLF = true
	cols, t := columns(a), newTable(r)
	record := make([]string, len(cols))
	for i, c := range cols {
		record[i] = c.name
	}
	if err := out.Write(record); err != nil {
		return err
	}
	for f, err := range r.Files() {
		if err != nil {
			return err
		}
		for i, c := range cols {
			switch v := c.cell(f, t).(type) {
			case int64:
				record[i] = strconv.FormatInt(v, 10)
			case string:
				record[i] = sheet.Guard(cellText(v))
			default:
				record[i] = ""
			}
		}
		if err := out.Write(record); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}
