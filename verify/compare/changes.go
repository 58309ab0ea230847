package compare

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"slices"

	"fileassay/extract"
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

// Changes are what became of the files that did not stay as they were. A drive
// has millions of files, so their words are read from the results where they
// are told: those must still be open.
type Changes interface {
	// Of yields what is told of a sort: by weight, then as the results list it.
	// After an error it ends.
	Of(What) iter.Seq2[*Change, error]
	// Count is how many those are.
	Count(What) int
}

// sorts are the sorts of changes, what got worse first.
var sorts = [...]What{Fell, Gone, Changed, Rose, Found, Named, Renamed, More}

func (w What) rank() int8 { return int8(slices.Index(sorts[:], w)) }

// change is a change without its words.
type change struct {
	at, was       int64 // where its lines begin in the results after and before; -1 for none
	won           int64
	weight        float64
	what          int8 // by rank
	before, after int8 // levels
	why           why
	renamed       bool
}

// changes are all changes of two results.
type changes struct {
	before, after *result.Result
	wanted        *wanted.List
	told          [][]change      // in blocks, since a list that grows takes twice its room
	count         int             // of told
	order         []int32         // what got worse first, then by weight; see sort
	sectors       map[int64]int64 // that hold other bytes, of a file by where its line begins
}

// block is how many changes a block holds.
const block = 1 << 14

// tell adds a change.
func (t *changes) tell(c change) {
	if t.count%block == 0 {
		t.told = append(t.told, make([]change, 0, block))
	}
	last := &t.told[len(t.told)-1]
	*last = append(*last, c)
	t.count++
}

func (t *changes) at(i int32) *change { return &t.told[i/block][i%block] }

// sort orders the changes: what got worse first, then by weight, then as the
// results list it, volume by volume.
func (t *changes) sort() {
	t.order = slices.Grow(t.order[:0], t.count)[:t.count]
	for i := range t.order {
		t.order[i] = int32(i)
	}
	slices.SortFunc(t.order, func(i, k int32) int {
		a, b := t.at(i), t.at(k)
		return cmp.Or(cmp.Compare(a.what, b.what), cmp.Compare(b.weight, a.weight), cmp.Compare(a.at, b.at), cmp.Compare(a.was, b.was))
	})
}

// of are the changes of a sort, in order.
func (t *changes) of(w What) []int32 {
	by := func(i int32, rank int8) int { return cmp.Compare(t.at(i).what, rank) }
	from, _ := slices.BinarySearchFunc(t.order, w.rank(), by)
	to, _ := slices.BinarySearchFunc(t.order, w.rank()+1, by)
	return t.order[from:to]
}

// Count implements [Changes].
func (t *changes) Count(w What) int { return len(t.of(w)) }

// Of implements [Changes].
func (t *changes) Of(w What) iter.Seq2[*Change, error] {
	return func(yield func(*Change, error) bool) {
		for _, i := range t.of(w) {
			if ch, err := t.words(t.at(i)); !yield(ch, err) || err != nil {
				return
			}
		}
	}
}

// words reads what a change has in words.
func (t *changes) words(c *change) (*Change, error) {
	var now, was result.File
	if c.at >= 0 {
		if err := t.after.FileAt(c.at, &now); err != nil {
			return nil, err
		}
	}
	if c.was >= 0 && (c.at < 0 || c.renamed || c.why == whySize) {
		if err := t.before.FileAt(c.was, &was); err != nil {
			return nil, err
		}
	}
	f := &now
	if c.at < 0 {
		f = &was
	}
	ch := &Change{What: sorts[c.what], Volume: f.Volume, ID: f.ID, Path: f.Path, Kind: wanted.KindOf(f.Path), Folder: f.Kind == string(extract.KindFolder),
		Weight: c.weight, Before: verdictAt(c.before), After: verdictAt(c.after), Won: c.won, Sectors: t.sectors[c.at], Why: c.why.words(&was, &now)}
	if c.renamed {
		ch.Old = was.Path
	}
	if ch.Sectors > 0 {
		if ch.Why != "" {
			ch.Why += "; "
		}
		ch.Why += sectorWords(ch.Sectors)
	}
	return ch, nil
}

// sectorWords tells of content that is not the same.
func sectorWords(n int64) string {
	if n == 1 {
		return "1 sector of its content holds other bytes"
	}
	return fmt.Sprintf("%d sectors of its content hold other bytes", n)
}

// why is why a change is told where it is.
type why int8

const (
	whyNothing why = iota
	whyGone
	whyVerdict
	whySize
	whyTime
	whyPlace
	whyName
	whyLess
	whyDoubtful
	whyBetterLess
)

var whyWords = [...]string{
	whyGone:       "it was listed before and is not now",
	whyVerdict:    "its verdict was better before",
	whySize:       "its size was %d and is %d",
	whyTime:       "its time of change is another",
	whyPlace:      "its content lies elsewhere",
	whyName:       "its name, or the folder that it lies in, was known before",
	whyLess:       "less of its content is read than before",
	whyDoubtful:   "the drive gave data for more of its content before, though it did not vouch for it",
	whyBetterLess: "its verdict is better, and less of its content is read than before",
}

// words are the reason in words.
func (y why) words(was, now *result.File) string {
	if y == whySize {
		return fmt.Sprintf(whyWords[y], *was.Size, *now.Size)
	}
	return whyWords[y]
}

// WriteJSON writes the comparison as JSON, indented, and streams its changes.
func (c *Comparison) WriteJSON(w io.Writer) error {
	head := *c
	head.Changes = nil
	b, err := indented(&head, "")
	if err != nil {
		return err
	}
	before, after, _ := bytes.Cut(b, []byte("\n  \"changes\": null")) // a line end in a text is an escape
	if _, err := fmt.Fprintf(w, "%s\n  \"changes\": [", before); err != nil {
		return err
	}
	first, end := true, "]"
	for _, what := range sorts {
		for ch, err := range c.Changes.Of(what) {
			if err != nil {
				return err
			}
			b, err := indented(ch, "    ")
			if err != nil {
				return err
			}
			sep := ","
			if first {
				first, sep, end = false, "", "\n  ]"
			}
			if _, err := fmt.Fprintf(w, "%s\n    %s", sep, b); err != nil {
				return err
			}
		}
	}
	_, err = fmt.Fprintf(w, "%s%s\n", end, after)
	return err
}

// indented is v as JSON.
func indented(v any, prefix string) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent(prefix, "  ")
	err := enc.Encode(v)
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), err
}
