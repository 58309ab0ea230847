package ownertest

import (
	"fmt"
	"path"
	"regexp"
	"slices"
	"strings"

	"fileassay/extract/imap"
	"fileassay/verify/result"
	"fileassay/verify/truthtest"
)

// The classes of faults.
const (
	FalseIntact = "false intact" // an intact file that is not what it says
	FormerKept  = "former"       // an intact file of a former volume, in the place of one of now that was read of
	Complete    = "complete"     // a list that is called complete, and is not
	Unread      = "unread"       // unread bytes that are not counted once
	Twice       = "twice"        // a file or volume that is listed twice
	Missed      = "missed"       // a volume of now without a word
)

// Classes are the classes of faults in the order of tables.
var Classes = []string{FalseIntact, FormerKept, Complete, Unread, Twice, Missed}

// Fault is a fact that does not hold.
type Fault struct{ Class, Text string }

// Seen is a drive as a run saw it: with what of it was not read.
type Seen struct {
	Drive  *Disk
	Whole  []byte // the image of it without damage
	Unread []imap.Range
	Result *truthtest.Result
}

// Faults are the facts that do not hold of a result.
func (s *Seen) Faults() []Fault {
	c := checker{Seen: s}
	c.intact()
	c.complete()
	c.counted()
	c.twice()
	c.missed()
	return c.faults
}

type checker struct {
	*Seen
	faults []Fault
}

func (c *checker) fault(class, format string, a ...any) {
	c.faults = append(c.faults, Fault{class, fmt.Sprintf(format, a...)})
}

// family is the family of a filesystem, "" where it is none that files are
// listed of.
func family(filesystem string) string {
	s := strings.ToLower(filesystem)
	switch {
	case strings.HasPrefix(s, "ext"):
		return "ext"
	case strings.HasPrefix(s, "exfat"):
		return "exfat"
	case strings.HasPrefix(s, "fat"):
		return "fat"
	case strings.HasPrefix(s, "ntfs"):
		return "ntfs"
	}
	return ""
}

// is reports whether a listed volume is one of the truth.
func is(r *result.Volume, v *Volume) bool {
	return r.Start == v.Start && family(r.Filesystem) == family(v.Kind) && (r.Label == "" || r.Label == v.Label) &&
		(r.Cluster == 0 || v.Cluster == 0 || r.Cluster == v.Cluster)
}

// now is the volume of now that a listed one is; nil where it is none.
func (s *Seen) now(r *result.Volume) *Volume {
	for i := range s.Drive.Volumes {
		if is(r, &s.Drive.Volumes[i]) {
			return &s.Drive.Volumes[i]
		}
	}
	return nil
}

// Lists is the listed volume that a volume of the truth is; nil for none.
func (s *Seen) Lists(v *Volume) *result.Volume {
	for i := range s.Result.Volumes {
		if r := &s.Result.Volumes[i]; is(r, v) {
			return r
		}
	}
	return nil
}

// content is what the extents of a file hold, with zeros where it has none. It
// says whether they lie in the image.
func (s *Seen) content(f *result.File) ([]byte, bool) {
	if f.Size == nil || *f.Size > s.Drive.Size {
		return nil, false
	}
	b := make([]byte, *f.Size)
	for _, e := range f.Extents {
		if e[0] < 0 || e[1] < 0 || e[2] < 0 || e[0]+e[2] > *f.Size || e[1]+e[2] > s.Drive.Size {
			return nil, false
		}
		copy(b[e[0]:], s.Drive.Image[e[1]:e[1]+e[2]])
	}
	return b, true
}

// replaced is a volume of now that a file has an extent in, and that something
// of its own which was read speaks for; nil for none.
func (s *Seen) replaced(f *result.File) *Volume {
	for i := range s.Drive.Volumes {
		v := &s.Drive.Volumes[i]
		if slices.ContainsFunc(f.Extents, func(e [3]int64) bool { return e[1] < v.End() && v.Start < e[1]+e[2] }) && s.speaks(v) != "" {
			return v
		}
	}
	return nil
}

func plain(f *result.File) bool { return f.Kind == "file" || f.Kind == "stream" }

