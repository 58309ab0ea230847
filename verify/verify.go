package verify

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
	"fileassay/extract/volume"
	"fileassay/verify/files"
	"fileassay/verify/program"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// Options say what to verify and where the result goes.
type Options struct {
	Image         string       // path of the image
	Map           string       // path of the imaging map; "" only with AssumeRead
	Recipe        *imap.Recipe // how to read the map; nil for our own form
	AssumeRead    bool         // claim that every sector was read
	TrustDoubtful bool         // take doubtful sectors as read
	DriveSize     int64        // bytes of the drive where it is larger than the image; 0 otherwise
	Sector        int64        // bytes a sector; 0 is 512
	Offset        int64        // where the drive begins in the image
	VolumeAt      int64        // where the one volume to list begins, with Filesystem
	Filesystem    string       // of the volume given by hand; "" to find the volumes
	Heads         string       // path of the head map; "" for none
	Wanted        string       // path of a wanted list; "" for none
	Content       string       // what is done with content: "" for nothing, or [ContentRead]

	Whole             bool // the image is one file, whatever stands beside it
	AllowMissingParts bool // parts of the image that are missing or short count as skipped

	Result string // path of the result; "" is [ResultName] of Image
	Force  bool   // replace an existing result

	// Files of the run; nil for those of this call alone. Where it is given, the
	// result has its final name after [files.Set.Commit].
	Files *files.Set
	extract.Options
}

// Outcome is what a result says in sum, for summaries.
type Outcome struct {
	Image   result.Image    `json:"image"`
	Volumes []result.Volume `json:"volumes"`
	Summary result.Summary  `json:"summary"`
	Result  string          `json:"result"` // path of the result
}

// Clean reports whether every listed file is intact, every listing complete, and
// no fault of the image file was noted.
func (o *Outcome) Clean() bool {
	f, d := o.Summary.Files, o.Summary.Folders
	return len(o.Image.Broken) == 0 && o.Summary.ListingComplete && f.Damaged+f.Lost+d.Damaged+d.Lost == 0
}

// ResultName is the name of the result of an image where none is given: the
// image's base name with ".result.jsonl", in the current folder.
func ResultName(image string) string {
	base := filepath.Base(image)
	return strings.TrimSuffix(base, filepath.Ext(base)) + ".result.jsonl"
}

// Run verifies an image and writes the result. Where it returns an error no
// result stands under the final name: an [*InputError], an [*OutputError], or
// the context's error.
func Run(ctx context.Context, o Options) (*Outcome, error) {
	if o.Result == "" {
		o.Result = ResultName(o.Image)
	}
	if o.Content != "" && o.Content != ContentRead {
		return nil, &files.InputError{Err: fmt.Errorf("content mode %q is none: %s reads all content again", o.Content, ContentRead)}
	}
	res := &Outcome{Result: o.Result}
	err := files.Within(ctx, o.Files, func(s *files.Set) error {
		s.ProtectImage(o.Image, o.Whole)
		s.Protect(o.Map, o.Heads, o.Wanted)
		return s.WriteFile(ctx, o.Result, o.Force, func(out *files.Output) error { return runTo(ctx, o, out, res) })
	})
	if err != nil {
		return nil, err
	}
	return res, nil
}

// runTo opens the inputs and writes the result of them.
func runTo(ctx context.Context, o Options, out *files.Output, res *Outcome) error {
	in, err := OpenImage(o)
	if err != nil {
		return err
	}
	defer in.Close()
	if in.wanted, err = wanted.Load(o.Wanted); err != nil {
		return &files.InputError{Err: err}
	}
	return run(ctx, o, in, out, res)
}

