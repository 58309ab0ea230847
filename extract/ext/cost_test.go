package ext

import (
	"context"
	"encoding/binary"
	"testing"

	"fileassay/extract"
	"fileassay/extract/lawtest"
)

// TestCost bounds the memory that hostile volumes take: 16 times the image and
// 256 MiB, as the property has it.
func TestCost(t *testing.T) {
	le := binary.LittleEndian
	cases := []struct {
		name, volume string
		size         int64 // of the image
		change       func(v *walked, img []byte)
	}{
		{"an indirect block that names itself", "ext2-1k", 0, func(v *walked, img []byte) {
			// of a folder and of a file, three levels deep, as far as sizes reach
			made := 0
			for n := uint32(11); n < v.sb.Inodes && made < 40; n++ {
				rec := v.readInode(n)
				if rec.state != recordLive || !rec.isFile() && !rec.isFolder() || rec.Size < 20_000 && made > 0 {
					continue
				}
				made++
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
		}},
		{"two million groups", "ext2-1k", 8 << 20, func(v *walked, img []byte) {
			sb := img[superblockAt:]
			const groups = 2_000_000
			le.PutUint32(sb[0x20:], 256)                           // blocks of a group
			le.PutUint32(sb[0x24:], 256)                           // clusters
			le.PutUint32(sb[0x4:], 256*groups+v.sb.FirstDataBlock) // blocks
			le.PutUint32(sb[0x28:], 8)                             // inodes of a group
			le.PutUint32(sb[0x0:], 8*groups)                       // inodes
		}},
	}
	for _, c := range cases {
		img := unpack(t, c.volume)
		v, _ := walk(t, reader(t, img), extract.Options{})
		c.change(v, img)
		if c.size > 0 {
			img = img[:min(c.size, int64(len(img)))]
		}
		r := reader(t, img)
		peak := lawtest.Peak(func() {
			v, err := Open(context.Background(), r, 0, 0, extract.Options{})
			if err == nil {
				_, err = v.Walk(context.Background(), func(*extract.File) error { return nil })
			}
			t.Logf("%s: %v", c.name, err)
		})
		t.Logf("%s: %d MiB of an image of %d MiB", c.name, peak>>20, len(img)>>20)
		if peak > 16*int64(len(img))+256<<20 {
			t.Errorf("%s: %d MiB of an image of %d MiB", c.name, peak>>20, len(img)>>20)
		}
	}
}
