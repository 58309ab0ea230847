package delivery

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"sync/atomic"
	"time"

	"github.com/dustin/go-humanize"

	"fileassay/extract/image"
	"fileassay/extract/input"
	"fileassay/verify/files"
	"fileassay/verify/paths"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// Options say what to deliver, from where and to which folder.
type Options struct {
	Image  string // path of the image
	Result string // path of the result that verify wrote of it
	To     string // folder of the delivery: new, empty, or that of a run that was cut off
	Selection
	Filler []byte     // what stands in place of missing bytes, repeated; none is zeros
	Date   string     // for the bag's Bagging-Date, YYYY-MM-DD; "" leaves it out
	Whole  bool       // the image is one file, whatever stands beside it
	Files  *files.Set // of the run: what it protects is not written to; nil for none

	Threads int // 0 is one a core
	// Progress, where not nil, is told now and then how far the copying is.
	// It may be called from several goroutines.
	Progress func(p Progress)

	sync func(f *os.File) error // waits until a file or folder is on the disk; nil but in tests
}

// Progress is how far a delivery is.
type Progress struct {
	Step         string
	Done, Total  int64 // bytes
	Files, Among int64
}

// Outcome is what a delivery came to.
type Outcome struct {
	Folder  string `json:"folder"`
	Files   int64  `json:"files"`   // delivered
	Damaged int64  `json:"damaged"` // of them, with bytes missing or not proved
	Links   int64  `json:"links"`
	Bytes   int64  `json:"bytes"` // of their content
	Missing int64  `json:"missing_bytes"`
	Renamed int64  `json:"renamed"`
	LeftOut int64  `json:"left_out"`                  // chosen and not delivered; left-out.csv says why
	Kept    int64  `json:"kept"`                      // files that an earlier run had finished
	Broken  int64  `json:"image_not_given,omitempty"` // bytes that the image file itself did not give
}

// Nothing reports whether nothing was chosen.
func (o *Outcome) Nothing() bool { return o.Files+o.Links+o.LeftOut == 0 }

// Clean reports whether all that was chosen was delivered, and is intact, and
// the image file gave all that was asked of it.
func (o *Outcome) Clean() bool {
	return o.Damaged == 0 && o.LeftOut == 0 && o.Broken == 0 && !o.Nothing()
}

// Run makes a delivery, or goes on with one that was cut off. Errors are
// [*files.InputError], [*files.OutputError], or the context's; after any of
// them the same call can be made again.
func Run(ctx context.Context, o Options) (*Outcome, error) {
	if len(o.Filler) == 0 {
		o.Filler = []byte{0}
	}
	if o.Threads <= 0 {
		o.Threads = runtime.GOMAXPROCS(0)
	}
	if err := o.Files.CheckFolder(o.To); err != nil {
		return nil, err
	}
	if err := o.prepare(); err != nil {
		return nil, err
	}
	res, err := result.OpenIn(ctx, files.NewSet(), o.Result)
	if err != nil {
		return nil, err
	}
	defer res.Close()
	r, _, err := res.OpenImage(o.Image, o.Whole)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	return deliver(ctx, o, res, r)
}

// deliver is [Run] with all that it reads open.
func deliver(ctx context.Context, o Options, res *result.Result, r *image.Reader) (*Outcome, error) {
	if o.Progress == nil {
		o.Progress = func(Progress) {}
	}
	var err error
	ord := &order{Format: journalFormat, Selection: o.Selection.String(), Filler: hex.EncodeToString(o.Filler), Date: o.Date}
	if ord.Result, err = digestOf(o.Result); err != nil {
		return nil, &files.InputError{Err: err}
	}
	var listed []byte
	if o.Wanted != "" {
		if listed, err = input.Read("wanted list", o.Wanted, wanted.MaxText); err != nil {
			return nil, &files.InputError{Err: err}
		}
		s := sha256.Sum256(listed)
		ord.Wanted = hex.EncodeToString(s[:])
	}
	d := &delivery{o: o, order: ord, listed: listed, r: r, res: res}
	defer d.close()
	if err := d.open(); err != nil {
		return nil, err
	}
	if d.plan, err = newPlan(res, &o.Selection, o.Filler, new(paths.Store)); err != nil {
		return nil, err
	}
	if err := d.run(ctx); err != nil {
		return nil, err
	}
	return d.outcome(), nil
}

func digestOf(name string) (string, error) {
	f, err := input.Open("result", name)
	if err != nil {
		return "", err
	}
	defer f.Close()
	sum, _, err := digest(f)
	return hex.EncodeToString(sum[:]), err
}

