package volume

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// places says what stands in places of a drive. A place is opened once as a
// volume of each family, and the first readers are kept.
type places struct {
	r      *image.Reader // of the drive: places count from its begin
	image  *image.Reader // which volumes are opened in
	offset int64         // of the drive in that
	o      extract.Options
	kinds  []Kind
	tried  map[attempt]opened
	kept   int    // readers
	buf    []byte // of one window
}

func newPlaces(r *image.Reader, o extract.Options, kinds []Kind) *places {
	return &places{r: r, image: r, o: o, kinds: kinds, tried: map[attempt]opened{}, buf: make([]byte, windowSize)}
}

// maxOpen bounds the readers that are kept, since each keeps what it read of its
// volume's structures: a drive has few volumes, and a hostile one may have many
// that claim much.
const maxOpen = 8

// attempt is a place and the family it is opened as.
type attempt struct {
	family        string
	start, length int64
	remains       bool // by what is left of it
}

// opened is what came of an attempt.
type opened struct {
	filesystem string             // what the volume says it is, "" where it is none
	fs         extract.Filesystem // its reader; nil where it is none, or more than maxOpen were kept before
	err        error              // why not
}

// refusal says why it is no such volume, and what would tell more.
func (o opened) refusal() (why string, needs []ranges.Range) {
	if no := (*extract.NotVolumeError)(nil); errors.As(o.err, &no) {
		return no.Why, no.Needs
	}
	if o.err != nil {
		why = o.err.Error()
	}
	return why, nil
}

// open tries a place as a volume of one family. The error is that of ctx alone.
func (p *places) open(ctx context.Context, k Kind, start, length int64) (opened, error) {
	return p.try(ctx, k.Open, attempt{k.Name, start, length, false})
}

func (p *places) try(ctx context.Context, open openFunc, a attempt) (opened, error) {
	if err := ctx.Err(); err != nil {
		return opened{}, err
	}
	if res, ok := p.tried[a]; ok {
		return res, nil
	}
	var res opened
	if res.fs, res.err = open(ctx, p.image, p.offset+a.start, a.length, p.o); ctx.Err() != nil {
		return opened{}, ctx.Err()
	}
	if res.fs != nil {
		res.filesystem = res.fs.Info().Filesystem
		if p.kept++; p.kept > maxOpen {
			res.fs = nil
		}
	}
	p.tried[a] = res
	return res, nil
}

// either opens a place as a volume of one family, by what is left of it if need
// be. What came of it is what came of opening it whole, unless it is open.
func (p *places) either(ctx context.Context, k Kind, start, length int64) (opened, error) {
	res, err := p.open(ctx, k, start, length)
	if no := (*extract.NotVolumeError)(nil); err == nil && k.Remains != nil && errors.As(res.err, &no) {
		if left, err := p.try(ctx, k.Remains, attempt{k.Name, start, length, true}); err != nil || left.filesystem != "" {
			return left, err
		}
	}
	return res, err
}

// first opens a place as the first of some families that takes it, and names
// what it is, "" if none does. The error is that of ctx alone.
func (p *places) first(ctx context.Context, kinds []Kind, start, length int64) (filesystem string, err error) {
	for _, k := range kinds {
		if res, err := p.open(ctx, k, start, length); err != nil || res.filesystem != "" {
			return res.filesystem, err
		}
	}
	return "", nil
}

// remains names the volume of which something is left in a range where nothing
// else was found, "" for none. The error is that of ctx alone.
func (p *places) remains(ctx context.Context, start, length int64) (filesystem string, err error) {
	for _, k := range p.kinds {
		if k.Remains == nil {
			continue
		}
		if res, err := p.try(ctx, k.Remains, attempt{k.Name, start, length, true}); err != nil || res.filesystem != "" {
			return res.filesystem, err
		}
	}
	return "", nil
}

