package volume

import (
	"context"
	"errors"
	"slices"

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
	nearby nearby
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
	cluster    int64              // bytes of its allocation units
	opposed    bool               // its own structures contradict it
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
		info := res.fs.Info()
		res.filesystem, res.cluster, res.opposed = info.Filesystem, info.Cluster, len(info.Doubt) > 0
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
