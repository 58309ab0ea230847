package imap

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"

	"fileassay/extract/input"
)

// Recipe says how a line-oriented list of ranges is read: which column is
// what, how numbers are written, and what words and the unlisted rest mean.
// It knows of no imager: a bench writes its own, or lets [Learn] work one out.
//
// A list has one range a line, in any order. What no field here says is left
// at its zero value, which is the plainest reading: fields between commas,
// decimal bytes or hexadecimal ones after 0x, an end that is the first byte
// past the range, "#" before comments.
type Recipe struct {
	// Separator is "comma" (also ""), "tab", "blanks" (runs of spaces and
	// tabs), "fixed" (columns at places in the line), or the characters that
	// separate, as ";" or "-:". A blank among those stands for a run of blanks
	// with at most one of the other characters in it.
	Separator string `toml:"separator,omitempty"`
	// Merge takes separators that follow each other as one.
	Merge bool `toml:"merge_separators,omitempty"`
	// Quote is the character that may enclose a field, or "".
	Quote string `toml:"quote,omitempty"`

	// Start, and one of Length, End or none (a line is then one block).
	Start  Column `toml:"start"`
	Length Column `toml:"length,omitempty"`
	End    Column `toml:"end,omitempty"`
	// State is the column of the state word. Without it Listed says what the
	// lines are.
	State Column `toml:"state,omitempty"`

	// Inclusive says that End is the last unit of the range, not the first
	// past it.
	Inclusive bool `toml:"inclusive,omitempty"`
	// Radix is 8, 10, 16, or 0 for decimal numbers, hexadecimal after 0x.
	Radix int `toml:"radix,omitzero"`
	// Group is a character that may stand between digits for the eye, or "".
	Group string `toml:"group,omitempty"`

	// Unit is what numbers count: "bytes" (also ""), "sectors" of Sector bytes
	// or "blocks" of Block bytes.
	Unit   string `toml:"unit,omitempty"`
	Sector int64  `toml:"sector,omitzero"` // bytes; 0 is that of the drive, see InSectors, else 512
	Block  int64  `toml:"block,omitzero"`  // bytes
	// Offset in bytes is added to each start and end: where in the drive the
	// list's first unit lies. It may be negative.
	Offset int64 `toml:"offset,omitzero"`

	// Comments are the marks that begin a line to leave out; nil is "#".
	Comments []string `toml:"comments"`
	// Skip is the number of lines at the start to leave out unread.
	Skip int `toml:"skip,omitzero"`

	// Listed is what the lines list: "all" (also "") where the state column
	// says it, else the one state that all of them have.
	Listed string `toml:"listed,omitempty"`
	// Rest is the state of what no line lists; "" is skipped. For any other
	// the drive's size must be known.
	Rest string `toml:"rest,omitempty"`

	// Words are the meanings of the state words, in capitals and small letters
	// as the list has them; where a word of the list is no UTF-8, as ISO 8859-1
	// has it. Our own four words need no entry if there is none at all.
	Words map[string]State `toml:"words,omitempty"`
}

// Column is a column of a list, counted from 1; the zero value is none. To is
// 0 for one column, and [ToEnd] for all from there to the line's end. In a
// list of fixed places the column is the bytes From to To of the line, both
// counted from 1 and both in it.
type Column struct{ From, To int }

// ToEnd as Column.To stands for the end of the line.
const ToEnd = -1

// maxColumn bounds how far a column may be in a line.
const maxColumn = 4096

// MarshalText writes "3", "3-" or "3-9"; none is "".
func (c Column) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

func (c Column) String() string {
	switch {
	case c.From == 0:
		return ""
	case c.To == 0:
		return strconv.Itoa(c.From)
	case c.To == ToEnd:
		return strconv.Itoa(c.From) + "-"
	}
	return strconv.Itoa(c.From) + "-" + strconv.Itoa(c.To)
}

// UnmarshalText reads what MarshalText writes.
func (c *Column) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*c = Column{}
		return nil
	}
	from, to, ranged := strings.Cut(string(text), "-")
	var got Column
	var err error
	if got.From, err = columnNumber(from); err != nil {
		return err
	}
	if ranged && to == "" {
		got.To = ToEnd
	} else if ranged {
		if got.To, err = columnNumber(to); err != nil {
			return err
		}
		if got.To < got.From {
			return fmt.Errorf("column %q ends before it begins", text)
		}
	}
	*c = got
	return nil
}

func columnNumber(s string) (int, error) {
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 || n > maxColumn {
		return 0, fmt.Errorf("column %q: columns are counted from 1 to %d; write 3, 3- for all from there on, or 3-9 in a list of fixed places", s, maxColumn)
	}
	return n, nil
}

