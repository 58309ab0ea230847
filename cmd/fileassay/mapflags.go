package main

import (
	"github.com/spf13/pflag"

	"fileassay/extract/imap"
)

// mapFlags are the options that say how to read a map that is not in our own
// form: a recipe in a file, its fields, or both, the fields given here
// counting.
type mapFlags struct {
	file                 string
	columns, words       string
	separator, quote     string
	group, unit          string
	listed, rest         string
	radix, skip          int
	block, sector, moved int64
	comments             []string
	inclusive, merge     bool
	flags                *pflag.FlagSet
}

func (f *mapFlags) add(fl *pflag.FlagSet) {
	f.flags = fl
	fl.StringVar(&f.file, "map-recipe", "", "the map is any list; read it as the recipe in `FILE` (TOML) says; see map learn")
	names(fl, inputRole, "map-recipe")
	fl.StringVar(&f.columns, "map-columns", "start,length,state", "what the map's columns are: start, length, end, state, or -")
	fl.StringVar(&f.words, "map-words", "", "what the map's state words mean: `'ok=read,x=failed'`")
	fl.StringVar(&f.separator, "map-separator", "comma", "comma, tab, blanks, fixed, or the separating `CHARACTERS`")
	fl.BoolVar(&f.merge, "map-merge-separators", false, "separators that follow each other are one")
	fl.StringVar(&f.quote, "map-quote", "", "`CHARACTER` that may enclose a field")
	fl.IntVar(&f.radix, "map-radix", 0, "8, 10 or 16; 0 is decimal, and hexadecimal after 0x")
	fl.StringVar(&f.group, "map-group", "", "`CHARACTER` that may stand between digits")
	fl.StringVar(&f.unit, "map-unit", "bytes", "what the map's numbers count: bytes, sectors or blocks")
	fl.Int64Var(&f.sector, "map-sector", 512, "bytes in a sector of the map's numbers")
	fl.Int64Var(&f.block, "map-block", 0, "the map's numbers count blocks of `BYTES`")
	fl.Int64Var(&f.moved, "map-offset", 0, "`BYTES` to add to each place, as of a list of one volume")
	fl.BoolVar(&f.inclusive, "map-inclusive", false, "the end is the last unit of the range, not the first past it")
	fl.StringArrayVar(&f.comments, "map-comment", []string{"#"}, "`MARK` that begins a line to leave out; may be repeated")
	fl.IntVar(&f.skip, "map-skip", 0, "`LINES` at the start to leave out")
	fl.StringVar(&f.listed, "map-listed", "all", "the lines are all of one `STATE`, or all with a state column")
	fl.StringVar(&f.rest, "map-rest", "skipped", "`STATE` of what no line lists")
}

// recipe is nil where the map is in our own form.
func (f *mapFlags) recipe() (*imap.Recipe, error) {
	given := map[string]bool{}
	f.flags.Visit(func(fl *pflag.Flag) { given[fl.Name] = true })
	rec := &imap.Recipe{}
	wanted := f.file != ""
	if wanted {
		var err error
		if rec, err = imap.LoadRecipe(f.file); err != nil {
			return nil, err
		}
	}
	for _, set := range []struct {
		flag string
		set  func() error
	}{
		{"map-columns", func() error { return rec.ParseColumns(f.columns) }},
		{"map-words", func() (err error) { rec.Words, err = imap.ParseWords(f.words); return err }},
		{"map-separator", func() error { rec.Separator = f.separator; return nil }},
		{"map-merge-separators", func() error { rec.Merge = f.merge; return nil }},
		{"map-quote", func() error { rec.Quote = f.quote; return nil }},
		{"map-radix", func() error { rec.Radix = f.radix; return nil }},
		{"map-group", func() error { rec.Group = f.group; return nil }},
		{"map-sector", func() error { rec.Unit, rec.Sector = "sectors", f.sector; return nil }},
		{"map-block", func() error { rec.Unit, rec.Block = "blocks", f.block; return nil }},
		{"map-unit", func() error { rec.Unit = f.unit; return nil }},
		{"map-offset", func() error { rec.Offset = f.moved; return nil }},
		{"map-inclusive", func() error { rec.Inclusive = f.inclusive; return nil }},
		{"map-comment", func() error { rec.Comments = f.comments; return nil }},
		{"map-skip", func() error { rec.Skip = f.skip; return nil }},
		{"map-listed", func() error { rec.Listed = f.listed; return nil }},
		{"map-rest", func() error { rec.Rest = f.rest; return nil }},
	} {
		if !given[set.flag] {
			continue
		}
		wanted = true
		if err := set.set(); err != nil {
			return nil, usagef("--%s: %v", set.flag, err)
		}
	}
	if !wanted {
		return nil, nil
	}
	if f.file == "" && !given["map-columns"] {
		if err := rec.ParseColumns(f.columns); err != nil {
			return nil, err
		}
	}
	if err := rec.Validate(); err != nil {
		return nil, usagef("the --map-... options: %v", err)
	}
	return rec, nil
}
