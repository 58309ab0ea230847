package ext

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/lawtest"
)

// countedReads counts the bytes that are read of an image, which stand for time.
type countedReads struct {
	io.ReaderAt
	n atomic.Int64
}

func (c *countedReads) ReadAt(p []byte, off int64) (int, error) {
	n, err := c.ReaderAt.ReadAt(p, off)
	c.n.Add(int64(n))
	return n, err
}

// sized makes a volume of one group one of more, whose further groups are empty.
func sized(t testing.TB, v *walked, img []byte, groups uint32, size int) []byte {
	t.Helper()
	le := binary.LittleEndian
	out := make([]byte, size)
	copy(out, img)
	sb := out[superblockAt:]
	le.PutUint32(sb[0x4:], v.sb.BlocksPerGroup*groups+v.sb.FirstDataBlock)
	le.PutUint32(sb[0x0:], v.sb.InodesPerGroup*groups)
	desc, _ := descBlock(&v.sb, 0, 0)
	for g := uint32(1); g < groups; g++ {
		d := out[int64(desc)*v.bs+int64(g)*32:][:32]
		first := v.sb.FirstDataBlock + g*v.sb.BlocksPerGroup
		le.PutUint32(d, first+300)
		le.PutUint32(d[4:], first+301)
		le.PutUint32(d[8:], first+302)
	}
	return out
}

// TestCost bounds what hostile volumes take: memory as the property has it, 16
// times the image and 256 MiB, bytes that are read, and pieces that are listed.
func TestCost(t *testing.T) {
	le := binary.LittleEndian
	cases := []struct {
		name string
		make func(v *walked, img []byte) []byte
	}{
		{"an indirect block that names itself", func(v *walked, img []byte) []byte {
			// of folders and files, three levels deep, as far as sizes reach
			img = sized(t, v, img, 8, 64<<20)
			for n := uint32(11); n < v.sb.Inodes; n++ {
				rec := v.readInode(n)
				if rec.state != recordLive || !rec.isFile() && !rec.isFolder() {
					continue
				}
				raw := rawInode(v, img, n)
				block := le.Uint32(raw[iBlockAt:])
				if block == 0 {
					continue
				}
				for i := int64(0); i < v.bs; i += 4 {
					le.PutUint32(img[int64(block)*v.bs+i:], block)
				}
				le.PutUint32(raw[iBlockAt+4*14:], block)
				le.PutUint32(raw[4:], 0x7fffffff)
			}
			return img
		}},
		{"indirect blocks that name two in turn", func(v *walked, img []byte) []byte {
			// past a size of nothing: blocks of blocks of blocks that all are on the volume
			img = sized(t, v, img, 8, 64<<20)
			const first = 8192 // blocks of the second group on
			for b := first; b < first+40_000; b++ {
				for i := range 256 {
					le.PutUint32(img[b*1024+4*i:], uint32(first+(b*256+i)%40_000))
				}
			}
			for n := uint32(11); n < v.sb.Inodes; n++ {
				if rec := v.readInode(n); rec.state == recordLive && rec.isFile() {
					raw := rawInode(v, img, n)
					le.PutUint32(raw[iBlockAt+4*14:], first+n)
				}
			}
			return img
		}},
		{"two million groups", groups(2_000_000)},
		{"262,000 groups", groups(262_000)},
		{"200,000 groups that share their structures", func(v *walked, img []byte) []byte {
			img = groups(200_000)(v, img)
			img[superblockAt+0x61] |= incompatFlexBG >> 8
			desc, _ := descBlock(&v.sb, 0, 0)
			at := int64(desc) * v.bs
			one := bytes.Clone(img[at : at+32])
			const table = 8_000 // behind the descriptors
			le.PutUint32(one, table)
			le.PutUint32(one[4:], table+1)
			le.PutUint32(one[8:], table+2)
			le.PutUint32(one[12:], 0) // nothing is free
			for g := range int64(200_000) {
				copy(img[at+32*g:], one)
			}
			return img
		}},
	}
	for _, c := range cases {
		img := unpack(t, "ext2-1k")
		v, _ := walk(t, reader(t, img), extract.Options{})
		img = c.make(v, img)
		if dir := os.Getenv("EXT_COST_KEEP"); dir != "" {
			os.WriteFile(filepath.Join(dir, c.name+".img"), img, 0o644)
		}
		m, err := imap.New([]imap.Range{{Length: int64(len(img)), State: imap.Read}})
		if err != nil {
			t.Fatal(err)
		}
		disk := &countedReads{ReaderAt: bytes.NewReader(img)}
		r := image.New(disk, int64(len(img)), m, image.Options{})
		pieces := 0
		peak := lawtest.Peak(func() {
			v, err := Open(context.Background(), r, 0, 0, extract.Options{})
			if err == nil {
				_, err = v.Walk(context.Background(), func(f *extract.File) error { pieces += len(f.Pieces); return nil })
			}
			t.Logf("%s: %v", c.name, err)
		})
		size := int64(len(img))
		t.Logf("%s: %d MiB of an image of %d MiB, %d MiB read, %d pieces", c.name, peak>>20, size>>20, disk.n.Load()>>20, pieces)
		if peak > 16*size+256<<20 || disk.n.Load() > 64*size+64<<20 || int64(pieces) > size/64 {
			t.Errorf("%s: %d MiB of an image of %d MiB, %d MiB read, %d pieces", c.name, peak>>20, size>>20, disk.n.Load()>>20, pieces)
		}
	}
}

// groups makes a superblock claim as many groups, in 8 MiB.
func groups(n uint32) func(v *walked, img []byte) []byte {
	return func(v *walked, img []byte) []byte {
		le := binary.LittleEndian
		img = append(img, make([]byte, 8<<20-len(img))...)
		sb := img[superblockAt:]
		le.PutUint32(sb[0x20:], 256)                      // blocks of a group
		le.PutUint32(sb[0x24:], 256)                      // clusters
		le.PutUint32(sb[0x4:], 256*n+v.sb.FirstDataBlock) // blocks
		le.PutUint32(sb[0x28:], 8)                        // inodes of a group
		le.PutUint32(sb[0x0:], 8*n)                       // inodes
		return img
	}
}
