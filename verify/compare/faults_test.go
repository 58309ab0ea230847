package compare

import (
	"bytes"
	"context"
	"errors"
	"os"
	"sync"
	"testing"
	"time"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/verify/files"
)

// What an image file does not give where only one pass read, to one who asks
// what the sectors that differ hold, is told too.
func TestFaultsBesideTheSweep(t *testing.T) {
	p := bytes.Repeat([]byte("reading "), 512*40)
	q := bytes.Clone(p)
	q[100*512] ^= 1
	size := int64(len(p))
	some, err := imap.New([]imap.Range{{Start: 0, Length: 300 * 512, State: imap.Read}})
	if err != nil {
		t.Fatal(err)
	}
	rec := &ContentRecord{}
	s := &sweep{a: image.New(bytes.NewReader(p), size, some, image.Options{}),
		b:   image.New(&failing{bytes.NewReader(q), 310 * 512, 311 * 512}, size, imap.All(size), image.Options{}),
		rec: rec, progress: func(string, int64, int64) {}}
	s.batch.unit, s.batch.limit = 512, 3
	s.settle = func(context.Context, *differing) error {
		_, err := s.b.ReadAt(make([]byte, 512), 310*512)
		if err == nil {
			t.Error("the fault was not met")
		}
		return nil
	}
	if err := s.run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if rec.Compared != 300 || rec.Differ != 1 || rec.Failed != 1 {
		t.Errorf("%+v", rec)
	}
}

// An image that changes while content is compared is no input.
func TestImageChangesWhileCompared(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	v.AddFile(ntfsimage.Root, "plate.tif", ntfsimage.Stream{Data: ntfsimage.Content(1, 9000)})
	v.Finish()
	dir := t.TempDir()
	one := pass{v.Image, nil}
	before, after := one.verified(t, dir, "before"), one.verified(t, dir, "after")
	for _, path := range []string{before.Image.Path, after.Image.Path} {
		c, err := Results(before, after, nil)
		if err != nil {
			t.Fatal(err)
		}
		var once sync.Once
		o := ContentOptions{Options: extract.Options{Progress: func(string, int64, int64) {
			once.Do(func() {
				if err := os.Chtimes(path, time.Time{}, time.Unix(1e9, 0)); err != nil {
					t.Error(err)
				}
			})
		}}}
		err = Content(t.Context(), c, before, after, o)
		if _, ok := errors.AsType[*files.InputError](err); !ok || !errors.Is(err, image.ErrChanged) || c.Content != nil {
			t.Errorf("got %v", err)
		}
	}
}
