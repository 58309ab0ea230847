package main

import (
	"github.com/spf13/pflag"

	"fileassay/extract/imap"
)

// mapFlags are the options that say how to read a map that is not in our own
// form: a recipe in a file, its fields, or both, the fields given here
// counting.
type mapFlags struct {
	file           string
	columns, words string
	given          imap.Recipe // the other fields
	flags          *pflag.FlagSet
}

func (f *mapFlags) add(fl *pflag.FlagSet) {
	f.flags = fl
	fl.StringVar(&f.file, "map-recipe", "", "the map is any list; read it as the recipe in `FILE` (TOML) says; see map learn")
	names(fl, inputRole, "map-recipe")
	fl.StringVar(&f.columns, "map-columns", "start,length,state", "what the map's columns are: start, length, end, state, or -")
	fl.StringVar(&f.words, "map-words", "", "what the map's state words mean: `'ok=read,x=failed'`")
	fl.StringVar(&f.given.Separator, "map-separator", "comma", "comma, tab, blanks, fixed, or the separating `CHARACTERS`")
	fl.BoolVar(&f.given.Merge, "map-merge-separators", false, "separators that follow each other are one")
	fl.StringVar(&f.given.Quote, "map-quote", "", "`CHARACTER` that may enclose a field")
	fl.IntVar(&f.given.Radix, "map-radix", 0, "8, 10 or 16; 0 is decimal, and hexadecimal after 0x")
	fl.StringVar(&f.given.Group, "map-group", "", "`CHARACTER` that may stand between digits")
	fl.StringVar(&f.given.Unit, "map-unit", "bytes", "what the map's numbers count: bytes, sectors or blocks")
	fl.Int64Var(&f.given.Sector, "map-sector", 512, "bytes in a sector of the map's numbers")
	fl.Int64Var(&f.given.Block, "map-block", 0, "the map's numbers count blocks of `BYTES`")
	fl.Int64Var(&f.given.Offset, "map-offset", 0, "`BYTES` to add to each place, as of a list of one volume")
	fl.BoolVar(&f.given.Inclusive, "map-inclusive", false, "the end is the last unit of the range, not the first past it")
	fl.StringArrayVar(&f.given.Comments, "map-comment", []string{"#"}, "`MARK` that begins a line to leave out; may be repeated")
	fl.IntVar(&f.given.Skip, "map-skip", 0, "`LINES` at the start to leave out")
	fl.StringVar(&f.given.Listed, "map-listed", "all", "the lines are all of one `STATE`, or all with a state column")
	fl.StringVar(&f.given.Rest, "map-rest", "skipped", "`STATE` of what no line lists")
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
		{"map-separator", func() error { rec.Separator = f.given.Separator; return nil }},
		{"map-merge-separators", func() error { rec.Merge = f.given.Merge; return nil }},
		{"map-quote", func() error { rec.Quote = f.given.Quote; return nil }},
		{"map-radix", func() error { rec.Radix = f.given.Radix; return nil }},
		{"map-group", func() error { rec.Group = f.given.Group; return nil }},
		{"map-sector", func() error { rec.Unit, rec.Sector = "sectors", f.given.Sector; return nil }},
		{"map-block", func() error { rec.Unit, rec.Block = "blocks", f.given.Block; return nil }},
		{"map-unit", func() error { rec.Unit = f.given.Unit; return nil }},
		{"map-offset", func() error { rec.Offset = f.given.Offset; return nil }},
		{"map-inclusive", func() error { rec.Inclusive = f.given.Inclusive; return nil }},
		{"map-comment", func() error { rec.Comments = f.given.Comments; return nil }},
		{"map-skip", func() error { rec.Skip = f.given.Skip; return nil }},
		{"map-listed", func() error { rec.Listed = f.given.Listed; return nil }},
		{"map-rest", func() error { rec.Rest = f.given.Rest; return nil }},
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
