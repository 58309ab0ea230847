package ownertest

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
)

// maker makes a drive of a size.
type maker struct {
	name string
	size int64
	make func(b *Builder)
}

// Disks are the names of the drives that [Load] gives.
func Disks() []string {
	var out []string
	for _, m := range disks {
		out = append(out, m.name)
	}
	return out
}

// some are sizes of files: few, small and large.
func some(n int) []int {
	var out []int
	for i := range n {
		out = append(out, []int{2500, 9000, 30_000, 70_000, 4096, 150_000}[i%6])
	}
	return out
}

const (
	linux = "8300"
	basic = "0700"
)

// kept is the number of a partition that two tables have in common.
const kept = "7C3B9E11-52A4-4D0E-9E57-0C6B5F0A1D42"

var disks = []maker{
	// A drive without former tenants.
	{"clean-mbr", 80 * MiB, func(b *Builder) {
		b.Format(1*MiB, 7*MiB, "ntfs", some(12)...)
		b.Format(9*MiB, 36*MiB, "fat32", 40_000, 3000, 700_000)
		b.Format(47*MiB, 10*MiB, "ext4-1k", some(12)...)
		b.Format(58*MiB, 4*MiB, "fat16", some(12)...)
		b.Format(63*MiB, 7*MiB, "ntfs", some(8)...)
		b.Format(71*MiB, 6*MiB, "ext2-1k", some(12)...)
		b.MBR(Part{1 * MiB, 7 * MiB, "7", "", false}, Part{9 * MiB, 36 * MiB, "c", "", false}, Part{46 * MiB, 33 * MiB, "f", "", false},
			Part{47 * MiB, 10 * MiB, "83", "", true}, Part{58 * MiB, 4 * MiB, "6", "", true}, Part{63 * MiB, 7 * MiB, "7", "", true}, Part{71 * MiB, 6 * MiB, "83", "", true})
	}},
	{"clean-gpt", 40 * MiB, func(b *Builder) {
		b.Format(1*MiB, 12*MiB, "ext4-1k", some(12)...)
		b.Format(13*MiB, 8*MiB, "fat16", some(12)...)
		b.Format(21*MiB, 8*MiB, "ntfs", some(8)...)
		b.Format(30*MiB, 8*MiB, "exfat")
		b.GPT(Part{1 * MiB, 12 * MiB, linux, "", false}, Part{13 * MiB, 8 * MiB, basic, "", false}, Part{21 * MiB, 8 * MiB, basic, "", false}, Part{30 * MiB, 8 * MiB, basic, "", false})
	}},
	// The backup of the table is of the former one: the primary was written alone.
	{"stale-gpt", 48 * MiB, func(b *Builder) {
		b.Format(33*MiB, 13*MiB, "ext4-1k", some(12)...) // stays
		stays := b.Volumes[0]
		b.Format(1*MiB, 16*MiB, "ext4-1k", some(40)...)
		b.Format(17*MiB, 16*MiB, "fat16", some(40)...)
		former := []Part{{33 * MiB, 13 * MiB, linux, kept, false}, {1 * MiB, 16 * MiB, linux, "", false}, {17 * MiB, 16 * MiB, basic, "", false}}
		b.GPT(former...)
		headWas, tailWas := b.table()
		b.Volumes = b.Volumes[1:]
		b.Retire()
		b.Volumes = []Volume{stays}
		b.Format(1*MiB, 8*MiB, "fat16", some(12)...)
		b.Format(9*MiB, 12*MiB, "ext4-1k", some(12)...)
		b.Format(21*MiB, 12*MiB, "ntfs", some(8)...)
		b.GPT(former[0], Part{1 * MiB, 8 * MiB, basic, "", false}, Part{9 * MiB, 12 * MiB, linux, "", false}, Part{21 * MiB, 12 * MiB, basic, "", false})
		head, tail := b.table()
		copy(b.Image, headWas.Bytes)
		copy(b.Image[tail.At:], tailWas.Bytes)
		b.MBR(Part{33 * MiB, 13 * MiB, "83", "", false}, Part{1 * MiB, 8 * MiB, "6", "", false}, Part{9 * MiB, 12 * MiB, "83", "", false}, Part{21 * MiB, 12 * MiB, "7", "", false})
		headMBR, _ := b.table()
		copy(b.Image, head.Bytes)
		b.Patches["agree"] = []Patch{tail}
		b.Patches["older primary"] = []Patch{headWas, tail}
		b.Patches["relabelled"] = []Patch{headMBR}
	}},
	// A volume without a table, then a table with three volumes.
	{"bare-ntfs", 48 * MiB, func(b *Builder) {
		b.Format(0, 48*MiB, "ntfs", some(60)...)
		b.Retire()
		b.threeVolumes()
	}},
	{"bare-ext", 48 * MiB, func(b *Builder) {
		b.Format(0, 48*MiB, "ext4-1k", some(60)...)
		b.Retire()
		b.threeVolumes()
	}},
	{"bare-fat32", 48 * MiB, func(b *Builder) {
		b.Format(1*MiB, 16*MiB, "ext4-1k", some(12)...)
		b.Format(17*MiB, 29*MiB, "ext4-1k", some(12)...)
		b.GPT(Part{1 * MiB, 16 * MiB, linux, "", false}, Part{17 * MiB, 29 * MiB, linux, "", false})
		b.Retire()
		b.Format(0, 48*MiB, "fat32", some(12)...)
	}},
	// A former volume that encloses those of now.
	{"enclosed", 48 * MiB, func(b *Builder) {
		b.Format(1*MiB, 43*MiB, "ext4-1k", some(200)...)
		b.Retire()
		b.Format(4*MiB, 12*MiB, "ext4-4k", some(12)...)
		b.Format(17*MiB, 10*MiB, "fat16", some(12)...)
		b.Format(28*MiB, 12*MiB, "ntfs", some(8)...)
		b.MBR(Part{4 * MiB, 12 * MiB, "83", "", false}, Part{17 * MiB, 10 * MiB, "6", "", false}, Part{28 * MiB, 12 * MiB, "7", "", false})
	}},
	// Volumes of one group, which have no copy of their superblock, over former ones
	// whose files and structures lie where their descriptors stand.
	{"one-group", 24 * MiB, func(b *Builder) {
		b.Format(1*MiB, 7*MiB, "ntfs", some(10)...)
		b.Format(12*MiB, 6*MiB, "ext4-1k", 3_500_000, 9000, 900)
		b.Retire()
		b.Format(1*MiB, 9*MiB, "ext4-4k", some(6)...)
		b.Format(14*MiB, 7*MiB, "ext2-1k", some(6)...)
		b.MBR(Part{1 * MiB, 9 * MiB, "83", "", false}, Part{14 * MiB, 7 * MiB, "83", "", false})
	}},
	// A volume that is nearly empty.
	{"sparse", 72 * MiB, func(b *Builder) {
		b.Format(1*MiB, 64*MiB, "fat32", 1000, 300, 700)
		b.MBR(Part{1 * MiB, 64 * MiB, "c", "", false})
	}},
	// Two partitions that overlap: the second was formatted and filled later.
	{"overlap", 32 * MiB, func(b *Builder) {
		b.Format(1*MiB, 16*MiB, "ext4-1k", 3_000_000, 9000, 9_000_000, 2_000_000, 30_000)
		b.Format(9*MiB, 16*MiB, "fat16", 5_000_000, 9000, 2_000_000)
		b.MBR(Part{1 * MiB, 8 * MiB, "83", "", false}, Part{9 * MiB, 16 * MiB, "6", "", false})
		b.Patch("overlap", func() { putLength(b.Image, 0, 16*MiB) })
	}},
	{"apple", 32 * MiB, func(b *Builder) {
		b.Format(1*MiB, 9*MiB, "ext4-1k", some(12)...)
		b.Format(10*MiB, 8*MiB, "fat16", some(12)...)
		b.Format(20*MiB, 10*MiB, "ext2-1k", some(12)...)
		AppleMap(b.Image, []Part{{Sector, 63 * Sector, "Apple_partition_map", "", false}, {1 * MiB, 9 * MiB, "Apple_UNIX_SVR2", "", false},
			{10 * MiB, 8 * MiB, "DOS_FAT_16", "", false}, {20 * MiB, 10 * MiB, "Apple_UNIX_SVR2", "", false}})
	}},
	// A volume that holds the image of one as a file.
	{"nested", 48 * MiB, func(b *Builder) {
		inner := NewBuilder(b.tb, "inner", 4*MiB)
		inner.Format(0, 4*MiB, "ext2-1k", some(6)...)
		inner.Volumes[0].Label = "INNER"
		b.Format(1*MiB, 36*MiB, "fat32", some(12)...)
		path := filepath.Join(b.dir, "INNER.IMG")
		b.ok(os.WriteFile(path, inner.Image, 0o644))
		b.on(1*MiB, 36*MiB, func(image string) { b.tool("", "mcopy", "-i", image, path, "::") })
		b.Volumes[0].Files = append(b.Volumes[0].Files, File{"INNER.IMG", 4 * MiB, digest(inner.Image)})
		b.Format(38*MiB, 8*MiB, "ext4-1k", some(12)...)
		b.MBR(Part{1 * MiB, 36 * MiB, "c", "", false}, Part{38 * MiB, 8 * MiB, "83", "", false})
		v := inner.Volumes[0]
		v.Start = int64(bytes.Index(b.Image, inner.Image[1024:2048])) - 1024
		b.Former = append(b.Former, v)
	}},
	// Partitions that were formatted twice.
	{"rivals-ext", 56 * MiB, func(b *Builder) {
		b.Format(1*MiB, 28*MiB, "ext4-1k", some(100)...)
		b.Format(30*MiB, 24*MiB, "ext4-1k", some(100)...)
		b.Retire()
		b.Format(1*MiB, 28*MiB, "ext4-4k", some(12)...)
		b.Format(30*MiB, 24*MiB, "fat16-2k", 2500, 30_000, 9000, 4096)
		b.GPT(Part{1 * MiB, 28 * MiB, linux, "", false}, Part{30 * MiB, 24 * MiB, basic, "", false})
	}},
	{"rivals-ntfs", 24 * MiB, func(b *Builder) {
		b.Format(1*MiB, 10*MiB, "ntfs", some(20)...)
		b.MoveTable(6)
		b.Format(11*MiB, 12*MiB, "ntfs", some(20)...)
		b.MoveTable(7)
		b.Retire()
		b.Format(1*MiB, 10*MiB, "exfat")
		b.Format(11*MiB, 11*MiB, "ext4-1k", some(12)...) // its tool clears the end of the place that it is given
		b.GPT(Part{1 * MiB, 10 * MiB, basic, "", false}, Part{11 * MiB, 12 * MiB, linux, "", false})
	}},
	{"rivals-fat32", 40 * MiB, func(b *Builder) {
		b.Format(1*MiB, 37*MiB, "ntfs", some(30)...)
		b.MoveTable(6)
		b.Retire()
		b.Format(1*MiB, 37*MiB, "fat32", some(12)...)
		b.MBR(Part{1 * MiB, 37 * MiB, "c", "", false})
	}},
	// A volume twice as long as its partition, with another behind.
	{"too-large", 40 * MiB, func(b *Builder) {
		b.Format(1*MiB, 32*MiB, "ext4-1k", 9000, 6_000_000, 30_000, 9_000_000, 9000, 4_000_000, 5_000_000, 9000)
		b.Format(17*MiB, 16*MiB, "fat16", some(12)...)
		b.MBR(Part{1 * MiB, 16 * MiB, "83", "", false}, Part{17 * MiB, 16 * MiB, "6", "", false})
	}},
	drawn(3), drawn(4), drawn(5), drawn(6),
	// What stands in front of the first volume is a member of a RAID: its data
	// begins a mebibyte into the partition.
	{"member", 24 * MiB, func(b *Builder) {
		b.Format(2*MiB, 11*MiB, "ext4-1k", some(12)...)
		b.Volumes[0].Front = 1 * MiB
		b.Format(14*MiB, 8*MiB, "ext4-4k", some(12)...)
		b.MBR(Part{1 * MiB, 12 * MiB, "fd", "", false}, Part{14 * MiB, 8 * MiB, "83", "", false})
	}},
}

