package delivery

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// The rule for names. Each element of a path is made safe by itself:
//
//   - "=", the separators of any system, characters that a common filesystem
//     refuses, control characters and those that turn the direction of writing
//     become "=XX" for every byte of their UTF-8 form, in hexadecimal;
//   - so does the first letter of a device name, and a last dot or blank;
//   - a name longer than [nameLimit] bytes is cut, and "=~h" with 16 digits of
//     the SHA-256 of the safe name stands before its extension;
//   - a name that differs from one already placed in the same folder in case
//     or in the composition of its letters alone gets "=~2", "=~3" and so on
//     before its extension;
//   - the "?" that unknown parents stand under is "=unplaced", no name at all is
//     "=empty", and a folder too deep for common systems is "=deep-" with a digest, at the top.
//
// No other "=" can stand in a safe name, so the rule can be undone
// ([OriginalName]); what was cut off stands in the list of renamed files.

const (
	nameLimit = 240  // bytes of a name; most systems hold 255, so that room is left for marks
	pathLimit = 1000 // bytes of a folder's path
)

// SafeName makes one element of a path safe for the filesystems of all common
// systems. It gives every name back that is safe already.
func SafeName(name string) string {
	switch name {
	case "":
		return emptyName
	case "?":
		return unplaced
	}
	safe := escape(name)
	if len(safe) > nameLimit {
		sum := sha256.Sum256([]byte(safe))
		safe = marked(safe, "=~h"+hex.EncodeToString(sum[:8]), nameLimit)
	}
	return safe
}

const (
	unplaced  = "=unplaced"
	emptyName = "=empty"
)

func escape(name string) string {
	clean := name != ""
	for i := 0; i < len(name) && clean; i++ {
		c := name[i]
		clean = c >= 0x20 && c < 0x7f && !strings.ContainsRune(forbidden, rune(c))
	}
	last := len(name) - 1
	if clean && name[last] != '.' && name[last] != ' ' && !isDevice(name) {
		return name
	}
	var b strings.Builder
	for i, w := 0, 0; i < len(name); i += w {
		var r rune
		r, w = utf8.DecodeRuneInString(name[i:])
		bad := r == utf8.RuneError && w == 1 || r < 0x20 || r >= 0x7f && r < 0xa0 || r < 0x80 && strings.ContainsRune(forbidden, r) ||
			unicode.Is(unicode.Cf, r) || r == '\u2028' || r == '\u2029' ||
			i == last && (r == '.' || r == ' ') || i == 0 && isDevice(name)
		if !bad {
			b.WriteString(name[i : i+w])
			continue
		}
		for k := range w {
			fmt.Fprintf(&b, "=%02X", name[i+k])
		}
	}
	return b.String()
}

// forbidden in names on one system or another.
const forbidden = "=/\\:*?\"<>|"

// isDevice reports whether some systems take a name for that of a device,
// whatever its extension [Microsoft, "Naming Files, Paths, and Namespaces"].
func isDevice(name string) bool {
	base, _, _ := strings.Cut(name, ".")
	base = strings.ToUpper(strings.TrimRight(base, " "))
	switch base {
	case "CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$", "CLOCK$":
		return true
	}
	if rest, ok := strings.CutPrefix(base, "COM"); ok || strings.HasPrefix(base, "LPT") {
		if !ok {
			rest = base[3:]
		}
		switch rest {
		case "0", "1", "2", "3", "4", "5", "6", "7", "8", "9", "\u00b9", "\u00b2", "\u00b3":
			return true
		}
	}
	return false
}

// marked puts a mark before a safe name's extension, and cuts the name where
// it is too long for that.
func marked(safe, mark string, limit int) string {
	ext := path.Ext(safe)
	if len(ext) > 16 || len(ext) == len(safe) || strings.Contains(ext, "=") {
		ext = ""
	}
	stem := strings.TrimSuffix(safe, ext)
	if room := limit - len(ext) - len(mark); len(stem) > room {
		cut := room
		for cut > 0 && !utf8.RuneStart(stem[cut]) {
			cut--
		}
		if i := strings.LastIndexByte(stem[:cut], '='); i >= 0 && i > cut-3 {
			cut = i // no mark is cut in two
		}
		stem = stem[:cut]
	}
	return stem + mark + ext
}