// MarshalText is the word for the state.
func (s State) MarshalText() ([]byte, error) {
	if s > Failed {
		return nil, fmt.Errorf("%v has no word", s)
	}
	return []byte(s.String()), nil
}

// UnmarshalText is the inverse of MarshalText.
func (s *State) UnmarshalText(text []byte) error {
	got, ok := ParseState(string(text))
	if !ok {
		return fmt.Errorf("%q is none of read, doubtful, failed, skipped", Clip(text))
	}
	*s = got
	return nil
}

// LoadRecipe reads a recipe from a TOML file.
func LoadRecipe(path string) (*Recipe, error) {
	data, err := input.Read("map recipe", path, input.MaxTOML)
	if err != nil {
		return nil, err
	}
	rec, err := ParseRecipe(data)
	if err != nil {
		return nil, fmt.Errorf("map recipe %s: %w", path, err)
	}
	return rec, nil
}

// ParseRecipe reads a recipe in TOML; the keys are those that [Recipe.Write]
// writes. Keys it does not know are errors.
func ParseRecipe(data []byte) (*Recipe, error) {
	rec := &Recipe{}
	if err := input.DecodeTOML(data, rec, ""); err != nil {
		return nil, err
	}
	return rec, rec.Validate()
}

// Write writes the recipe in TOML.
func (rec *Recipe) Write(w io.Writer) error {
	out := *rec
	if out.Comments == nil {
		out.Comments = []string{"#"}
	}
	e := toml.NewEncoder(w)
	e.Indent = ""
	return e.Encode(&out)
}

// Validate reports what in the recipe cannot be meant.
func (rec *Recipe) Validate() error {
	if rec.Start.From == 0 {
		return errors.New("says no start column: give start = 1, or which column it is")
	}
	if rec.Length.From != 0 && rec.End.From != 0 {
		return errors.New("says both a length and an end column: give one of them")
	}
	if rec.Inclusive && rec.End.From == 0 {
		return errors.New("says inclusive without an end column")
	}
	sep, err := parseSeparator(rec.Separator)
	if err != nil {
		return err
	}
	if err := rec.validateColumns(sep.fixed); err != nil {
		return err
	}
	if q := rec.Quote; q != "" && (len(q) != 1 || !isMark(q[0]) || sep.class[q[0]] != plain) {
		return fmt.Errorf("quote %q: should be one character such as \", and no separator", q)
	}
	if g := rec.Group; g != "" && (len(g) != 1 || !isMark(g[0]) && g != " " || sep.class[g[0]] == separates || sep.class[g[0]] == blankSeparates) {
		return fmt.Errorf("group %q: should be one character such as _, and no separator", g)
	}
	if r := rec.Radix; r != 0 && r != 8 && r != 10 && r != 16 {
		return fmt.Errorf("radix %d: should be 8, 10, 16, or 0 for decimal and hexadecimal after 0x", r)
	}
	if _, err := rec.unit(); err != nil {
		return err
	}
	if rec.Offset > maxOffset || rec.Offset < -maxOffset {
		return fmt.Errorf("offset %d: is more than any drive holds", rec.Offset)
	}
	if rec.Skip < 0 {
		return fmt.Errorf("skip %d: is negative", rec.Skip)
	}
	for _, c := range rec.Comments {
		if c == "" || len(trim([]byte(c))) != len(c) {
			return fmt.Errorf("comment mark %q: should be something other than blanks, and begin and end with none", c)
		}
	}
	return rec.validateStates()
}

func (rec *Recipe) validateColumns(fixed bool) error {
	used := map[int]string{}
	for _, c := range []struct {
		name string
		Column
	}{{"start", rec.Start}, {"length", rec.Length}, {"end", rec.End}, {"state", rec.State}} {
		if c.From < 0 || c.From > maxColumn || c.To > maxColumn || c.To < ToEnd || c.To > 0 && c.To < c.From || c.From == 0 && c.To != 0 {
			return fmt.Errorf("%s column %d-%d: cannot be", c.name, c.From, c.To)
		}
		if c.From == 0 {
			continue
		}
		if fixed {
			if c.To == 0 {
				return fmt.Errorf("%s column %s: of a list of fixed places say from where to where, as 1-12", c.name, c.Column)
			}
			continue
		}
		if c.To != 0 && (c.name != "state" || c.To != ToEnd) {
			return fmt.Errorf("%s column %s: only the state may take several columns, and all to the end (3-)", c.name, c.Column)
		}
		if other := used[c.From]; other != "" {
			return fmt.Errorf("column %d is both %s and %s", c.From, other, c.name)
		}
		used[c.From] = c.name
	}
	return nil
}

