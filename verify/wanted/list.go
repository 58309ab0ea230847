package wanted

import (
	_ "embed" // the built-in list
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/dustin/go-humanize"
	"golang.org/x/text/unicode/norm"

	"fileassay/extract/input"
	"fileassay/verify/glob"
)

// DefaultText is the list that is built in, as it would stand in a file.
//
//go:embed default.txt
var DefaultText string

// Entry is what a list must know of a file.
type Entry struct {
	Volume   int // as the result counts them, from 1; 0 where unknown
	Path     string
	Size     int64     // bytes; -1 where unknown
	Modified time.Time // zero where unknown
}

// List is a wanted list.
type List struct {
	Name  string // where it comes from, for people
	rules []rule
	index index
}

// rule is a line of a list. What it does not ask is zero.
type rule struct {
	weight  float64
	volume  int
	kind    Kind
	newer   time.Time
	older   time.Time
	larger  int64
	smaller int64
	pattern *glob.Pattern // folded; nil for every path
	name    bool          // the pattern is for the last name alone
}

// MaxWeight bounds the weights of a list.
const MaxWeight = 1e9

// Bounds of a list: what is larger is some other file.
const (
	MaxText  = 16 << 20 // bytes
	MaxRules = 200_000
)

// MaxAnywhere bounds the rules of a list that have to be asked of every file: those
// that begin with no whole name, and are for no single name.
const MaxAnywhere = 1000

