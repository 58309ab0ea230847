package verify

import (
	"context"
	"errors"
	"io"
	"testing"

	"bytes"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// manyStructures is the space of a volume of which every other sector is a
// structure.
func manyStructures(sectors int64) extract.Space {
	return func(_ context.Context, yield func(start, length int64, use extract.Use) error) error {
		for i := range sectors {
			use := extract.UseStructure
			if i%2 > 0 {
				use = extract.UseFile
			}
			if err := yield(i*512, 512, use); err != nil {
				return err
			}
		}
		return nil
	}
}

func TestProof(t *testing.T) {
	for _, sectors := range []int64{1, 7, 255, 600, 5000} {
		img := make([]byte, sectors*512)
		for i := range img {
			img[i] = byte(i / 512 * 7)
		}
		m := imap.All(int64(len(img)))
		if sectors > 7 { // one that is unread
			m = m.With([]imap.Range{{Start: 4 * 512, Length: 512, State: imap.Failed}})
		}
		open := func(b []byte) *image.Reader {
			return image.New(bytes.NewReader(b), int64(len(b)), m, image.Options{})
		}
		p, err := prove(t.Context(), manyStructures(sectors), open(img), 0)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(bytes.Fields([]byte(p.Ranges))); n == 0 || n > result.ProofRanges {
			t.Errorf("%d sectors: %d ranges", sectors, n)
		}
		if err := p.Check(open(img)); err != nil {
			t.Errorf("%d sectors: %v", sectors, err)
		}
		if sectors > 7 { // what stands in an unread sector changes nothing
			other := bytes.Clone(img)
			clear(other[4*512 : 5*512])
			if q, _ := prove(t.Context(), manyStructures(sectors), open(other), 0); *q != *p {
				t.Errorf("%d sectors: the proof depends on an unread sector", sectors)
			}
		}
		other := bytes.Clone(img)
		other[3]++
		if err := p.Check(open(other)); !errors.Is(err, result.ErrOtherImage) {
			t.Errorf("%d sectors: another image passes: %v", sectors, err)
		}
	}
}

// What the image file does not give now neither proves nor refutes; nothing given
// proves nothing.
func TestProofFaults(t *testing.T) {
	img := make([]byte, 600*512)
	open := func(src io.ReaderAt) *image.Reader {
		return image.New(src, int64(len(img)), imap.All(int64(len(img))), image.Options{})
	}
	p, err := prove(t.Context(), manyStructures(600), open(bytes.NewReader(img)), 0)
	if err != nil {
		t.Fatal(err)
	}
	one := &gaps{img, map[int64]bool{0: true}}
	if err := p.Check(open(one)); err != nil {
		t.Errorf("with one range that is not given: %v", err)
	}
	img[512*8]++
	if err := p.Check(open(one)); !errors.Is(err, result.ErrOtherImage) {
		t.Errorf("another image passes: %v", err)
	}
	none := &gaps{img, map[int64]bool{}}
	for k := range int64(600) {
		none.bad[k] = true
	}
	if err := p.Check(open(none)); err == nil || errors.Is(err, result.ErrOtherImage) {
		t.Errorf("an image file that gives nothing: %v", err)
	}
}

// gaps is an image file that does not give some sectors.
type gaps struct {
	img []byte
	bad map[int64]bool
}

func (g *gaps) ReadAt(p []byte, off int64) (int, error) {
	for k := off / 512; k*512 < off+int64(len(p)); k++ {
		if g.bad[k] {
			return 0, errors.New("no answer")
		}
	}
	return bytes.NewReader(g.img).ReadAt(p, off)
}

func TestProofHostile(t *testing.T) {
	r := image.New(bytes.NewReader(make([]byte, 4096)), 4096, imap.All(4096), image.Options{})
	for _, ranges := range []string{"x", "1+", "+1", "-1+1", "0+99999999999", "9223372036854775807+10", "0+0", "0+5000"} {
		if err := (&result.Proof{Ranges: ranges, SHA256: "0123456789abcdef"}).Check(r); err == nil {
			t.Errorf("%q passes", ranges)
		}
	}
}
