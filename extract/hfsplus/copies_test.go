package hfsplus

import (
	"strings"
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

// What was read where the alternate header puts a B-tree, and is none, contradicts
// it. Unread it does not, nor does it where the volume header itself was read.
func TestTreesAgainstAlternate(t *testing.T) {
	header := imap.Range{Start: headerOffset, Length: headerSize, State: imap.Failed}
	for _, c := range []struct {
		name   string
		tree   func(h *volumeHeader) *forkData // whose header node is zeroed
		header bool                            // is unread
		node   bool                            // is unread
		proved bool
	}{
		{"volume header unread", nil, true, false, true},
		{"catalog header zeroed", func(h *volumeHeader) *forkData { return &h.catalog }, false, false, true},
		{"volume header unread, catalog header zeroed", func(h *volumeHeader) *forkData { return &h.catalog }, true, false, false},
		{"volume header and catalog header unread", func(h *volumeHeader) *forkData { return &h.catalog }, true, true, true},
		{"volume header unread, extents header zeroed", func(h *volumeHeader) *forkData { return &h.extents }, true, false, false},
	} {
		x := sample().build()
		_, whole := walk(t, x.reader(t), x.size, extract.Options{})
		var unread []imap.Range
		if c.header {
			unread = append(unread, header)
		}
		if c.tree != nil {
			at := int64(c.tree(&x.header).runs[0].start) * x.header.blockSize
			clear(x.meta[at : at+512])
			if c.node {
				unread = append(unread, imap.Range{Start: at, Length: 512, State: imap.Failed})
			}
		}
		v, list := walk(t, x.reader(t, unread...), x.size, extract.Options{})
		proved, said := 0, 0
		for _, f := range list {
			if f.Kind == extract.KindFile && !f.RecordUnread {
				proved++
			}
			if strings.Contains(strings.Join(f.Why, "\n"), "another volume may have been made in its place") {
				said++
			}
		}
		if len(list) != len(whole) || proved > 0 != c.proved || said > 0 == c.proved {
			t.Errorf("%s: %d of %d listed, %d proved, %d doubted", c.name, len(list), len(whole), proved, said)
		}
		if why := strings.Join(v.Listing.Why, "\n"); strings.Contains(why, "alternate volume header is used") == c.proved || v.Listing.Complete && !c.proved {
			t.Errorf("%s: complete %v: %s", c.name, v.Listing.Complete, why)
		}
	}
}
