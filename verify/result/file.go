package result

import (
	"strings"
	"time"

	"fileassay/verify/wanted"
)

// File is a listed entry in a result. Size and Bytes are null where the size is
// not known. fileFields says how it stands in a line.
type File struct {
	Volume    int    // by number, from 1
	ID        uint64 // in its filesystem
	Path      string // "/" between names; what has no known place stands under "?/"
	NameBytes []byte // of the last name, where Path cannot carry it exactly
	Unnamed   bool
	Kind      string // "file", "folder", "link" or "stream"
	Size      *int64
	Verdict   Verdict
	Bytes     NullBytes
	Runs      bool       // the owner may run it, by the filesystem
	Stored    string     // "" for plain, else "compressed", "encrypted" or "elsewhere"
	Packing   Packing    // of compressed content
	Target    string     // of a link
	Extents   [][3]int64 // [offset in the file, in the image, length], in file order; holes are left out
	Patched   [][3]int64 // content bytes that the filesystem keeps apart from their neighbours
	Holes     int64      // content bytes without storage, which read as zeros
	Damage    []Damage
	Heads     []int      // that serve its unread places, where a head map tells
	NoHead    bool       // the head map names no head for some of them
	Needs     [][2]int64 // [offset, length] unread metadata that would tell more of it
	Why       []string
	Modified  string // see [File.Time]

	At int64 // where its line begins in a result that was read, see [Result.FileAt]; no part of the line
}

// Packing says how the extents of compressed content become content. Each list
// of Units is a run of compression units one behind the other: where its
// content begins, and for each unit how many stored bytes it has. A unit holds
// Unit bytes of content, or what is left of the file. What no unit covers is
// stored plain, a hole or damage. With the method "lznt1" the file offsets of
// extents are those of content, and stored bytes of a unit are those at its
// place; with all others they are the extents in order, unit by unit. Content
// past Valid, where that is told, reads as zeros, whatever its unit holds.
type Packing struct {
	Method string // see extract/unpack; "" where nothing is told
	Unit   int64
	Valid  int64
	Units  [][]int64
}

// NullBytes is Bytes whose counts may be null.
type NullBytes struct {
	Read, Doubtful, Failed, Skipped, Unlocated *int64
}

// Damage is a part of a file's content that was not read, in a result written
// as [offset, image, length, "what"].
type Damage struct {
	Offset int64  // in the content
	Image  int64  // where its first unread byte lies; -1, written null, where that is not known
	Length int64  // bytes of content
	What   string // "doubtful", "failed", "skipped" or "unlocated"
}

// Unlocated is Damage.What for content whose place is not known.
const Unlocated = "unlocated"

// The forms of File.Modified: a filesystem that keeps local time tells no zone.
const (
	zoned = time.RFC3339Nano
	local = "2006-01-02T15:04:05.999999999"
)

// FormatTime is how a time stands in a result: without a zone where the
// filesystem keeps local time, "" where it is zero.
func FormatTime(t time.Time, isLocal bool) string {
	switch {
	case t.IsZero():
		return ""
	case isLocal:
		return t.UTC().Format(local)
	}
	return t.UTC().Format(zoned)
}

// Time is when the file was modified. isLocal is set where the filesystem tells no
// zone: it is then local time as if it were UTC. ok is false where the line does
// not tell.
func (f *File) Time() (t time.Time, isLocal, ok bool) {
	if t, err := time.Parse(zoned, f.Modified); err == nil {
		return t, false, true
	}
	t, err := time.Parse(local, f.Modified)
	return t, true, err == nil
}

// Adrift reports whether it is not known which folder the file lies in.
func (f *File) Adrift() bool { return strings.HasPrefix(f.Path, "?/") }

// Weight is what a wanted list gives the file.
func (f *File) Weight(l *wanted.List) float64 {
	e := wanted.Entry{Volume: f.Volume, Path: f.Path, Size: -1}
	if f.Size != nil {
		e.Size = *f.Size
	}
	e.Modified, _, _ = f.Time()
	return l.Weight(e)
}

// reset makes f empty. Its lists keep their room.
func (f *File) reset() {
	*f = File{Extents: again(f.Extents), Patched: again(f.Patched), Damage: again(f.Damage), Heads: again(f.Heads),
		Needs: again(f.Needs), Why: again(f.Why)}
}

// mostAgain is how long a list may be whose room is used again.
const mostAgain = 1024

// again is an empty list with the room of another; nil if that has none.
func again[T any](list []T) []T {
	if cap(list) > mostAgain {
		return nil
	}
	return list[:0]
}

// room is an empty list with the room of another, never nil.
func room[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list[:0]
}
