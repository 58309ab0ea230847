package extract

import (
	"encoding/binary"
	"fmt"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// NameFromUTF16 makes the shown form of a name of UTF-16 units. exact is nil
// where the shown form carries the name exactly, else the units as UTF-16LE
// bytes: those of the empty name are empty and not nil.
func NameFromUTF16(units []uint16) (shown string, exact []byte) {
	var b strings.Builder
	b.Grow(len(units))
	ok := true
	for i := 0; i < len(units); i++ {
		u := rune(units[i])
		switch {
		case u < 0x80:
			b.WriteByte(byte(u))
		case utf16.IsSurrogate(u):
			if i+1 < len(units) {
				if r := utf16.DecodeRune(u, rune(units[i+1])); r != utf8.RuneError {
					b.WriteRune(r)
					i++
					continue
				}
			}
			fmt.Fprintf(&b, `\u%04x`, u)
			ok = false
		default:
			b.WriteRune(u)
		}
	}
	shown, safe := escapeHostile(b.String())
	if ok && safe {
		return shown, nil
	}
	exact = make([]byte, 2*len(units))
	for i, u := range units {
		binary.LittleEndian.PutUint16(exact[2*i:], u)
	}
	return shown, exact
}

// NameFromBytes makes the shown form of a name of bytes that should be UTF-8.
// exact is nil where the shown form carries the name exactly, else a copy of
// the bytes: that of the empty name is empty and not nil.
func NameFromBytes(name []byte) (shown string, exact []byte) {
	if utf8.Valid(name) {
		shown, safe := escapeHostile(string(name))
		if safe {
			return shown, nil
		}
		return shown, append([]byte{}, name...)
	}
	var b strings.Builder
	for rest := name; len(rest) > 0; {
		r, n := utf8.DecodeRune(rest)
		if r == utf8.RuneError && n == 1 {
			fmt.Fprintf(&b, `\x%02x`, rest[0])
		} else {
			b.Write(rest[:n])
		}
		rest = rest[n:]
	}
	shown, _ = escapeHostile(b.String())
	return shown, append([]byte{}, name...)
}

// Label makes the shown form of a volume's label of bytes that should be UTF-8:
// as [NameFromBytes] does, but no label is "".
func Label(b []byte) string {
	if len(b) == 0 {
		return ""
	}
	shown, _ := NameFromBytes(b)
	return shown
}

// escapeHostile makes a name usable as one element of a path: no separator,
// no NUL, not empty, not "." or "..", nor the "?" that unknown parents stand
// under.
func escapeHostile(name string) (string, bool) {
	switch name {
	case "":
		return `\0`, false
	case ".":
		return `\x2e`, false
	case "..":
		return `\x2e\x2e`, false
	case "?":
		return `\x3f`, false
	}
	if !strings.ContainsAny(name, "/\x00") {
		return name, true
	}
	return strings.NewReplacer("/", `\x2f`, "\x00", `\x00`).Replace(name), false
}

// Join puts a shown name under a parent's path; the root's path is "".
func Join(parent, name string) string {
	if parent == "" {
		return name
	}
	return parent + "/" + name
}

// UnknownParent is the path that stands for a parent folder that is not known
// but for its id: "?/<id>".
func UnknownParent(id uint64) string { return fmt.Sprintf("?/%d", id) }
