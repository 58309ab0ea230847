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
// No other "=" can stand in a safe name, so the rule can be undone;
// what was cut off stands in the list of renamed files.

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
	last := len(name) - 1
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

// namer gives every file of a delivery its place. The same files in the same
// order get the same places. Folders are kept by parent and name: whole paths
// would cost the square of how deep they lie.
type namer struct {
	tops    map[string]int32
	folders []placedFolder
	in      map[child]int32
	taken   map[[12]byte]int32 // by a digest of a safe path, folded: how often it was asked for
	fold    cases.Caser

	lastTop, lastDir string // the folder that was asked for last
	last             int32
	lastPath         string // the safe path that was made last
	lastPathOf       int32
}

// placedFolder is a folder of a delivery: its safe name, and where that stands.
type placedFolder struct {
	under int32 // itself for what is at the top
	safe  string
	size  int // bytes of its safe path
}

// child is a folder by its name in the image and the folder that it lies in
// there.
type child struct {
	parent int32
	name   string
}

func newNamer() *namer {
	return &namer{tops: map[string]int32{}, in: map[child]int32{}, taken: map[[12]byte]int32{}, fold: cases.Fold(), lastPathOf: -1}
}

// place is where a file goes, below the payload folder: under top, which is
// safe, with path made safe.
func (n *namer) place(top, filePath string) string {
	dir, name := path.Split(filePath)
	at := n.path(n.folder(top, strings.TrimSuffix(dir, "/")))
	return at + "/" + n.unique(at, SafeName(name))
}

// folder is the folder of a path in the image, made where it has no place yet.
func (n *namer) folder(top, dir string) int32 {
	at, from := n.top(top), 0
	if dir == "" {
		return at
	}
	if rest, below := strings.CutPrefix(dir, n.lastDir); below && n.lastDir != "" && top == n.lastTop {
		if rest == "" {
			return n.last
		}
		if rest[0] == '/' {
			at, from = n.last, len(n.lastDir)+1
		}
	}
	for from <= len(dir) {
		end := nextEnd(dir, from)
		next, ok := n.in[child{at, dir[from:end]}]
		if !ok {
			next = n.add(top, at, dir[:end], strings.Clone(dir[from:end]))
		}
		at, from = next, end+1
	}
	n.lastTop, n.lastDir, n.last = top, dir, at
	return at
}

// find is the place of a folder, if it has one.
func (n *namer) find(top, dir string) (place string, ok bool) {
	at, ok := n.tops[top]
	for from := 0; ok && from <= len(dir); {
		end := nextEnd(dir, from)
		at, ok = n.in[child{at, dir[from:end]}]
		from = end + 1
	}
	if !ok {
		return "", false
	}
	return n.path(at), true
}

// nextEnd is where the name ends that begins in a path at from.
func nextEnd(dir string, from int) int {
	if i := strings.IndexByte(dir[from:], '/'); i >= 0 {
		return from + i
	}
	return len(dir)
}

func (n *namer) top(top string) int32 {
	at, ok := n.tops[top]
	if !ok {
		at = int32(len(n.folders))
		n.folders = append(n.folders, placedFolder{at, top, len(top)})
		n.tops[top] = at
	}
	return at
}

// add gives the folder of a name in another its place; dir is its whole path
// in the image.
func (n *namer) add(top string, parent int32, dir, name string) int32 {
	under, safe := parent, SafeName(name)
	if n.folders[under].size+len(safe) > pathLimit {
		sum := sha256.Sum256([]byte(dir))
		under, safe = n.top(top), "=deep-"+hex.EncodeToString(sum[:8])
	}
	safe = n.unique(n.path(under), safe)
	at := int32(len(n.folders))
	n.folders = append(n.folders, placedFolder{under, safe, n.folders[under].size + 1 + len(safe)})
	n.in[child{parent, name}] = at
	return at
}

// path is the safe path of a folder.
func (n *namer) path(at int32) string {
	if at == n.lastPathOf {
		return n.lastPath
	}
	b := make([]byte, n.folders[at].size)
	end := len(b)
	for k := at; ; k = n.folders[k].under {
		f := &n.folders[k]
		end -= len(f.safe)
		copy(b[end:], f.safe)
		if f.under == k {
			break
		}
		end--
		b[end] = '/'
	}
	n.lastPathOf, n.lastPath = at, string(b)
	return n.lastPath
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
			return other
		}
		count++
		n.taken[key] = count
	}
	return safe
}

func (n *namer) key(dir, safe string) [12]byte {
	folded := norm.NFC.String(n.fold.String(norm.NFD.String(safe)))
	sum := sha256.Sum256([]byte(dir + "\x00" + folded))
	return [12]byte(sum[:12])
}
