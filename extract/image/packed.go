package image

import (
	"bytes"
	"fmt"
	"strings"
)

// PackedError says that what was given as an image is one inside a packed
// file: it must be unpacked to be read at any place.
type PackedError struct {
	Path   string
	Format string // "gzip", "zstd", "xz"
	Parts  bool   // the packed file is in parts
}

func (e *PackedError) Error() string {
	if e.Parts {
		return fmt.Sprintf("image %s: is packed (%s) and in parts: join the parts, unpack what they make with %s -d, and give the unpacked image", e.Path, e.Format, e.Format)
	}
	out := e.Path
	if i := strings.LastIndexByte(out, '.'); i > strings.LastIndexAny(out, `/\`)+1 && packedSuffix(out[i:]) {
		out = out[:i]
	} else {
		out += ".unpacked"
	}
	return fmt.Sprintf("image %s: is packed (%s): unpack it with: %s -dc %s > %s; and give that",
		e.Path, e.Format, e.Format, shellWord(e.Path), shellWord(out))
}

func packedSuffix(s string) bool { return s == ".gz" || s == ".zst" || s == ".xz" }

// shellWord is s as one word of a shell.
func shellWord(s string) string {
	plain := func(r rune) bool {
		return r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || strings.ContainsRune("/._-+,:@", r)
	}
	if s != "" && s[0] != '-' && strings.TrimFunc(s, plain) == "" {
		return s
	}
	if strings.HasPrefix(s, "-") {
		s = "./" + s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// packedMarks are the first bytes of packed files: RFC 1952, section 2.3.1
// (ID1, ID2 and the one method there is); RFC 8878, section 3.1.1; "The .xz
// File Format", section 2.1.1.1.
var packedMarks = [...]struct{ format, mark string }{
	{"gzip", "\x1f\x8b\x08"},
	{"zstd", "\x28\xb5\x2f\xfd"},
	{"xz", "\xfd7zXZ\x00"},
}

// packedHead is how many bytes of a file tell whether it is packed.
const packedHead = 6

// packed is the format of a packed file that begins so, "" for none.
func packed(head []byte) string {
	for _, m := range packedMarks {
		if bytes.HasPrefix(head, []byte(m.mark)) {
			return m.format
		}
	}
	return ""
}

// Packed is a [*PackedError] if the image begins like a packed file. It looks
// at the file alone: whether those bytes came off the drive is for the caller
// to know, and where they did not they mean nothing.
func (s *Shape) Packed() error {
	if s.unit > 0 {
		return nil // a device is not asked for a sector that the map may call unread
	}
	path := s.Path
	if len(s.Parts) > 0 {
		path = s.Parts[0].Path
	}
	f, _, _, err := openFile(path)
	if err != nil {
		return nil // opening the image tells better
	}
	defer f.Close()
	head := make([]byte, packedHead)
	n, _ := f.ReadAt(head, 0)
	if format := packed(head[:n]); format != "" {
		return &PackedError{s.Path, format, len(s.Parts) > 0}
	}
	return nil
}
