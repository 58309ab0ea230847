package delivery

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"

	"fileassay/extract/image"
	"fileassay/extract/input"
	"fileassay/verify/files"
	"fileassay/verify/paths"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// AuditOptions say what to audit, and against what.
type AuditOptions struct {
	Folder    string
	Result    string // path of the result; "" for the folder's own manifest alone
	Image     string // path of the image that the result was made from; "" to leave it aside
	Selection        // of a folder that is no bag: which files should be in it
	Whole     bool   // the image is one file, whatever stands beside it
	Times     bool   // other times and modes are faults, and no notes
	Threads   int    // 0 is one a core
	Progress  func(p Progress)
}

// Finding is something that is off.
type Finding struct {
	Path string `json:"path"` // in the folder, or in the image for what is missing of it
	What string `json:"what"`
	Why  string `json:"why,omitempty"`
	Note bool   `json:"note,omitempty"` // it is told, and no fault
}

// What a finding says.
const (
	FoundMissing = "missing"       // should be there, and is not
	FoundExtra   = "extra"         // is there, and should not be
	FoundChanged = "changed"       // has another digest than its manifest states
	FoundLength  = "wrong length"  // is longer or shorter than the file was
	FoundContent = "wrong content" // differs from what the drive gave
	FoundFiller  = "filler inside" // holds bytes in places where it should hold content, or where the drive gave none
	FoundOther   = "wrong file"    // holds the content of another file
	FoundUnheld  = "not compared"  // the image file no longer gives what it should hold
	FoundBag     = "bag"           // the bag itself is not as RFC 8493 asks
	FoundRow     = "wrong row"     // a list beside the payload tells something else than the result
	FoundTime    = "time"          // has another time than the drive gave it
	FoundMode    = "mode"          // has another mode than it was delivered with
	FoundLeft    = "left out"      // could not be delivered, as left-out.csv says
)

// AuditReport is what an audit found.
type AuditReport struct {
	Folder   string    `json:"folder"`
	Bag      bool      `json:"bag"`
	Against  []string  `json:"against"`         // manifest, result, image
	Asked    string    `json:"asked,omitempty"` // what was to be delivered, as the bag says
	Files    int64     `json:"files"`           // that were looked at
	Bytes    int64     `json:"bytes"`
	Findings []Finding `json:"findings"`
}

// Clean reports whether nothing is off: whether all findings are notes.
func (r *AuditReport) Clean() bool { return r.Notes() == len(r.Findings) }

// Notes is how many findings are notes.
func (r *AuditReport) Notes() int {
	n := 0
	for _, f := range r.Findings {
		if f.Note {
			n++
		}
	}
	return n
}

// Audit audits a folder. Errors are [*files.InputError] or the context's.
func Audit(ctx context.Context, o AuditOptions) (*AuditReport, error) {
	if o.Threads <= 0 {
		o.Threads = runtime.GOMAXPROCS(0)
	}
	if o.Image != "" && o.Result == "" {
		return nil, &files.InputError{Err: errors.New("an image is given without the result that says what lies where in it")}
	}
	if err := o.prepare(); err != nil {
		return nil, err
	}
	if st, err := os.Stat(o.Folder); err == nil && !st.IsDir() { // to open a pipe waits for its writer
		return nil, &files.InputError{Err: fmt.Errorf("folder %s: is none; name the folder of a delivery", o.Folder)}
	}
	root, err := os.OpenRoot(o.Folder)
	if err != nil {
		return nil, &files.InputError{Err: fmt.Errorf("folder: %w", err)}
	}
	defer root.Close()
	a := newAudit(o, root)
	if err := a.list(ctx); err != nil {
		return nil, err
	}
	if a.entry(journalName) != nil {
		return nil, &files.InputError{Err: fmt.Errorf("folder %s: the delivery is not finished; run its extract command again first", o.Folder)}
	}
	a.rep.Bag = a.entry(declarationName) != nil
	if a.rep.Bag {
		if err := a.bag(ctx); err != nil {
			return nil, err
		}
	} else if o.Result == "" {
		return nil, &files.InputError{Err: fmt.Errorf("folder %s: is no bag (it has no %s): give the result with --result, and the image with --image, to hold it to those", o.Folder, declarationName)}
	}
	if o.Result != "" {
		if err := a.against(ctx); err != nil {
			return nil, err
		}
	}
	slices.SortStableFunc(a.rep.Findings, func(x, y Finding) int { return cmp.Or(cmp.Compare(x.Path, y.Path), cmp.Compare(x.What, y.What)) })
	a.rep.Findings = slices.Compact(a.rep.Findings)
	return a.rep, nil
}

