package ext

import (
	"bytes"
	"encoding/binary"
	"testing"
)

// TestCRC32C holds the checksum against RFC 3720, appendix B.4 "CRC Examples".
// ext4 leaves out the final inversion (ext4: checksums).
func TestCRC32C(t *testing.T) {
	up, down := make([]byte, 32), make([]byte, 32)
	for i := range up {
		up[i], down[31-i] = byte(i), byte(i)
	}
	for _, c := range []struct {
		name string
		in   []byte
		want uint32
	}{
		{"32 bytes of zeroes", make([]byte, 32), 0x8A9136AA},
		{"32 bytes of ones", bytes.Repeat([]byte{0xFF}, 32), 0x62A8AB43},
		{"32 bytes of incrementing", up, 0x46DD794E},
		{"32 bytes of decrementing", down, 0x113FDB5C},
		{"the usual check string (common practice, no source)", []byte("123456789"), 0xE3069283},
	} {
		if got := ^crc32c(^uint32(0), c.in); got != c.want {
			t.Errorf("%s: %08x, want %08x", c.name, got, c.want)
		}
	}
}

// TestCRC16 holds the checksum of gdt_csum against the check value of the
// polynomial 0x8005 reflected, which is 0xBB3D from 0 and 0x4B37 from 0xFFFF
// for "123456789" (common practice, no source).
func TestCRC16(t *testing.T) {
	if got := crc16(0, []byte("123456789")); got != 0xBB3D {
		t.Errorf("from 0: %04x", got)
	}
	if got := crc16(0xFFFF, []byte("123456789")); got != 0x4B37 {
		t.Errorf("from 0xFFFF: %04x", got)
	}
}

// TestChecksumsOfVolumes checks that structures written by the kernel and
// mke2fs pass, and that one flipped bit of any of them does not. ext4:
// checksums, table "Metadata checksums".
func TestChecksumsOfVolumes(t *testing.T) {
	img := unpack(t, "ext4-1k")
	sb, ok := parseSuperblock(img[superblockAt : superblockAt+superblockSize])
	if !ok || !sb.metadataCsum() || sb.Fault != "" {
		t.Fatalf("superblock: %v %q", ok, sb.Fault)
	}
	if want := crc32c(^uint32(0), img[superblockAt:superblockAt+0x3FC]); want != binary.LittleEndian.Uint32(img[superblockAt+0x3FC:]) {
		t.Errorf("s_checksum at 0x3FC is not that of bytes 0 to 0x3FB")
	}
	for _, name := range []string{"ext4-1k", "ext4-nocsum", "ext4-bigalloc"} {
		img := unpack(t, name)
		sb, _ := parseSuperblock(img[superblockAt : superblockAt+superblockSize])
		block, _ := descBlock(&sb, 0, 0)
		d := bytes.Clone(img[int64(block)*sb.blockSize():][:sb.DescSize])
		if _, err := parseGroupDesc(&sb, 0, d); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := parseGroupDesc(&sb, 1, d); err == nil {
			t.Errorf("%s: the descriptor of group 0 passes as that of group 1", name)
		}
		for i := range d {
			d[i] ^= 0x10
			if _, err := parseGroupDesc(&sb, 0, d); err == nil {
				t.Errorf("%s: byte %d of the descriptor changed, and it passes", name, i)
			}
			d[i] ^= 0x10
		}
	}
	v, _ := walk(t, reader(t, img), walkAll)
	rec := v.readInode(rootInode)
	if rec.state != recordLive {
		t.Fatalf("root inode: %+v", rec)
	}
	raw := bytes.Clone(rec.raw)
	for i := range raw {
		raw[i] ^= 4
		if _, err := parseInode(&v.sb, rootInode, raw); err == nil {
			t.Errorf("byte %d of the inode changed, and it passes", i)
		}
		raw[i] ^= 4
	}
}