// delivery is a run that makes one.
type delivery struct {
	o      Options
	order  *order
	listed []byte // the wanted list
	r      *image.Reader
	res    *result.Result

	root    *os.Root // of the whole folder
	target  *target
	file    *os.File // the journal's
	journal *journal
	lines   []journalLine // of an earlier run
	resumed bool
	final   bool // the payload stands under its last name already

	plan *plan
	held *held // once all is made
	kept int64
}

func (d *delivery) fault(err error) error { return (&target{path: d.o.To}).fault("the delivery", err) }

// open opens the folder: a new or empty one, or that of a run that was cut off
// and was asked for the same.
func (d *delivery) open() error {
	bad := func(format string, a ...any) error {
		return &files.OutputError{Path: d.o.To, Err: fmt.Errorf(format, a...)}
	}
	if err := files.MakeFolder(d.o.To); err != nil {
		return err
	}
	var err error
	if d.root, err = os.OpenRoot(d.o.To); err != nil {
		return &files.OutputError{Path: d.o.To, Err: err}
	}
	st, err := d.root.Lstat(journalName)
	var was *order
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if _, err := d.root.Lstat(declarationName); err == nil {
			return bad("holds a finished delivery; fileassay audit says whether it is still whole. Give another folder")
		}
		if err := d.vacant(); err != nil {
			return bad("%w", err)
		}
		d.file, err = d.root.OpenFile(journalName, os.O_RDWR|os.O_CREATE|os.O_EXCL|os.O_APPEND, 0o644)
	case err == nil && !st.Mode().IsRegular():
		return bad("%s is no regular file", journalName)
	case err == nil && d.o.Files.Holds(st):
		return bad("%s is one of the inputs; inputs are never written to", journalName)
	case err == nil:
		d.file, err = d.root.OpenFile(journalName, os.O_RDWR|os.O_APPEND, 0)
	}
	if err != nil {
		return d.fault(err)
	}
	if err := files.Lock(d.file); err != nil {
		return bad("another run is at work on it: %w", err)
	}
	if was, d.lines, err = readJournal(d.file); err != nil {
		return bad("%w", err)
	}
	if was != nil && *was != *d.order {
		return bad("holds an unfinished delivery that was asked for otherwise (%s); finish that one with its own arguments, or give another folder", was.Selection)
	}
	d.journal = newJournal(d.file)
	if d.resumed = was != nil; d.resumed {
		err = d.journal.newLine()
	} else if verr := d.vacant(); verr != nil {
		return bad("%w", verr)
	} else if err = d.file.Truncate(0); err == nil { // it ends in its first line, which is ours
		err = d.begin()
	}
	if err != nil {
		return d.fault(err)
	}
	name := partialName
	if _, err := d.root.Lstat(payloadName); err == nil {
		name, d.final = payloadName, true
	} else if err := d.root.Mkdir(partialName, 0o755); err != nil && !errors.Is(err, fs.ErrExist) {
		return d.fault(err)
	}
	payload, err := d.root.OpenRoot(name)
	if err != nil {
		return d.fault(err)
	}
	d.target = &target{path: d.o.To, root: payload, folders: map[string]*openFolder{}}
	return nil
}

// errUntold is that of a folder whose journal does not say what it was to hold.
var errUntold = fmt.Errorf("holds %[1]s, and no line in %[2]s that tells what that is (a power cut may have taken it): if it is an unfinished delivery, remove %[1]s and %[2]s and run the same command again; else give another folder",
	partialName, journalName)

// vacant fails where the folder holds what no run can have made before the
// first line of its journal was on the disk.
func (d *delivery) vacant() error {
	entries, err := os.ReadDir(d.o.To)
	if err != nil {
		return err
	}
	for _, e := range entries {
		switch name := e.Name(); name {
		case "lost+found", journalName:
		case partialName:
			if inside, err := fs.ReadDir(d.root.FS(), name); err != nil || len(inside) > 0 || !e.IsDir() {
				return errUntold
			}
		default:
			return fmt.Errorf("is not empty (%s); nothing is ever overwritten: give a new or an empty folder", name)
		}
	}
	return nil
}

// begin begins the journal, and waits until its first line and its name are on
// the disk: nothing is made before, so what stands there is a delivery's.
func (d *delivery) begin() error {
	if err := d.journal.begin(d.order); err != nil {
		return err
	}
	if err := d.o.waitFor(d.file); err != nil {
		return err
	}
	return d.syncFolder()
}

// waitFor waits until a file is on the disk.
func (o *Options) waitFor(f *os.File) error {
	if o.sync != nil {
		return o.sync(f)
	}
	return f.Sync()
}

func (d *delivery) close() {
	if d.target != nil {
		d.target.close()
	}
	d.file.Close() // none has nothing to close
	if d.root != nil {
		d.root.Close()
	}
}