// entry is a file of the folder.
type entry struct {
	path     paths.Path
	payload  bool // of a bag
	size     int64
	modified int64 // nanoseconds from 1970
	mode     fs.FileMode
	link     bool // it leads to a file of the folder; size is that one's
	planned  bool // the result has it
}

// audit is a run of one.
type audit struct {
	o     AuditOptions
	root  *os.Root
	paths *paths.Store
	there []entry           // all files of the folder
	where map[key]int32     // in there, by path
	info  map[string]string // of the bag
	findings
}

func newAudit(o AuditOptions, root *os.Root) *audit {
	if o.Progress == nil {
		o.Progress = func(Progress) {}
	}
	return &audit{o: o, root: root, paths: new(paths.Store), where: map[key]int32{}, findings: findings{sorts: map[Finding]int{}, rep: &AuditReport{Folder: o.Folder, Findings: []Finding{}}}}
}

// entry is the file of a path, nil where there is none.
func (a *audit) entry(path string) *entry {
	if i, ok := a.where[keyOf(path)]; ok {
		return &a.there[i]
	}
	return nil
}

// list lists the files of the folder. Links count as the file they lead to,
// if that is in the folder.
func (a *audit) list(ctx context.Context) error {
	err := fs.WalkDir(a.root.FS(), ".", func(p string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if e.IsDir() {
			return ctx.Err()
		}
		st, err := a.root.Lstat(p)
		var x entry
		if err == nil {
			x = entry{modified: st.ModTime().UnixNano(), mode: st.Mode()}
			if x.link = st.Mode()&fs.ModeSymlink != 0; x.link {
				st, err = a.root.Stat(p)
			}
		}
		if err != nil {
			a.found(p, FoundExtra, "cannot be looked at: %v", err)
			return nil
		}
		switch {
		case st.IsDir():
			a.found(p, FoundExtra, "is a link to a folder")
		case st.Mode().IsRegular():
			x.size, x.path, x.payload = st.Size(), a.paths.Add(p), strings.HasPrefix(p, payloadName+"/")
			a.where[keyOf(p)] = int32(len(a.there))
			a.there = append(a.there, x)
		default:
			a.found(p, FoundExtra, "is no regular file")
		}
		return nil
	})
	if err != nil && ctx.Err() == nil {
		return &files.InputError{Err: fmt.Errorf("folder %s: %w", a.o.Folder, err)}
	}
	return err
}

// Bounds of what is read of a bag, in bytes.
const (
	infoLimit     = 2 << 20
	tagLimit      = 64 << 20 // of the tag manifest
	manifestLimit = 8 << 30
)

