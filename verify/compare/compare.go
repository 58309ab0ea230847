package compare

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"fileassay/verify/files"
	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// What says what became of a file.
type What string

// What can become of a file. Nothing is said of those that stayed as they were.
const (
	Fell    What = "fell"     // less of it is proved than before
	Gone    What = "gone"     // it is no longer listed
	Changed What = "changed"  // what was whole, or was read, is not the same
	Rose    What = "rose"     // a better verdict
	More    What = "more"     // the same verdict, and more of it read
	Found   What = "found"    // newly listed
	Named   What = "named"    // known by number before, now with its name
	Renamed What = "renamed"  // listed under another path
	Same    What = "the same" // nothing
)

// Change is what became of a file.
type Change struct {
	What   What           `json:"what"`
	Volume int            `json:"volume"` // in the result after; of what is gone, in the one before
	ID     uint64         `json:"id"`
	Path   string         `json:"path"`
	Old    string         `json:"old_path,omitempty"`
	Kind   wanted.Kind    `json:"kind"`
	Folder bool           `json:"folder,omitempty"`
	Weight float64        `json:"weight"`
	Before result.Verdict `json:"before,omitempty"` // "" where it was not listed
	After  result.Verdict `json:"after,omitempty"`
	Won    int64          `json:"bytes_won"` // below 0: lost
	// Sectors is how many sectors of its content, read both times, hold other
	// bytes now, where content was compared.
	Sectors int64  `json:"sectors_differ,omitempty"`
	Why     string `json:"why,omitempty"`
}

// KindGain is what rose of files of a kind.
type KindGain struct {
	Kind   wanted.Kind `json:"kind"`
	Whole  int64       `json:"whole"` // newly intact
	Rose   int64       `json:"rose"`  // a better verdict, these included
	Weight float64     `json:"weight"`
	Bytes  int64       `json:"bytes"` // of content won, also of files whose verdict stayed
}

// Listing is how a volume's list changed.
type Listing struct {
	Volume        int      `json:"volume"` // in the result after
	Start         int64    `json:"start"`
	Filesystem    string   `json:"filesystem"`
	State         string   `json:"state"` // "found", "gone", "the same"
	Complete      [2]bool  `json:"complete"`
	UnreadRecords [2]int64 `json:"unread_records"`
	Files         [2]int64 `json:"files"`
}

// Next is what a further pass could still win, by the default costs.
type Next struct {
	Files   reread.WantedCount `json:"wanted_files"`
	Sectors int64              `json:"sectors"`
	Seconds float64            `json:"seconds"`
	Whole   int64              `json:"whole"`
	Perhaps int64              `json:"perhaps_whole"`
	Weight  float64            `json:"weight"`
}

// Comparison is two results of one drive held against each other.
type Comparison struct {
	Type    string         `json:"type"` // "compare"
	Before  string         `json:"before"`
	After   string         `json:"after"`
	Wanted  string         `json:"wanted"`
	Sector  int64          `json:"sector"`
	Changes []*Change      `json:"changes"`
	Counts  map[What]int64 `json:"counts"`

	Kinds    []KindGain `json:"by_kind"`
	Whole    int64      `json:"whole"` // files newly intact, found ones included
	Weight   float64    `json:"weight"`
	Bytes    int64      `json:"bytes_won"`
	Sectors  int64      `json:"sectors_won"`
	Lost     int64      `json:"sectors_lost"` // read before, and unread now
	LostAt   [][2]int64 `json:"lost_at,omitempty"`
	Warnings []string   `json:"worse,omitempty"` // what got worse beyond single files
	Notes    []string   `json:"notes,omitempty"`
	Listings []Listing  `json:"listings"`
	Verdicts [2]Counts  `json:"files"` // before and after
	Next     Next       `json:"next"`

	Content *ContentRecord `json:"content"` // nil where it was not compared

	list *wanted.List
}

// Counts counts files by verdict.
type Counts = result.VerdictCount

// Worse reports whether anything got worse.
func (c *Comparison) Worse() bool {
	if c.Content != nil && c.Content.Differ+c.Content.Failed > 0 {
		return true
	}
	return c.Lost > 0 || len(c.Warnings) > 0 || c.Counts[Fell]+c.Counts[Gone]+c.Counts[Changed] > 0
}

