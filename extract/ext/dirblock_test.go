package ext

import (
	"encoding/binary"
	"testing"

	"fileassay/extract/imap"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"

	"github.com/google/go-cmp/cmp"
)

// hashedEntry is an entry of a folder that is both encrypted and case-folded:
// behind the name, at the next multiple of four, stand the eight bytes of its
// hash. Laid out by hand after the kernel's ext4.h, "struct
// ext4_dir_entry_hash" and ext4_dir_rec_len; no driver at hand writes it.
func hashedEntry(inode uint32, kind uint8, name string, rec int) []byte {
	le := binary.LittleEndian
	least := (direntHead+len(name)+3)&^3 + 8
	b := make([]byte, max(rec, least))
	le.PutUint32(b, inode)
	le.PutUint16(b[4:], uint16(len(b)))
	b[6], b[7] = byte(len(name)), kind
	copy(b[direntHead:], name)
	le.PutUint32(b[least-8:], 0xFFFFFFFE)
	le.PutUint32(b[least-4:], 0x12345678)
	return b
}

// TestHashedEntries walks entries with hashes behind their names, whatever
// bytes the encrypted names are made of.
func TestHashedEntries(t *testing.T) {
	sb := superblock{Inodes: 100, LogBlockSize: 0, Incompat: incompatFiletype}
	names := []string{"0123456789abcdef", "a/b\x00c/d\x00e/f\x00ghijk", "\xff\x00\x01\x02\x03\x04\x05\x06\x07\x08\x09\x0a\x0b\x0c\x0d\x0e\x0f"}
	var b []byte
	for i, n := range names {
		rec := 0
		if i == len(names)-1 {
			rec = 1024 - len(b)
		}
		b = append(b, hashedEntry(uint32(20+i), direntFile, n, rec)...)
	}
	for _, c := range []struct {
		unread []ranges.Range
		want   []string
		whole  bool
	}{
		{nil, names, true},
		{[]ranges.Range{{Start: direntHead + 16, End: direntHead + 24}}, names, true}, // of the first, only its hash
		{[]ranges.Range{{Start: direntHead + 15, End: direntHead + 24}}, names[1:], false},
		{[]ranges.Range{{Start: 32, End: 40}}, names[:1], false}, // the head of the second
	} {
		var got []string
		whole, fault := walkDirents(&sb, partial.Bytes{Data: b, Unread: c.unread}, true, func(d dirent) { got = append(got, string(d.Name)) })
		if diff := cmp.Diff(c.want, got); diff != "" || whole != c.whole || fault != "" {
			t.Errorf("unread %v: whole %v, fault %q, names: %s", c.unread, whole, fault, diff)
		}
	}
	// in a folder that is not encrypted such a name cannot be
	if whole, fault := walkDirents(&sb, partial.Bytes{Data: b}, false, func(dirent) {}); whole || fault == "" {
		t.Errorf("whole %v, fault %q", whole, fault)
	}
}

// On volumes with checksums such a name is listed, and said.
func TestImpossibleName(t *testing.T) {
	sb := superblock{Inodes: 100, Incompat: incompatFiletype, RoCompat: roMetadataCsum}
	var got []string
	_, fault := walkDirents(&sb, partial.Bytes{Data: append(hashedEntry(20, direntFile, "a/b", 24), hashedEntry(21, direntFile, "c", 1000)...)}, false,
		func(d dirent) { got = append(got, string(d.Name)) })
	if diff := cmp.Diff([]string{"a/b", "c"}, got); diff != "" || fault == "" {
		t.Errorf("fault %q, names: %s", fault, diff)
	}
}

// TestUntestedBlock leaves a sector of a folder's block unread, in which no name and
// no checksum stands: the checksum, which covers it, vouches for no name then.
func TestUntestedBlock(t *testing.T) {
	tried := 0
	for _, name := range []string{"ext4-bigino", "ext4-bigalloc", "ext4-journal", "ext4-1k"} {
		img := unpack(t, name)
		v, _ := walk(t, reader(t, img), walkAll)
		rec := v.readInode(rootInode)
		if !v.sb.metadataCsum() || !v.listing.Complete {
			continue
		}
		m := newMapper(v.layout).mapInode(&rec.inode)
		at := v.span(m.Runs[0].Physical, 1).Start
		last := 0
		walkDirents(&v.sb, partial.Bytes{Data: img[at : at+v.bs]}, false, func(d dirent) { last = d.At + direntHead + len(d.Name) })
		slack := int64(last+511) / 512 * 512
		if len(v.copies) > 0 || slack+512 > v.bs-512 {
			continue
		}
		tried++
		w, _ := walk(t, reader(t, img, imap.Range{Start: at + slack, Length: 512, State: imap.Failed}), walkAll)
		if w.listing.Complete {
			t.Errorf("%s: the list is complete", name)
		}
	}
	if tried == 0 {
		t.Error("no volume has such a block")
	}
}