// bag holds the folder to its own manifests.
func (a *audit) bag(ctx context.Context) error {
	a.rep.Against = append(a.rep.Against, "manifest")
	if b, err := readFile(a.root, declarationName, int64(len(declaration))); err != nil || string(b) != declaration {
		a.found(declarationName, FoundBag, "is not the declaration of a bag of version 1.0 in UTF-8")
	}
	payload := a.manifest(manifestName, manifestLimit)
	if payload != nil {
		for _, s := range payload.sums {
			if p := a.paths.String(s.path); !strings.HasPrefix(p, payloadName+"/") {
				a.found(p, FoundBag, "is in %s, and no payload", manifestName)
			}
		}
	}
	if b, err := readFile(a.root, infoName, infoLimit); err == nil {
		a.info = parseInfo(b)
	} else if !errors.Is(err, fs.ErrNotExist) { // a bag may have none
		a.found(infoName, FoundBag, "cannot be read: %v", err)
	}
	tags := a.tags()
	a.oxum()
	for k, i := range a.where {
		if payload.has(k) || tags.has(k) || payload == nil && a.there[i].payload {
			continue
		}
		if p := a.paths.String(a.there[i].path); p != tagManifestName {
			a.found(p, FoundExtra, "is in no manifest")
		}
	}
	for _, list := range []*manifest{payload, tags} {
		if err := a.digests(ctx, list); err != nil {
			return err
		}
	}
	return nil
}

// manifest is what a manifest of a bag says.
type manifest struct {
	sums []sum
	at   map[key]int32 // where in sums a path is; of two lines the later one counts
}

// sum is a file with its digest.
type sum struct {
	path   paths.Path
	sha256 [32]byte
}

// has reports whether a path is in a manifest.
func (m *manifest) has(path key) bool {
	if m == nil {
		return false
	}
	_, ok := m.at[path]
	return ok
}

// manifest reads a manifest of the folder; nil where it is none.
func (a *audit) manifest(name string, limit int64) *manifest {
	f, err := input.OpenIn(a.root, name)
	if err == nil {
		defer f.Close()
		if x := a.entry(name); x != nil && x.size > limit {
			err = fmt.Errorf("has more than %d bytes", limit)
		}
	}
	if err != nil {
		a.found(name, FoundBag, "cannot be read: %v", err)
		return nil
	}
	m := &manifest{at: map[key]int32{}}
	var twice []paths.Path
	for line, err := range manifestLines(f) {
		if err != nil {
			a.found(name, FoundBag, "%v", err)
			return nil
		}
		k := keyOf(line.path)
		i, again := m.at[k]
		if !again {
			i = int32(len(m.sums))
			m.at[k] = i
			m.sums = append(m.sums, sum{path: a.paths.Add(line.path)})
		} else {
			twice = append(twice, m.sums[i].path)
		}
		m.sums[i].sha256 = line.sha256
	}
	for _, p := range twice {
		a.found(a.paths.String(p), FoundBag, "stands twice in %s", name)
	}
	return m
}

// tags reads the tag manifest. What the drive gave is no business of it; and in
// a delivery it lists the files that extract writes, and no other.
func (a *audit) tags() *manifest {
	tags := a.manifest(tagManifestName, tagLimit)
	if tags == nil {
		return nil
	}
	ours := a.ours()
	names := []string{declarationName, infoName, manifestName}
	if ours {
		names = append(names, tableNames()...)
	}
	for _, s := range tags.sums {
		switch p := a.paths.String(s.path); {
		case p == tagManifestName || strings.HasPrefix(p, payloadName+"/"):
			a.found(p, FoundBag, "has no place in %s", tagManifestName)
		case ours && p != wantedName && !slices.Contains(names, p):
			a.found(p, FoundExtra, "no delivery has such a file")
		}
	}
	for _, name := range names {
		if !tags.has(keyOf(name)) {
			a.found(name, FoundBag, "is not in %s", tagManifestName)
		}
	}
	return tags
}

// ours reports whether a bag was written by extract: something of it says so,
// whatever may have gone.
func (a *audit) ours() bool {
	for _, label := range []string{resultLabel, selectionLabel, fillerLabel} {
		if _, ok := a.info[label]; ok {
			return true
		}
	}
	n := 0
	for _, name := range tableNames() {
		if a.entry(name) != nil {
			n++
		}
	}
	return a.info[agentLabel] == agent || n > 1
}

// tableNames are the names of the lists of a delivery.
func tableNames() (names []string) {
	for _, t := range (&held{}).tables() {
		names = append(names, t.name)
	}
	return names
}