func (rec *Recipe) validateStates() error {
	switch _, isState := ParseState(rec.Listed); {
	case rec.Listed == "" || rec.Listed == "all":
		if rec.State.From == 0 {
			return errors.New("says no state column, nor what all lines are: give listed = \"read\", \"failed\", \"doubtful\" or \"skipped\"")
		}
	case !isState:
		return fmt.Errorf("listed %q: is none of all, read, doubtful, failed, skipped", rec.Listed)
	case rec.State.From != 0:
		return fmt.Errorf("says listed = %q and a state column too: give one of them", rec.Listed)
	}
	if _, ok := ParseState(rec.Rest); rec.Rest != "" && !ok {
		return fmt.Errorf("rest %q: is none of read, doubtful, failed, skipped", rec.Rest)
	}
	for _, w := range slices.Sorted(maps.Keys(rec.Words)) {
		if rec.Words[w] > Failed {
			return fmt.Errorf("word %q: has no state", w)
		}
		if len(trim([]byte(w))) != len(w) {
			return fmt.Errorf("word %q: begins or ends with a blank, which no field does", w)
		}
	}
	return nil
}

// FillsRest reports whether what the list does not name has a state of its
// own, so that the list does not show where the drive ends.
func (rec *Recipe) FillsRest() bool {
	return rec.Rest != "" && rec.Rest != Skipped.String()
}

// InSectors is the recipe for a drive whose sectors have n bytes: a list that
// counts sectors, and does not say how large they are, counts those.
func (rec *Recipe) InSectors(n int64) *Recipe {
	if rec.Unit != "sectors" || rec.Sector != 0 || n == 0 {
		return rec
	}
	out := *rec
	out.Sector = n
	return &out
}

// unit is the number of bytes that numbers of the list count.
func (rec *Recipe) unit() (int64, error) {
	of := func(n int64, what string) (int64, error) {
		if n < 1 || n > 1<<40 {
			return 0, fmt.Errorf("%s of %d bytes: should be from 1 to 2^40", what, n)
		}
		return n, nil
	}
	if rec.Sector != 0 {
		if _, err := of(rec.Sector, "sector"); err != nil {
			return 0, err
		}
	}
	switch rec.Unit {
	case "", "bytes":
		return 1, nil
	case "sectors":
		if rec.Sector == 0 {
			return 512, nil
		}
		return rec.Sector, nil
	case "blocks":
		return of(rec.Block, "block")
	}
	return 0, fmt.Errorf("unit %q: is none of bytes, sectors, blocks", rec.Unit)
}

// ParseWords reads meanings as "ok=read,x=failed"; spaces around words are
// left out.
func ParseWords(text string) (map[string]State, error) {
	words := map[string]State{}
	for _, pair := range strings.Split(text, ",") {
		i := strings.LastIndexByte(pair, '=')
		if i < 0 {
			return nil, fmt.Errorf("%q: write word=state, as ok=read", pair)
		}
		word := strings.TrimSpace(pair[:i])
		var s State
		if err := s.UnmarshalText(bytes.TrimSpace([]byte(pair[i+1:]))); err != nil {
			return nil, fmt.Errorf("%q: %w", pair, err)
		}
		if old, ok := words[word]; ok && old != s {
			return nil, fmt.Errorf("word %q is given two meanings", word)
		}
		words[word] = s
	}
	return words, nil
}

// ParseColumns sets the columns of rec from their names in the order they
// stand in a line, "-" for one that says nothing here, as "start,-,end,state";
// or, of a list of fixed places or out of order, as "start=1-12,state=20-".
func (rec *Recipe) ParseColumns(text string) error {
	rec.Start, rec.Length, rec.End, rec.State = Column{}, Column{}, Column{}, Column{}
	for i, part := range strings.Split(text, ",") {
		name, at, placed := strings.Cut(strings.TrimSpace(part), "=")
		c := Column{From: i + 1}
		if placed {
			if err := c.UnmarshalText([]byte(at)); err != nil {
				return err
			}
		}
		if rest, ok := strings.CutSuffix(name, "..."); ok && !placed {
			name, c.To = rest, ToEnd
		}
		var to *Column
		switch name {
		case "start":
			to = &rec.Start
		case "length":
			to = &rec.Length
		case "end":
			to = &rec.End
		case "state":
			to = &rec.State
		case "-":
			continue
		default:
			return fmt.Errorf("%q: is none of start, length, end, state, or - for a column that says nothing", part)
		}
		if to.From != 0 {
			return fmt.Errorf("%s is named twice", name)
		}
		*to = c
	}
	return nil
}
