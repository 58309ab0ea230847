package ext

import (
	"bytes"
	"encoding/binary"
	"slices"
	"testing"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"

	"github.com/google/go-cmp/cmp"
)

// someVolume is a volume that parsers are run against.
func someVolume(t testing.TB, name string) (*walked, []byte) {
	t.Helper()
	img := unpack(t, name)
	v, _ := walk(t, reader(t, img), walkAll)
	return v, img
}

func FuzzGroupDesc(f *testing.F) {
	var sbs []superblock
	for i, name := range []string{"ext4-1k", "ext4-nocsum", "ext2-1k", "ext4-bigalloc"} {
		v, img := someVolume(f, name)
		sbs = append(sbs, v.sb)
		b, _ := descBlock(&v.sb, 0, 0)
		f.Add(uint8(i), uint32(0), img[int64(b)*v.bs:][:v.sb.DescSize])
	}
	f.Fuzz(func(t *testing.T, which uint8, g uint32, b []byte) {
		sb := &sbs[int(which)%len(sbs)]
		d, err := parseGroupDesc(sb, uint64(g)%sb.groups(), b)
		if err == nil && (d.InodeTable+tableBlocks(sb) > sb.Blocks || d.usedInodes(sb) > sb.InodesPerGroup) {
			t.Fatalf("%+v", d)
		}
	})
}

func FuzzInode(f *testing.F) {
	var vs []*walked
	for i, name := range []string{"ext4-nocsum", "ext2-1k", "ext4-inline", "ext4-bigino"} {
		v, _ := someVolume(f, name)
		vs = append(vs, v)
		for _, n := range []uint32{2, 12, 13, 15, 20} {
			f.Add(uint8(i), v.readInode(n).raw)
		}
	}
	f.Fuzz(func(t *testing.T, which uint8, raw []byte) {
		v := vs[int(which)%len(vs)]
		sb := v.sb
		sb.RoCompat &^= roMetadataCsum // else nothing but the checksum is tried
		n, err := parseInode(&sb, 12, raw)
		if err != nil || n.strange(&sb) != "" {
			return
		}
		for _, p := range n.inlineParts() {
			if p.At < 0 || p.Length <= 0 || p.At+p.Length > int64(len(raw)) || p.Offset+p.Length > n.Size {
				t.Fatalf("part %+v of an inode of %d bytes", p, len(raw))
			}
		}
		w := *v.layout
		w.sb = sb
		c := contents{newMapper(&w), &disputed{}}.of(&n)
		pos := int64(0)
		for _, p := range c.pieces {
			if p.Offset < pos || p.Length <= 0 || p.Offset+p.Length > n.Size {
				t.Fatalf("pieces %+v of %d bytes", c.pieces, n.Size)
			}
			pos = p.Offset + p.Length
		}
	})
}

// TestExtent decodes an extent and an index entry as they are laid out in
// ext4: ifork, "struct ext4_extent", "struct ext4_extent_idx".
func TestExtent(t *testing.T) {
	for _, c := range []struct {
		in   []byte
		want extent
	}{
		{[]byte{5, 0, 0, 0, 8, 0, 1, 0, 0, 16, 0, 0}, extent{5, 8, 1<<32 | 4096, false}},
		{[]byte{0, 0, 0, 0, 0x00, 0x80, 0, 0, 9, 0, 0, 0}, extent{0, 32768, 9, false}}, // the longest that is written
		{[]byte{0, 0, 0, 0, 0x01, 0x80, 0, 0, 9, 0, 0, 0}, extent{0, 1, 9, true}},      // ee_len > 32768 is unwritten
		{[]byte{0, 0, 0, 0, 0xFF, 0xFF, 0, 0, 9, 0, 0, 0}, extent{0, 32767, 9, true}},  // the longest that is not
		{[]byte{0xFF, 0xFF, 0xFF, 0xFF, 1, 0, 0, 0, 9, 0, 0, 0}, extent{1<<32 - 1, 1, 9, false}},
	} {
		if diff := cmp.Diff(c.want, parseExtent(c.in)); diff != "" {
			t.Errorf("%x (-want +got):\n%s", c.in, diff)
		}
	}
	want := extentIndex{7, 2<<32 | 3}
	if got := parseExtentIndex([]byte{7, 0, 0, 0, 3, 0, 0, 0, 2, 0, 0, 0}); got != want {
		t.Errorf("index %+v, want %+v", got, want)
	}
}