// oxum holds the payload to the sum of its sizes that the bag states.
func (a *audit) oxum() {
	stated, ok := a.info[oxumLabel]
	if !ok {
		return
	}
	var octets, count int64
	for _, x := range a.there {
		if x.payload {
			octets += x.size
			count++
		}
	}
	if have := oxum(octets, count); have != stated {
		a.found(infoName, FoundBag, "states a payload of %q bytes.files, there is %s", short(stated), have)
	}
}

// parseInfo reads bag-info.txt: labels and values, which may go on in lines
// that begin with a blank [RFC 8493 2.2.2].
func parseInfo(b []byte) map[string]string {
	out := map[string]string{}
	label := ""
	var value strings.Builder // in one piece once all lines of it are there
	put := func() {
		if label != "" {
			out[label] = value.String()
		}
		value.Reset()
	}
	for line := range strings.Lines(string(b)) {
		line = strings.TrimRight(line, "\r\n")
		if line != "" && (line[0] == ' ' || line[0] == '\t') && label != "" {
			value.WriteString(" " + strings.TrimSpace(line))
			continue
		}
		l, v, ok := strings.Cut(line, ":")
		if ok {
			put()
			label = l
			value.WriteString(strings.TrimSpace(v))
		}
	}
	put()
	return out
}

// digests reads files again and holds them to their digests.
func (a *audit) digests(ctx context.Context, m *manifest) error {
	if m == nil {
		return nil
	}
	want := make([]sum, 0, len(m.sums))
	var total int64
	for k, i := range m.at {
		at, ok := a.where[k]
		if !ok {
			a.found(a.paths.String(m.sums[i].path), FoundMissing, "is in the manifest")
			continue
		}
		total += a.there[at].size
		want = append(want, m.sums[i])
	}
	slices.SortFunc(want, func(x, y sum) int { return a.paths.Compare(x.path, y.path) })
	var done, files atomic.Int64
	return each(ctx, a.o.Threads, len(want), func(i int, buf []byte) error {
		p := a.paths.String(want[i].path)
		f, err := input.OpenIn(a.root, p)
		if err != nil {
			a.found(p, FoundChanged, "cannot be read: %v", err)
			return nil
		}
		defer f.Close()
		h := sha256.New()
		// one byte past what it had: it may grow as fast as it is read
		n, err := io.CopyBuffer(h, io.LimitReader(f, a.there[a.where[keyOf(p)]].size+1), buf)
		a.o.Progress(Progress{"reading again", done.Add(n), total, files.Add(1), int64(len(want))})
		if err != nil {
			a.found(p, FoundChanged, "cannot be read: %v", err)
			return nil
		}
		var sum [32]byte
		h.Sum(sum[:0])
		if sum != want[i].sha256 {
			a.found(p, FoundChanged, "has another SHA-256 than the manifest states")
		}
		a.mu.Lock()
		a.rep.Files++
		a.rep.Bytes += n
		a.mu.Unlock()
		return nil
	})
}

