package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/report"
	"fileassay/verify"
)

const mapExitStatus = `
Exit status: 0 the run is good; 2 wrong usage; 3 an input cannot be used;
4 an output could not be written; 130 interrupted.`

// mapLookStatus is that of commands that look at what stands in an image.
const mapLookStatus = `
Exit status: 0 the run is good; 1 it is, but the image file gave errors; 2 wrong
usage; 3 an input cannot be used; 4 an output could not be written; 130
interrupted.`

func newMap(ui *ui) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "map",
		Short: "Show, convert, merge, learn or make imaging maps",
		Long: `map works on imaging maps alone: our own form (CSV: start,length,state, in
bytes), or any line-oriented list with a recipe that says how to read it.
` + mapExitStatus,
		RunE: onlyHelp,
		Args: cobra.ArbitraryArgs,
	}
	cmd.AddCommand(newMapShow(ui), newMapConvert(ui), newMapMerge(ui), newMapLearn(ui), newMapFromFiller(ui))
	return cmd
}

// mapInput are the options of commands that read maps without verifying an
// image.
type mapInput struct {
	m         mapFlags
	image     string
	driveSize string
	sector    int64

	in   *verify.Input // the image, if one is given
	size int64         // of the drive; 0 where nothing tells it
}

func (f *mapInput) add(cmd *cobra.Command, image string) {
	f.m.add(cmd.Flags())
	f.addImage(cmd, image)
}

func (f *mapInput) addImage(cmd *cobra.Command, image string) {
	fl := cmd.Flags()
	fl.StringVar(&f.image, "image", "", "`IMAGE` of the drive, "+image)
	names(fl, imageRole, "image")
	fl.StringVar(&f.driveSize, "drive-size", "", "`BYTES` of the drive, where they are known and no image is at hand")
	fl.Int64Var(&f.sector, "sector", 512, "bytes in a sector of the drive")
}

// open opens the image, if one is given, and finds the size of the drive.
func (f *mapInput) open() (err error) {
	if f.size, err = driveOf(f.sector, f.driveSize); err != nil || f.image == "" {
		return err
	}
	// what stands in unread places is what is asked for here
	if f.in, err = verify.OpenImage(verify.Options{Image: f.image, AssumeRead: true, Sector: f.sector}); err == nil {
		f.size = max(f.size, f.in.Reader.Size())
	}
	return err
}

func (f *mapInput) close() {
	if f.in != nil {
		f.in.Close()
	}
}

// notLooked says what the image, if one is given, did not give to look at.
func (f *mapInput) notLooked() string {
	if f.in == nil {
		return ""
	}
	return f.in.BrokenWords("were not looked at", "run this again")
}

// load reads a map by the options.
func (f *mapInput) load(path string, size int64) (*imap.File, error) {
	rec, err := f.m.recipe()
	if err != nil {
		return nil, err
	}
	if rec != nil {
		return imap.Import(path, rec.InSectors(f.sector), size)
	}
	return imap.Load(path, size)
}

func newMapShow(ui *ui) *cobra.Command {
	var f mapInput
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "show FILE",
		Short: "Total a map by state, and say where on the drive",
		Long: `show totals a map by state, with the number, the longest and the median of its
ranges, and where on the drive they lie, by tenths. With --image it says what is
odd: image and map differ in size, read areas that hold one filler throughout,
unread areas that hold data, a size that is no usual drive capacity.
` + mapLookStatus,
		Example: `  fileassay map show drive.map.csv --image drive.img
  fileassay map show pass1.txt --map-recipe bench2.toml`,
		Args: exactly(1, "one map"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := f.open(); err != nil {
				return err
			}
			defer f.close()
			limit := int64(0) // a map of another size is what is odd, not an error
			if rec, err := f.m.recipe(); err == nil && rec != nil && rec.FillsRest() {
				limit = f.size
			}
			m, err := f.load(args[0], limit)
			if err != nil {
				return err
			}
			rec := report.MapRecord{Path: args[0], Survey: m.Survey(max(f.size, m.End()))}
			if f.in != nil {
				odd, err := m.Odd(cmd.Context(), f.in.Reader, f.in.Reader.Size(), f.sector)
				if err != nil {
					return err
				}
				rec.Image, rec.Odd, rec.Broken = f.image, &odd, f.notLooked()
			}
			return ui.tell(asJSON, &rec, rec.Broken == "", func(w io.Writer) error { return report.Map(w, &rec, ui.style()) })
		},
	}
	takes(cmd, inputRole)
	f.add(cmd, "to see what in it is odd")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print as JSON")
	return cmd
}

