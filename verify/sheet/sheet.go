// Package sheet is about tables of text that people open with spreadsheet
// programs.
package sheet

import "strings"

// Mark is the byte order mark in UTF-8 (RFC 3629, section 6). Without it
// spreadsheet programs take a file that is opened with a click for one in the
// charset of its computer, and garble names (common practice, no source).
const Mark = "\ufeff"

// Guard keeps spreadsheet programs from taking text for a formula: they do so
// by its first character, in its wide form too (common practice, no source; the
// list of characters is that of the OWASP page on CSV injection, from memory).
// Where the comma is for decimals such programs part cells at semicolons, even
// inside quotes that do not begin a cell, so what follows one is guarded too.
func Guard(s string) string {
	parts := strings.Split(s, ";")
	for i, part := range parts {
		if strings.IndexAny(part, "=+-@\t\r＝＋－＠") == 0 {
			parts[i] = "'" + part
		}
	}
	return strings.Join(parts, ";")
}