// each calls do for 0 to n-1 on several goroutines, each with a buffer of its
// own.
func each(ctx context.Context, threads, n int, do func(i int, buf []byte) error) error {
	var next atomic.Int64
	var wg sync.WaitGroup
	errs := make([]error, threads)
	for w := range threads {
		wg.Go(func() {
			buf := make([]byte, 512<<10)
			for errs[w] == nil {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				if errs[w] = ctx.Err(); errs[w] == nil {
					errs[w] = do(i, buf)
				}
			}
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

// against holds the folder to the result, and to the image if there is one.
func (a *audit) against(ctx context.Context) error {
	res, err := result.OpenIn(ctx, files.NewSet(), a.o.Result)
	if err != nil {
		return err
	}
	defer res.Close()
	a.rep.Against = append(a.rep.Against, "result")
	var r *image.Reader
	if a.o.Image != "" {
		if r, _, err = res.OpenImage(a.o.Image, a.o.Whole); err != nil {
			return err
		}
		defer r.Close()
		a.rep.Against = append(a.rep.Against, "image")
	}
	var pairs []pair
	if !a.rep.Bag || !a.ours() {
		pairs, err = a.matchTree(res)
	} else if w := a.own(); w != nil {
		pairs, err = a.matchOwn(ctx, res, r, w)
	}
	if err != nil {
		return err
	}
	if r == nil {
		if !a.rep.Bag {
			a.rep.Files = int64(len(pairs))
		}
		return nil
	}
	if err := a.compareAll(ctx, r, res, pairs); err != nil {
		return err
	}
	if err := r.Unchanged(); err != nil {
		return &files.InputError{Err: fmt.Errorf("image %w", err)}
	}
	return nil
}

// wish is what a delivery was asked for, as its bag says.
type wish struct {
	Selection
	filler []byte
	order  *order
	listed []byte
}

// own is what a bag of ours was asked for, nil where it does not tell.
func (a *audit) own() *wish {
	w, err := a.readWish()
	if err != nil {
		a.found(infoName, FoundBag, "what was asked for cannot be read from it, so the delivery is not held to the result: %v", err)
		return nil
	}
	if sum, err := digestOf(a.o.Result); err == nil && sum != w.order.Result {
		a.found(infoName, FoundBag, "the delivery was made from another result than %s", a.o.Result)
	}
	a.rep.Asked = w.order.Selection
	if w.listed != nil {
		a.rep.Asked += "; " + wantedName
	}
	return w
}

func (a *audit) readWish() (*wish, error) {
	sel, err := parseSelection(a.info[selectionLabel])
	if err != nil {
		return nil, err
	}
	w := &wish{Selection: *sel}
	if w.filler, err = hex.DecodeString(a.info[fillerLabel]); err != nil || len(w.filler) == 0 || len(w.filler) > 512 {
		return nil, fmt.Errorf("filler %q is none", short(a.info[fillerLabel]))
	}
	date := a.info[dateLabel]
	if date != "" {
		if err := ParseDate(date); err != nil {
			return nil, err
		}
	}
	w.order = &order{Result: a.info[resultLabel], Filler: hex.EncodeToString(w.filler), Date: date}
	if a.entry(wantedName) != nil {
		if w.listed, err = readFile(a.root, wantedName, wanted.MaxText); err != nil {
			return nil, err
		}
		sum := sha256.Sum256(w.listed)
		w.order.Wanted = hex.EncodeToString(sum[:])
		w.Wanted = filepath.Join(a.o.Folder, wantedName)
	}
	if err := w.prepare(); err != nil {
		return nil, err
	}
	w.order.Selection = w.Selection.String()
	return w, nil
}

// parseSelection undoes [Selection.String].
func parseSelection(s string) (*Selection, error) {
	sel := &Selection{}
	bad := fmt.Errorf("selection %q is none", short(s))
	for s != "" {
		s = strings.TrimPrefix(s, "; ")
		word, rest, _ := strings.Cut(s, " ")
		switch word {
		case "verdict":
			var list string
			list, s, _ = strings.Cut(rest, "; ")
			for _, v := range strings.Fields(list) {
				sel.Verdicts = append(sel.Verdicts, result.Verdict(v))
			}
		case "volume":
			var n string
			n, s, _ = strings.Cut(rest, "; ")
			v, err := strconv.Atoi(n)
			if err != nil {
				return nil, bad
			}
			sel.Volumes = append(sel.Volumes, v)
		case "path":
			q, err := strconv.QuotedPrefix(rest)
			if err != nil {
				return nil, bad
			}
			p, err := strconv.Unquote(q)
			if err != nil {
				return nil, bad
			}
			sel.Paths = append(sel.Paths, p)
			s = rest[len(q):]
		default:
			return nil, bad
		}
	}
	return sel, nil
}
