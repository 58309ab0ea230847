package imap

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"

	"fileassay/extract"
)

// Source is an image as it lies on its own medium, whatever any map says of
// it: an image.Reader opened with the map [All] is one. It is used only to ask
// what stands in places, never for the content of a drive.
type Source interface {
	// ReadReadable reads what can be read of len(p) bytes from off into p,
	// with zeros in place of what cannot, and returns the latter's ranges.
	ReadReadable(p []byte, off int64) []Range
}

// ParseFiller reads a filler as a person writes it: hexadecimal digits after
// 0x, else the text itself.
func ParseFiller(text string) ([]byte, error) {
	if len(text) >= 2 && strings.EqualFold(text[:2], "0x") {
		b, err := hex.DecodeString(strings.ReplaceAll(text[2:], "_", ""))
		if err != nil || len(b) == 0 {
			return nil, fmt.Errorf("filler %q: write pairs of hexadecimal digits after 0x", text)
		}
		return b, nil
	}
	if text == "" {
		return nil, errors.New("filler: is empty; give the bytes (0xdeadbeef) or text that stand in unread sectors")
	}
	return []byte(text), nil
}

// FillerSearch is a search for the sectors of an image that hold a filler.
type FillerSearch struct {
	Filler []byte // repeated through each sector, which may begin inside it
	Sector int64  // bytes; 0 is 512
	// Prefix takes a sector that only begins with the filler. A part of one at
	// the image's end is held against as much of it as there is room for.
	Prefix bool
	// Zeros allows a filler of nothing but zeros. Most drives hold many true
	// sectors of zeros.
	Zeros bool
	State State // of the sectors found: Failed or Skipped
}

// ErrZeros is returned for a filler of zeros that was not allowed.
var ErrZeros = errors.New("the filler is nothing but zeros, as are many sectors that were read; such sectors are taken for unread only on demand")

// ErrNoFiller is returned where no sector holds the filler. Then nothing shows
// that it is what stands in the unread sectors of this image.
var ErrNoFiller = errors.New("no sector of the image holds the filler, so nothing shows that unread sectors are filled with it: look at what is said to be unread; if all was read, say --assume-read to verify instead of a map")

// searchChunk is how much of an image is searched at a time, in bytes: few
// enough to stay in a processor's cache.
const searchChunk = 1 << 18

// Run searches the image of size bytes and gives the map of a drive where the
// sectors that hold the filler have State, and all others are read. What
// cannot be read of the image file is failed. A filler whose length does not
// divide a sector may begin anew with each sector or run on from one to the
// next: it is found wherever in it a sector begins.
//
// A larger sector is taken if any 512 bytes of it hold the filler, since an
// imager may fill smaller ones than the drive has; but of zeros it must hold
// nothing else.
//
// A sector that was read and truly holds those bytes cannot be told apart. An
// image where no sector holds them gives [ErrNoFiller].
func (s FillerSearch) Run(ctx context.Context, src Source, size int64, o extract.Options) (*Map, error) {
	sector := s.Sector
	if sector == 0 {
		sector = 512
	}
	switch {
	case sector < 0 || searchChunk%sector != 0:
		return nil, fmt.Errorf("sector size of %d bytes: should be a power of two of at most 256 KiB", sector)
	case len(s.Filler) == 0:
		return nil, errors.New("the filler is empty")
	case int64(len(s.Filler)) > sector:
		return nil, fmt.Errorf("the filler has %d bytes, more than a sector", len(s.Filler))
	case s.State != Failed && s.State != Skipped:
		return nil, fmt.Errorf("the sectors found cannot be %v: say failed or skipped", s.State)
	case !s.Zeros && zeros(s.Filler):
		return nil, ErrZeros
	}
	step := sector // that is looked at as one
	if !zeros(s.Filler) && len(s.Filler) <= 512 {
		step = min(sector, 512)
	}
	// long holds the filler as often as a sector needs, wherever in it that
	// begins; first are the bytes that it can begin with
	long := bytes.Repeat(s.Filler, int(sector)/len(s.Filler)+2)
	var first [256]bool
	for _, c := range s.Filler {
		first[c] = true
	}
	filled := func(p []byte) bool {
		if s.Prefix {
			return bytes.HasPrefix(p, s.Filler[:min(len(s.Filler), len(p))])
		}
		if !first[p[0]] {
			return false
		}
		for phase, c := range s.Filler {
			if c == p[0] && bytes.Equal(p, long[phase:phase+len(p)]) {
				return true
			}
		}
		return false
	}
	holds := func(p []byte) bool {
		for part := range slices.Chunk(p, int(step)) {
			if filled(part) {
				return true
			}
		}
		return false
	}

	n := int((size + searchChunk - 1) / searchChunk)
	m := &Map{}
	buffers := make(chan []byte, o.Workers()+1)
	var hit atomic.Bool
	work := func(_ context.Context, i int) ([]Range, error) {
		off := int64(i) * searchChunk
		var p []byte
		select {
		case p = <-buffers:
		default:
			p = make([]byte, searchChunk)
		}
		defer func() {
			select {
			case buffers <- p[:searchChunk]:
			default:
			}
		}()
		p = p[:min(searchChunk, size-off)]
		var found []Range
		bad := src.ReadReadable(p, off)
		run := Range{off, 0, Read}
		for at := int64(0); at < int64(len(p)); at += sector {
			z := min(at+sector, int64(len(p)))
			state := Read
			if holds(p[at:z]) {
				state = s.State
				if z-at >= int64(len(s.Filler)) { // less shows nothing by itself
					hit.Store(true)
				}
			}
			for len(bad) > 0 && bad[0].End() <= off+at {
				bad = bad[1:]
			}
			if len(bad) > 0 && bad[0].Start < off+z {
				state = Failed
			}
			if state != run.State {
				found = append(found, run)
				run = Range{off + at, 0, state}
			}
			run.Length += z - at
		}
		return append(found, run), nil
	}
	take := func(found []Range) error {
		for _, r := range found {
			m.emit(r)
		}
		o.Report("searching the image", m.end, size)
		return nil
	}
	if err := extract.InOrder(ctx, o.Workers(), n, work, take); err != nil {
		return nil, err
	}
	if !hit.Load() {
		return nil, ErrNoFiller
	}
	return m, nil
}

