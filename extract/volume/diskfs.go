package volume

import (
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"github.com/diskfs/go-diskfs/backend"
	"github.com/diskfs/go-diskfs/partition/gpt"
	"github.com/diskfs/go-diskfs/partition/mbr"

	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// storage gives go-diskfs the image through the reader that knows the map, so
// that what it makes of a table rests on nothing unread: where a sector was not
// read, reading fails with [*image.UnreadError]. It is read-only.
type storage struct{ *io.SectionReader }

var _ backend.Storage = storage{}

func newStorage(r *image.Reader) storage { return storage{io.NewSectionReader(r, 0, r.Size())} }

// Stat describes the image as a read-only file.
func (s storage) Stat() (fs.FileInfo, error) { return imageInfo{s.Size()}, nil }

// Close does nothing: the image belongs to the caller.
func (s storage) Close() error { return nil }

// Sys has no file to offer: go-diskfs must not reach past the reader.
func (s storage) Sys() (*os.File, error) { return nil, backend.ErrNotSuitable }

// Writable refuses: nothing is ever written to an image.
func (s storage) Writable() (backend.WritableFile, error) {
	return nil, backend.ErrIncorrectOpenMode
}

// Path is unknown to the reader.
func (s storage) Path() string { return "" }

// imageInfo is the size of an image as an [fs.FileInfo].
type imageInfo struct{ size int64 }

func (i imageInfo) Name() string       { return "image" }
func (i imageInfo) Size() int64        { return i.size }
func (i imageInfo) Mode() fs.FileMode  { return 0o444 }
func (i imageInfo) ModTime() time.Time { return time.Time{} }
func (i imageInfo) IsDir() bool        { return false }
func (i imageInfo) Sys() any           { return nil }

// secondOpinion reads a healthy table with go-diskfs and notes where that
// disagrees. It is asked of a GPT only where both copies passed our checks,
// since it allocates what a header says, and its failures say nothing: our own
// reading decides.
func secondOpinion(r *image.Reader, t *table) []string {
	theirs := map[int]ranges.Range{}
	switch {
	case (t.scheme == SchemeGPT || t.scheme == SchemeHybrid) && t.healthy:
		tab, err := gpt.Read(newStorage(r), int(t.unit), int(t.unit))
		if err != nil {
			return nil
		}
		for _, p := range tab.Partitions {
			if p.Start <= p.End && p.End < uint64(maxOffset/t.unit) {
				theirs[p.Index] = ranges.Range{Start: int64(p.Start) * t.unit, End: int64(p.End+1) * t.unit}
			}
		}
	case t.scheme == SchemeMBR:
		tab, err := mbr.Read(newStorage(r), int(t.unit), int(t.unit))
		if err != nil {
			return nil
		}
		for _, p := range tab.Partitions {
			if p.Type != mbr.Empty {
				theirs[p.Index] = ranges.Range{Start: int64(p.Start) * t.unit, End: (int64(p.Start) + int64(p.Size)) * t.unit}
			}
		}
	default:
		return nil
	}
	var notes []string
	ours := 0
	for i := range t.partitions {
		p := &t.partitions[i]
		if p.Logical || p.Length == 0 || (p.GUID == "") != (t.scheme == SchemeMBR) {
			continue
		}
		ours++
		if their, ok := theirs[p.Number]; !ok || their != (ranges.Range{Start: p.Start, End: p.End()}) {
			notes = append(notes, fmt.Sprintf("a second reading of the table disagrees on %s: %d bytes at offset %d", p.label(t.scheme), their.Len(), r.Origin(their.Start)))
		}
	}
	if ours < len(theirs) && len(notes) == 0 {
		notes = append(notes, fmt.Sprintf("a second reading of the table finds %d partitions where this one finds %d", len(theirs), ours))
	}
	return notes
}