// intact holds that every intact file has the content of the file that it says
// it is. One of a former volume is not intact in the place of one of now.
func (c *checker) intact() {
	n := map[string]int{}
	say := func(class, format string, a ...any) {
		if n[class]++; n[class] <= 3 {
			c.fault(class, format, a...)
		}
	}
	for i := range c.Result.Files {
		f := &c.Result.Files[i]
		if !plain(f) || f.Verdict != result.Intact {
			continue
		}
		r := &c.Result.Volumes[f.Volume-1]
		list := c.Drive.Former
		v := c.now(r)
		if v != nil {
			list = []Volume{*v}
		}
		b, ok := c.content(f)
		if !ok {
			say(FalseIntact, "volume %d: %s: extents %v of %d bytes", r.Volume, f.Path, f.Extents, f.Size)
			continue
		}
		sum := digest(b)
		if !slices.ContainsFunc(list, func(v Volume) bool {
			return slices.ContainsFunc(v.Files, func(t File) bool { return t.SHA256 == sum && names(f, t.Path) })
		}) {
			say(FalseIntact, "volume %d (%s %q at %d): %s has other content: %.60q", r.Volume, r.Filesystem, r.Label, r.Start, f.Path, b)
			continue
		}
		if v != nil {
			continue
		}
		if now := c.replaced(f); now != nil {
			say(FormerKept, "volume %d (%s %q at %d): %s lies in %s %q at %d, whose %s was read", r.Volume, r.Filesystem, r.Label, r.Start, f.Path,
				now.Kind, now.Label, now.Start, c.speaks(now))
		}
	}
	for class, n := range n {
		if n > 3 {
			c.fault(class, "%d more", n-3)
		}
	}
}

// names reports whether a listed file may stand under a path.
func names(f *result.File, p string) bool {
	return f.Path == p || strings.HasPrefix(f.Path, "?/") && (f.Unnamed || path.Base(f.Path) == path.Base(p))
}

// lacks names a file of a volume of now that is not listed, "" for none.
func (s *Seen) lacks(v *Volume) string {
	r := s.Lists(v)
	if r == nil {
		return fmt.Sprintf("%s %q at %d", v.Kind, v.Label, v.Start)
	}
	has := map[string]bool{}
	for i := range s.Result.Files {
		if f := &s.Result.Files[i]; f.Volume == r.Volume {
			has[path.Base(f.Path)] = true
		}
	}
	for _, f := range v.Files {
		if !has[path.Base(f.Path)] {
			return fmt.Sprintf("%s of %s %q at %d", f.Path, v.Kind, v.Label, v.Start)
		}
	}
	return ""
}

// complete holds that no list is called complete that lacks something of now.
func (c *checker) complete() {
	said := false
	for i := range c.Drive.Volumes {
		v := &c.Drive.Volumes[i]
		lacks := c.lacks(v)
		if lacks == "" {
			continue
		}
		if c.Result.Summary.ListingComplete && !said {
			c.fault(Complete, "the list lacks %s", lacks)
			said = true
		}
		if r := c.Lists(v); r != nil && r.Listing.Complete {
			c.fault(Complete, "the list of volume %d lacks %s", r.Volume, lacks)
		}
		for k := range c.Result.Volumes {
			r := &c.Result.Volumes[k]
			if r.Listing.Complete && r.Start < v.End() && v.Start < r.Start+r.Length && c.now(r) == nil && (family(r.Filesystem) == "" || c.speaks(v) != "") {
				c.fault(Complete, "the list of volume %d (%s at %d), in the place of what lacks: %s", r.Volume, r.Filesystem, r.Start, lacks)
			}
		}
	}
}

// counted holds that every unread byte is counted once.
func (c *checker) counted() {
	var want int64
	for _, u := range c.Unread {
		want += u.Length
	}
	m := c.Result.Image.Map
	if got := c.Result.Summary.Unread.Total(); got != want || m.Doubtful+m.Failed+m.Skipped != want {
		c.fault(Unread, "%d bytes are unread, %d are told of, the map has %d", want, got, m.Doubtful+m.Failed+m.Skipped)
	}
}

// twice holds that nothing is listed twice, and that no two volumes have intact
// files in one place.
func (c *checker) twice() {
	type key struct {
		start      int64
		id         uint64
		path, kind string
	}
	seen := map[key]bool{}
	var spans [][3]int64 // start, end, volume
	for i := range c.Result.Files {
		f := &c.Result.Files[i]
		k := key{c.Result.Volumes[f.Volume-1].Start, f.ID, f.Path, f.Kind}
		if seen[k] {
			c.fault(Twice, "%s of the volume at %d", f.Path, k.start)
			break
		}
		seen[k] = true
		if f.Verdict == result.Intact {
			for _, e := range f.Extents {
				spans = append(spans, [3]int64{e[1], e[1] + e[2], int64(f.Volume)})
			}
		}
	}
	slices.SortFunc(spans, func(a, b [3]int64) int { return int(a[0] - b[0]) })
	for i := 1; i < len(spans); i++ {
		if a, b := spans[i-1], spans[i]; b[0] < a[1] && a[2] != b[2] {
			c.fault(Twice, "volumes %d and %d have intact files at %d", a[2], b[2], b[0])
			break
		}
	}
	at := map[string]bool{}
	for _, r := range c.Result.Volumes {
		k := fmt.Sprint(r.Start, family(r.Filesystem), r.Cluster)
		if family(r.Filesystem) != "" && at[k] {
			c.fault(Twice, "the %s volume at %d", r.Filesystem, r.Start)
		}
		at[k] = true
	}
}

