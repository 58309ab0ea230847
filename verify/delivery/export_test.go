package delivery

import (
	"context"
	"io"
	"os"

	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// through opens a result and an image that src gives.
func through(path string, src io.ReaderAt) (*result.Result, *image.Reader, error) {
	res, err := result.Open(path)
	if err != nil {
		return nil, nil, err
	}
	return res, image.New(src, res.Image.Size, imap.All(res.Image.Size), image.Options{}), nil
}

// RunThrough is [Run] where src gives what the image file holds.
func RunThrough(ctx context.Context, o Options, src io.ReaderAt) (*Outcome, error) {
	if err := o.prepare(); err != nil {
		return nil, err
	}
	res, r, err := through(o.Result, src)
	if err != nil {
		return nil, err
	}
	defer res.Close()
	o.Filler = []byte{0}
	o.Threads = max(o.Threads, 1)
	return deliver(ctx, o, res, r)
}

// RunWaiting is [Run] that waits with sync until a file is on the disk.
func RunWaiting(ctx context.Context, o Options, sync func(f *os.File) error) (*Outcome, error) {
	o.sync = sync
	return Run(ctx, o)
}

// AuditThrough is [Audit] of a delivery of ours where src gives what the image
// file holds.
func AuditThrough(ctx context.Context, o AuditOptions, src io.ReaderAt) (*AuditReport, error) {
	o.Threads = 2
	root, err := os.OpenRoot(o.Folder)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	a := newAudit(o, root)
	if err := a.list(ctx); err != nil {
		return nil, err
	}
	if err := a.bag(ctx); err != nil {
		return nil, err
	}
	res, r, err := through(o.Result, src)
	if err != nil {
		return nil, err
	}
	defer res.Close()
	pairs, err := a.matchOwn(ctx, res, r, a.own())
	if err != nil {
		return nil, err
	}
	return a.rep, a.compareAll(ctx, r, res, pairs)
}
