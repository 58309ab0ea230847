package hfsplus

import (
	"encoding/binary"
	"slices"
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"fileassay/extract"
)

// maxNameUnits is the most UTF-16 units of a name (TN1150, HFSUniStr255).
const maxNameUnits = 255

// nameUnits decodes a name of big-endian UTF-16 units.
func nameUnits(raw []byte) []uint16 {
	units := make([]uint16, len(raw)/2)
	for i := range units {
		units[i] = binary.BigEndian.Uint16(raw[2*i:])
	}
	return units
}

// shownName makes the shown form of a name as stored: composed, and with ":"
// where a "/" is stored. exact is nil where it carries the name exactly.
func shownName(raw []byte) (shown string, exact []byte) {
	raw = raw[:len(raw)&^1]
	plain := true
	for i := 0; i+1 < len(raw); i += 2 {
		if c := raw[i+1]; raw[i] != 0 || c >= 0x80 || c < 0x20 || c == '/' || c == ':' || (c == '?' || c == '.') && len(raw) <= 4 {
			plain = false
			break
		}
	}
	if plain && len(raw) > 0 {
		var b [maxNameUnits]byte
		n := min(len(raw)/2, len(b))
		for i := range n {
			b[i] = raw[2*i+1]
		}
		return string(b[:n]), nil
	}
	stored := nameUnits(raw)
	units := slices.Clone(stored)
	for i, u := range units {
		switch u {
		case '/':
			units[i] = ':'
		case ':':
			units[i] = '/'
		}
	}
	shown, hostile := extract.NameFromUTF16(units)
	switch {
	case slices.Contains(stored, ':'):
		// No system stores it; shown as it is it would be another name's "/".
		shown = strings.ReplaceAll(shown, `\x2f`, `\x3a`)
	case hostile == nil:
		if shown = compose(shown); slices.Equal(utf16.Encode([]rune(shown)), stored) {
			return shown, nil
		}
	}
	exact = make([]byte, 0, len(raw))
	for _, u := range stored {
		exact = binary.LittleEndian.AppendUint16(exact, u)
	}
	return shown, exact
}

// compose is the composed form of a name, if the volume would store that as
// the same name again; else the name as it is.
func compose(s string) string {
	if strings.ContainsAny(s, "\u030D\u0E4D\u0ECD") {
		if c := norm.NFC.String(composeOld.Replace(s)); decompose(decomposeOld.Replace(c)) == s {
			return c
		}
	}
	if c := norm.NFC.String(s); c != s && decompose(c) == s {
		return c
	}
	return s
}

// Characters that the table of decompositions of TN1150 takes apart other than
// Unicode does since: Greek letters with tonos, for which it has the vertical
// line above, and the Thai and Lao vowels AM.
var (
	composeOld = strings.NewReplacer("\u030D", "\u0301", "\u0E4D\u0E32", "\u0E33", "\u0ECD\u0EB2", "\u0EB3")

	decomposeOld = func() *strings.Replacer {
		pairs := []string{"\u0E33", "\u0E4D\u0E32", "\u0EB3", "\u0ECD\u0EB2"}
		for _, r := range "\u0344\u0385\u0386\u0388\u0389\u038A\u038C\u038E\u038F\u0390\u03AC\u03AD\u03AE\u03AF\u03B0\u03CC\u03CD\u03CE" {
			pairs = append(pairs, string(r), strings.ReplaceAll(norm.NFD.String(string(r)), "\u0301", "\u030D"))
		}
		return strings.NewReplacer(pairs...)
	}()
)

// decompose is the form in which a volume stores a name: canonically
// decomposed and ordered, but for the ranges that are left as they are (TN1150,
// Unicode Subtleties, and its table of decompositions).
func decompose(s string) string {
	var b strings.Builder
	rest := s
	for i := strings.IndexFunc(rest, kept); i >= 0; i = strings.IndexFunc(rest, kept) {
		b.WriteString(norm.NFD.String(rest[:i]))
		r, n := utf8.DecodeRuneInString(rest[i:])
		b.WriteRune(r)
		rest = rest[i+n:]
	}
	b.WriteString(norm.NFD.String(rest))
	return b.String()
}

// kept reports whether a rune is stored as it is although Unicode decomposes
// it: U+2000 to U+2FFF, U+F900 to U+FAFF, U+2F800 to U+2FAFF (TN1150, Unicode
// Subtleties).
func kept(r rune) bool {
	return r >= 0x2000 && r <= 0x2FFF || r >= 0xF900 && r <= 0xFAFF || r >= 0x2F800 && r <= 0x2FAFF
}

// folderName is the shown name of a folder; those of the private folders are
// returned as they are stored.
func folderName(raw []byte) string {
	for _, s := range []string{privateFiles, privateFolders} {
		if isName(raw, s) {
			return s
		}
	}
	shown, _ := shownName(raw)
	return shown
}

// isName reports whether raw is the ASCII name s.
func isName(raw []byte, s string) bool {
	if len(raw) != 2*len(s) {
		return false
	}
	for i := range len(s) {
		if raw[2*i] != 0 || raw[2*i+1] != s[i] {
			return false
		}
	}
	return true
}

// numbered is the number behind the prefix of a name.
func numbered(raw []byte, prefix string) (uint32, bool) {
	if len(raw) <= 2*len(prefix) || len(raw) > 2*(len(prefix)+10) || !isName(raw[:2*len(prefix)], prefix) {
		return 0, false
	}
	digits := make([]byte, 0, 10)
	for i := 2 * len(prefix); i+1 < len(raw); i += 2 {
		if raw[i] != 0 {
			return 0, false
		}
		digits = append(digits, raw[i+1])
	}
	n, err := strconv.ParseUint(string(digits), 10, 32)
	return uint32(n), err == nil
}