// FuzzExtents runs a tree of blocks that hold anything.
func FuzzExtents(f *testing.F) {
	v, img := someVolume(f, "ext4-nocsum")
	for i := int64(0); i < int64(v.sb.Blocks); i++ {
		if b := img[i*v.bs : (i+1)*v.bs]; binary.LittleEndian.Uint16(b) == extentMagic {
			f.Add(b, uint32(1000))
		}
	}
	f.Fuzz(func(t *testing.T, b []byte, size uint32) {
		if int64(len(b)) != v.bs {
			return
		}
		h, err := parseExtentHeader(b, len(b))
		if err != nil {
			return
		}
		for _, unread := range [][]ranges.Range{nil, {{Start: 12, End: 24}}, {{Start: 512, End: 1024}}} {
			var m mapping
			newMapper(v.layout).extentNode(&inode{Number: 12, Size: int64(size)}, &m, h, partial.Bytes{Data: b, Unread: unread}, 0, 1<<32, v.fileBlocks(int64(size)))
			pos := uint64(0)
			for _, r := range m.Runs {
				if r.Logical < pos || r.Length == 0 || r.Kind != runUnlocated && !v.dataRange(r.Physical, r.Length) {
					t.Fatalf("runs %+v", m.Runs)
				}
				pos = r.Logical + r.Length
			}
		}
	})
}

func FuzzFolderBlock(f *testing.F) {
	v, img := someVolume(f, "ext4-1k")
	w, img2 := someVolume(f, "ext2-1k")
	for n, x := range map[*walked][]byte{v: img, w: img2} {
		rec := n.readInode(rootInode)
		m := newMapper(n.layout).mapInode(&rec.inode)
		f.Add(x[int64(m.Runs[0].Physical)*n.bs:][:n.bs], uint16(0), uint16(0))
	}
	f.Fuzz(func(t *testing.T, b []byte, a, n uint16) {
		if len(b) < 64 || len(b) > 1<<16 {
			return
		}
		for _, sb := range []*superblock{&v.sb, &w.sb} {
			checkDirBlock(sb, 0, b)
			u := partial.Bytes{Data: b}
			u.Lose(int(a), int(a)+int(n))
			count := 0
			walkDirents(sb, u, false, func(d dirent) {
				if count++; d.Inode == 0 || d.Inode > sb.Inodes || len(d.Name) == 0 || !u.Has(d.At, direntHead+len(d.Name)) {
					t.Fatalf("%+v", d)
				}
			})
			if count > len(b)/direntHead {
				t.Fatalf("%d entries in %d bytes", count, len(b))
			}
		}
	})
}

func FuzzJournal(f *testing.F) {
	for _, name := range []string{"ext4-journal", "ext3-journal"} {
		img := unpack(f, name)
		for at := 0; at+1024 <= len(img); at += 1024 {
			if binary.BigEndian.Uint32(img[at:]) == journalMagic {
				f.Add(img[at : at+1024])
			}
		}
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < 64 {
			return
		}
		s, err := parseJournalSuper(b, 1024)
		if err == nil && (s.First == 0 || s.First >= s.Blocks-s.FastBlocks) {
			t.Fatalf("%+v", s)
		}
		for _, features := range []uint32{0, journal64Bit, journalCsumV2, journal64Bit | journalCsumV3} {
			s := journalSuper{Incompat: features}
			if tags := parseTags(&s, b); len(tags) > len(b)/8 {
				t.Fatalf("%d tags in %d bytes", len(tags), len(b))
			}
			if n := len(parseRevokes(&s, b)); n > len(b)/4 {
				t.Fatalf("%d revokes in %d bytes", n, len(b))
			}
		}
	})
}

// FuzzVolume changes bytes of whole volumes.
func FuzzVolume(f *testing.F) {
	var imgs [][]byte
	var heads [][]imap.Range // unread where which has its high bit set: then there is no superblock
	for i, name := range []string{"ext2-1k", "ext4-nocsum", "ext3-journal"} {
		imgs = append(imgs, unpack(f, name))
		whole, _ := walk(f, reader(f, imgs[i]), extract.Options{})
		heads = append(heads, headUnread(whole, 0))
		f.Add(uint8(i)|0x80, uint32(whole.groups.list[0].InodeTable)*uint32(whole.bs)+11*uint32(whole.sb.InodeSize), []byte{1, 2})
		f.Add(uint8(i), uint32(1024+0x20), []byte{1, 2})
		f.Add(uint8(i), uint32(2048), []byte{0, 0, 0, 0})
	}
	f.Fuzz(func(t *testing.T, which uint8, at uint32, change []byte) {
		i := int(which&0x7F) % len(imgs)
		img := bytes.Clone(imgs[i])
		copy(img[int(at)%len(img):], change)
		r, opened := reader(t, img), Open
		if which&0x80 != 0 {
			r, opened = reader(t, img, slices.Clone(heads[i])...), OpenRemains
		}
		v, err := opened(t.Context(), r, 0, 0, walkAll)
		if err != nil {
			return
		}
		n := 0
		if _, err := v.Walk(t.Context(), countFiles(&n)); err != nil {
			t.Fatal(err)
		}
		if n > len(img)/direntHead {
			t.Fatalf("%d files in %d bytes", n, len(img))
		}
	})
}