func newMapConvert(ui *ui) *cobra.Command {
	var f mapInput
	var out outFlags
	var format string
	cmd := &cobra.Command{
		Use:   "convert FILE",
		Short: "Write a map in our own form, or as any list",
		Long: `convert reads a map and writes it in our own form, or as the list that
--format makes of it: a Go text/template that is executed for every range of
the drive, skipped ones too, with .Number, .Start, .Length, .End (first byte
past it), .Last (last byte) and .State; {{div .Start 512}} divides. What it
gives is a line, and nothing gives none. The templates "first" and "last", if
it defines them, come before and after, with .Size, .Ranges and .Bytes.
` + mapExitStatus,
		Example: `  fileassay map convert pass1.txt --map-recipe bench2.toml -o drive.map.csv
  fileassay map convert drive.map.csv --format '{{if eq .State.String "failed"}}{{div .Start 512}}-{{div .Last 512}}{{end}}'`,
		Args: exactly(1, "one map"),
		RunE: func(cmd *cobra.Command, args []string) error {
			tpl, err := imap.ParseTemplate(format)
			if err != nil {
				return usagef("--format: %v", err)
			}
			if err := f.open(); err != nil {
				return err
			}
			defer f.close()
			m, err := f.load(args[0], f.size)
			if err != nil {
				return err
			}
			if format == "" {
				return out.write(cmd.Context(), ui, func(w io.Writer) error { return m.Write(w) })
			}
			write := func(w io.Writer) error { return templateError(m.Format(w, tpl, max(f.size, m.End()))) }
			if out.path == "" {
				if err := write(io.Discard); err != nil { // nothing of a list that fails comes out
					return err
				}
			}
			return out.write(cmd.Context(), ui, write)
		},
	}
	takes(cmd, inputRole)
	f.add(cmd, "to know the size of the drive")
	out.add(cmd)
	cmd.Flags().StringVar(&format, "format", "", "write each range as `TEMPLATE` says (Go text/template)")
	return cmd
}

func newMapMerge(ui *ui) *cobra.Command {
	var f mapInput
	var out outFlags
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "merge FILE FILE...",
		Short: "Take the best state of several passes over one drive",
		Long: `merge reads the maps of several passes over one drive and writes the map with
the best state that any of them has for each byte: read, doubtful, failed,
skipped. It counts what each pass added to those before it.

The merged map is true only of an image into which all the passes were written.
The --map-... options hold for all maps; convert those of another form first.
` + mapExitStatus,
		Example: `  fileassay map merge pass1.csv pass2.csv -o drive.map.csv`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) < 2 {
				return usagef("%s takes two maps or more, not %d; %s --help tells more", cmd.CommandPath(), len(args), cmd.CommandPath())
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if asJSON && out.path == "" {
				return usagef("--json prints what each pass added; give the map a file with --output")
			}
			if err := f.open(); err != nil {
				return err
			}
			defer f.close()
			passes := make([]*imap.Map, len(args))
			for i, path := range args {
				m, err := f.load(path, f.size)
				if err != nil {
					return err
				}
				passes[i] = m.Map
			}
			merged, gains := imap.MergeAll(passes...)
			rec := report.NewMergeRecord(args, merged, gains)
			remarks := report.MergeLines(&rec)
			if err := out.write(cmd.Context(), ui, func(w io.Writer) error { return merged.Write(w, remarks...) }); err != nil {
				return err
			}
			return ui.tell(asJSON, &rec, true, out.said(remarks))
		},
	}
	takes(cmd, inputRole)
	f.add(cmd, "to know the size of the drive")
	out.add(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print what each pass added as JSON")
	return cmd
}

