package hfsplus

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// A partition that is a little larger or smaller than its volume costs nothing
// where the volume header is unread: the alternate one is found in one of the
// places that Copies names.
func TestEndElsewhere(t *testing.T) {
	b := sample()
	x := b.build()
	_, list := walk(t, x.reader(t), x.size, extract.Options{})
	want := paths(list)
	const shift = 5 << 20
	for _, more := range []int64{-1 << 20, -64 << 10, -4096, -512, 0, 512, 4096, 64 << 10, 1 << 20} {
		at := 0
		for p := range Copies(shift, x.size+more) {
			if p == shift+x.size-alternateOffset {
				at++
			}
		}
		if at != 1 {
			t.Errorf("in %d bytes more: the alternate header is named %d times", more, at)
		}
		// behind a smaller volume stands something else
		size := max(x.size, x.size+more)
		m := imap.All(size).With([]imap.Range{{Start: headerOffset, Length: headerSize, State: imap.Failed}})
		v, err := Open(t.Context(), image.New(short{x}, size, m, image.Options{}), 0, x.size+more, extract.Options{})
		if err != nil {
			t.Errorf("in %d bytes more: %v", more, err)
			continue
		}
		var got []string
		if _, err := v.Walk(t.Context(), func(f *extract.File) error { got = append(got, f.Path); return nil }); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("in %d bytes more: %s", more, diff)
		}
	}
}

// short is a volume with zeros behind it.
type short struct{ x *built }

func (s short) ReadAt(p []byte, off int64) (int, error) {
	clear(p)
	if n := min(int64(len(p)), s.x.size-off); n > 0 {
		return s.x.ReadAt(p[:n], off)
	}
	return len(p), nil
}