func (d *delivery) run(ctx context.Context) error {
	if err := d.takeUp(ctx); err != nil {
		return err
	}
	if err := d.room(); err != nil {
		return err
	}
	err := d.copy(ctx)
	if ferr := d.journal.flush(); err == nil && ferr != nil {
		err = d.fault(ferr)
	}
	if err != nil {
		return err
	}
	if err := d.r.Unchanged(); err != nil {
		return &files.InputError{Err: fmt.Errorf("image %w", err)}
	}
	if err := d.makeLinks(); err != nil {
		return err
	}
	d.clearFolders()
	if err := d.stampFolders(); err != nil {
		return err
	}
	return d.seal()
}

// takeUp proves what earlier runs have done, and clears away what is not proved.
func (d *delivery) takeUp(ctx context.Context) error {
	for _, f := range d.plan.files {
		f.prepare()
	}
	if !d.resumed {
		return nil
	}
	places := make(map[key]bool, len(d.plan.files)+len(d.plan.links))
	for _, f := range d.plan.files {
		places[keyOf(d.plan.paths.String(f.place))] = true
	}
	for i := range d.plan.links {
		places[keyOf(d.plan.paths.String(d.plan.links[i].place))] = true
	}
	err := fs.WalkDir(d.target.root.FS(), ".", func(p string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		st, err := e.Info()
		switch {
		case err != nil:
			return err
		case d.o.Files.Holds(st):
			return fmt.Errorf("holds %s, which is one of the inputs; inputs are never written to: move it away", p)
		case !places[keyOf(p)]:
			return fmt.Errorf("holds %s, which this delivery does not: move it away", p)
		}
		return nil
	})
	if err != nil {
		return &files.OutputError{Path: d.o.To, Err: err}
	}
	if err := d.prove(ctx); err != nil {
		return err
	}
	remove := func(at paths.Path) error {
		place := d.plan.paths.String(at)
		if err := d.target.root.Remove(place); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return d.target.fault(place, err)
		}
		return nil
	}
	for _, f := range d.plan.files {
		if !f.done {
			if err := remove(f.place); err != nil {
				return err
			}
		}
	}
	for i := range d.plan.links {
		if err := remove(d.plan.links[i].place); err != nil {
			return err
		}
	}
	return nil
}

// room fails where the target has too little of it.
func (d *delivery) room() error {
	need := d.plan.space
	for _, f := range d.plan.files {
		if f.done {
			need -= (f.content + 2*clusterGuess - 1) / clusterGuess * clusterGuess
		}
	}
	need += int64(len(d.plan.files)) * 400 // its lists
	have, ok := freeSpace(d.o.To)
	if ok && have < need {
		return &files.OutputError{Path: d.o.To, Err: fmt.Errorf("%d bytes (%s) are needed and %d (%s) are free; make room and run the same command again, or choose fewer files or another folder",
			need, humanize.IBytes(uint64(need)), have, humanize.IBytes(uint64(have)))}
	}
	return nil
}

// copy gives every file that is not done yet its content.
func (d *delivery) copy(ctx context.Context) error {
	p := d.plan
	var done, files atomic.Int64
	total, among := p.content, int64(len(p.files))
	for _, f := range p.files {
		if f.done {
			total -= f.content
			files.Add(1)
		}
	}
	report := func() { d.o.Progress(Progress{"copying", done.Load(), total, files.Load(), among}) }
	c := &copier{r: d.r, t: d.target, files: p.files, paths: p.paths, filler: d.o.Filler, open: make([][]*file, d.o.Threads), scratch: make([][2][]byte, d.o.Threads)}
	c.finish = func(n int32, f *file) error {
		if files.Add(1)&127 == 0 {
			report()
		}
		if err := d.journal.add(n, f.sum); err != nil {
			return d.fault(err)
		}
		return nil
	}
	for i, f := range p.files {
		if f.content == 0 && !f.done {
			if err := c.finishEmpty(int32(i), f); err != nil {
				return err
			}
			if ctx.Err() != nil {
				return ctx.Err()
			}
		}
	}
	s := &sweep{r: d.r, files: p.files, workers: d.o.Threads, progress: func(n int64) { done.Add(n); report() }}
	err := s.run(ctx, p.segments, func(f *file) bool { return !f.done }, c.write, c.hash)
	c.closeAll()
	return err
}

// closeAll closes what a run that failed has left open.
func (c *copier) closeAll() {
	for _, f := range c.files {
		if f.big != nil {
			f.big.close()
		}
	}
}