// reader is the reader that a place was opened with as a volume of a family;
// nil where it was not.
func (p *places) reader(family string, start, length int64) extract.Filesystem {
	if res := p.tried[attempt{family, start, length, false}]; res.fs != nil {
		return res.fs
	}
	return p.tried[attempt{family, start, length, true}].fs
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
func (p *places) claims(win []byte, at int64) []claim {
	var out []claim
	if len(win) < step {
		return nil
	}
	for _, k := range p.kinds {
		for _, c := range k.Sniff(win, at) {
			out = append(out, claim{c, k})
		}
	}
	return out
}

// primaries are the claims by primary structures to a volume that begins at
// start.
func (p *places) primaries(start int64) []claim {
	var out []claim
	for _, at := range []int64{start, start + primaryReach} {
		for _, c := range p.claims(window(p.r, p.buf, at), at) {
			same := func(o claim) bool { return o.kind.Name == c.kind.Name && o.Length == c.Length }
			if c.Start == start && !slices.ContainsFunc(out, same) {
				out = append(out, c)
			}
		}
	}
	return out
}

// primaryKinds are the families of the primaries.
func (p *places) primaryKinds(start int64) []Kind {
	var out []Kind
	for _, c := range p.primaries(start) {
		out = append(out, c.kind)
	}
	return out
}

// content is what fills a range of the image.
type content struct {
	filesystem string
	reason     string // why it cannot be listed; "" if it can
	noFiles    bool
	// start and length are where the volume itself lies, where that is not the
	// range it was found in: it goes past it, or is embedded in it. Else 0.
	start, length int64
}

// volume is the volume that fills a range by its content. Where that lies
// elsewhere, note says so; offsets in it count from base.
func (c content) volume(found string, start, length, base int64) (v Volume, note string) {
	v = Volume{Start: start, Length: length, Filesystem: c.filesystem, Found: found, Reason: c.reason, NoFiles: c.noFiles}
	switch {
	case c.length == 0:
		return v, ""
	case c.start != start:
		note = fmt.Sprintf("%s wraps a %s volume of %d bytes at offset %d", found, c.filesystem, c.length, base+c.start)
	default:
		note = fmt.Sprintf("%s is shorter than the %s volume in it: %d bytes, the volume %d", found, c.filesystem, length, c.length)
	}
	v.Start, v.Length = c.start, c.length
	return v, note
}

// probe says what fills [start, start+length): first by the primary structures
// that stand there, then by the marks of what cannot be listed, then by the
// backups that each family keeps. hints are the families to try first. The
// error is that of ctx alone.
func (p *places) probe(ctx context.Context, start, length int64, hints []string) (content, error) {
	var whys []string
	tried := map[string]bool{}
	first := p.primaries(start)
	for _, c := range first {
		if tried[c.kind.Name] {
			continue
		}
		tried[c.kind.Name] = true
		res, err := p.open(ctx, c.kind, start, length)
		if err != nil || res.filesystem != "" {
			return content{filesystem: res.filesystem}, err
		}
		// the entry may be shorter than the volume that stands in it
		if c.Length > length && start+c.Length <= p.r.DriveSize() {
			long, err := p.open(ctx, c.kind, start, c.Length)
			if err != nil || long.filesystem != "" {
				return content{filesystem: long.filesystem, start: start, length: c.Length}, err
			}
		}
		why, _ := res.refusal()
		whys = append(whys, c.kind.Name+": "+why)
	}

	if in, ok := wrapped(p.r, start, length); ok && len(first) == 0 {
		fs, err := p.first(ctx, p.kinds, in.Start, in.Len())
		if err != nil || fs != "" {
			return content{filesystem: fs, start: in.Start, length: in.Len()}, err
		}
	}

	named, ok, dark := identify(p.r, start, length)
	if ok && len(first) == 0 {
		return named, nil
	}

	rest := slices.DeleteFunc(p.inOrder(hints), func(k Kind) bool { return tried[k.Name] })
	if fs, err := p.first(ctx, rest, start, length); err != nil || fs != "" {
		return content{filesystem: fs}, err
	}
	if ok {
		return named, nil
	}
	if left, err := p.remains(ctx, start, length); left != "" || err != nil {
		return content{filesystem: left}, err
	}
	return p.unlisted(start, length, dark, whys), nil
}

// inOrder is the list of families with the hinted ones first.
func (p *places) inOrder(hints []string) []Kind {
	rank := func(k Kind) int {
		if i := slices.Index(hints, k.Name); i >= 0 {
			return i
		}
		return len(hints)
	}
	out := slices.Clone(p.kinds)
	slices.SortStableFunc(out, func(a, b Kind) int { return cmp.Compare(rank(a), rank(b)) })
	return out
}

// unlisted names a range in which nothing known was found: unread, empty or
// unknown.
func (p *places) unlisted(start, length int64, dark bool, whys []string) content {
	if start >= p.r.Size() {
		return content{filesystem: "unread", reason: fmt.Sprintf("it begins past the end of the image at offset %d", p.r.Base()+p.r.Size())}
	}
	if len(whys) > 0 {
		return content{filesystem: "unknown", reason: "its first sectors look like a volume, but it cannot be opened (" + strings.Join(whys, "; ") + ")"}
	}
	s := p.sample(start, length)
	head := unreadBytes(p.r, start, min(length, headSize))
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
func (p *places) sample(start, length int64) sample {
	s := sample{zero: true}
	end := min(start+length, p.r.Size())
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
		for rg := range p.r.Over(at, n) {
			win := window(p.r, p.buf[:rg.Length], rg.Start)
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