// run goes over the image until no new fault of its file shows, and then writes
// the whole result: the lines of the volumes stand before those of the files,
// but are known only after them.
func run(ctx context.Context, o Options, in *Input, out *files.Output, res *Outcome) error {
	var spool *files.Spool
	var held []*holdings
	defer func() { spool.Drop() }()
	err := in.passes(ctx, func() (err error) {
		spool.Drop()
		if spool, err = out.Spool(); err != nil {
			return err
		}
		held, err = pass(ctx, o, in, spool, res)
		return err
	})
	if err != nil {
		return err
	}
	w := result.NewWriter(out)
	if err := w.Image(&res.Image); err != nil {
		return err
	}
	for i := range res.Volumes {
		if err := w.Volume(&res.Volumes[i]); err != nil {
			return err
		}
	}
	err = places(in.Reader, held, func(p *result.Place) error { return errors.Join(w.Place(p), ctx.Err()) })
	if err == nil {
		err = w.Flush()
	}
	if err == nil {
		err = spool.CopyTo(out)
	}
	if err != nil {
		return err
	}
	return w.Summary(&res.Summary)
}

// pass goes over the image once: it finds the volumes and spools the lines of
// their files, and says what is unread of each. All reading of the image is done
// in it.
func pass(ctx context.Context, o Options, in *Input, spool io.Writer, res *Outcome) ([]*holdings, error) {
	layout, err := in.layout(ctx, o)
	if err != nil {
		return nil, err
	}
	*res = Outcome{Result: o.Result}
	res.Summary.ListingComplete = true
	var held []*holdings
	sum := passSums{readContent: o.Content == ContentRead}
	if in.wanted != nil {
		sum.wanted.List = in.wanted.Name
	}
	for i := range layout.Volumes {
		rec, h, err := verifyVolume(ctx, o, in, i+1, &layout.Volumes[i], spool, &sum)
		if err != nil {
			return nil, err
		}
		held = append(held, h)
		res.Volumes = append(res.Volumes, rec)
		res.Summary.Add(&rec.Sums)
		if !rec.Listing.Complete {
			res.Summary.ListingComplete = false
		}
	}
	if !slices.ContainsFunc(layout.Volumes, func(v volume.Volume) bool { return v.Reason == "" }) || len(layout.Missing) > 0 || len(in.Broken()) > 0 {
		res.Summary.ListingComplete = false
	}
	res.Summary.Heads = sum.waiting.records(in.Heads)
	if in.wanted != nil {
		res.Summary.Wanted = &sum.wanted
	}
	if _, found := in.Again(); sum.readContent && !found { // else another pass will know better where content lies
		if err := in.sweep(ctx, &sum.stored, o.Report); err != nil {
			return nil, err
		}
	}
	err = places(in.Reader, held, func(p *result.Place) error { p.Tally(&res.Summary.Unread, res.Volumes); return ctx.Err() })
	if err != nil {
		return nil, err
	}
	res.Image = imageRecord(o, in, layout)
	return held, nil
}

// deciding are the options that decide what is found, as on the command line.
// What the record of the image and its map tell already is left out.
func (o *Options) deciding() []string {
	var list []string
	for _, f := range []struct {
		given bool
		text  string
	}{
		{o.Codepage != "", "--codepage " + o.Codepage},
		{o.NoJournal, "--no-journal"},
		{o.Filesystem != "", fmt.Sprintf("--volume-at %d --filesystem %s", o.VolumeAt, o.Filesystem)},
		{o.Whole, "--whole"},
		{o.AllowMissingParts, "--allow-missing-parts"},
		{o.DriveSize != 0, fmt.Sprintf("--drive-size %d", o.DriveSize)},
	} {
		if f.given {
			list = append(list, f.text)
		}
	}
	return list
}

// passSums adds up what a pass knows only after all volumes.
type passSums struct {
	readContent bool       // whether stored is asked for
	stored      ranges.Set // where content lies
	waiting     headCount
	wanted      result.WantedFiles
}