// ErrOtherDrive says that two results are not of one drive.
var ErrOtherDrive = errors.New("they are of drives of other sizes; give two results of one drive")

// Results compares two results of one drive. list is nil for the built-in one.
// What the sectors hold that both passes read is not in a result: see [Content].
func Results(before, after *result.Result, list *wanted.List) (*Comparison, error) {
	if list == nil {
		list = wanted.Default()
	}
	if a, b := before.Image.DriveSize, after.Image.DriveSize; a != b {
		return nil, &files.InputError{Err: fmt.Errorf("results %s and %s (%d and %d bytes): %w", before.Path, after.Path, a, b, ErrOtherDrive)}
	}
	c := &Comparison{Type: "compare", Before: before.Path, After: after.Path, Wanted: list.Name, Sector: after.Image.Sector,
		Counts: map[What]int64{}, Verdicts: [2]Counts{before.Summary.Files, after.Summary.Files}, Changes: []*Change{}, list: list}
	c.places(before, after)
	c.volumes(before, after)
	j := &judge{Comparison: c, list: list, kinds: map[wanted.Kind]*KindGain{}}
	if err := j.filesOf(before, after); err != nil {
		return nil, err
	}
	c.sort()
	for _, k := range wanted.Kinds() {
		if g := j.kinds[k]; g != nil && (g.Rose > 0 || g.Bytes != 0) {
			c.Kinds = append(c.Kinds, *g)
		}
	}
	return c, c.next(after, list)
}

// sort orders the changes: what got worse first, then by weight.
func (c *Comparison) sort() {
	slices.SortStableFunc(c.Changes, func(a, b *Change) int {
		return cmp.Or(cmp.Compare(a.What.rank(), b.What.rank()), cmp.Compare(b.Weight, a.Weight), cmp.Compare(a.Volume, b.Volume), strings.Compare(a.Path, b.Path))
	})
}

// rank puts what got worse first.
func (w What) rank() int {
	return slices.Index([]What{Fell, Gone, Changed, Rose, Found, Named, Renamed, More}, w)
}

func (c *Comparison) next(after *result.Result, list *wanted.List) error {
	p, err := reread.New(after, reread.Options{Wanted: list, Costs: reread.DefaultCosts()})
	if err != nil {
		return err
	}
	c.Next = Next{p.Files, p.Sectors, p.Took.Seconds(), p.Whole, p.Perhaps, p.Weight}
	return nil
}

// judge compares the files.
type judge struct {
	*Comparison
	list  *wanted.List
	kinds map[wanted.Kind]*KindGain
}

// seen is a line of the result after, when it is judged.
type seen struct {
	old
	volume int // as the line has it
	path   string
	weight float64
}

// pending is a file of the result after that was not found by number and path.
type pending struct {
	old
	line int
	was  int32 // the line of the result before that it was found by; -1 for none
}

// filesOf matches the files of two results: by number and path, then what is left by
// number, then by path. What it keeps of them is small and has no words, so the
// lines whose words are to be told are read again.
func (j *judge) filesOf(before, after *result.Result) error {
	places := volumes{}
	was, err := load(before, places.of(before))
	if err != nil {
		return err
	}
	volume := places.of(after)
	of := func(o old, f *result.File) *seen {
		return &seen{o, f.Volume, f.Path, f.Weight(j.list)}
	}
	var left []pending
	err = eachLine(after, func(n int, f *result.File) {
		o := newOld(f, volume[f.Volume])
		if x := was.exact(&o); x >= 0 {
			j.pair(&was.list[x], of(o, f))
			return
		}
		left = append(left, pending{o, n, -1})
	})
	if err != nil {
		return err
	}
	for i := range left {
		left[i].was = was.renamed(&left[i].old)
	}
	for i := range left {
		if p := &left[i]; p.was < 0 {
			p.was = was.elsewhere(&p.old)
		}
	}
	renamed := map[int32]int{} // changes that tell the path that a line before had
	if len(left) > 0 {
		err = eachLine(after, func(n int, f *result.File) {
			if len(left) == 0 || left[0].line != n {
				return
			}
			p := &left[0]
			left = left[1:]
			if p.was < 0 {
				j.pair(nil, of(p.old, f))
				return
			}
			if j.pair(&was.list[p.was], of(p.old, f)) {
				renamed[p.was] = len(j.Changes) - 1
			}
		})
	}
	if err != nil || len(renamed) == 0 && !slices.ContainsFunc(was.list, func(o old) bool { return !o.used }) {
		return err
	}
	return eachLine(before, func(n int, f *result.File) {
		x := &was.list[n]
		if c, ok := renamed[int32(n)]; ok {
			j.Changes[c].Old = f.Path
		}
		if !x.used {
			j.note(Change{What: Gone, Volume: f.Volume, ID: x.id, Path: f.Path, Kind: wanted.KindOf(f.Path), Folder: x.folder,
				Weight: f.Weight(j.list), Before: x.verdict(), Won: -x.read, Why: "it was listed before and is not now"})
		}
	})
}

