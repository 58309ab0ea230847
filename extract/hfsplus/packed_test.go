package hfsplus

import (
	"encoding/binary"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// packedHead is the head of an attribute that says how content is compressed.
func packedHead(method uint32, size uint64) []byte {
	b := binary.LittleEndian.AppendUint32(nil, decmpfsMagic)
	b = binary.LittleEndian.AppendUint32(b, method)
	return binary.LittleEndian.AppendUint64(b, size)
}

// packed adds a compressed file with that attribute and resource fork.
func (b *builder) packed(name string, attribute, rsrc []byte) uint32 {
	spec := fileSpec{owner: ownerCompressed, mode: modeRegular}
	if rsrc != nil {
		spec.rsrc = b.data(uint32((len(rsrc) + b.block - 1) / b.block))
		spec.rsize = uint64(len(rsrc))
		b.content[spec.rsrc[0].start] = rsrc
	}
	id := b.file(idRoot, name, spec)
	if attribute != nil {
		b.inline(id, "com.apple.decmpfs", attribute)
	}
	return id
}

func leWords(v ...uint32) (out []byte) {
	for _, x := range v {
		out = binary.LittleEndian.AppendUint32(out, x)
	}
	return out
}

// begun are n bytes with the begin of packed blocks at the given places.
func begun(n int, begin string, at ...int) []byte {
	b := make([]byte, n)
	for _, k := range at {
		copy(b[k:], begin)
	}
	return b
}

// proven reports whether a file counts as intact: of known size, with metadata
// that is all read, and content that is all located and read.
func proven(f *extract.File, r *image.Reader) bool {
	if f.RecordUnread || f.NameOnly || f.Size < 0 {
		return false
	}
	pos := int64(0)
	for _, p := range f.Pieces {
		if p.Offset != pos || p.Kind == extract.Unlocated {
			return false
		}
		pos += p.Length
		if p.Kind == extract.Data && !r.IsRead(p.Image, p.Length) {
			return false
		}
		for _, e := range p.Units {
			if !r.IsRead(e.Image, e.Length) {
				return false
			}
		}
	}
	return pos == f.Size
}

// Whatever single sector is unread, a compressed file that counts as intact has
// the size and the places that it has with all read, and a list that counts as
// complete has them all.
func TestPackedEverySector(t *testing.T) {
	b := newBuilder()
	b.nextData, b.dataBlocks = firstData, 300
	b.folder(idRootParent, "Survey")
	const two = compressionUnit + 1000
	for i := range 12 { // so that records lie across sectors in every way
		name := func(method int) string { return fmt.Sprintf("method %d, %0*d", method, 1+3*i, i) }
		b.packed(name(methodPlain), append(packedHead(methodPlain, 700), make([]byte, 700)...), nil)
		b.packed(name(methodZlib), append(packedHead(methodZlib, 5000), slices.Concat([]byte{0x78}, make([]byte, 600))...), nil)
		b.packed(name(methodZlibFork), packedHead(methodZlibFork, two), slices.Concat(be32(256), make([]byte, 256),
			leWords(2, 20, 1500, 1520, 300), begun(1900, "\x78\x9c", 0, 1500)))
		b.packed(name(methodLZVNFork), packedHead(methodLZVNFork, two), slices.Concat(leWords(12, 2000, 2300), begun(2300, "\xe5", 0, 1988)))
	}
	x := b.build()
	r := x.reader(t)
	_, list := walk(t, r, x.size, extract.Options{})
	want := map[string]*extract.File{}
	for _, f := range list {
		want[f.Path] = f
		if f.Kind == extract.KindFile && !proven(f, r) {
			t.Errorf("%s: all is read, and it is not proven: %+v", f.Path, f)
		}
	}
	tried, hurt := 0, 0
	for at := int64(0); at < x.size; at += 512 {
		sector := make([]byte, 512)
		if _, err := x.ReadAt(sector, at); err != nil || !slices.ContainsFunc(sector, func(b byte) bool { return b != 0 }) {
			continue
		}
		tried++
		r := x.reader(t, imap.Range{Start: at, Length: 512, State: imap.Failed})
		v, list := walk(t, r, x.size, extract.Options{})
		if v.Listing.Complete && len(list) != len(want) {
			t.Errorf("byte %d unread: %d files are listed of %d, and the list is called complete", at, len(list), len(want))
		}
		for _, f := range list {
			w := want[f.Path]
			if w == nil || f.Kind != extract.KindFile {
				continue
			}
			if !proven(f, r) {
				hurt++
			} else if f.Size != w.Size || !reflect.DeepEqual(f.Pieces, w.Pieces) {
				t.Errorf("byte %d unread: %s counts as intact with %d bytes in %+v, should have %d", at, f.Path, f.Size, f.Pieces, w.Size)
			}
		}
	}
	if tried < 100 || hurt < len(want) {
		t.Errorf("%d sectors hurt %d files", tried, hurt)
	}
}

// Sizes that disagree, and attributes that cannot be used, prove nothing.
func TestPackedContradictions(t *testing.T) {
	b := newBuilder()
	b.nextData = firstData
	b.folder(idRootParent, "Survey")
	birch := []byte("birch")
	add := func(name string, attribute []byte) { b.packed(name, attribute, nil) }
	add("plain", append(packedHead(methodPlain, 5), birch...))
	add("plain, more than its size", append(packedHead(methodPlain, 4), birch...))
	add("plain, less than its size", append(packedHead(methodPlain, 6), birch...))
	add("zlib, plain, more than its size", append(packedHead(methodZlib, 4), "\xffbirch"...))
	add("behind a byte, more than its size", append(packedHead(methodPlain2, 4), "\xccbirch"...))
	add("more than any attribute holds", append(packedHead(methodZlib, 1<<40), birch...))
	add("other magic", append([]byte("none"), packedHead(methodPlain, 0)[4:]...))
	add("short", packedHead(methodPlain, 5)[:12])
	add("size of its own wrong", append(packedHead(methodPlain, 5), birch...))
	last := &b.attrs[len(b.attrs)-1]
	copy(last.data[attrInlineSize:], be32(9999))
	id := b.file(idRoot, "with content of its own", fileSpec{owner: ownerCompressed, mode: modeRegular, data: b.data(1), size: 100})
	b.inline(id, "com.apple.decmpfs", append(packedHead(methodPlain, 5), birch...))
	const two = compressionUnit + 10
	fork := func(name string, method uint32, begin string) {
		b.packed(name, packedHead(method, two), slices.Concat(leWords(12, 2000, 2011), begun(1999, begin, 0, 1988)))
	}
	fork("plain, lzvn", methodLZVNFork, "\xe5")
	fork("lzvn, begun as zlib is", methodLZVNFork, "\x38\x9c")
	fork("lzvn, kept and too short", methodLZVNFork, "\x06")
	fork("lzvn, zeros", methodLZVNFork, "")
	fork("plain, lzfse", methodLZFSEFork, "bvx2")
	fork("lzfse, begun as lzvn is", methodLZFSEFork, "\xe5")
	b.packed("zlib, zeros", packedHead(methodZlibFork, two), slices.Concat(be32(256), make([]byte, 256), leWords(2, 20, 1500, 1520, 11), begun(1531, "\x78\x9d", 0, 1500)))
	b.packed("attribute not found", nil, nil)
	x := b.build()
	r := x.reader(t)
	_, list := walk(t, r, x.size, extract.Options{})
	for _, f := range list {
		if f.Kind != extract.KindFile {
			continue
		}
		if is := proven(f, r); is != (f.Path == "plain" || strings.HasPrefix(f.Path, "plain, lz")) {
			t.Errorf("%s: counts as intact: %v: %+v", f.Path, is, f)
		}
	}
}

// A size that anybody may have written is no work, and no memory.
func TestPackedSizes(t *testing.T) {
	for method, size := range map[uint32]uint64{methodZlibFork: 1 << 47, methodLZVNFork: 1 << 60} {
		b := newBuilder()
		b.nextData = firstData
		b.folder(idRootParent, "Survey")
		spec := fileSpec{owner: ownerCompressed, mode: modeRegular, rsrc: b.data(1), rsize: 1 << 61}
		b.content[spec.rsrc[0].start] = slices.Concat(be32(12), make([]byte, 12), leWords(1<<31, 20, 1500))
		id := b.file(idRoot, "large", spec)
		b.inline(id, "com.apple.decmpfs", packedHead(method, size))
		x := b.build()
		_, list := walk(t, x.reader(t), x.size, extract.Options{})
		if f := find(t, list, "large"); f.Size != int64(size) || len(f.Pieces) > 1024 {
			t.Errorf("method %d: %d bytes, %d pieces", method, f.Size, len(f.Pieces))
		}
	}
}
