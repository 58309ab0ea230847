package ext_test

import (
	"context"
	"encoding/binary"
	"hash/crc32"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/ext"
	"fileassay/extract/fixture"
	"fileassay/extract/image"
	"fileassay/extract/lawtest"
)

var lawReader = lawtest.Reader{Name: "ext", Open: openRemains, Structures: structures}

// openRemains opens as package volume does: by what is left where nothing else is.
func openRemains(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (extract.Filesystem, error) {
	fs, err := lawtest.Opener(ext.Open)(ctx, r, start, length, o)
	if err == nil {
		return fs, nil
	}
	if left, err := lawtest.Opener(ext.OpenRemains)(ctx, r, start, length, o); err == nil {
		return left, nil
	}
	return nil, err
}

// TestProperties tries what every reader holds to on small volumes that a kernel's
// driver filled, and with FILEASSAY_TOOLS=1 on all there are.
func TestProperties(t *testing.T) {
	list, err := filepath.Glob("testdata/*.sums")
	if err != nil || len(list) == 0 {
		t.Fatalf("no volumes (%v)", err)
	}
	for _, path := range list {
		truth := map[string]string{}
		sums, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for l := range strings.Lines(string(sums)) {
			if f := strings.SplitN(strings.TrimSuffix(l, "\n"), " ", 3); len(f) == 3 && len(f[0]) == 64 {
				truth[f[2]] = f[0]
			}
		}
		path = strings.TrimSuffix(path, ".sums")
		lawtest.Run(t, lawReader, lawtest.Image{Name: filepath.Base(path), Volume: fixture.Unpack(t, path+".img.zst"), Truth: truth}, 4)
	}
	lawtest.RunFixtures(t, lawReader, "ext2", "ext3", "ext4")
	mount := []string{"mount", "-o", "loop", "IMAGE", "FOLDER"}
	lawtest.RunMade(t, lawReader,
		lawtest.Made{Name: "made-ext4", Megabytes: 16, Format: []string{"mke2fs", "-q", "-F", "-t", "ext4", "-b", "1024", "IMAGE"}, Mount: mount},
		lawtest.Made{Name: "made-ext3", Megabytes: 16, Format: []string{"mke2fs", "-q", "-F", "-t", "ext3", "-b", "1024", "IMAGE"}, Mount: mount},
		lawtest.Made{Name: "made-ext2", Megabytes: 12, Format: []string{"mke2fs", "-q", "-F", "-t", "ext2", "-b", "2048", "IMAGE"}, Mount: mount})
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// crc is the checksum of kernel/fs/ext4: CRC-32C that begins with seed and is
// not inverted at its end.
func crc(seed uint32, parts ...[]byte) uint32 {
	for _, p := range parts {
		seed = ^crc32.Update(^seed, castagnoli, p)
	}
	return seed
}

// layout is what must be known of a volume to find its structures (Linux kernel
// documentation, filesystems/ext4).
type layout struct {
	b              []byte
	block          int64
	perGroup       uint32
	inodeSize      int64
	desc           int64
	groups         int64
	sums, wide     bool
	meta           bool // descriptors stand in the groups that they are of, from one on
	firstMeta      int64
	first          int64 // data block
	blocksPerGroup int64
	seed           uint32
	cluster        int64 // blocks
	large          bool  // files may be of 2 GiB and more
	out            []lawtest.Structure
}

var le = binary.LittleEndian

func structures(b []byte) []lawtest.Structure {
	sb := b[1024:2048]
	l := &layout{b: b, block: 1024 << le.Uint32(sb[24:]), perGroup: le.Uint32(sb[40:]), inodeSize: 128, desc: 32}
	if le.Uint32(sb[76:]) > 0 {
		l.inodeSize = int64(le.Uint16(sb[88:]))
	}
	incompat, ro := le.Uint32(sb[96:]), le.Uint32(sb[100:])
	l.sums, l.wide = ro&0x400 != 0, incompat&0x80 != 0
	if l.wide {
		l.desc = int64(le.Uint16(sb[254:]))
	}
	l.seed = crc(^uint32(0), sb[104:120])
	if incompat&0x2000 != 0 {
		l.seed = le.Uint32(sb[624:])
	}
	l.cluster, l.large = 1, ro&0x2 != 0 || le.Uint32(sb[76:]) == 0
	if ro&0x200 != 0 {
		l.cluster = 1 << (le.Uint32(sb[28:]) - le.Uint32(sb[24:]))
	}
	blocks := int64(le.Uint32(sb[4:]))
	perGroup := int64(le.Uint32(sb[32:]))
	l.groups = (blocks - int64(le.Uint32(sb[20:])) + perGroup - 1) / perGroup
	l.superblock()
	l.meta, l.firstMeta = incompat&0x10 != 0, int64(le.Uint32(sb[260:]))
	l.first, l.blocksPerGroup = int64(le.Uint32(sb[20:])), perGroup
	l.group()
	return l.out
}

func (l *layout) superblock() {
	l.out = append(l.out, lawtest.Structure{Kind: "superblock", At: 1024, Length: 1024, Fields: lawtest.Fields(0,
		"inodes", 0, 4, "blocks", 4, 4, "first data block", 20, 4, "block size", 24, 4, "blocks per group", 32, 4,
		"inodes per group", 40, 4, "state", 58, 2, "inode size", 88, 2, "compatible features", 92, 4, "incompatible features", 96, 4,
		"read-only features", 100, 4, "journal inode", 224, 4, "orphans", 232, 4, "descriptor size", 254, 2),
		Mend: func(b []byte) {
			if l.sums {
				le.PutUint32(b[1020:], crc(^uint32(0), b[:1020]))
			}
		}})
}

// group adds the descriptors, and what each leads to.
func (l *layout) group() {
	table := (1024/l.block + 1) * l.block
	names := lawtest.Fields(0, "block bitmap", 0, 4, "inode bitmap", 4, 4, "inode table", 8, 4, "free blocks", 12, 2, "free inodes", 14, 2, "flags", 18, 2, "unused inodes", 28, 2)
	var inodes []lawtest.Structure
	for g := range l.groups {
		at := table + g*l.desc
		if per := l.block / l.desc; l.meta && g/per >= l.firstMeta {
			block := l.first + g/per*per*l.blocksPerGroup
			if sb := max(block*l.block, 1024); le.Uint16(l.b[sb+56:]) == 0xef53 {
				block = sb/l.block + 1
			}
			at = block*l.block + g%per*l.desc
		}
		d := l.b[at : at+l.desc]
		mend := func(d []byte) {
			if l.sums {
				var n [4]byte
				le.PutUint32(n[:], uint32(g))
				le.PutUint16(d[30:], 0)
				le.PutUint16(d[30:], uint16(crc(l.seed, n[:], d)))
			}
		}
		l.out = append(l.out, lawtest.Structure{Kind: "group descriptor", Number: g, At: at, Length: l.desc, Fields: names, Mend: mend})
		place := func(off int) int64 { return int64(le.Uint32(d[off:])) * l.block }
		l.out = append(l.out, lawtest.Structure{Kind: "block bitmap", Number: g, At: place(0), Length: l.block},
			lawtest.Structure{Kind: "inode bitmap", Number: g, At: place(4), Length: l.block})
		for i := range int64(l.perGroup) {
			number := g*int64(l.perGroup) + i + 1
			at := place(8) + i*l.inodeSize
			if at+l.inodeSize > int64(len(l.b)) {
				break
			}
			ino := l.b[at : at+l.inodeSize]
			if le.Uint16(ino) == 0 || le.Uint16(ino[26:]) == 0 {
				inodes = append(inodes, lawtest.Structure{Kind: "free inode", Number: number, At: at, Length: l.inodeSize})
				continue
			}
			inodes = append(inodes, l.inode(number, at, ino))
		}
	}
	l.out = append(l.out, inodes...)
}

// seedOf is the checksum's seed of what belongs to an inode.
func (l *layout) seedOf(number int64, ino []byte) uint32 {
	var n [4]byte
	le.PutUint32(n[:], uint32(number))
	return crc(l.seed, n[:], ino[100:104])
}

func (l *layout) inode(number, at int64, ino []byte) lawtest.Structure {
	names := lawtest.Fields(0, "mode", 0, 2, "size", 4, 4, "deleted", 20, 4, "links", 26, 2, "blocks", 28, 4, "flags", 32, 4, "generation", 100, 4, "size, high", 108, 4)
	mode, flags := le.Uint16(ino), le.Uint32(ino[32:])
	switch {
	case flags&0x10000000 != 0, mode>>12 == 10 && le.Uint32(ino[4:]) < 60: // inline
	case flags&0x80000 != 0:
		names = append(names, l.extents(number, ino, ino[40:100], 40)...)
	case mode>>12 == 4 || mode>>12 == 8 || mode>>12 == 10:
		for i := range 15 {
			if p := le.Uint32(ino[40+4*i:]); p != 0 {
				names = append(names, lawtest.Field{Name: []string{"block", "indirect block"}[min(i/12, 1)], At: 40 + 4*i, Size: 4})
				if i < 12 {
					l.content(number, ino, int64(p), 1)
				} else {
					l.indirect(number, ino, int64(p), i-12)
				}
			}
		}
	}
	sound := func(f lawtest.Field, was, is []byte) bool { return l.sound(f, was, is, 0, nil) }
	return lawtest.Structure{Kind: "inode", Number: number, At: at, Length: l.inodeSize, Fields: names, Sound: sound, Mend: func(b []byte) {
		if !l.sums {
			return
		}
		le.PutUint16(b[124:], 0)
		high := len(b) > 128 && le.Uint16(b[128:]) >= 4
		if high {
			le.PutUint16(b[130:], 0)
		}
		c := crc(l.seedOf(number, b), b)
		le.PutUint16(b[124:], uint16(c))
		if high {
			le.PutUint16(b[130:], uint16(c>>16))
		}
	}}
}

// sound reports whether an edit of a file's inode, or of the block leaf of its
// extent tree that then is node, leaves what the format allows beside all else:
//
//   - A smaller size, or one within the bytes that every inode has for content, of
//     a file that stands in its inode.
//   - A size to which no written block lies wholly past: it ends in the file's
//     last block, or a hole follows that, which reads as zeros.
//   - An extent that is marked as set aside but not written, or no more so, where
//     its blocks lie in the file: it reads as zeros, or as what its blocks hold.
//   - An extent that begins elsewhere in a hole, in order with its neighbours.
//
// Blocks, their number and their places are the same in all of these, so neither
// the inode's count nor any bitmap tells of them, and e2fsck does not
// (TestSoundEdits).
func (l *layout) sound(f lawtest.Field, was, is []byte, leaf int64, node []byte) bool {
	flags, size := le.Uint32(was[32:]), int64(le.Uint32(is[4:]))|int64(le.Uint32(is[108:]))<<32
	if le.Uint16(is)>>12 != 8 || flags&0x100000 != 0 || size < 0 || size > 0x7fffffff && !l.large {
		return false
	}
	if flags&0x10000000 != 0 {
		return f.Name == "size" && (size <= 60 || size < int64(le.Uint32(was[4:])))
	}
	most := l.block << 32
	if per := l.block / 4; flags&0x80000 == 0 {
		most = l.block * (12 + per + per*per + per*per*per)
	}
	written, count, ok := l.written(is, leaf, node)
	_, before, _ := l.written(was, 0, nil)
	switch f.Name {
	case "size", "size, high", "extent length", "extent block":
		return ok && count == before && size <= most && written*l.block < size+l.block
	}
	return false
}

// written is the first block of a file behind all that are written, and how many
// there are; ok is false where its extents are not in order.
func (l *layout) written(ino []byte, leaf int64, changed []byte) (end, count int64, ok bool) {
	if le.Uint32(ino[32:])&0x80000 == 0 {
		var walk func(p, depth, from int64) int64
		walk = func(p, depth, from int64) int64 { // returns where what it speaks for ends
			span := int64(1)
			for range depth {
				span *= l.block / 4
			}
			switch at := p * l.block; {
			case p == 0 || at+l.block > int64(len(l.b)):
			case depth == 0:
				end = from + 1
			default:
				for i := int64(0); i < l.block; i += 4 {
					walk(int64(le.Uint32(l.b[at+i:])), depth-1, from+i/4*(span/(l.block/4)))
				}
			}
			return from + span
		}
		from := int64(0)
		for i := range 15 {
			from = walk(int64(le.Uint32(ino[40+4*i:])), int64(max(0, i-11)), from)
		}
		return end, 0, true
	}
	ok = true
	pos := int64(0)
	var walk func(b []byte, first, last int64)
	walk = func(b []byte, first, last int64) {
		n := int(le.Uint16(b[2:]))
		if le.Uint16(b) != 0xf30a || 12*(n+1) > len(b) {
			ok = false
			return
		}
		for i := range n {
			e := b[12+12*i:]
			at, next := int64(le.Uint32(e)), last
			ok = ok && at >= pos && (i > 0 || first < 0 || at == first)
			if i+1 < n {
				next = int64(le.Uint32(e[12:]))
			}
			if le.Uint16(b[6:]) > 0 {
				child := int64(le.Uint32(e[4:]))
				if child*l.block+l.block > int64(len(l.b)) {
					ok = false
					return
				}
				below := l.b[child*l.block:][:l.block]
				if child == leaf {
					below = changed
				}
				walk(below, at, next)
				continue
			}
			length := int64(le.Uint16(e[4:]))
			written := length <= 32768
			if !written {
				length -= 32768
			}
			count += length
			pos = at + length
			ok = ok && length > 0 && pos <= last && (at-int64(le.Uint32(e[8:])))%l.cluster == 0
			if written {
				end = pos
			}
		}
	}
	walk(ino[40:100], -1, 1<<32)
	return end, count, ok
}

// content adds the blocks of a folder, and of what is no file but the journal.
func (l *layout) content(number int64, ino []byte, block, n int64) {
	for k := block; k < block+n && (k+1)*l.block <= int64(len(l.b)); k++ {
		switch {
		case number == 8:
			l.out = append(l.out, lawtest.Structure{Kind: "journal block", Number: k, At: k * l.block, Length: l.block})
		case le.Uint16(ino)>>12 == 4:
			l.folder(number, ino, k)
		}
	}
}

func (l *layout) folder(number int64, ino []byte, block int64) {
	s := lawtest.Structure{Kind: "folder block", Number: block, At: block * l.block, Length: l.block}
	b := l.b[s.At : s.At+s.Length]
	end := len(b)
	if l.sums {
		end -= 12
		seed := l.seedOf(number, ino)
		s.Mend = func(b []byte) { le.PutUint32(b[len(b)-4:], crc(seed, b[:len(b)-12])) }
		if b[len(b)-5] != 0xde || le.Uint32(b[len(b)-4:]) != crc(seed, b[:len(b)-12]) { // no leaf, or past the folder's end
			s.Kind, s.Mend = "folder index block", nil
			l.out = append(l.out, s)
			return
		}
	}
	for at := 0; at+12 <= end; {
		n := int(le.Uint16(b[at+4:]))
		if n < 12 || at+n > end {
			break
		}
		s.Fields = append(s.Fields, lawtest.Fields(0, "entry inode", at, 4, "entry length", at+4, 2, "entry name length", at+6, 1, "entry type", at+7, 1, "entry name", at+8, 1)...)
		at += n
	}
	l.out = append(l.out, s)
}

func (l *layout) indirect(number int64, ino []byte, block int64, depth int) {
	at := block * l.block
	if at <= 0 || at+l.block > int64(len(l.b)) {
		return
	}
	s := lawtest.Structure{Kind: "indirect block", Number: block, At: at, Length: l.block}
	for i := 0; i < int(l.block); i += 4 {
		p := int64(le.Uint32(l.b[at+int64(i):]))
		if p == 0 {
			continue
		}
		s.Fields = append(s.Fields, lawtest.Field{Name: "block", At: i, Size: 4})
		if depth > 0 {
			l.indirect(number, ino, p, depth-1)
		} else {
			l.content(number, ino, p, 1)
		}
	}
	l.out = append(l.out, s)
}

// extents are the fields of a node of an extent tree, which lies at off in its
// structure; the nodes below are added.
func (l *layout) extents(number int64, ino, b []byte, off int) []lawtest.Field {
	out := lawtest.Fields(0, "extent magic", off, 2, "extent entries", off+2, 2, "extent most", off+4, 2, "extent depth", off+6, 2)
	if le.Uint16(b) != 0xf30a {
		return out
	}
	depth := le.Uint16(b[6:])
	for i := range min(int(le.Uint16(b[2:])), (len(b)-12)/12) {
		e := b[12+12*i:]
		at := off + 12 + 12*i
		if depth == 0 {
			out = append(out, lawtest.Fields(0, "extent block", at, 4, "extent length", at+4, 2, "extent start", at+8, 4)...)
			l.content(number, ino, int64(le.Uint32(e[8:])), int64(le.Uint16(e[4:])&0x7fff))
			continue
		}
		out = append(out, lawtest.Fields(0, "extent index block", at, 4, "extent leaf", at+4, 4)...)
		leaf := int64(le.Uint32(e[4:]))
		if (leaf+1)*l.block > int64(len(l.b)) || leaf <= 0 {
			continue
		}
		s := lawtest.Structure{Kind: "extent block", Number: leaf, At: leaf * l.block, Length: l.block}
		s.Sound = func(f lawtest.Field, _, is []byte) bool { return l.sound(f, ino, ino, leaf, is) }
		node := l.b[s.At : s.At+s.Length]
		s.Fields = l.extents(number, ino, node, 0)
		if l.sums {
			seed, tail := l.seedOf(number, ino), 12+12*int(le.Uint16(node[4:]))
			s.Mend = func(b []byte) {
				if tail+4 <= len(b) {
					le.PutUint32(b[tail:], crc(seed, b[:tail]))
				}
			}
		}
		l.out = append(l.out, s)
	}
	return slices.Clip(out)
}

// TestSoundEdits asks e2fsck about volumes after edits that are called sound: it
// finds nothing.
func TestSoundEdits(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	list, err := filepath.Glob("testdata/*.img.zst")
	if err != nil {
		t.Fatal(err)
	}
	all := 0
	for _, path := range list {
		volume := fixture.Unpack(t, path)
		img := filepath.Join(t.TempDir(), "volume")
		check := func(volume []byte) (string, error) {
			if err := os.WriteFile(img, volume, 0o600); err != nil {
				t.Fatal(err)
			}
			out, err := exec.Command("e2fsck", "-fn", img).CombinedOutput()
			return string(out), err
		}
		if _, err := check(volume); err != nil {
			continue // its journal is open
		}
		all += lawtest.SoundEdits(lawReader, lawtest.Image{Volume: volume}, lawtest.Times(t, 10), func(edit string, volume []byte) {
			if out, err := check(volume); err != nil {
				t.Errorf("%s after %s: %v\n%s", path, edit, err, out)
			}
		})
	}
	if all < 50 {
		t.Errorf("only %d edits were found", all)
	}
}