// pair compares a file with what it was; x is nil where it was not listed. It
// reports whether the last change is to tell what path the file had.
func (j *judge) pair(x *old, now *seen) (renamed bool) {
	c := Change{What: Same, Volume: now.volume, ID: now.id, Path: now.path, Kind: wanted.KindOf(now.path), Folder: now.folder,
		Weight: now.weight, After: now.verdict()}
	if x == nil {
		c.What, c.Won = Found, now.read
		j.gain(&c, c.After == result.Intact, false)
		j.note(c)
		return false
	}
	c.Before, c.Won = x.verdict(), now.read-x.read
	renamed = x.path != now.old.path
	up := now.level - x.level
	whole := c.Before == result.Intact && c.After == result.Intact
	switch {
	case up < 0:
		c.What, c.Why = Fell, "its verdict was better before"
	case x.size >= 0 && now.size >= 0 && x.size != now.size && c.Before == result.Intact:
		c.What, c.Why = Changed, fmt.Sprintf("its size was %d and is %d", x.size, now.size)
	case whole && x.modified != now.modified:
		c.What, c.Why = Changed, "its time of change is another"
	case whole && x.extents != now.extents:
		c.What, c.Why = Changed, "its content lies elsewhere"
	case now.placed < x.placed:
		c.What, c.Why = Fell, "its name, or the folder that it lies in, was known before"
		if up > 0 {
			c.What = Changed
		}
	case up == 0 && c.Won < 0:
		c.What, c.Why = Fell, "less of its content is read than before"
	case up == 0 && now.read+now.doubtful < x.read+x.doubtful:
		c.What, c.Why = Fell, "the drive gave data for more of its content before, though it did not vouch for it"
	case up > 0 && c.Won < 0:
		c.What, c.Why = Changed, "its verdict is better, and less of its content is read than before"
	case up > 0:
		c.What = Rose
	case c.Won > 0:
		c.What = More
	}
	j.gain(&c, up > 0 && c.After == result.Intact, up > 0)
	if renamed {
		what := Renamed
		if now.placed > x.placed {
			what = Named
		}
		if c.What == Same || c.What == More {
			c.What = what
		} else {
			j.Counts[what]++ // told once, under what is more
		}
	}
	if c.What != Same {
		j.note(c)
	}
	return renamed
}

// gain counts what a file won. Folders have no content to win.
func (j *judge) gain(c *Change, whole, rose bool) {
	if c.Folder {
		return
	}
	g := j.kinds[c.Kind]
	if g == nil {
		g = &KindGain{Kind: c.Kind}
		j.kinds[c.Kind] = g
	}
	if c.Won > 0 {
		g.Bytes += c.Won
		j.Bytes += c.Won
	}
	if rose || whole {
		g.Rose++
	}
	if whole {
		g.Whole++
		g.Weight += c.Weight
		j.Whole++
		j.Weight += c.Weight
	}
}

func (j *judge) note(c Change) {
	j.Counts[c.What]++
	j.Changes = append(j.Changes, &c)
}
