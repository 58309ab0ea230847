package volume

import (
	"cmp"
	"context"
	"iter"
	"slices"

	"fileassay/extract"
	"fileassay/extract/ext"
	"fileassay/extract/fat"
	"fileassay/extract/hfsplus"
	"fileassay/extract/image"
	"fileassay/extract/ntfs"
)

// Kind is a family of filesystems and its reader.
type Kind struct {
	Name        string   // of the family
	Filesystems []string // names its volumes go by, as in [extract.Info]
	// Sniff names the volumes that the sector at the start of window speaks
	// for. window is up to 4096 bytes of the image from at, all read.
	Sniff func(window []byte, at int64) []extract.Candidate
	// Open opens [start, start+length) of the image, by its backups where its
	// primary structures are unread, or fails with [*extract.NotVolumeError].
	Open openFunc
	// Copies, where not nil, are the places of the image where copies of the
	// primary structure stand of a volume that begins at start and has up to
	// length bytes.
	Copies func(start, length int64) iter.Seq[int64]
	// Weighs is set where Open itself holds copies that speak for several volumes
	// against each other.
	Weighs bool
	// Trace, where not nil, names what stands at the start of window where that
	// speaks for a volume of the family without telling where it begins, but for
	// how many bytes before it that may be; "" for anything else. What it finds puts
	// others in doubt and opens nothing.
	Trace func(window []byte) (what string, back int64)
	// Bears, where not nil, asks the structures around what Trace found at an offset
	// of the image, by the name that it gave it. What they do not bear out may be
	// content or another structure, which resemble it.
	Bears func(r *image.Reader, what string, at int64) extract.Bearing
	// Remains, where not nil, opens it by what is left where not even a backup
	// was read and passed its checks, or what was read contradicts that. It is tried
	// after all else, since what is left may be an earlier volume's.
	Remains openFunc
}

type openFunc func(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (extract.Filesystem, error)

// Kinds is the list of the filesystems that can be listed, in the order they
// are tried.
func Kinds() []Kind {
	return []Kind{
		{Name: "ntfs", Filesystems: []string{"ntfs"},
			Sniff: ntfs.Sniff, Open: opener(ntfs.Open), Copies: ntfs.Copies, Trace: ntfs.Trace, Remains: opener(ntfs.OpenRemains)},
		{Name: "fat", Filesystems: []string{"fat12", "fat16", "fat32"},
			Sniff: fat.Sniff, Open: opener(fat.Open), Copies: fat.Copies, Trace: fat.Trace},
		{Name: "exfat", Filesystems: []string{"exfat"},
			Sniff: fat.SniffExFAT, Open: opener(fat.OpenExFAT), Copies: fat.CopiesExFAT},
		{Name: "ext", Filesystems: []string{"ext2", "ext3", "ext4"},
			Sniff: ext.Sniff, Open: opener(ext.Open), Copies: ext.Copies, Weighs: true, Trace: ext.Trace, Bears: ext.Bears, Remains: opener(ext.OpenRemains)},
		{Name: "hfsplus", Filesystems: []string{"hfsplus", "hfsx"},
			Sniff: hfsplus.Sniff, Open: opener(hfsplus.Open), Copies: hfsplus.Copies},
	}
}

// opener makes a reader's Open, which returns its own type, fit a [Kind].
func opener[F extract.Filesystem](open func(context.Context, *image.Reader, int64, int64, extract.Options) (F, error)) openFunc {
	return func(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (extract.Filesystem, error) {
		fs, err := open(ctx, r, start, length, o)
		if err != nil {
			return nil, err // not fs: a nil F in the interface is not a nil interface
		}
		return fs, nil
	}
}

// Open gives the reader of a volume: the one that [Find] found it with, which
// it gives once, or it opens the volume with the reader of its filesystem. Where
// there is none the error is a [*NotListedError]; where the reader no
// longer accepts the place it is an [*extract.NotVolumeError]. Of a volume in
// doubt no file is proved.
func Open(ctx context.Context, r *image.Reader, v *Volume, o extract.Options) (extract.Filesystem, error) {
	return open(ctx, r, v, o, Kinds())
}

func open(ctx context.Context, r *image.Reader, v *Volume, o extract.Options, kinds []Kind) (extract.Filesystem, error) {
	if v.Reason != "" {
		return nil, &NotListedError{v.Filesystem, v.Start, v.Reason}
	}
	if fs := v.fs; fs != nil {
		v.fs = nil
		return v.doubted(fs), nil
	}
	if len(v.bad) > 0 {
		r = r.Without(v.bad)
	}
	if k, ok := kindOf(kinds, v.Filesystem); ok && v.Pieces != nil {
		p := newPlaces(r, o, kinds)
		fs, err := p.composed(ctx, k, v)
		if err != nil {
			return nil, err
		}
		return v.doubted(fs), nil
	} else if ok {
		res, err := newPlaces(r, o, kinds).either(ctx, k, v.Start, v.Length)
		if err := cmp.Or(err, res.err); err != nil {
			return nil, err
		}
		return v.doubted(res.fs), nil
	}
	return nil, &NotListedError{v.Filesystem, v.Start, "there is no reader for this filesystem"}
}

// kindOf is the family that volumes of a filesystem belong to.
func kindOf(kinds []Kind, filesystem string) (Kind, bool) {
	for _, k := range kinds {
		if slices.Contains(k.Filesystems, filesystem) {
			return k, true
		}
	}
	return Kind{}, false
}

// kindNamed is the family of a name.
func kindNamed(kinds []Kind, name string) (Kind, bool) {
	i := slices.IndexFunc(kinds, func(k Kind) bool { return k.Name == name })
	if i < 0 {
		return Kind{}, false
	}
	return kinds[i], true
}
