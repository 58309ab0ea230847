package hfsplus

import (
	"context"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/claims"
	"fileassay/extract/image"
)

// Volume is an open HFS+ or HFSX volume. It implements [extract.Filesystem].
type Volume struct {
	src    source
	start  int64
	length int64 // of the place it was opened in
	o      extract.Options
	header volumeHeader
	notes  []string

	headerAt    int64 // of the header used
	alternate   bool  // it is the alternate one
	headerStale bool  // the journal has a newer one that is unread
	journal     journalState

	allocation *fork
	trees      struct{ extents, catalog, attributes *tree }
	extents    *overflow
	compressed *compressedFiles
	catalog    *catalog
	loaded     bool

	gates struct{ extents, catalog, attributes *gates } // once the trees were read

	claims  claims.Owned
	listing extract.Listing
	skipped int64 // entries given to no one since nothing is known of them but that they are
}

// Open opens the HFS+ or HFSX volume in the bytes [start, start+length) of the
// image, by its alternate header where the first is unread or fails its check.
// It returns an [*extract.NotVolumeError] if there is none.
func Open(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (*Volume, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	v := &Volume{src: source{r: r}, start: start, length: length, o: o}
	if err := v.findHeader(); err != nil {
		return nil, &extract.NotVolumeError{Filesystem: "hfsplus", Start: start, Why: err.Error()}
	}
	alone := v.alternate
	v.journal = openJournal(&v.src, start, v.header.bytes(), &v.header, !o.NoJournal)
	v.notes = append(v.notes, v.journal.notes...)
	v.renewHeader()
	if v.header.attributes&attrUnmounted == 0 {
		v.notes = append(v.notes, "the volume was not unmounted cleanly")
	}

	v.extents = &overflow{}
	if f := v.open(&v.header.extents, idExtents, nil); len(f.runs) > 0 {
		v.trees.extents = openTree("extents overflow file", f, extFile, overflowSize)
		x, err := loadOverflow(ctx, v.trees.extents, o)
		if err != nil {
			return nil, err
		}
		v.extents = x
	}
	v.trees.catalog = openTree("catalog file", v.open(&v.header.catalog, idCatalog, v.extents), catParent, catalogSize)
	if v.header.attributeFile.size > 0 {
		v.trees.attributes = openTree("attributes file", v.open(&v.header.attributeFile, idAttributes, v.extents), attrFile, attributeSize)
	}
	if alone {
		if err := v.placed(); err != nil {
			return nil, &extract.NotVolumeError{Filesystem: "hfsplus", Start: start, Why: err.Error()}
		}
	}
	v.allocation = v.open(&v.header.allocation, idAllocation, v.extents)
	return v, nil
}

// findHeader reads the volume header, else the alternate one.
func (v *Volume) findHeader() error {
	var first, second error
	if first = v.readHeader(v.start+headerOffset, &v.header); first == nil {
		v.headerAt = v.start + headerOffset
		return nil
	}
	at := v.start + v.length - alternateOffset
	if second = v.readHeader(at, &v.header); second == nil {
		v.headerAt, v.alternate = at, true
		v.notes = append(v.notes, fmt.Sprintf("the alternate volume header was used: %v", first))
		return nil
	}
	return fmt.Errorf("%w; alternate: %w", first, second)
}

func (v *Volume) readHeader(at int64, into *volumeHeader) error {
	var b [headerSize]byte
	if _, err := v.src.r.ReadAt(b[:], at); err != nil {
		return fmt.Errorf("volume header: %w", err)
	}
	h, err := parseHeader(b[:])
	if err != nil {
		return fmt.Errorf("%w (at offset %d, sector %d)", err, at, at/v.src.r.Sector())
	}
	if h.bytes() > v.length+h.blockSize {
		return fmt.Errorf("volume header: a volume of %d bytes in a place of %d (at offset %d, sector %d)", h.bytes(), v.length, at, at/v.src.r.Sector())
	}
	*into = h
	return nil
}

// renewHeader takes the header that the journal holds, if it holds one.
func (v *Volume) renewHeader() {
	at := v.start + headerOffset
	if !v.src.newer.any(at, headerSize) {
		return
	}
	var b [headerSize]byte
	if !v.src.read(b[:], at).Whole() {
		v.headerStale = true
		v.notes = append(v.notes, "the journal has a newer volume header, which is unread")
		return
	}
	h, err := parseHeader(b[:])
	if err != nil || h.blockSize != v.header.blockSize || h.totalBlocks != v.header.totalBlocks {
		v.headerStale = true
		v.notes = append(v.notes, "the journal has a newer volume header, which does not fit the volume")
		return
	}
	h.attributes = v.header.attributes
	v.header, v.alternate = h, false
}

// Walk is for [extract.Filesystem].
func (v *Volume) Walk(ctx context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	if yield != nil {
		if err := v.walk(ctx, yield); err != nil {
			return nil, err
		}
	}
	structures, err := v.structures(ctx)
	if err != nil || yield == nil {
		return &extract.Survey{Structures: structures}, err
	}
	return &extract.Survey{Listing: v.listing, Structures: structures, Space: v.space()}, nil
}

// Info describes the volume. The label is known once the catalog was read.
func (v *Volume) Info() extract.Info {
	info := extract.Info{Filesystem: v.header.name(), Cluster: v.header.blockSize, Notes: v.notes}
	if v.catalog != nil {
		info.Label = v.catalog.label
	}
	return info
}

// load reads the trees.
func (v *Volume) load(ctx context.Context) error {
	if v.loaded {
		return nil
	}
	var err error
	if v.compressed, err = v.loadCompressed(ctx); err != nil {
		return err
	}
	if v.catalog, err = v.loadCatalog(ctx); err != nil {
		return err
	}
	v.findNeeds()
	v.loaded = true
	return nil
}
