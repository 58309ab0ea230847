package compare

import (
	"errors"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/verify/files"
	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

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
	Changes Changes        `json:"changes"`
	Counts  map[What]int64 `json:"counts"`

	Kinds    []KindGain             `json:"by_kind"`
	Whole    int64                  `json:"whole"` // files newly intact, found ones included
	Weight   float64                `json:"weight"`
	Bytes    int64                  `json:"bytes_won"`
	Sectors  int64                  `json:"sectors_won"`
	Lost     int64                  `json:"sectors_lost"` // read before, and unread now
	LostAt   [][2]int64             `json:"lost_at,omitempty"`
	Warnings []string               `json:"worse,omitempty"` // what got worse beyond single files
	Notes    []string               `json:"notes,omitempty"`
	Listings []Listing              `json:"listings"`
	Verdicts [2]result.VerdictCount `json:"files"` // before and after
	Next     Next                   `json:"next"`

	Content *ContentRecord `json:"content"` // nil where it was not compared

	all *changes
}

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
		Counts: map[What]int64{}, Verdicts: [2]result.VerdictCount{before.Summary.Files, after.Summary.Files}}
	c.places(before, after)
	c.volumes(before, after)
	if err := c.next(after, list); err != nil {
		return nil, err
	}
	t := &changes{before: before, after: after, wanted: list}
	c.all, c.Changes = t, t
	j := &judge{Comparison: c, changes: t, kinds: map[wanted.Kind]*KindGain{}}
	if err := j.filesOf(before, after); err != nil {
		return nil, err
	}
	t.sort()
	for _, k := range wanted.Kinds() {
		if g := j.kinds[k]; g != nil && (g.Rose > 0 || g.Bytes != 0) {
			c.Kinds = append(c.Kinds, *g)
		}
	}
	return c, nil
}

// next finds what a further pass could still win. Of very many files a plan takes
// much memory, which is free again behind it.
func (c *Comparison) next(after *result.Result, list *wanted.List) error {
	p, err := reread.New(after, reread.Options{Wanted: list, Costs: reread.DefaultCosts(), Sums: true})
	if err != nil {
		return err
	}
	c.Next = Next{p.Files, p.Sectors, p.Took.Seconds(), p.Whole, p.Perhaps, p.Weight}
	return nil
}

// judge compares the files.
type judge struct {
	*Comparison
	*changes
	kinds map[wanted.Kind]*KindGain
}

// filesOf matches the files of two results: by number and path, then what is left by
// number, then by path. What it keeps of them is small and has no words: the
// lines of what is left are read again.
func (j *judge) filesOf(before, after *result.Result) error {
	places := volumes{}
	was, err := load(before, places.of(before))
	if err != nil {
		return err
	}
	volume := places.of(after)
	found := make([]bool, after.Summary.Files.Total()+after.Summary.Folders.Total()) // of its lines
	left := len(found)
	for _, find := range []func(*old) int32{was.exact, was.renamed, was.elsewhere} {
		if left == 0 {
			return j.gone(was, before, after, volume)
		}
		err = eachLine(after, func(n int, f *result.File) {
			if found[n] {
				return
			}
			o := newOld(f, volume[f.Volume])
			if x := find(&o); x >= 0 {
				found[n] = true
				left--
				j.pair(&was.list[x], &o, f)
			}
		})
		if err != nil {
			return err
		}
	}
	err = eachLine(after, func(n int, f *result.File) {
		if !found[n] {
			o := newOld(f, volume[f.Volume])
			j.pair(nil, &o, f)
		}
	})
	if err != nil {
		return err
	}
	return j.gone(was, before, after, volume)
}

// gone tells of what was listed before and is not now. What had no known place,
// and that a name alone was of a folder, may have been a guess: where the list is
// complete, that it is gone is no loss.
func (j *judge) gone(was *listedFiles, before, after *result.Result, volume map[int]int32) error {
	if !slices.ContainsFunc(was.list, func(o old) bool { return !o.used }) {
		return nil
	}
	complete := map[int32]bool{}
	for i := range after.Volumes {
		v := &after.Volumes[i]
		complete[volume[v.Volume]] = v.Listing.Complete
	}
	settled := 0
	err := eachLine(before, func(n int, f *result.File) {
		x := &was.list[n]
		switch {
		case x.used:
		case (x.placed < placedWhole || x.folder && x.verdict() == result.Lost) && complete[x.volume]:
			settled++
		default:
			j.note(change{at: -1, was: x.at, what: Gone.rank(), why: whyGone, before: x.level, after: unlisted, weight: f.Weight(j.wanted), won: -x.read})
		}
	})
	if settled > 0 {
		j.Notes = append(j.Notes, fmt.Sprintf("%d entries that were guesses before, by a number or a name alone, are not listed so now that the lists are complete", settled))
	}
	return err
}

// pair compares a file with what it was; x is nil where it was not listed.
func (j *judge) pair(x, now *old, f *result.File) {
	c := change{at: now.at, was: -1, before: unlisted, after: now.level, weight: f.Weight(j.wanted)}
	if x == nil {
		c.what, c.won = Found.rank(), now.read
		j.gain(&c, f, now.verdict() == result.Intact, false)
		j.note(c)
		return
	}
	c.was, c.before, c.won = x.at, x.level, now.read-x.read
	c.renamed = x.path != now.path
	up := now.level - x.level
	whole := x.verdict() == result.Intact && now.verdict() == result.Intact
	what := Same
	switch {
	case up < 0:
		what, c.why = Fell, whyVerdict
	case x.size >= 0 && now.size >= 0 && x.size != now.size && x.verdict() == result.Intact:
		what, c.why = Changed, whySize
	case whole && x.modified != now.modified:
		what, c.why = Changed, whyTime
	case whole && x.extents != now.extents:
		what, c.why = Changed, whyPlace
	case now.placed < x.placed:
		what, c.why = Fell, whyName
		if up > 0 {
			what = Changed
		}
	case up == 0 && c.won < 0:
		what, c.why = Fell, whyLess
	case up == 0 && now.read+now.doubtful < x.read+x.doubtful:
		what, c.why = Fell, whyDoubtful
	case up > 0 && c.won < 0:
		what, c.why = Changed, whyBetterLess
	case up > 0:
		what = Rose
	case c.won > 0:
		what = More
	}
	j.gain(&c, f, up > 0 && now.verdict() == result.Intact, up > 0)
	if c.renamed {
		name := Renamed
		if now.placed > x.placed {
			name = Named
		}
		if what == Same || what == More {
			what = name
		} else {
			j.Counts[name]++ // told once, under what is more
		}
	}
	if what != Same {
		c.what = what.rank()
		j.note(c)
	}
}

// gain counts what a file won. Folders have no content to win.
func (j *judge) gain(c *change, f *result.File, whole, rose bool) {
	if f.Kind == string(extract.KindFolder) {
		return
	}
	kind := wanted.KindOf(f.Path)
	g := j.kinds[kind]
	if g == nil {
		g = &KindGain{Kind: kind}
		j.kinds[kind] = g
	}
	if c.won > 0 {
		g.Bytes += c.won
		j.Bytes += c.won
	}
	if rose || whole {
		g.Rose++
	}
	if whole {
		g.Whole++
		g.Weight += c.weight
		j.Whole++
		j.Weight += c.weight
	}
}

func (j *judge) note(c change) {
	j.Counts[sorts[c.what]]++
	j.tell(c)
}
