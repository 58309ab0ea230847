package imap

import (
	"fmt"
	"unicode/utf8"
)

// The classes of bytes in a line.
const (
	plain          = iota
	separates      // ends a field
	blankSeparates // a blank, and ends a field
	blank          // a blank around fields
)

// separator is how a line is cut into fields.
type separator struct {
	fixed bool
	merge bool
	quote byte // 0 for none
	class [256]uint8
}

// parseSeparator reads a [Recipe]'s Separator.
func parseSeparator(text string) (*separator, error) {
	s := &separator{}
	s.class[' '], s.class['\t'], s.class['\r'], s.class['\n'] = blank, blank, blank, blank
	switch text {
	case "fixed":
		s.fixed = true
		return s, nil
	case "", "comma":
		text = ","
	case "tab":
		text = "\t"
	case "blanks":
		text = " "
	}
	for _, c := range []byte(text) {
		switch {
		case c == ' ':
			s.class[' '] = blankSeparates
			if s.class['\t'] == blank {
				s.class['\t'] = blankSeparates
			}
		case c == '\t' || isMark(c):
			s.class[c] = separates
		default:
			return nil, fmt.Errorf("separator %q: is none of comma, tab, blanks, fixed, nor made of characters that can separate (no letters or digits)", text)
		}
	}
	return s, nil
}

// isMark reports whether c is a printable ASCII character that is no letter,
// digit or blank.
func isMark(c byte) bool {
	return c > ' ' && c < 0x7f && !('0' <= c && c <= '9') && !('a' <= c|0x20 && c|0x20 <= 'z')
}

func isBlank(class uint8) bool { return class >= blankSeparates }

// field is the bytes a to z of a line, z not in it.
type field struct{ a, z int }

// cut cuts a line into as many fields as dst has room for and returns how
// many there are; the fields have no blanks around them.
func (s *separator) cut(line []byte, dst []field) int {
	n, i := 0, 0
	for n < len(dst) {
		for i < len(line) && isBlank(s.class[line[i]]) {
			i++
		}
		if i < len(line) && s.quote != 0 && line[i] == s.quote {
			a := i + 1
			for i = a; i < len(line) && line[i] != s.quote; i++ {
			}
			dst[n] = within(line, a, i)
			for i < len(line) && !s.ends(line[i]) {
				i++ // the closing quote, and what should not stand behind it
			}
		} else {
			a := i
			for i < len(line) && !s.ends(line[i]) {
				i++
			}
			dst[n] = within(line, a, i)
		}
		n++
		marks := 0
		for i < len(line) {
			c := s.class[line[i]]
			if c == separates && (marks == 0 || s.merge) {
				marks++
			} else if !isBlank(c) {
				break
			}
			i++
		}
		if i == len(line) {
			if marks > 0 && !s.merge && n < len(dst) { // "a,b," has three fields
				dst[n] = field{i, i}
				n++
			}
			break
		}
	}
	return n
}

// within is what of bytes a to z of a line has no blanks around it, those
// that stand inside quotes among them.
func within(line []byte, a, z int) field {
	for a < z && line[a] <= ' ' {
		a++
	}
	for z > a && line[z-1] <= ' ' {
		z--
	}
	return field{a, z}
}

// ends reports whether c ends a field.
func (s *separator) ends(c byte) bool {
	k := s.class[c]
	return k == separates || k == blankSeparates
}

// place is the bytes of a column of fixed places, without blanks around them.
func (c Column) place(line []byte) []byte {
	a, z := c.From-1, c.To
	if z == ToEnd || z > len(line) {
		z = len(line)
	}
	if a >= z {
		return nil
	}
	return trim(line[a:z])
}

// trim is b without the blanks around it; to a list every byte up to the
// space is one.
func trim(b []byte) []byte {
	f := within(b, 0, len(b))
	return b[f.a:f.z]
}

// wordText is a state word as a recipe holds it, which is UTF-8. Bytes of a
// list that are none are taken as ISO 8859-1, whose codes are those of Unicode
// up to U+00FF.
func wordText(b []byte) string {
	if utf8.Valid(b) {
		return string(b)
	}
	text := make([]rune, len(b))
	for i, c := range b {
		text[i] = rune(c)
	}
	return string(text)
}