// OriginalName undoes [SafeName] and the marks for names that collide. ok is
// false where a part of the name was cut off, or no rule gives such a name.
func OriginalName(safe string) (name string, ok bool) {
	switch safe {
	case unplaced:
		return "?", true
	case emptyName:
		return "", true
	}
	var b strings.Builder
	for i := 0; i < len(safe); {
		if safe[i] != '=' {
			b.WriteByte(safe[i])
			i++
			continue
		}
		if strings.HasPrefix(safe[i:], "=~") {
			k := i + 2
			for k < len(safe) && safe[k] >= '0' && safe[k] <= '9' {
				k++
			}
			if k == i+2 {
				return "", false
			}
			i = k
			continue
		}
		if len(safe) < i+3 {
			return "", false
		}
		c, err := strconv.ParseUint(safe[i+1:i+3], 16, 8)
		if err != nil {
			return "", false
		}
		b.WriteByte(byte(c))
		i += 3
	}
	return b.String(), true
}

// namer gives every file of a delivery its place. The same files in the same
// order get the same places.
type namer struct {
	folders map[string]string  // safe paths, by "branch/volume-N" and the path in the image
	taken   map[[12]byte]int32 // by a digest of a safe path, folded: how often it was asked for
	fold    cases.Caser
}

func newNamer() *namer {
	return &namer{folders: map[string]string{}, taken: map[[12]byte]int32{}, fold: cases.Fold()}
}

// place is where a file goes, below the payload folder: under top, which is
// safe, with path made safe.
func (n *namer) place(top, filePath string) string {
	dir, name := cutLast(filePath)
	return n.unique(n.folder(top, dir), SafeName(name))
}

func cutLast(p string) (dir, name string) {
	if i := strings.LastIndexByte(p, '/'); i >= 0 {
		return p[:i], p[i+1:]
	}
	return "", p
}

func (n *namer) folder(top, dir string) string {
	if dir == "" {
		return top
	}
	// from the top down, without recursion: a path may have very many elements
	at := top
	known := 0
	for end := len(dir); end > 0; end = strings.LastIndexByte(dir[:end], '/') {
		if safe, ok := n.folders[top+"\x00"+dir[:end]]; ok {
			at, known = safe, end+1
			break
		}
	}
	for known <= len(dir) {
		end := strings.IndexByte(dir[known:], '/')
		if end < 0 {
			end = len(dir)
		} else {
			end += known
		}
		name := SafeName(dir[known:end])
		if len(at)+len(name) > pathLimit {
			sum := sha256.Sum256([]byte(dir[:end]))
			at, name = top, "=deep-"+hex.EncodeToString(sum[:8])
		}
		at = n.unique(at, name)
		n.folders[top+"\x00"+dir[:end]] = at
		known = end + 1
	}
	return at
}

// unique is a name in a folder that nothing has yet, whatever the target makes
// of case and composition.
func (n *namer) unique(dir, safe string) string {
	key := n.key(dir, safe)
	count := n.taken[key] + 1
	n.taken[key] = count
	for count > 1 {
		other := marked(safe, "=~"+strconv.Itoa(int(count)), 255)
		k := n.key(dir, other)
		if n.taken[k] == 0 {
			n.taken[k] = 1
			return dir + "/" + other
		}
		count++
		n.taken[key] = count
	}
	return dir + "/" + safe
}

func (n *namer) key(dir, safe string) [12]byte {
	folded, ascii := make([]byte, 0, len(safe)+64), true
	for i := 0; i < len(safe) && ascii; i++ {
		c := safe[i]
		if c >= 0x80 {
			ascii = false
		}
		if c >= 'A' && c <= 'Z' {
			c += 'a' - 'A'
		}
		folded = append(folded, c)
	}
	if !ascii {
		folded = []byte(norm.NFC.String(n.fold.String(norm.NFD.String(safe))))
	}
	h := sha256.New()
	h.Write([]byte(dir))
	h.Write([]byte{0})
	h.Write(folded)
	var sum [sha256.Size]byte
	return [12]byte(h.Sum(sum[:0])[:12])
}