// words are all words about what may be missing.
func (s *Seen) words() []string {
	out := slices.Concat(s.Result.Image.Missing, s.Result.Image.Notes)
	for _, v := range s.Result.Volumes {
		out = slices.Concat(out, v.Listing.Why, v.Notes)
	}
	return out
}

var familyWords = map[string]*regexp.Regexp{
	"ext":   regexp.MustCompile(`(?i)\bext[234]?\b`),
	"exfat": regexp.MustCompile(`(?i)\bexfat\b`),
	"fat":   regexp.MustCompile(`(?i)\bfat(12|16|32)?\b`),
	"ntfs":  regexp.MustCompile(`(?i)\bntfs\b`),
}

// Names reports whether the result lists a volume, or its words name the
// filesystem and the offset.
func (s *Seen) Names(v *Volume) bool {
	return s.Lists(v) != nil || s.says(v.Start, familyWords[family(v.Kind)])
}

// says reports whether some words have an offset, and match.
func (s *Seen) says(offset int64, also *regexp.Regexp) bool {
	number := regexp.MustCompile(fmt.Sprintf(`(^|[^0-9])%d([^0-9]|$)`, offset))
	return slices.ContainsFunc(s.words(), func(w string) bool {
		return number.MatchString(w) && (also == nil || also.MatchString(w))
	})
}

// missed holds that no volume of now is missed without a word. One that a
// structure of its own which was read speaks for is listed or named; another
// has at least its place told of, or the list says that volumes may be missing.
func (c *checker) missed() {
	for i := range c.Drive.Volumes {
		v := &c.Drive.Volumes[i]
		if c.Names(v) {
			continue
		}
		other := ""
		here := false // something at its start that is no volume of files
		for _, r := range c.Result.Volumes {
			if r.Start == v.Start || v.Front > 0 && r.Start == v.Front {
				if other = family(r.Filesystem); other == "" {
					here = true
				}
			}
		}
		if other == "" && (here || c.says(v.Start, nil)) {
			continue
		}
		how := c.speaks(v)
		if how != "" {
			c.fault(Missed, "%s %q at %d, whose %s was read (there is listed: %s)", v.Kind, v.Label, v.Start, how, other)
		} else if c.Result.Summary.ListingComplete || len(c.words()) == 0 {
			c.fault(Missed, "%s %q at %d: no word", v.Kind, v.Label, v.Start)
		}
	}
}

// own are the places of a volume's own first structure and its copies.
func own(v *Volume) (primary [2]int64, copies [][2]int64) {
	at := v.Start
	switch v.Kind {
	case "fat16", "fat16-2k":
		return [2]int64{at, Sector}, nil
	case "fat32":
		return [2]int64{at, Sector}, [][2]int64{{at + 6*Sector, Sector}}
	case "ntfs":
		return [2]int64{at, Sector}, [][2]int64{{v.End() - Sector, Sector}}
	case "exfat":
		return [2]int64{at, Sector}, [][2]int64{{at + 12*Sector, 12 * Sector}}
	}
	group, first := v.Cluster*8*v.Cluster, int64(0)
	if v.Cluster == 1024 {
		first = 1024
	}
	if v.Kind == "ext4-g" {
		group = 2048 * 1024
	}
	for _, n := range []int64{1, 3, 5, 7, 9} {
		if b := first + n*group; b+1024 <= v.Length {
			copies = append(copies, [2]int64{at + b, 1024})
		}
	}
	return [2]int64{at + 1024, 1024}, copies
}

// Primary is where the first structure of a volume stands.
func Primary(v *Volume) imap.Range {
	p, _ := own(v)
	return imap.Range{Start: p[0], Length: p[1], State: imap.Failed}
}

// Copies is where a volume keeps copies of its first structure.
func Copies(v *Volume) []imap.Range {
	_, list := own(v)
	var out []imap.Range
	for _, p := range list {
		out = append(out, imap.Range{Start: p[0], Length: p[1], State: imap.Failed})
	}
	return out
}

// speaks names a structure of the volume's own that was read as it is, "" for
// none.
func (s *Seen) speaks(v *Volume) string {
	read := func(p [2]int64) bool {
		return !slices.ContainsFunc(s.Unread, func(u imap.Range) bool { return u.Start < p[0]+p[1] && p[0] < u.End() }) &&
			string(s.Drive.Image[p[0]:p[0]+p[1]]) == string(s.Whole[p[0]:p[0]+p[1]])
	}
	primary, copies := own(v)
	if read(primary) {
		return "first structure"
	}
	for _, c := range copies {
		if family(v.Kind) == "ext" && string(s.Whole[c[0]+56:c[0]+58]) != "\x53\xef" {
			continue // no backup stands there
		}
		if read(c) {
			return fmt.Sprintf("copy at %d", c[0])
		}
	}
	return ""
}
