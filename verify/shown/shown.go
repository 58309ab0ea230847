// Package shown makes text from outside safe to show: names, paths, patterns,
// labels and messages that quote them. On a terminal and in a table a control
// character acts and a mark of direction moves its neighbours, so that a name
// can pass for another or for a message. All that people read goes through
// [Text]; what programs read, as manifests and base64, stays exact.
package shown

import (
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// Text makes a text safe to show in one line: control, formatting and
// bidirectional characters, line ends, characters that no text may hold and
// bytes that are no UTF-8 stand as escapes. report/page/list.js does the same in
// the page.
func Text(s string) string { return escape(s, "") }

// Lines is [Text] of a text that may have several lines.
func Lines(s string) string { return escape(strings.ReplaceAll(s, "\r\n", "\n"), "\n") }

// escape leaves the characters of keep as they are.
func escape(s, keep string) string {
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		if acts(r, n) && !strings.ContainsRune(keep, r) {
			return escapeFrom(s, i, keep)
		}
		i += n
	}
	return s
}

func escapeFrom(s string, i int, keep string) string {
	var b strings.Builder
	b.WriteString(s[:i])
	for i < len(s) {
		r, n := utf8.DecodeRuneInString(s[i:])
		switch {
		case r == utf8.RuneError && n == 1:
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case !acts(r, n) || strings.ContainsRune(keep, r):
			b.WriteRune(r)
		case r > 0xffff:
			fmt.Fprintf(&b, `\U%08x`, r)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
		i += n
	}
	return b.String()
}

// acts reports whether a character of n bytes has no glyph of its own, or moves
// others.
func acts(r rune, n int) bool {
	switch {
	case r < 0x20:
		return true
	case r < 0x7f:
		return false
	case r == utf8.RuneError:
		return n == 1
	}
	return unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp) || r&0xfffe == 0xfffe || r >= 0xfdd0 && r <= 0xfdef
}

// JSON makes JSON safe to show, and leaves its meaning as it is: what [Text]
// would escape stands as an escape of JSON. Line ends between values stay.
func JSON(b []byte) []byte {
	out := make([]byte, 0, len(b))
	for i := 0; i < len(b); {
		r, n := utf8.DecodeRune(b[i:])
		switch {
		case r == '\n' || !acts(r, n):
			out = append(out, b[i:i+n]...)
		case r > 0xffff:
			hi, lo := utf16.EncodeRune(r)
			out = fmt.Appendf(out, `\u%04x\u%04x`, hi, lo)
		default: // bytes that are no UTF-8 are U+FFFD in JSON too
			out = fmt.Appendf(out, `\u%04x`, r)
		}
		i += n
	}
	return out
}

// Writer passes what is written to it on to w, safe to show; lines and tabs
// stay. Each write must be whole characters.
func Writer(w io.Writer) io.Writer { return writer{w} }

type writer struct{ io.Writer }

func (w writer) Write(p []byte) (int, error) {
	if _, err := io.WriteString(w.Writer, escape(string(p), "\n\t")); err != nil {
		return 0, err
	}
	return len(p), nil
}

// Safe is text that is safe to show as it is, and may hold what this program
// itself sets words off with.
type Safe string

// Sprintf is [fmt.Sprintf] with every argument safe to show in one line, but
// for those that are [Safe].
func Sprintf(format string, a ...any) string { return fmt.Sprintf(format, safe(a)...) }

// Fprintf is [fmt.Fprintf] as [Sprintf].
func Fprintf(w io.Writer, format string, a ...any) (int, error) {
	return fmt.Fprintf(w, format, safe(a)...)
}

func safe(a []any) []any {
	out := make([]any, len(a))
	for i, v := range a {
		switch v.(type) {
		case Safe, bool, int, int64, uint64, float64:
			out[i] = v
		default:
			out[i] = argument{v}
		}
	}
	return out
}

// argument is a value that is made safe once it is text.
type argument struct{ v any }

// Format implements [fmt.Formatter].
func (a argument) Format(f fmt.State, verb rune) {
	format := fmt.FormatString(f, verb)
	switch a.v.(type) {
	case string, error, fmt.Stringer: // before it is padded
		if verb == 's' || verb == 'v' {
			fmt.Fprintf(f, format, Text(fmt.Sprint(a.v)))
			return
		}
	}
	io.WriteString(f, Text(fmt.Sprintf(format, a.v)))
}