// imageRecord describes the image and its map after all has been read.
func imageRecord(o Options, in *Input, l *volume.Layout) result.Image {
	r, m := in.Reader, in.Map
	rec := result.Image{Path: o.Image, Size: r.Size(), DriveSize: r.DriveSize(), Sector: r.Sector(),
		Table: l.Scheme, Notes: slices.Concat(in.Shape.Notes, l.Notes), Missing: l.Missing}
	rec.Parts, rec.Offset = partsRecord(in.Shape), o.Offset
	rec.Folder, _ = os.Getwd() // unknown: then names are looked for where the result lies
	rec.Needs = needsOf(r, l.Needs)
	rec.Heads = headsRecord(in.Heads, r)
	rec.Profile = driveProfile(r)
	rec.Map.Count(r.Tally(), 1)
	rec.Map.Path = m.Path
	if m.Path != "" {
		rec.Map.SHA256 = hex.EncodeToString(m.SHA256[:])
	}
	if o.Recipe != nil {
		var b strings.Builder
		_ = o.Recipe.InSectors(o.Sector).Write(&b) // it was read by, so it can be written
		rec.Map.Recipe = b.String()
	}
	rec.Map.AssumedRead = o.AssumeRead
	rec.Map.TrustDoubtful = o.TrustDoubtful
	rec.Program = result.Program{Version: program.Version(), Options: o.deciding()}
	rec.Content = o.Content
	rec.Retried = r.Retried()
	for _, b := range r.Broken() {
		rec.Broken = append(rec.Broken, [2]int64{b.Start, b.Length})
	}
	return rec
}

// verifyVolume lists one volume into the spool.
func verifyVolume(ctx context.Context, o Options, in *Input, number int, v *volume.Volume, w io.Writer, sum *passSums) (rec result.Volume, h *holdings, err error) {
	r := in.Reader
	rec = result.Volume{Volume: number, Start: v.Start, Length: v.Length, Pieces: result.PiecesOf(v.Pieces), Filesystem: v.Filesystem, Found: v.Found}
	fs, err := volume.Open(ctx, r, v, o.Options)
	if err != nil {
		if ctx.Err() != nil {
			return rec, h, ctx.Err()
		}
		rec.Listing.Why = []string{"files not listed: " + err.Error()}
		rec.Needs = needsOf(r, v.Needs)
		if v.NoFiles {
			rec.Listing = result.Listing{Complete: true, Why: []string{v.Reason}}
		}
		h = &holdings{volume: number}
		for _, p := range v.Places() {
			for s := range r.Unread(p.Start, min(p.End, r.DriveSize())-p.Start) {
				h.add(result.HoldsUnknown, "", s.Start, s.End())
			}
		}
		return rec, h, nil
	}
	p := newPipeline(ctx, in, number, w, o.Workers(), sum)
	survey, err := fs.Walk(ctx, p.put)
	if perr := p.finish(); err == nil || errors.Is(err, errStopped) {
		err = perr
	}
	if err != nil {
		return rec, h, err
	}
	info := fs.Info()
	rec.Filesystem, rec.Label, rec.Cluster, rec.Notes = info.Filesystem, info.Label, info.Cluster, info.Notes
	l := survey.Listing
	rec.Listing = result.Listing{Complete: l.Complete, UnreadRecords: l.UnreadRecords, UnnamedFiles: l.UnnamedFiles, UnclaimedBytes: l.UnclaimedBytes, Deep: p.deep,
		Why: append([]string{}, l.Why...)}
	if p.deep > 0 {
		rec.Listing.Why = append(rec.Listing.Why, deepWords(p.deep))
	}
	if p.twice > 0 {
		rec.Listing.Complete = false
		rec.Listing.Why = append(rec.Listing.Why, fmt.Sprintf("%d entries came twice, under the same number and path, and are told once: the volume contradicts itself", p.twice))
	}
	if broken := in.BrokenWords("count as failed", "verify it again"); broken != "" {
		rec.Listing.Complete, rec.Listing.Why = false, append(rec.Listing.Why, broken)
	}
	rec.Sums = p.sums
	rec.Listing.UnnamedFiles = max(rec.Listing.UnnamedFiles, p.unnamed)
	if lacks := rec.Lacks(p.adrift); rec.Listing.Complete && lacks != "" {
		rec.Listing.Complete, rec.Listing.Why = false, append(rec.Listing.Why, lacks)
	}
	rec.Needs = needsOf(r, l.Needs)
	if h, err = locate(ctx, number, survey, r, &p.content); err != nil {
		return rec, nil, err
	}
	rec.Structures = structureRecords(survey.Structures)
	if rec.Proof, err = prove(ctx, survey.Space, r, v.Start); err != nil {
		return rec, h, err
	}
	if past := rec.PastEnd(r.DriveSize()); past != "" {
		rec.Notes = append(rec.Notes, past)
	}
	return rec, h, nil
}
