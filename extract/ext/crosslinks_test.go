package ext

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/bitmap"

	"github.com/google/go-cmp/cmp"
)

// rawInode is the record of an inode in the bytes of a volume.
func rawInode(v *walked, img []byte, number uint32) []byte {
	block, off := v.recordPlace(number)
	at := int64(block)*v.bs + off
	return img[at : at+int64(v.sb.InodeSize)]
}

// signInode gives the record of an inode the checksum that it should have.
func signInode(v *walked, img []byte, number uint32) {
	if !v.sb.metadataCsum() {
		return
	}
	le := binary.LittleEndian
	raw := rawInode(v, img, number)
	n := inode{raw: raw, Seed: crc32cLE32(crc32cLE32(v.sb.ChecksumSeed, number), le.Uint32(raw[0x64:]))}
	clear(raw[0x7C:0x7E])
	clear(raw[0x82:0x84])
	c := crc32c(n.Seed, raw)
	le.PutUint16(raw[0x7C:], uint16(c))
	le.PutUint16(raw[0x82:], uint16(c>>16))
	if !n.checksumOK(&v.sb) {
		panic("the checksum made here is not the one that is asked for")
	}
}

// pointTo makes the first block of a file's content another.
func pointTo(v *walked, img []byte, number uint32, block int64) {
	le := binary.LittleEndian
	raw := rawInode(v, img, number)
	if le.Uint32(raw[0x20:])&inodeExtents != 0 {
		le.PutUint32(raw[iBlockAt+extentEntrySize+8:], uint32(block)) // ee_start_lo of the first extent
	} else {
		le.PutUint32(raw[iBlockAt:], uint32(block))
	}
	signInode(v, img, number)
}

// TestCrossLinks checks that a file is not called whole where another inode
// claims a block of it, and that all others stay as they were.
func TestCrossLinks(t *testing.T) {
	const mine, other = "Maps/north field.txt", "Counts/2011/weißdorn.csv"
	for _, name := range []string{"ext2-1k", "ext3-4k", "ext4-1k", "ext4-nocsum"} {
		img := unpack(t, name)
		v, files := walk(t, reader(t, img), extract.Options{})
		by := map[string]*extract.File{}
		for _, f := range files {
			by[f.Path] = f
		}
		block := func(path string) int64 { return by[path].Pieces[0].Image / v.bs }
		folder := v.readInode(uint32(by["Photos"].ID))
		m := newMapper(v.layout).mapInode(&folder.inode)
		long := v.readInode(uint32(by["Counts/2012/long.csv"].ID))
		tree := newMapper(v.layout).mapInode(&long.inode).Tree

		type link struct {
			name  string
			block int64
			lost  []string // besides mine
		}
		links := []link{
			{"a file's block", block(other), []string{other}},
			{"a folder's block", int64(m.Runs[0].Physical), nil},
		}
		if v.sb.Incompat&incompatExtents == 0 {
			links = append(links, link{"its own block", block(mine) + 1, nil})
		}
		if len(tree) > 0 {
			links = append(links, link{"a block of a map", int64(tree[0]), []string{"Counts/2012/long.csv"}})
		}
		if v.journal.exists {
			links = append(links, link{"a block of the journal", int64(v.journal.runs[0].Physical) + 3, nil})
		}
		for _, c := range links {
			t.Run(name+"/"+c.name, func(t *testing.T) {
				img := bytes.Clone(img)
				pointTo(v, img, uint32(by[mine].ID), c.block)
				r := reader(t, img)
				v, files := walk(t, r, extract.Options{})
				lost := append([]string{mine}, c.lost...)
				for _, f := range files {
					if f.Kind != extract.KindFile || f.Size == 0 && !v.sb.metadataCsum() {
						continue // nothing bears out that these are empty (TestBrokenLog)
					}
					_, whole := readContent(r, f)
					if whole == slices.Contains(lost, f.Path) {
						t.Errorf("%s: whole %v, %q", f.Path, whole, f.Why)
					}
					if !whole && !strings.Contains(strings.Join(f.Why, "\n"), "claimed more than once") {
						t.Errorf("%s: %q", f.Path, f.Why)
					}
				}
				if l := v.listing; !strings.Contains(strings.Join(l.Why, "\n"), "claimed more than once") {
					t.Errorf("listing %+v", l)
				}
			})
		}
	}
}

// TestRemnantsClaimNothing checks that what stands in a free inode makes no
// file doubtful, unless a folder names that inode.
func TestRemnantsClaimNothing(t *testing.T) {
	const name = "ext2-1k"
	img := unpack(t, name)
	v, files := walk(t, reader(t, img), extract.Options{})
	i := slices.IndexFunc(files, func(f *extract.File) bool { return f.Path == "Maps/north field.txt" })
	bm := v.inodeBitmap(0)
	free := uint32(v.sb.FirstInode)
	for bm.Get(int64(free)) == bitmap.Set {
		free++
	}
	free++
	copy(rawInode(v, img, free), rawInode(v, img, uint32(files[i].ID))) // inode free is bit free-1
	r := reader(t, img)
	v, files = walk(t, r, extract.Options{})
	if diff := cmp.Diff(sums(t, name), lines(r, files)); diff != "" {
		t.Errorf("files (-kernel +here):\n%s", diff)
	}
	if l := v.listing; !l.Complete || len(l.Why) > 0 {
		t.Errorf("listing %+v", l)
	}
}

// TestClaimed holds overlaps against those counted block by block.
func TestClaimed(t *testing.T) {
	for seed := range uint64(200) {
		rnd := rand.New(rand.NewPCG(seed, 5))
		var parts [3]claimed
		var all claimed
		var count [400]int
		var attr [400]bool
		for range rnd.IntN(40) {
			at, n := rnd.IntN(380), 1+rnd.IntN(20)
			for i := range n {
				count[at+i]++
			}
			parts[rnd.IntN(3)].Add(int64(at), int64(n))
		}
		for range rnd.IntN(10) {
			at := rnd.IntN(400)
			attr[at] = true
			parts[rnd.IntN(3)].attributes.Add(int64(at), 1)
		}
		for i := range parts {
			all.addAll(&parts[i])
		}
		shared := all.shared()
		for i := range count {
			want := count[i] > 1 || count[i] == 1 && attr[i]
			if got := shared.Covered(int64(i), 1) > 0; got != want {
				t.Fatalf("seed %d: block %d claimed %d times, attributes %v: shared %v", seed, i, count[i], attr[i], got)
			}
		}
	}
}