// drawn is the layout of a seed, which is packed too.
func drawn(seed uint64) maker {
	return maker{fmt.Sprintf("drawn-%d", seed), 16 * MiB, func(b *Builder) { b.random(rand.New(rand.NewPCG(seed, 16))) }}
}

// table is where a GPT stands: the first sectors and the last ones.
func (b *Builder) table() (head, tail Patch) {
	at := b.Size - 33*Sector
	return Patch{0, bytes.Clone(b.Image[:34*Sector])}, Patch{at, bytes.Clone(b.Image[at:])}
}

// threeVolumes is a table with three volumes of now.
func (b *Builder) threeVolumes() {
	b.tb.Helper()
	b.Format(1*MiB, 12*MiB, "ext4-1k", some(12)...)
	b.Format(13*MiB, 11*MiB, "fat16", some(12)...)
	b.Format(26*MiB, 13*MiB, "ntfs", some(8)...)
	b.MBR(Part{1 * MiB, 12 * MiB, "83", "", false}, Part{13 * MiB, 11 * MiB, "6", "", false}, Part{26 * MiB, 13 * MiB, "7", "", false})
}

// Entry is where an MBR or a record of the chain of logical drives keeps an
// entry.
func Entry(table int64, number int) int64 { return table + 446 + 16*int64(number) }

func putLength(img []byte, number int, length int64) {
	binary.LittleEndian.PutUint32(img[Entry(0, number)+12:], uint32(length/Sector))
}

// AppleMap writes an Apple partition map with a block for the driver in front.
func AppleMap(img []byte, parts []Part) {
	be := binary.BigEndian
	copy(img, "ER")
	be.PutUint16(img[2:], Sector)
	be.PutUint32(img[4:], uint32(len(img)/Sector))
	for i, p := range parts {
		e := img[(i+1)*Sector:]
		copy(e, "PM")
		be.PutUint32(e[4:], uint32(len(parts)))
		be.PutUint32(e[8:], uint32(p.Start/Sector))
		be.PutUint32(e[12:], uint32(p.Length/Sector))
		copy(e[16:], "volume")
		copy(e[48:], p.Type)
		be.PutUint32(e[84:], uint32(p.Length/Sector))
		be.PutUint32(e[88:], 0x33)
	}
}
