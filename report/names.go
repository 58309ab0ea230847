package report

import (
	"fmt"
	"strings"
	"unicode"
)

// visible makes a name safe to show: control, formatting and bidirectional
// characters, line ends and characters that no text may hold stand as escapes.
// page/list.js does the same in the page.
func visible(s string) string {
	hidden := strings.IndexFunc(s, unseen)
	if hidden < 0 {
		return s
	}
	var b strings.Builder
	b.WriteString(s[:hidden])
	for _, r := range s[hidden:] {
		switch {
		case !unseen(r):
			b.WriteRune(r)
		case r > 0xffff:
			fmt.Fprintf(&b, `\U%08x`, r)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
	}
	return b.String()
}

// maxPath bounds a path in a table that stands in a page as it is, in
// characters: a hostile name may fill sheets of paper. The list of the page and
// the tables have it whole.
const maxPath = 600

// shorten leaves out the middle of a path that is too long.
func shorten(s string) string {
	if len(s) <= maxPath {
		return s
	}
	r := []rune(s)
	if len(r) <= maxPath {
		return s
	}
	return string(r[:maxPath/2]) + " … (cut) … " + string(r[len(r)-maxPath/2:])
}

// visibleLines is visible for a text that may have several lines.
func visibleLines(s string) string {
	lines := strings.Split(strings.ReplaceAll(strings.TrimSpace(s), "\r\n", "\n"), "\n")
	for i, l := range lines {
		lines[i] = visible(l)
	}
	return strings.Join(lines, "\n")
}

// unseen reports whether a character has no glyph of its own, or moves others.
func unseen(r rune) bool {
	if r < 0x20 {
		return true
	}
	if r < 0x7f {
		return false
	}
	return unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp) || r&0xfffe == 0xfffe || r >= 0xfdd0 && r <= 0xfdef
}
