package fat

import (
	"context"
	"errors"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// Lead reads, from a disk of which only the boot sector was read, what is
// needed of the volume and of all its entries, until nothing is. It returns
// the reader then, and how many bytes were read.
func (d *Disk) Lead(t testing.TB, open func(*image.Reader) (extract.Filesystem, error)) (*image.Reader, int64) {
	t.Helper()
	var read ranges.Set
	read.Add(0, 512)
	for range 200 {
		var known []imap.Range
		for s := range read.All() {
			known = append(known, imap.Range{Start: s.Start, Length: s.End - s.Start, State: imap.Read})
		}
		m, err := imap.New(known)
		if err != nil {
			t.Fatal(err)
		}
		r := image.New(d, d.Size, m, image.Options{})
		before := read.Bytes()
		need := func(spans []ranges.Range) {
			for _, s := range spans {
				for u := range r.Unread(s.Start, s.End-s.Start) { // by whole sectors
					read.Add(u.Start/512*512, (u.End()+511)/512*512-u.Start/512*512)
				}
			}
		}
		fs, err := open(r)
		if no := (*extract.NotVolumeError)(nil); errors.As(err, &no) {
			need(no.Needs)
		} else if err != nil {
			t.Fatal(err)
		} else {
			survey, err := fs.Walk(context.Background(), func(f *extract.File) error { need(f.Needs); return nil })
			if err != nil {
				t.Fatal(err)
			}
			need(survey.Listing.Needs)
		}
		if read.Bytes() == before {
			return r, before
		}
	}
	t.Fatal("there is no end of needs")
	return nil, 0
}