func zeros(p []byte) bool { return len(bytes.Trim(p, "\x00")) == 0 }

// repeats is the filler of a sector that holds nothing else: the shortest run
// of bytes that is repeated through it, of at most 64; nil if there is none.
// Of all places where the filler could begin, that which sorts first is taken,
// so that it is the same for every sector of a filler that runs on.
func repeats(sector []byte) []byte {
	for n := 1; n <= 64 && 2*n <= len(sector); n++ {
		if !bytes.Equal(sector[n:], sector[:len(sector)-n]) {
			continue
		}
		first := sector[:n]
		for i := 1; i < n; i++ {
			if c := sector[i : i+n]; bytes.Compare(c, first) < 0 {
				first = c
			}
		}
		return first
	}
	return nil
}

// Content is what stands in some sectors of an image.
type Content struct {
	Sectors int    `json:"sectors"`          // looked at
	Same    int    `json:"same"`             // of these hold the one content that is most common
	Zeros   int    `json:"zeros"`            // of these hold only zeros
	Data    int    `json:"data"`             // of these hold no content that is repeated in a sector or between sectors
	Filler  []byte `json:"filler,omitempty"` // the most common content: what is repeated through the sector, or all of it
}

// FillerText is the filler for people, "" where no content is repeated.
func (c Content) FillerText() string {
	switch {
	case c.Same == 0:
		return ""
	case zeros(c.Filler):
		return "zeros"
	}
	b := c.Filler
	if len(b) > 16 {
		b = b[:16]
	}
	for _, ch := range b {
		if ch < ' ' || ch > '~' {
			return "0x" + hex.EncodeToString(b)
		}
	}
	return fmt.Sprintf("%q", b)
}

// maxSample is how many sectors of each kind are looked at.
const maxSample = 512

// Sample looks at up to 512 sectors, evenly spread over the ranges.
func Sample(src Source, sector int64, ranges []Range) Content {
	c, _ := sample(src, sector, ranges)
	return c
}

// sample is Sample, and tells how many sectors hold what: "*" and what is
// repeated through them, or "=" and all of them.
func sample(src Source, sector int64, ranges []Range) (c Content, seen map[string]int) {
	seen = map[string]int{}
	p := make([]byte, sector)
	for off := range spread(ranges, sector, maxSample) {
		if len(src.ReadReadable(p, off)) > 0 {
			continue
		}
		c.Sectors++
		unit := repeats(p)
		key := "=" + string(p)
		if unit != nil {
			key = "*" + string(unit)
		}
		if len(unit) == 1 && unit[0] == 0 {
			c.Zeros++
		}
		if seen[key]++; seen[key] > c.Same || seen[key] == c.Same && key[1:] < string(c.Filler) {
			c.Same, c.Filler = seen[key], []byte(key[1:])
		}
	}
	for key, n := range seen {
		if key[0] == '=' && n == 1 {
			c.Data++
		}
	}
	if c.Same == 1 && c.Filler != nil && seen["*"+string(c.Filler)] == 0 {
		c.Same, c.Filler = 0, nil // a sector that is like no other
	}
	return c, seen
}

// spread yields up to n starts of whole sectors, evenly spread over ranges.
func spread(ranges []Range, sector int64, n int) func(func(int64) bool) {
	return func(yield func(int64) bool) {
		whole := func(r Range) (first, count int64) {
			first = (r.Start + sector - 1) / sector
			return first, max(r.End()/sector-first, 0)
		}
		var total int64
		for _, r := range ranges {
			_, k := whole(r)
			total += k
		}
		step := max((total+int64(n)-1)/int64(n), 1)
		next := step / 2 // the sector of all that is looked at next
		var pos int64
		for _, r := range ranges {
			first, k := whole(r)
			for next < pos+k {
				if !yield((first + next - pos) * sector) {
					return
				}
				next += step
			}
			pos += k
		}
	}
}
