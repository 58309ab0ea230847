package volume

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// content is what fills a range of the image.
type content struct {
	filesystem string
	reason     string // why it cannot be listed; "" if it can
	noFiles    bool
	// start and length are where the volume itself lies, where that is not the
	// range it was found in: it goes past it, or is embedded in it. Else 0.
	start, length int64
}

// finder holds what the steps of Find share.
type finder struct {
	r     *image.Reader
	o     extract.Options
	kinds []Kind
	l     *Layout
	opens map[attempt]opened             // what came of opening a place, so that it is done once
	left  map[attempt]extract.Filesystem // volumes opened by what is left of them
	buf   []byte                         // of one window
}

// attempt is a place and the family it was opened as.
type attempt struct {
	family        string
	start, length int64
}

type opened struct {
	fs         extract.Filesystem // nil where it is no such volume
	filesystem string
	why        string
	needs      []ranges.Range // what would tell more
}

func newFinder(r *image.Reader, o extract.Options, kinds []Kind) *finder {
	return &finder{r: r, o: o, kinds: kinds, l: &Layout{}, opens: map[attempt]opened{}, left: map[attempt]extract.Filesystem{}, buf: make([]byte, windowSize)}
}

// open tries a place as a volume of one family. The error is that of ctx alone.
func (f *finder) open(ctx context.Context, k Kind, start, length int64) (opened, error) {
	if err := ctx.Err(); err != nil {
		return opened{}, err
	}
	key := attempt{k.Name, start, length}
	if res, ok := f.opens[key]; ok {
		return res, nil
	}
	var res opened
	fs, err := k.Open(ctx, f.r, start, length, f.o)
	if err == nil {
		res.fs, res.filesystem = fs, fs.Info().Filesystem
	} else {
		if ctx.Err() != nil {
			return opened{}, ctx.Err()
		}
		res.why = err.Error()
		if no := (*extract.NotVolumeError)(nil); errors.As(err, &no) {
			res.why, res.needs = no.Why, no.Needs
		}
	}
	f.opens[key] = res
	return res, nil
}

// family is the kind of that name.
func (f *finder) family(name string) (Kind, bool) {
	i := slices.IndexFunc(f.kinds, func(k Kind) bool { return k.Name == name })
	if i < 0 {
		return Kind{}, false
	}
	return f.kinds[i], true
}

// claim is a candidate with the family that speaks for it.
type claim struct {
	extract.Candidate
	kind Kind
}

// primaryReach is how far from a volume's start its primary structure may
// stand: a boot sector at its start, a superblock or volume header 1024 bytes
// into it. What stands farther is a backup.
const primaryReach = 1024

func (c *claim) primary() bool { return c.At-c.Start >= 0 && c.At-c.Start <= primaryReach }

// claims are the volumes that the sector at the start of win speaks for.
func (f *finder) claims(win []byte, at int64) []claim {
	var out []claim
	if len(win) < step {
		return nil
	}
	for _, k := range f.kinds {
		for _, c := range k.Sniff(win, at) {
			out = append(out, claim{c, k})
		}
	}
	return out
}

// primaries are the claims by primary structures to a volume that begins at
// start.
func (f *finder) primaries(start int64) []claim {
	var out []claim
	for _, at := range []int64{start, start + primaryReach} {
		for _, c := range f.claims(window(f.r, f.buf, at), at) {
			same := func(o claim) bool { return o.kind.Name == c.kind.Name && o.Length == c.Length }
			if c.Start == start && !slices.ContainsFunc(out, same) {
				out = append(out, c)
			}
		}
	}
	return out
}

// probe says what fills [start, start+length): first by the primary structures
// that stand there, then by the marks of what cannot be listed, then by the
// backups that each family keeps. hints are the families to try first.
func (f *finder) probe(ctx context.Context, start, length int64, hints []string) (content, error) {
	var whys []string
	tried := map[string]bool{}
	first := f.primaries(start)
	for _, c := range first {
		if tried[c.kind.Name] {
			continue
		}
		tried[c.kind.Name] = true
		res, err := f.open(ctx, c.kind, start, length)
		if err != nil {
			return content{}, err
		}
		if res.filesystem != "" {
			return content{filesystem: res.filesystem}, nil
		}
		// the entry may be shorter than the volume that stands in it
		if c.Length > length && start+c.Length <= f.r.DriveSize() {
			long, err := f.open(ctx, c.kind, start, c.Length)
			if err != nil {
				return content{}, err
			}
			if long.filesystem != "" {
				return content{filesystem: long.filesystem, start: start, length: c.Length}, nil
			}
		}
		whys = append(whys, c.kind.Name+": "+res.why)
	}

	if in, ok := wrapped(f.r, start, length); ok && len(first) == 0 {
		for _, k := range f.kinds {
			res, err := f.open(ctx, k, in.Start, in.End-in.Start)
			if err != nil {
				return content{}, err
			}
			if res.filesystem != "" {
				return content{filesystem: res.filesystem, start: in.Start, length: in.End - in.Start}, nil
			}
		}
	}

	named, ok, dark := identify(f.r, start, length)
	if ok && len(first) == 0 {
		return named, nil
	}

	for _, k := range f.inOrder(hints) {
		if tried[k.Name] {
			continue
		}
		res, err := f.open(ctx, k, start, length)
		if err != nil {
			return content{}, err
		}
		if res.filesystem != "" {
			return content{filesystem: res.filesystem}, nil
		}
	}
	if ok {
		return named, nil
	}
	if left, err := f.remains(ctx, start, length); left != "" || err != nil {
		return content{filesystem: left}, err
	}
	return f.unlisted(start, length, dark, whys), nil
}

