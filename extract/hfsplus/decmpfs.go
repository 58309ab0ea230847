package hfsplus

import (
	"encoding/binary"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/unpack"
)

// Transparent compression. TN1150 is older; the format is that of the
// published sources of the system (decmpfs.h). An attribute begins with 16
// bytes, little-endian: "cmpf" as a number, the method, and the size of the
// content.
const (
	decmpfsMagic  = 0x636D7066
	decmpfsHeader = 16

	emptyStream     = 8        // bytes that nothing has when it is compressed by zlib (RFC 1950, 1951)
	compressionUnit = 65536    // bytes of content of a block
	mostInline      = 64 << 20 // bytes of content that an attribute can be believed to hold: of zlib 1032 for one
)

// The methods: the odd ones keep the content behind the attribute's header,
// the even ones in the resource fork.
const (
	methodPlain     = 1 // in the attribute, as it is
	methodZlib      = 3
	methodZlibFork  = 4
	methodLZVN      = 7
	methodLZVNFork  = 8
	methodPlain2    = 9  // in the attribute, behind one byte
	methodPlainFork = 10 // in the resource fork, block by block as it is
	methodLZFSE     = 11
	methodLZFSEFork = 12
)

// packings are the names of the methods that keep content in units.
var packings = map[uint32]string{methodZlib: unpack.Zlib, methodZlibFork: unpack.Zlib, methodLZVN: unpack.LZVN, methodLZVNFork: unpack.LZVN,
	methodLZFSE: unpack.LZFSE, methodLZFSEFork: unpack.LZFSE, methodPlainFork: unpack.Marked}

// parseDecmpfs decodes the header of the attribute b into c.
func parseDecmpfs(b []byte, c *compressedFile) bool {
	if len(b) < decmpfsHeader || binary.LittleEndian.Uint32(b) != decmpfsMagic {
		return false
	}
	c.method = binary.LittleEndian.Uint32(b[4:])
	c.size = binary.LittleEndian.Uint64(b[8:])
	c.bytes = int64(len(b) - decmpfsHeader)
	if c.bytes > 0 {
		c.first = b[decmpfsHeader]
	}
	return true
}

// stored is the content of a compressed file, put into f, and what would tell
// more of it, put into need. fk is its resource fork.
func (v *files) stored(f *extract.File, c *compressedFile, fk *fork, need *wanted) {
	if c.doubtful {
		need.records(v.trees.attributes, c.file)
	}
	f.Stored = extract.StoredCompressed
	if c.unusable || c.size > 1<<62 {
		f.Size, f.RecordUnread = -1, true
		f.Why = append(f.Why, "the attribute that says how it is compressed cannot be used")
		return
	}
	f.Size = int64(c.size)
	f.RecordUnread = f.RecordUnread || c.doubtful
	if f.Size == 0 {
		if c.bytes > emptyStream || fk.size > 0 {
			f.RecordUnread = true
			f.Why = append(f.Why, "it is said to be empty, and compressed content of it is stored")
		}
		return
	}
	switch c.method {
	case methodPlain, methodPlain2:
		v.storedInline(f, c)
	case methodZlib, methodLZVN, methodLZFSE:
		f.Packing = extract.Packing{Method: packings[c.method], Unit: f.Size}
		v.storedInline(f, c)
	case methodZlibFork, methodLZVNFork, methodLZFSEFork, methodPlainFork:
		f.Packing = extract.Packing{Method: packings[c.method], Unit: compressionUnit}
		switch {
		case fk.size < 0:
			f.Why = append(f.Why, "the part of its record is unread that tells where its compressed content lies")
		case c.method == methodZlibFork:
			storedZlib(f, fk, need)
		default:
			storedTable(f, fk, need)
		}
	default:
		f.Why = append(f.Why, fmt.Sprintf("compression method %d is not known", c.method))
		f.RecordUnread = true
		f.Packing = extract.Packing{Method: "unknown", Unit: f.Size}
		if fk.size > 0 {
			f.Pieces = unit(nil, fk, 0, f.Size, 0, fk.size)
		} else {
			v.storedInline(f, c)
		}
	}
}

// storedInline puts the content that stands in the attributes file, behind the
// attribute's header, into f. Content whose first byte marks it so is kept as it
// is.
func (v *files) storedInline(f *extract.File, c *compressedFile) {
	from, n, plain := c.data, c.bytes, c.method == methodPlain
	if packing := packings[c.method]; n > 0 && !plain && !unpack.Fits(packing, []byte{c.first}, n, f.Size) {
		f.RecordUnread = true
		f.Why = append(f.Why, misfit)
	}
	if c.method == methodPlain2 || unpack.Kept(packings[c.method], c.first) {
		from, n, plain = from+1, n-1, true
	}
	if n <= 0 {
		f.Why = append(f.Why, "its compressed content is missing")
		return
	}
	if !plain && f.Size > mostInline {
		f.RecordUnread = true
		f.Why = append(f.Why, fmt.Sprintf("%d bytes of content cannot be stored in %d", f.Size, n))
	}
	if !plain {
		f.Pieces = unit(nil, v.trees.attributes.fork, 0, f.Size, from, n)
		return
	}
	if n != f.Size { // such a file the system itself refuses (decmpfs.c, of the first method)
		f.RecordUnread = true
		f.Why = append(f.Why, fmt.Sprintf("%d bytes of content are stored, of %d", n, f.Size))
	}
	v.trees.attributes.fork.places(from, min(n, f.Size), func(off, at, n int64) {
		if at >= 0 {
			f.Pieces = append(f.Pieces, extract.Piece{Offset: off - from, Length: n, Image: at})
		}
	})
}