// makeLinks makes the links that lead to a file of the delivery. Where the
// target has no links they are left out.
func (d *delivery) makeLinks() (err error) {
	d.held, err = d.plan.settle(func(l *link, f *file) (because string, err error) {
		place := d.plan.paths.String(l.place)
		err = d.target.in(place, func(dir *os.Root, name string) error {
			if err := dir.Symlink(d.plan.linkText(l, f), name); err != nil {
				return err
			}
			if !l.modified.IsZero() {
				stampLink(dir, name, l.modified)
			}
			return nil
		})
		if err != nil && files.IsFull(err) {
			return "", d.target.fault(place, err)
		}
		if err != nil {
			because = becauseTarget
		}
		return because, nil
	})
	return err
}

// linkText is what a link to a file says: the way from its folder.
func (p *plan) linkText(l *link, f *file) string {
	way, err := filepath.Rel(filepath.FromSlash(path.Dir(p.paths.String(l.place))), filepath.FromSlash(p.paths.String(f.place)))
	if err != nil { // no place reaches out of the folder
		return ""
	}
	return way
}

// clearFolders takes away the folders that hold nothing, since what they were
// made for was left out after all.
func (d *delivery) clearFolders() {
	for _, f := range d.plan.files {
		if f.failed == "" {
			continue
		}
		for dir := path.Dir(d.plan.paths.String(f.place)); dir != "."; dir = path.Dir(dir) {
			if d.target.root.Remove(dir) != nil { // it holds something, or is gone
				break
			}
		}
	}
}

// stampFolders sets the times of the folders that were made.
func (d *delivery) stampFolders() error {
	for f, err := range d.res.Files() {
		if err != nil {
			return err
		}
		if f.Kind != "folder" {
			continue
		}
		when := keptTime(f)
		if when.IsZero() {
			continue
		}
		for _, branch := range []result.Verdict{result.Intact, result.Damaged} {
			if place, ok := d.plan.namer.find(volumeFolder(string(branch), f.Volume), f.Path); ok {
				// a folder of files that were all left out was never made
				if err := d.target.root.Chtimes(place, when, when); err != nil && !errors.Is(err, fs.ErrNotExist) {
					return d.target.fault(place, err)
				}
			}
		}
	}
	return nil
}

// seal writes what makes the folder a bag. Its declaration comes last: a
// folder that has one is whole.
func (d *delivery) seal() error {
	declare := func(w io.Writer) error { _, err := io.WriteString(w, declaration); return err }
	tags := map[string][32]byte{declarationName: sha256.Sum256([]byte(declaration))}
	for _, b := range d.held.bagFiles(d.order, d.listed) {
		sum, err := writeFile(d.root, b.name, syncsEach, b.write)
		if err != nil {
			return d.fault(err)
		}
		tags[b.name] = sum
	}
	_, err := writeFile(d.root, tagManifestName, syncsEach, func(w io.Writer) error {
		return writeManifest(w, func(yield func(string, [32]byte) bool) {
			for _, name := range slices.Sorted(maps.Keys(tags)) {
				if !yield(name, tags[name]) {
					return
				}
			}
		})
	})
	if err != nil {
		return d.fault(err)
	}
	d.o.Progress(Progress{Step: "waiting until all is on the disk"})
	if err := syncAll(d.file); err != nil {
		return d.fault(err)
	}
	d.target.close() // some systems rename no folder that is open
	d.target = nil
	if !d.final {
		if err := d.root.Rename(partialName, payloadName); err != nil {
			return d.fault(err)
		}
	}
	if _, err := writeFile(d.root, declarationName, true, declare); err != nil {
		return d.fault(err)
	}
	if err := d.syncFolder(); err != nil {
		return d.fault(err)
	}
	err = d.file.Close() // some systems remove no file that is open
	d.file = nil
	if err == nil {
		err = d.root.Remove(journalName)
	}
	if err != nil {
		return d.fault(err)
	}
	return nil
}

// syncFolder waits until the names in the folder are on the disk, where the
// system can tell.
func (d *delivery) syncFolder() error {
	f, err := d.root.Open(".")
	if err != nil {
		return err
	}
	_ = d.o.waitFor(f) // some systems cannot sync folders
	return f.Close()
}

func (d *delivery) outcome() *Outcome {
	h := d.held
	out := &Outcome{Folder: d.o.To, Files: int64(len(h.files)), Links: int64(len(h.links)), LeftOut: int64(len(h.left)), Kept: d.kept, Broken: d.r.BrokenBytes()}
	for _, f := range h.files {
		out.Bytes += f.size
		if f.damaged {
			out.Damaged++
		}
		out.Missing += total(f.missing)
		if h.renamed(f.volume, f.place, f.original, f.exact) {
			out.Renamed++
		}
	}
	return out
}

// ParseDate checks a date for the bag.
func ParseDate(s string) error {
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		return fmt.Errorf("date %q: should be YYYY-MM-DD", s)
	}
	return nil
}
