package ntfs

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf16"

	"fileassay/extract"
	"fileassay/extract/partial"
)

// Tags of reparse points [MS-FSCC 2.1.2.1].
const (
	tagMountPoint = 0xa0000003 // junctions too
	tagSymlink    = 0xa000000c
	tagUnixLink   = 0xa000001d // a link of the Linux subsystem
	tagAppLink    = 0x8000001b // an alias of an installed program
	tagUnixSocket = 0x80000023 // no content, as the next three
	tagUnixPipe   = 0x80000024
	tagUnixChar   = 0x80000025
	tagUnixBlock  = 0x80000026
	tagWOF        = 0x80000017 // content compressed by the system
	tagHSM        = 0xc0000004 // content moved to slower storage
	tagHSM2       = 0x80000006
	tagDedup      = 0x80000013 // content shared in a store of chunks
	tagCloud      = 0x9000001a // content kept by a cloud service; bits 12 to 15 vary
	tagCloudMask  = 0xffff0fff
)

// reparsePoint is what a $REPARSE_POINT says of a file's content
// [docs: attributes/reparse_point.html].
type reparsePoint struct {
	tag    uint32
	target string // of a link
	wof    int    // for tagWOF: chunk size in bytes; 0 where not known
	method string // for tagWOF: how chunks are compressed
}

// parseReparsePoint decodes the value of a $REPARSE_POINT.
func parseReparsePoint(b []byte) (reparsePoint, error) {
	var r reparsePoint
	if len(b) < 8 {
		return r, fmt.Errorf("reparse point of %d bytes is too short", len(b))
	}
	r.tag = le.Uint32(b)
	n := int(le.Uint16(b[4:]))
	if 8+n > len(b) {
		return r, fmt.Errorf("reparse point states %d bytes of data in %d", n, len(b)-8)
	}
	data := b[8 : 8+n]
	switch r.tag {
	case tagSymlink, tagMountPoint: // [MS-FSCC 2.1.2.4, 2.1.2.5]
		paths := 8
		if r.tag == tagSymlink {
			paths = 12 // flags stand before the names
		}
		if len(data) < paths {
			return r, fmt.Errorf("link of %d bytes is too short", len(data))
		}
		name := func(at int) string {
			off, n := paths+int(le.Uint16(data[at:])), int(le.Uint16(data[at+2:]))
			if n%2 != 0 || off+n > len(data) {
				return ""
			}
			return string(utf16.Decode(utf16At(data, off, n/2)))
		}
		if r.target = name(4); r.target == "" { // the name for people, else the one for the system
			r.target = name(0)
		}
	case tagUnixLink:
		if len(data) > 4 {
			r.target = strings.ToValidUTF8(string(data[4:]), "\ufffd") // a path, not a name
		}
	case tagWOF: // WOF_EXTERNAL_INFO and FILE_PROVIDER_EXTERNAL_INFO_V1 of the Windows SDK
		ways := [...]reparsePoint{{wof: 4 << 10, method: "XPRESS"}, {wof: 32 << 10, method: "LZX"}, {wof: 8 << 10, method: "XPRESS"}, {wof: 16 << 10, method: "XPRESS"}}
		if len(data) >= 16 && le.Uint32(data) == 1 && le.Uint32(data[4:]) == 2 && le.Uint32(data[8:]) == 1 && le.Uint32(data[12:]) < uint32(len(ways)) {
			way := ways[le.Uint32(data[12:])]
			r.wof, r.method = way.wof, way.method
		}
	}
	return r, nil
}

// elsewhere says in words why a file's content is not on the volume, for
// points whose files keep it elsewhere or may do so; "" for all others.
func (r *reparsePoint) elsewhere() string {
	switch {
	case r.tag&tagCloudMask == tagCloud:
		return "a cloud placeholder: what of its content is not stored here was never on this drive"
	case r.tag == tagHSM || r.tag == tagHSM2:
		return "its content was moved to other storage: it is not on this drive"
	case r.tag == tagDedup:
		return "deduplicated: its content is shared in the volume's chunk store, which is not followed"
	case r.unknown():
		return "its reparse point is of a kind that is not known: what of its content is not stored here may be elsewhere"
	}
	return ""
}

// unknown reports whether nothing is known of the point's kind: what such points
// stand for, as the files of containers and of file systems in programs, is not on
// the volume.
func (r *reparsePoint) unknown() bool {
	switch {
	case r.isLink(), r.isDevice(), r.tag == tagWOF, r.tag == tagHSM, r.tag == tagHSM2, r.tag == tagDedup, r.tag&tagCloudMask == tagCloud:
		return false
	}
	return true
}

// isDevice reports whether the point stands for a socket, pipe or device, which has
// no content.
func (r *reparsePoint) isDevice() bool {
	return r.tag == tagUnixSocket || r.tag == tagUnixPipe || r.tag == tagUnixChar || r.tag == tagUnixBlock
}

// empty holds a file against its point, which may say that it has no content.
func (r *reparsePoint) empty(f *extract.File, streams []*dataStream) {
	if (r.isLink() || r.isDevice()) && len(streams) > 0 && streams[0].name == nil && streams[0].holds() {
		f.RecordUnread = true
		f.Why = append(f.Why, "its reparse point says that it has no content, and its record that it has")
	}
}

// isLink reports whether the point is a link, which has no content.
func (r *reparsePoint) isLink() bool {
	return r.tag == tagSymlink || r.tag == tagMountPoint || r.tag == tagUnixLink || r.tag == tagAppLink
}

// wofStream is the stream that holds the content of a file the system
// compressed.
const wofStream = "WofCompressedData"

func (s *dataStream) isWOF() bool { return string(utf16.Decode(s.name)) == wofStream }