// Load reads a list from a file; where no path is given there is none.
func Load(path string) (*List, error) {
	if path == "" {
		return nil, nil
	}
	f, err := input.Open("wanted list", path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return Parse(path, f)
}

// Default is the list that is used where none is given: a person's own
// documents, photos, mail and databases before programs and caches.
func Default() *List {
	l, _ := Parse("the built-in list", strings.NewReader(DefaultText)) // a test holds every line to be good
	return l
}

// Parse reads a list. name is what errors call it.
func Parse(name string, r io.Reader) (*List, error) {
	data, err := io.ReadAll(io.LimitReader(r, MaxText+1))
	if err != nil {
		return nil, fmt.Errorf("wanted list %s: %w", name, err)
	}
	if len(data) > MaxText {
		return nil, fmt.Errorf("wanted list %s: has more than %s; is it the right file?", name, humanize.IBytes(MaxText))
	}
	l := &List{Name: name}
	n := 0
	for line := range strings.Lines(strings.TrimPrefix(string(data), "\ufeff")) {
		n++
		r, ok, err := parseLine(line)
		if err != nil {
			return nil, fmt.Errorf("wanted list %s, line %d: %w", name, n, err)
		}
		if ok && len(l.rules) == MaxRules {
			return nil, fmt.Errorf("wanted list %s, line %d: a list may have %s rules; take several files together with patterns", name, n, humanize.Comma(MaxRules))
		}
		if ok {
			l.rules = append(l.rules, r)
		}
	}
	if len(l.rules) == 0 {
		return nil, fmt.Errorf(`wanted list %s: has no rule; write lines of a weight and a pattern, as "10 kind:photo"`, name)
	}
	if l.index = indexed(l.rules); len(l.index.any) > MaxAnywhere {
		return nil, fmt.Errorf("wanted list %s: has %d patterns for names or for paths that may begin anywhere, and %d is the most; begin patterns with a folder", name, len(l.index.any), MaxAnywhere)
	}
	return l, nil
}

// parseLine reads a line; ok is false where it holds no rule.
func parseLine(line string) (r rule, ok bool, err error) {
	// a name may end in a blank of another script, which is a part of it
	line = strings.TrimRight(strings.TrimLeftFunc(line, unicode.IsSpace), " \t\r\n")
	if line == "" || line[0] == '#' {
		return r, false, nil
	}
	word, rest := cut(line)
	r.weight, err = strconv.ParseFloat(word, 64)
	if err != nil || math.IsNaN(r.weight) || r.weight < 0 || r.weight > MaxWeight {
		return r, false, fmt.Errorf("weight %q: give a number from 0 to %.0f, then what it is for", word, float64(MaxWeight))
	}
	if rest == "" {
		return r, false, fmt.Errorf(`weight %s: what for? give a pattern, or ** for every file`, word)
	}
	for rest != "" {
		word, after := cut(rest)
		known, err := r.condition(word)
		if err != nil {
			return r, false, err
		}
		if !known {
			break
		}
		rest = after
	}
	return r, true, r.glob(rest)
}

func cut(s string) (word, rest string) {
	i := strings.IndexAny(s, " \t")
	if i < 0 {
		return s, ""
	}
	return s[:i], strings.TrimLeft(s[i:], " \t")
}

// condition reads a condition; known is false where the word is none.
func (r *rule) condition(word string) (known bool, err error) {
	name, value, ok := strings.Cut(word, ":")
	if !ok {
		return false, nil
	}
	switch name {
	case "kind":
		r.kind = Kind(value)
		if !r.kind.Known() {
			return true, fmt.Errorf("kind:%s: no such kind; there are %s", value, kindNames())
		}
	case "volume":
		r.volume, err = strconv.Atoi(value)
		if err != nil || r.volume < 1 {
			return true, fmt.Errorf("%s: give the volume's number in the result, as volume:2", word)
		}
	case "newer", "older":
		t, err := time.Parse(time.DateOnly, value)
		if err != nil {
			return true, fmt.Errorf("%s: give a day as 2024-01-31", word)
		}
		if name == "newer" {
			r.newer = t
		} else {
			r.older = t
		}
	case "larger", "smaller":
		n, err := humanize.ParseBytes(value)
		if err != nil || n > math.MaxInt64/2 {
			return true, fmt.Errorf("%s: give a size as 500KiB or 2GB", word)
		}
		if name == "larger" {
			r.larger = int64(n) + 1
		} else {
			r.smaller = int64(n)
			if n == 0 {
				return true, fmt.Errorf("%s: nothing is smaller than nothing", word)
			}
		}
	default:
		return false, nil
	}
	return true, nil
}

func (r *rule) glob(p string) error {
	p = fold(p)
	if p == "" || p == "**" || p == "*" {
		return nil
	}
	r.name = !strings.Contains(p, "/")
	var err error
	r.pattern, err = glob.Compile(strings.TrimPrefix(p, "/"))
	return err
}

// Weight is how much an entry is wanted; 0 where not at all. The first rule that
// fits says it.
func (l *List) Weight(e Entry) float64 {
	path := fold(e.Path)
	name := path[strings.LastIndexByte(path, '/')+1:]
	kind := Kind("")
	first := len(l.rules)
	for list := range l.index.of(path, name) {
		for _, n := range list {
			if int(n) >= first {
				break
			}
			r := &l.rules[n]
			if r.kind != "" && kind == "" {
				kind = KindOf(path)
			}
			if (r.kind == "" || r.kind == kind) && r.fits(&e, path, name) {
				first = int(n)
				break
			}
		}
	}
	if first == len(l.rules) {
		return 0
	}
	return l.rules[first].weight
}

func (r *rule) fits(e *Entry, path, name string) bool {
	// what is not known meets no condition
	if r.volume != 0 && r.volume != e.Volume {
		return false
	}
	if (!r.newer.IsZero() || !r.older.IsZero()) && e.Modified.IsZero() {
		return false
	}
	if !r.newer.IsZero() && e.Modified.Before(r.newer) || !r.older.IsZero() && !e.Modified.Before(r.older) {
		return false
	}
	if (r.larger > 0 || r.smaller > 0) && e.Size < 0 {
		return false
	}
	if e.Size < r.larger && r.larger > 0 || r.smaller > 0 && e.Size >= r.smaller {
		return false
	}
	if r.name {
		path = name
	}
	return r.pattern == nil || r.pattern.Match(path)
}

// Leads is the most that anything below a folder of a volume may be wanted,
// whatever its name is. The folder "" is the root folder, volume 0 is any.
func (l *List) Leads(volume int, folder string) float64 {
	folder = fold(folder)
	last := len(l.rules) // no later rule is asked for what lies below
	fits := func(n int32) (some, all bool) {
		r := &l.rules[n]
		if r.volume != 0 && volume != 0 && r.volume != volume {
			return false, false
		}
		some, all = r.below(folder)
		return some, all && r.plain() && (r.volume == 0 || r.volume == volume)
	}
	for list := range l.index.of(folder, "") {
		for _, n := range list {
			if int(n) >= last {
				break
			}
			if _, all := fits(n); all {
				last = int(n)
			}
		}
	}
	most := 0.0
	for list := range l.index.leads(folder) {
		for _, n := range list {
			if int(n) > last {
				continue
			}
			if some, _ := fits(n); some {
				most = max(most, l.rules[n].weight)
			}
		}
	}
	return most
}

// plain reports whether a rule asks for nothing but a volume and its pattern.
func (r *rule) plain() bool {
	return r.kind == "" && r.newer.IsZero() && r.older.IsZero() && r.larger == 0 && r.smaller == 0
}

// below reports whether the rule may fit something below a folder by its
// pattern, and whether it fits all that may lie there.
func (r *rule) below(folder string) (some, all bool) {
	switch {
	case r.pattern == nil:
		return true, true
	case r.name:
		return true, false
	}
	return r.pattern.Below(folder)
}

// fold makes one of all ways to write a name: upper and lower case are the same
// to who makes a list, and so are a letter with its accent in one piece (as keys
// and most volumes have it) and in two (as HFS+ keeps it, TN1150): Unicode's
// form C, UAX #15.
func fold(s string) string {
	return norm.NFC.String(strings.ToLower(norm.NFC.String(s)))
}
