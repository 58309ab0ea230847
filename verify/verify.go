package verify

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/volume"
	"fileassay/verify/files"
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

	Whole             bool // the image is one file, whatever stands beside it
	AllowMissingParts bool // parts of the image that are missing or short count as skipped

	Result string // path of the result; "" is [ResultName] of Image
	Force  bool   // replace an existing result
	extract.Options
}

// Outcome is what a result says in sum, for summaries.
type Outcome struct {
	Image   result.Image    `json:"image"`
	Volumes []result.Volume `json:"volumes"`
	Summary result.Summary  `json:"summary"`
	Result  string          `json:"result"` // path of the result
}

// Clean reports whether every listed file is intact and every listing
// complete.
func (o *Outcome) Clean() bool {
	f, d := o.Summary.Files, o.Summary.Folders
	return o.Summary.ListingComplete && f.Damaged+f.Lost+d.Damaged+d.Lost == 0
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
	in, err := OpenImage(o)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	if o.Wanted != "" {
		if in.wanted, err = wanted.Load(o.Wanted); err != nil {
			return nil, &files.InputError{Err: err}
		}
	}
	out, err := files.Create(o.Result, o.Force, in.files(o)...)
	if err != nil {
		return nil, err
	}
	res := &Outcome{Result: o.Result}
	if err := run(ctx, o, in, out, res); err != nil {
		out.Drop()
		return nil, err
	}
	if err := out.Commit(); err != nil {
		return nil, err
	}
	return res, nil
}

// run finds the volumes, spools the lines of their files, and then writes the
// whole result: the lines of the volumes stand before those of the files, but
// are known only after them.
func run(ctx context.Context, o Options, in *Input, out *files.Output, res *Outcome) error {
	layout, err := in.layout(ctx, o)
	if err != nil {
		return err
	}
	spool, err := files.NewSpool(o.Result)
	if err != nil {
		return err
	}
	defer spool.Drop()

	res.Summary.Type = "summary"
	res.Summary.ListingComplete = true
	var covered extract.Spans
	var waiting headCount
	var sum result.WantedFiles
	if in.wanted != nil {
		sum.List = in.wanted.Name
	}
	for i, v := range layout.Volumes {
		rec, end, err := verifyVolume(ctx, o, in, i+1, v, spool, &waiting, &sum)
		if err != nil {
			return err
		}
		covered.Add(v.Start, end-v.Start)
		res.Volumes = append(res.Volumes, rec)
		res.Summary.Files.Add(rec.Files)
		res.Summary.Folders.Add(rec.Folders)
		res.Summary.Sizes.Add(rec.Sizes)
		res.Summary.Bytes.Add(rec.Bytes)
		res.Summary.Unread.Add(rec.Unread)
		if !rec.Listing.Complete {
			res.Summary.ListingComplete = false
		}
	}
	if !slices.ContainsFunc(layout.Volumes, func(v volume.Volume) bool { return v.Reason == "" }) || len(layout.Missing) > 0 {
		res.Summary.ListingComplete = false
	}
	res.Summary.Places = outside(in.Reader, &covered, &res.Summary.Unread.Outside)

	res.Summary.Heads = waiting.records(in.Heads)
	if in.wanted != nil {
		res.Summary.Wanted = &sum
	}
	res.Image = imageRecord(o, in, layout)

	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(&res.Image); err != nil {
		return err
	}
	for i := range res.Volumes {
		if err := enc.Encode(&res.Volumes[i]); err != nil {
			return err
		}
		res.Volumes[i].Places = nil // long, and of the result alone
	}
	if err := spool.CopyTo(out); err != nil {
		return err
	}
	err = enc.Encode(&res.Summary)
	res.Summary.Places = nil
	return err
}