// maxReparse bounds what is read of a reparse point (the system's own bound,
// common practice, no source).
const maxReparse = 16 << 10

// reparse reads a file's reparse point and notes what it means for the file.
func (h *harvest) reparse(f *fileRecords, to *extract.File, info standardInfo) (p reparsePoint, ok bool) {
	b, ok := f.valueOf(attrReparsePoint)
	if !ok {
		if m := f.gather(h.area, attrReparsePoint, ""); m != nil && m.headed && m.size <= maxReparse {
			b, ok = m.stream(h.r).read(make([]byte, m.size), 0).Get(0, int(m.size))
		}
	}
	if !ok {
		if info.flags&fileFlagReparse != 0 {
			to.RecordUnread = true
			to.Why = append(to.Why, "its reparse point, which may change what its content is, was not read")
		}
		return p, false
	}
	p, err := parseReparsePoint(b)
	if err != nil {
		to.RecordUnread = true
		to.Why = append(to.Why, err.Error())
		return p, false
	}
	switch {
	case p.isLink():
		to.Why = append(to.Why, "a link: it has no content of its own")
	case p.unknown():
		to.Why = append(to.Why, fmt.Sprintf("has a reparse point with tag %#x", p.tag))
	}
	return p, true
}

// takeAway makes the holes of a file whose content is elsewhere, as why says,
// what they are: bytes that are not here.
func takeAway(f *extract.File, why string) {
	away := false
	for i := range f.Pieces {
		if p := &f.Pieces[i]; why != "" && p.Kind == extract.Hole {
			p.Kind, away = extract.Unlocated, true
		}
	}
	if away {
		f.Stored = extract.StoredElsewhere
		f.Why = append(f.Why, why)
	}
}

// fillWOF sets the content of a file that the system compressed.
func (h *harvest) fillWOF(f *extract.File, p *reparsePoint, wof *dataStream) {
	f.Stored = extract.StoredCompressed
	if f.Size <= 0 {
		return
	}
	f.Pieces = nil
	switch {
	case wof == nil:
		f.Why = append(f.Why, "compressed by the system, and the stream that holds its content was not found")
	case p.wof == 0:
		f.Why = append(f.Why, "compressed by the system in a way that is not known")
	default:
		var stored extract.File
		wof.fill(&stored)
		f.Why = append(f.Why, stored.Why...)
		f.RecordUnread = f.RecordUnread || stored.RecordUnread
		f.Why = append(f.Why, fmt.Sprintf("compressed by the system (%s, chunks of %d bytes); its content is its stream %s", p.method, p.wof, wofStream))
		if stored.Size < 0 {
			return
		}
		if stored.Stored == extract.StoredEncrypted || slices.ContainsFunc(stored.Pieces, func(p extract.Piece) bool { return p.Kind == extract.Unit }) {
			f.Why = append(f.Why, fmt.Sprintf("its stream %s is not stored as it is, so that its table cannot be used", wofStream))
			return
		}
		valid := stored.Size
		if wof.resident == nil {
			valid = wof.mapping.initialized
		}
		f.Pieces = h.wofPieces(pieceStream(h.r, valid, stored.Pieces), stored.Size, f.Size, p.wof)
		f.Packing = extract.Packing{Method: strings.ToLower(p.method), Unit: int64(p.wof)}
	}
}

// wofWidth is the bytes of an entry in the table of chunks of a file.
func wofWidth(size int64) int64 {
	if size > 1<<32-1 {
		return 8
	}
	return 4
}

// wofTable is the bytes of the table of chunks of a file, in which each has an
// entry but the first.
func wofTable(size int64, chunk int) int64 { return (size - 1) / int64(chunk) * wofWidth(size) }

// wofPieces is the content, size bytes, of a file whose chunks of the given
// size are compressed one behind the other in a stream of total bytes, of which
// s reads the valid ones. The stream begins with a table of where each chunk but
// the first begins, counted from the table's end, in 4 bytes each, or 8 for files
// over 4 GiB.
func (h *harvest) wofPieces(s *stream, total, size int64, chunk int) []extract.Piece {
	var w pieceWriter
	width, head := wofWidth(size), wofTable(size, chunk)
	var stored int64 // a table has no holes: what is stored bounds the work
	for e := range s.parts(0, s.size) {
		if e.Image != hole {
			stored += e.Length
		}
	}
	if head > min(s.size, stored, h.length) {
		w.upTo(size, extract.Unlocated)
		return w.list
	}
	const step = 1 << 14 // entries of the table read at once
	var buf partial.Bytes
	var bufAt int64
	// begin is where chunk i begins in the stream
	begin := func(i int64) (int64, bool) {
		if i == 0 {
			return head, true
		}
		at := (i - 1) * width
		if at == head {
			return total, true
		}
		if at < bufAt || at+width > bufAt+int64(buf.Len()) {
			bufAt = at
			buf = s.read(make([]byte, min(step*width, head-at)), at)
		}
		e, ok := buf.Get(int(at-bufAt), int(width))
		switch {
		case !ok:
			return 0, false
		case width == 8:
			return head + int64(le.Uint64(e)&(1<<62-1)), true
		}
		return head + int64(le.Uint32(e)), true
	}
	for i := int64(0); w.pos < size; i++ {
		from, okFrom := begin(i)
		to, okTo := begin(i + 1)
		end := min((i+1)*int64(chunk), size)
		var units []extract.Extent
		if okFrom && okTo && from < to && to <= s.size {
			units = s.stored(from, to-from)
		}
		if units != nil {
			w.unit(end, units)
		} else {
			w.upTo(end, extract.Unlocated)
		}
	}
	return w.list
}
