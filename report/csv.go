package report

import (
	"encoding/csv"
	"io"
	"strconv"
	"strings"

	"fileassay/verify"
)

// mark is the byte order mark in UTF-8 (RFC 3629, section 6). Without it
// spreadsheet programs take a file that is opened with a click for one in the
// charset of its computer, and garble names (common practice, no source).
const mark = "\ufeff"

// CSV writes the list of files as RFC 4180 has it: comma, CRLF, a header, in
// UTF-8. What a spreadsheet program could take for a formula begins with an
// apostrophe. Folders are listed too. The customer's list begins with a mark by
// which spreadsheet programs know UTF-8; that of the bench, which programs read
// too, has none.
func CSV(w io.Writer, r *verify.Result, a Audience) error {
	if err := Check(r); err != nil {
		return err
	}
	if a == Customer {
		if _, err := io.WriteString(w, mark); err != nil {
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
	for f, err := range soundFiles(r) {
		if err != nil {
			return err
		}
		for i, c := range cols {
			switch v := c.cell(f, t).(type) {
			case int64:
				record[i] = strconv.FormatInt(v, 10)
			case string:
				record[i] = guard(clip(v))
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

// guard keeps spreadsheet programs from taking text for a formula: they do so
// by its first character, in its wide form too (common practice, no source; the
// list of characters is that of the OWASP page on CSV injection, from memory).
// Where the comma is for decimals such programs part cells at semicolons, even
// inside quotes that do not begin a cell, so what follows one is guarded too.
func guard(s string) string {
	parts := strings.Split(s, ";")
	for i, part := range parts {
		if strings.IndexAny(part, "=+-@\t\r＝＋－＠") == 0 {
			parts[i] = "'" + part
		}
	}
	return strings.Join(parts, ";")
}