// imageRecord describes the image and its map after all has been read.
func imageRecord(o Options, in *Input, l *volume.Layout) result.Image {
	r, m := in.Reader, in.Map
	rec := result.Image{Type: "image", Path: o.Image, Size: r.Size(), DriveSize: r.DriveSize(), Sector: r.Sector(),
		Map: mapOf(r.Tally()), Table: l.Scheme, Notes: slices.Concat(in.Shape.Notes, l.Notes), Missing: l.Missing, Format: 1}
	rec.Parts, rec.Offset = partsRecord(in.Shape), o.Offset
	rec.Needs = needsOf(r, l.Needs)
	rec.Heads = headsRecord(in.Heads, r)
	rec.Profile = driveProfile(r)
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
	rec.Retried = r.Retried()
	for _, b := range r.Broken() {
		rec.Broken = append(rec.Broken, [2]int64{b.Start, b.Length})
	}
	return rec
}

// outside counts the unread bytes that no volume covers, and says where they
// are.
func outside(r *image.Reader, covered *extract.Spans, u *result.Unread) []result.Holding {
	var h holdings
	pos := int64(0)
	count := func(end int64) {
		for s := range r.Unread(pos, end-pos) {
			u.Count(s.State, s.Length)
			h.add("outside", "", s.State, s.Start, s.End())
		}
	}
	for c := range covered.All() {
		count(min(c.Start, r.DriveSize()))
		pos = max(pos, c.End)
	}
	count(r.DriveSize())
	return h.list
}

// verifyVolume lists one volume into the spool. end is where that ends of which
// it tells what it holds: a filesystem may be smaller than what it lies in.
func verifyVolume(ctx context.Context, o Options, in *Input, number int, v volume.Volume, w io.Writer, waiting *headCount, sum *result.WantedFiles) (rec result.Volume, end int64, err error) {
	r := in.Reader
	end = v.Start + v.Length
	rec = result.Volume{Type: "volume", Volume: number, Start: v.Start, Length: v.Length, Filesystem: v.Filesystem, Found: v.Found}
	fs, err := volume.Open(ctx, r, v, o.Options)
	if err != nil {
		if ctx.Err() != nil {
			return rec, end, ctx.Err()
		}
		rec.Listing.Why = []string{"files not listed: " + err.Error()}
		rec.Needs = needsOf(r, v.Needs)
		if v.NoFiles {
			rec.Listing = result.Listing{Complete: true, Why: []string{v.Reason}}
		}
		var h holdings
		for s := range r.Unread(v.Start, min(v.Length, r.DriveSize()-v.Start)) {
			rec.Unread.Unknown.Count(s.State, s.Length)
			h.add("unknown", "", s.State, s.Start, s.End())
		}
		rec.Places = h.list
		return rec, end, nil
	}
	p := newPipeline(ctx, in, number, w, o.Workers())
	err = fs.Walk(ctx, p.put)
	if perr := p.finish(); err == nil || errors.Is(err, errStopped) {
		err = perr
	}
	if err != nil {
		return rec, end, err
	}
	waiting.addAll(&p.waiting)
	sum.Add(&p.wanted)
	info := fs.Info()
	rec.Filesystem, rec.Label, rec.Cluster, rec.Notes = info.Filesystem, info.Label, info.Cluster, info.Notes
	l := fs.Listing()
	rec.Listing = result.Listing{Complete: l.Complete, UnreadRecords: l.UnreadRecords, UnnamedFiles: l.UnnamedFiles, UnclaimedBytes: l.UnclaimedBytes, Why: l.Why}
	if rec.Listing.Why == nil {
		rec.Listing.Why = []string{}
	}
	rec.Files, rec.Folders, rec.Sizes, rec.Bytes = p.files, p.folders, p.sizes, p.bytes
	rec.Needs = needsOf(r, l.Needs)
	places, err := locate(ctx, fs, r, &p.content)
	if err != nil {
		return rec, end, err
	}
	rec.Unread, rec.Places = places.Places, places.list
	end = max(places.end, v.Start)
	structures, err := fs.Structures(ctx)
	if err != nil {
		return rec, end, err
	}
	rec.Structures = structureRecords(structures)
	if rec.Proof, err = prove(ctx, fs, r, v.Start); err != nil {
		return rec, end, err
	}
	if v.Start+v.Length > r.DriveSize() {
		rec.Notes = append(rec.Notes, fmt.Sprintf("the volume ends %d bytes past the end of the image: was the image cut short?", v.Start+v.Length-r.DriveSize()))
	}
	return rec, end, nil
}