// misfit is the remark on content that is not what the method says.
const misfit = "compressed content does not begin as its method has it"

// unit appends the piece of length bytes of content from off that is stored in
// n bytes of fk from at. If those are not all located, the piece is left out.
func unit(list []extract.Piece, fk *fork, off, length, at, n int64) []extract.Piece {
	p := extract.Piece{Offset: off, Length: length, Kind: extract.Unit}
	ok := true
	fk.places(at, n, func(o, img, n int64) {
		if img < 0 {
			ok = false
			return
		}
		p.Units = append(p.Units, extract.Extent{Offset: off + min(o-at, length-1), Image: img, Length: n})
	})
	if !ok {
		return list
	}
	return append(list, p)
}

// storedZlib puts content in blocks that a resource of the resource fork holds
// into f. The fork begins with four big-endian numbers: where the data and the
// map begin and how long they are; the data is one resource, after its length
// a table: the number of blocks, and for each its place behind the resource's
// length and its length, little-endian.
func storedZlib(f *extract.File, fk *fork, need *wanted) {
	var head [4]byte
	if !fk.read(head[:], 0).Whole() {
		need.fork(fk, 0, int64(len(head)))
		f.Why = append(f.Why, "the head of the resource fork that holds its compressed content is unread")
		return
	}
	table := int64(binary.BigEndian.Uint32(head[:])) + 4
	count := (f.Size + compressionUnit - 1) / compressionUnit
	need.fork(fk, table, 4+8*count)
	if table+4 > fk.size || count > (fk.size-table-4)/8 {
		f.Why = append(f.Why, "the resource fork is too short for its compressed content")
		return
	}
	if fk.read(head[:], table).Whole() {
		if n := int64(binary.LittleEndian.Uint32(head[:])); n != count {
			f.Why = append(f.Why, fmt.Sprintf("its compressed content has %d blocks, not %d", n, count))
			return
		}
	}
	blocks(f, fk, table+4, 8, count, func(b []byte) (int64, int64) {
		return table + int64(binary.LittleEndian.Uint32(b)), int64(binary.LittleEndian.Uint32(b[4:]))
	}, table+4+8*count)
}

// storedTable puts content in blocks behind a plain table at the begin of the
// resource fork into f: the places of the blocks, little-endian, and the end
// of the last.
func storedTable(f *extract.File, fk *fork, need *wanted) {
	count := (f.Size + compressionUnit - 1) / compressionUnit
	need.fork(fk, 0, 4*(count+1))
	if count > fk.size/4-1 {
		f.Why = append(f.Why, "the resource fork is too short for its compressed content")
		return
	}
	blocks(f, fk, 0, 4, count, func(b []byte) (int64, int64) {
		a := int64(binary.LittleEndian.Uint32(b))
		return a, int64(binary.LittleEndian.Uint32(b[4:])) - a
	}, 4*(count+1))
}

// blocks appends the count blocks whose places stand in the table at table in
// fk, in entries of step bytes. No block can begin before least. A block whose
// entry is unread is not located.
func blocks(f *extract.File, fk *fork, table, step, count int64, entry func(b []byte) (at, n int64), least int64) {
	const part = 1024 // entries at a time
	var buf [part*8 + 8]byte
	bad, misfits := false, false
	crossed, last := false, int64(0) // blocks that begin before the one before them ends
	// a size may claim anything: the table ends where the fork is no more located
	count = min(count, max(0, fk.located()-table)/step)
	for i := int64(0); i < count; i += part {
		n := min(part, count-i)
		b := fk.read(buf[:(n-1)*step+8], table+i*step)
		for k := range n {
			e, ok := b.Get(int(k*step), 8)
			if !ok {
				continue
			}
			at, size := entry(e)
			if at < least || size <= 0 || size > 2*compressionUnit || at > fk.size-size {
				bad = true
				continue
			}
			crossed = crossed || at < last
			last = max(last, at+size)
			off := (i + k) * compressionUnit
			length := min(compressionUnit, f.Size-off)
			var first [4]byte
			head := fk.read(first[:min(size, int64(len(first)))], at)
			if head.Whole() && !unpack.Fits(f.Packing.Method, head.Data, size, length) {
				misfits = true
				continue
			}
			f.Pieces = unit(f.Pieces, fk, off, length, at, size)
		}
	}
	if bad {
		f.Why = append(f.Why, "the table of its compressed blocks names places outside them")
	}
	if misfits {
		f.Why = append(f.Why, misfit)
	}
	if crossed {
		f.RecordUnread = true
		f.Why = append(f.Why, "the blocks of its compressed content do not follow each other")
	}
}