// remains names the volume of which something is left in a range where nothing
// else was found, "" for none. The error is that of ctx alone.
func (f *finder) remains(ctx context.Context, start, length int64) (filesystem string, err error) {
	for _, k := range f.kinds {
		if k.Remains == nil {
			continue
		}
		fs, err := k.Remains(ctx, f.r, start, length, f.o)
		if ctx.Err() != nil {
			return "", ctx.Err()
		}
		if err == nil {
			f.left[attempt{k.Name, start, length}] = fs
			return fs.Info().Filesystem, nil
		}
	}
	return "", nil
}

// inOrder is the list of families with the hinted ones first.
func (f *finder) inOrder(hints []string) []Kind {
	var out []Kind
	for _, name := range hints {
		if k, ok := f.family(name); ok {
			out = append(out, k)
		}
	}
	for _, k := range f.kinds {
		if !slices.Contains(hints, k.Name) {
			out = append(out, k)
		}
	}
	return out
}

// unlisted names a range in which nothing known was found: unread, empty or
// unknown.
func (f *finder) unlisted(start, length int64, dark bool, whys []string) content {
	if start >= f.r.Size() {
		return content{filesystem: "unread", reason: fmt.Sprintf("it begins past the end of the image at offset %d", f.r.Base()+f.r.Size())}
	}
	if len(whys) > 0 {
		return content{filesystem: "unknown", reason: "its first sectors look like a volume, but it cannot be opened (" + strings.Join(whys, "; ") + ")"}
	}
	s := f.sample(start, length)
	head := unreadBytes(f.r, start, min(length, headSize))
	switch {
	case s.read == 0:
		return content{filesystem: "unread", reason: "none of the sectors that would tell what it holds was read, nor a backup of them"}
	case s.zero && s.read == s.taken && !dark:
		return content{filesystem: "empty", reason: fmt.Sprintf("all %d bytes sampled throughout it are zero", s.read), noFiles: true}
	case s.zero && head == 0:
		return content{filesystem: "empty", reason: fmt.Sprintf("the %d bytes sampled throughout it that were read are zero; %d were not read", s.read, s.taken-s.read)}
	case dark && head > 0:
		return content{filesystem: "unread", reason: fmt.Sprintf("sectors that would tell what it holds were not read (%d bytes of its first %d), and no backup was found", head, min(length, headSize))}
	case dark:
		return content{filesystem: "unknown", reason: "no known signature stands in it, where it was read"}
	}
	return content{filesystem: "unknown", reason: "no known signature stands in it"}
}

// headSize is the part at a volume's start in which nearly every filesystem
// keeps its mark.
const headSize = 256 << 10

// sample is what some sectors throughout a range hold.
type sample struct {
	taken, read int64 // bytes
	zero        bool  // all that was read is zero
}

// samplePlaces is how many places of a range are sampled.
const samplePlaces = 1024

// sample reads the first and last headSize bytes of the range, and a window at
// even distances between.
func (f *finder) sample(start, length int64) sample {
	s := sample{zero: true}
	end := min(start+length, f.r.Size())
	s.taken = max(start+length-max(end, start), 0)
	if s.taken > headSize {
		s.taken = headSize // of what lies past the image's end, a head's worth counts
	}
	take := func(at int64) {
		n := min(windowSize, end-at)
		if n <= 0 {
			return
		}
		s.taken += n
		for rg := range f.r.Over(at, n) {
			win := window(f.r, f.buf[:rg.Length], rg.Start)
			s.read += int64(len(win))
			s.zero = s.zero && isZero(win)
		}
	}
	for at := start; at < min(start+headSize, end); at += windowSize {
		take(at)
	}
	between := end - start - 2*headSize
	if pitch := max(between/samplePlaces/step*step, windowSize); between > 0 {
		for at := start + headSize; at < end-headSize; at += pitch {
			take(at)
		}
	}
	for at := max(end-headSize, start+headSize); at < end; at += windowSize {
		take(at)
	}
	return s
}
