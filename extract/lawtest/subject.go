package lawtest

import (
	"bytes"
	"context"
	"encoding/hex"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"golang.org/x/text/unicode/norm"

	"fileassay/extract"
	"fileassay/extract/image"
)

// Open opens a volume, as the readers' own functions do.
type Open func(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (extract.Filesystem, error)

// Opener makes an [Open] of a reader's own function, which returns its own type.
func Opener[F extract.Filesystem](open func(context.Context, *image.Reader, int64, int64, extract.Options) (F, error)) Open {
	return func(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (extract.Filesystem, error) {
		fs, err := open(ctx, r, start, length, o)
		if err != nil {
			return nil, err
		}
		return fs, nil
	}
}

// Reader is a reader of a filesystem with what its tests know of the format.
type Reader struct {
	Name string // as the list of known failures has it
	Open Open
	// Structures finds the metadata of an undamaged volume by a way of its own,
	// not by the reader's. It need not find all.
	Structures func(volume []byte) []Structure
}

// Image is one undamaged volume, with its content as something other than the
// reader knows it.
type Image struct {
	Name   string
	Volume []byte
	Truth  map[string]string // SHA-256 in hexadecimal by path
	Older  []byte            // the same volume at an earlier time; nil for none
	Varies bool              // it is made anew for each run, and no two are the same
}

// key names an entry whatever path it is listed under.
type key struct {
	id     uint64
	kind   extract.Kind
	stream string
}

func keyOf(f *extract.File) key {
	k := key{id: f.ID, kind: f.Kind}
	if f.Kind == extract.KindStream {
		k.stream = f.Path[strings.LastIndexByte(f.Path, ':'):]
	}
	return k
}

// subject is an image that is ready to be tried.
type subject struct {
	reader  Reader
	image   Image
	known   *structures
	meta    []int64 // sectors that hold metadata, in order
	whole   *view   // what is said of the undamaged image
	words   map[string]bool
	keys    map[key]bool
	paths   map[string]bool
	digests map[string][][32]byte // of intact entries, by path
	content map[[32]byte]bool
}

// prepare reads the undamaged image and holds that to the truth.
func prepare(tb testing.TB, r Reader, im Image) *subject {
	tb.Helper()
	s := &subject{reader: r, image: im, keys: map[key]bool{}, paths: map[string]bool{}, digests: map[string][][32]byte{},
		content: map[[32]byte]bool{}}
	size := int64(len(im.Volume)) / sectorSize * sectorSize
	s.image.Volume = im.Volume[:size]
	d := &disk{base: s.image.Volume, marks: map[int64]bool{}}
	s.whole = look(r.Open, d, mapOf(size), 1)
	if s.whole.failed != "" {
		tb.Fatalf("%s: %s: %s", r.Name, im.Name, s.whole.failed)
	}
	var list []Structure
	if r.Structures != nil {
		list = r.Structures(s.image.Volume)
	}
	s.known = newStructures(s.image.Volume, list)
	for i := range s.known.list { // to set nothing changes nothing, or the checksums here are wrong
		x := &s.known.list[i]
		was := s.image.Volume[x.At : x.At+x.Length]
		b := x.stripped(was)
		if x.Mend != nil {
			x.Mend(b)
		}
		if !bytes.Equal(b, was) {
			tb.Errorf("%s: %s: mending %s %d at %d changes it", r.Name, im.Name, x.Kind, x.Number, x.At)
			break
		}
	}
	for _, f := range s.whole.files { // a reader may read content too, in one go with what stands before it
		for _, p := range f.Pieces {
			for k := p.Image / sectorSize; p.Kind == extract.Data && k*sectorSize < p.Image+p.Length; k++ {
				delete(d.marks, k)
			}
		}
	}
	for k := range s.known.sector {
		d.marks[k] = true
	}
	for k := range d.marks {
		s.meta = append(s.meta, k)
	}
	s.meta = sorted(s.meta)
	s.words = s.whole.words()
	composed := map[string]string{} // HFS+ keeps names in another form
	for p, sum := range im.Truth {
		composed[norm.NFC.String(p)] = sum
	}
	held := 0
	for _, f := range s.whole.files {
		s.keys[keyOf(f)], s.paths[f.Path] = true, true
		if f.Kind == extract.KindFolder || !intact(s.whole.r, f) {
			continue
		}
		sum, err := digest(s.whole.r, f)
		if err != nil {
			tb.Fatalf("%s: %s: %s is called intact: %v", r.Name, im.Name, f.Path, err)
		}
		s.digests[f.Path] = append(s.digests[f.Path], sum)
		s.content[sum] = true
		want, ok := im.Truth[f.Path]
		if !ok {
			want, ok = composed[norm.NFC.String(f.Path)]
		}
		packed := slices.ContainsFunc(f.Pieces, func(p extract.Piece) bool { return p.Kind == extract.Unit })
		if !ok || packed || f.Kind == extract.KindLink {
			continue
		}
		held++
		if hex.EncodeToString(sum[:]) != want {
			tb.Errorf("%s: %s: %s is called intact and is not what the truth says", r.Name, im.Name, f.Path)
		}
	}
	if held < len(im.Truth)/2 {
		tb.Errorf("%s: %s: only %d of %d files were held to the truth", r.Name, im.Name, held, len(im.Truth))
	}
	return s
}

// size is the image's, in bytes.
func (s *subject) size() int64 { return int64(len(s.image.Volume)) }

// disk is the image after a case's edits, and with what its fill says in the
// given sectors.
func (s *subject) disk(c testCase, filled []int64) *disk {
	d := &disk{base: s.image.Volume}
	for _, e := range c.edits {
		s.known.apply(d, e)
	}
	rnd := rand.New(rand.NewPCG(c.noise, 2))
	for _, k := range filled {
		var b []byte
		switch c.fill {
		case "zeros":
			b = make([]byte, sectorSize)
		case "ones", "noise":
			b = make([]byte, sectorSize)
			for i := range b {
				if b[i] = 0xff; c.fill == "noise" {
					b[i] = byte(rnd.Uint32())
				}
			}
		case "other": // what another sector of the same kind holds
			b = s.image.Volume[s.like(k, rnd)*sectorSize:][:sectorSize]
		case "older":
			if at := k * sectorSize; at+sectorSize <= int64(len(s.image.Older)) {
				b = s.image.Older[at : at+sectorSize]
			}
		}
		if b != nil {
			d.put(k*sectorSize, b)
		}
	}
	return d
}

// like is another sector of metadata, of the same kind where one is soon found.
func (s *subject) like(k int64, rnd *rand.Rand) int64 {
	other := k
	for range 30 {
		other = s.meta[rnd.IntN(len(s.meta))]
		if other != k && s.known.sector[other] == s.known.sector[k] {
			break
		}
	}
	return other
}