func newMapLearn(ui *ui) *cobra.Command {
	var f mapInput
	var accept, asJSON bool
	cmd := &cobra.Command{
		Use:   "learn FILE",
		Short: "Work an unknown list out from its own numbers",
		Long: `learn tries which columns, radix and unit could be meant, and prints the recipe
by which the ranges tile without overlap and end where the drive does, on
stdout and ready to be kept in a file for --map-recipe. It says how sure that
is, what else would fit, and which state words occur with how many bytes; with
--image also what stands in the sectors under each word. Where several readings
fit it prints them all as comments, and the recipe is left to you.

What a word means is never more than a guess, printed as a comment. The word
that covers by far the most of what data stands under is guessed read, all
others failed: old data may stand wherever nothing was read. --accept takes
meanings into the recipe where all words are our own four (read, doubtful,
failed, skipped). Else it refuses, and the recipe has blanks that must be filled
in before any command takes it.

Exit status: 0 one reading is sure; 1 the run is good, and the list is
ambiguous, --accept refuses or the image file gave errors; 2 wrong usage; 3 an
input cannot be used; 4 an output could not be written; 130 interrupted.`,
		Example: `  fileassay map learn pass1.txt --image drive.img
  fileassay map learn pass1.txt --image drive.img --accept > bench2.toml`,
		Args: exactly(1, "one list"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := f.open(); err != nil {
				return err
			}
			defer f.close()
			o := imap.LearnOptions{Size: f.size, Sector: f.sector}
			if f.in != nil {
				o.Image = f.in.Reader
			}
			l, err := imap.Learn(cmd.Context(), args[0], o)
			if err != nil {
				return err
			}
			refused := accept && !l.Accept()
			switch {
			case asJSON:
				err = ui.printJSON(l)
			default:
				err = stdoutError(report.Learnt(ui.stdout, args[0], l, accept))
			}
			if err == nil && refused && l.Open != "" {
				ui.message("what the words mean is not accepted: %s; fill in the blanks of the recipe", l.Open)
			}
			broken := f.notLooked()
			if err == nil && broken != "" {
				ui.message("%s", broken)
			}
			if err == nil && (refused || !l.Sure || broken != "") {
				err = errFound
			}
			return err
		},
	}
	takes(cmd, inputRole)
	f.addImage(cmd, "whose size and content tell more")
	cmd.Flags().BoolVar(&accept, "accept", false, "take what the words mean into the recipe, where all are our own four")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print as JSON")
	return cmd
}

func newMapFromFiller(ui *ui) *cobra.Command {
	var out outFlags
	var filler, state string
	var s imap.FillerSearch
	var threads int
	cmd := &cobra.Command{
		Use:   "from-filler IMAGE",
		Short: "Make a map of an image whose unread sectors hold a filler",
		Long: `from-filler finds the sectors of an image that hold nothing but a filler, as an
imager may write into those that it could not read, and writes a map: these are
failed, all others read. It is only as true as the filler: a sector that was
read and truly holds those bytes cannot be told apart, and one that was left
out without being filled is taken for read. A filler that no sector holds is
refused.

Sectors of zeros are never taken for unread unless --zeros says so.
` + mapLookStatus,
		Example: `  fileassay map from-filler drive.img --filler 0xdeadbeef -o drive.map.csv
  fileassay map from-filler drive.img --filler 'NO DATA ' -o drive.map.csv`,
		Args: exactly(1, "one image"),
		RunE: func(cmd *cobra.Command, args []string) error {
			var err error
			if s.Filler, err = imap.ParseFiller(filler); err != nil {
				return usagef("--filler: %v", err)
			}
			if s.State, _ = imap.ParseState(state); s.State != imap.Failed && s.State != imap.Skipped {
				return usagef("--state %q: give failed or skipped", state)
			}
			if !s.Zeros && strings.Trim(string(s.Filler), "\x00") == "" {
				return usagef("%v; say so with --zeros", imap.ErrZeros)
			}
			f := mapInput{image: args[0], sector: s.Sector}
			if err := f.open(); err != nil {
				return err
			}
			defer f.close()
			progress, wipe := ui.watch()
			m, err := s.Run(cmd.Context(), f.in.Reader, f.size, extract.Options{Threads: threads, Progress: progress})
			wipe()
			broken := f.in.BrokenWords("the map calls failed", "run this again")
			if errors.Is(err, imap.ErrNoFiller) && broken != "" {
				return fmt.Errorf("%w; %s", err, broken)
			}
			if err != nil {
				return err
			}
			remarks := report.FillerLines(args[0], filler, s, m, f.size, f.in.Broken())
			if broken != "" {
				ui.message("%s", broken)
			}
			if err := out.write(cmd.Context(), ui, func(w io.Writer) error { return m.Write(w, remarks...) }); err != nil {
				return err
			}
			return ui.tell(false, nil, broken == "", out.said(remarks))
		},
	}
	takes(cmd, imageRole)
	fl := cmd.Flags()
	fl.StringVar(&filler, "filler", "", "what unread sectors hold: `HEX` digits after 0x, or the text itself")
	fl.BoolVar(&s.Prefix, "prefix", false, "a sector only begins with the filler")
	fl.BoolVar(&s.Zeros, "zeros", false, "allow a filler of zeros")
	fl.StringVar(&state, "state", "failed", "`STATE` of the sectors found: failed or skipped")
	fl.Int64Var(&s.Sector, "sector", 512, "bytes in a sector of the drive")
	fl.IntVar(&threads, "threads", 0, "threads; 0 is one a core")
	out.add(cmd)
	return cmd
}
