package compare

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"testing"

	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// failing is a file that gives an error for some bytes.
type failing struct {
	io.ReaderAt
	at, end int64
}

var errFails = errors.New("the disk under the image gives no answer")

func (f *failing) ReadAt(p []byte, off int64) (int, error) {
	if off < f.end && off+int64(len(p)) > f.at {
		return 0, errFails
	}
	return f.ReaderAt.ReadAt(p, off)
}

// swept runs a sweep over two images of sectors of 512 bytes.
func swept(t *testing.T, a, b *image.Reader) (*ContentRecord, []ranges.Range) {
	t.Helper()
	rec := &ContentRecord{}
	var list []ranges.Range
	s := &sweep{a: a, b: b, rec: rec, progress: func(string, int64, int64) {}}
	s.batch.unit, s.batch.limit = 512, 3
	s.settle = func(_ context.Context, d *differing) error {
		list = append(list, d.list...)
		return nil
	}
	if err := s.run(t.Context()); err != nil {
		t.Fatal(err)
	}
	return rec, list
}

// A sweep finds what sector by sector comparison finds, on images of odd sizes
// with unread places, and never looks past what both passes read.
func TestSweep(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 9))
	for range 200 {
		size := 1 + rnd.IntN(300*512)
		p := make([]byte, size)
		for i := range p {
			p[i] = byte(rnd.Uint32())
		}
		q := bytes.Clone(p)
		for range rnd.IntN(60) {
			q[rnd.IntN(size)] ^= 1
		}
		sectors := (size + 511) / 512
		reader := func(b []byte) (*image.Reader, []bool) {
			read := make([]bool, sectors)
			var list []imap.Range
			for k := range read {
				if read[k] = rnd.IntN(10) > 0; read[k] {
					list = append(list, imap.Range{Start: int64(k) * 512, Length: min(512, int64(size-k*512)), State: imap.Read})
				}
			}
			m, err := imap.New(list)
			if err != nil {
				t.Fatal(err)
			}
			return image.New(bytes.NewReader(b), int64(size), m, image.Options{}), read
		}
		a, readA := reader(p)
		b, readB := reader(q)
		rec, list := swept(t, a, b)
		var compared, differ, got int64
		for k := range readA {
			start, end := k*512, min(k*512+512, size)
			if readA[k] && readB[k] {
				compared++
				if !bytes.Equal(p[start:end], q[start:end]) {
					differ++
				}
			}
		}
		for _, s := range list {
			for k := s.Start / 512; k*512 < s.End; k++ {
				start, end := k*512, min(k*512+512, int64(size))
				if !readA[k] || !readB[k] || bytes.Equal(p[start:end], q[start:end]) {
					t.Errorf("sector %d does not differ", k)
				}
				got++
			}
		}
		if rec.Compared != compared || rec.Differ != differ || got != differ {
			t.Fatalf("%d compared, %d differ, %d listed; want %d and %d", rec.Compared, rec.Differ, got, compared, differ)
		}
	}
}

// What an image file does not give is counted apart, and not compared.
func TestSweepFaults(t *testing.T) {
	p := bytes.Repeat([]byte("reading "), 512*40)
	q := bytes.Clone(p)
	q[100*512] ^= 1
	q[101*512] ^= 1
	q[200*512+511] ^= 1
	size := int64(len(p))
	whole := func(src io.ReaderAt) *image.Reader { return image.New(src, size, imap.All(size), image.Options{}) }
	rec, list := swept(t, whole(&failing{bytes.NewReader(p), 101*512 + 5, 101*512 + 6}), whole(&failing{bytes.NewReader(q), 150 * 512, 152 * 512}))
	if rec.Failed != 3 || rec.Differ != 2 || rec.Compared != size/512-3 || len(list) != 2 || list[0].Start != 100*512 {
		t.Errorf("%+v, %v", rec, list)
	}
	if c := (&Comparison{Content: &ContentRecord{Failed: 1}}); !c.Worse() {
		t.Error("a sector that can no longer be compared is no good news")
	}
}

// The sectors of a file are those in which bytes of its own differ.
func TestExtents(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 9))
	const unit, size = 16, 16*40 + 5
	for range 2000 {
		p := make([]byte, size)
		q := bytes.Clone(p)
		for range rnd.IntN(12) {
			q[rnd.IntN(size)] ^= 1
		}
		reader := func(b []byte) *image.Reader {
			return image.New(bytes.NewReader(b), size, imap.All(size), image.Options{Sector: unit})
		}
		d := &differing{unit: unit}
		for at := 0; at < size; at += unit {
			if end := min(at+unit, size); !bytes.Equal(p[at:end], q[at:end]) {
				d.add(int64(at), int64(end))
			}
		}
		d.index()
		f := &result.File{Kind: "file"}
		mine := map[int]bool{}
		for range 1 + rnd.IntN(4) {
			at := rnd.IntN(size)
			n := 1 + rnd.IntN(min(60, size-at))
			if rnd.IntN(3) == 0 {
				at, n = at/unit*unit, min(unit*(1+rnd.IntN(4)), size-at/unit*unit)
			}
			list := &f.Extents
			if rnd.IntN(3) == 0 {
				list = &f.Patched
			}
			*list = append(*list, [3]int64{0, int64(at), int64(n)})
			for i := at; i < at+n; i++ {
				if p[i] != q[i] {
					mine[i/unit] = true
				}
			}
		}
		h := &holders{a: reader(p), b: reader(q), list: wanted.Default(), rec: &ContentRecord{}, found: map[int64]*holder{}}
		var claimed ranges.Set
		h.file(d, f, &claimed)
		got := int64(0)
		if x := h.found[f.At]; x != nil {
			got = x.sectors
		}
		if got != int64(len(mine)) {
			t.Fatalf("%d sectors of %v and %v, want %d", got, f.Extents, f.Patched, len(mine))
		}
	}
	// what a result may claim
	h := &holders{b: image.New(bytes.NewReader(nil), 100, nil, image.Options{}), list: wanted.Default(), found: map[int64]*holder{}}
	d := &differing{unit: unit, list: []ranges.Range{{Start: 0, End: 96}}}
	d.index()
	for _, e := range [][3]int64{{0, -5, 10}, {0, 1 << 62, 1 << 62}, {0, 50, -1}, {0, 50, 51}, {0, 200, 1}} {
		h.file(d, &result.File{Extents: [][3]int64{e}}, &ranges.Set{})
	}
	if len(h.found) != 0 {
		t.Error("an extent outside the image has content in it")
	}
}
