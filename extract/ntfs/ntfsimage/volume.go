package ntfsimage

import (
	"encoding/binary"
	"fmt"
	"math/bits"
	"slices"
)

var le = binary.LittleEndian

// Params say what volume to build. Zero values are replaced: sectors of 512
// bytes, clusters of 4 KiB, records of 1 KiB, index blocks of 4 KiB, room for
// 64 records, a table in one fragment.
type Params struct {
	Sector, Cluster, Record, Index int
	Clusters                       int64 // of the volume
	Records                        int   // that the table has room for
	Fragments                      int   // of the table
	RunsPerRecord                  int   // of the table's own extents; 0 is all in record 0
	Label                          string
	Dirty                          bool
	ForTools                       bool   // with all that other implementations ask for
	Journal                        []byte // what $LogFile holds; nil is an empty one
}

// disk is the image of a volume, in clusters.
type disk struct {
	P     Params
	Image []byte // with the copy of the boot sector as the last sector

	cluster []bool // in use
	next    int64  // cluster to look for space from
	usn     uint16
}

// fileTable is the file table of a volume and its mirror.
type fileTable struct {
	disk
	MFT, Mirror int64 // clusters

	records map[uint64][]byte // without fixups
	used    []bool            // records
	table   []Run
}

// Volume is a volume in the making. Add files, then call Finish once; then
// Image holds the volume, and the other methods tell where things lie.
type Volume struct {
	fileTable

	// Extensions are the extension records of each record, after Finish.
	Extensions map[uint64][]uint64
	// Places are the runs of each stream, "" the unnamed one, after Finish.
	Places map[uint64]map[string][]Run
	// Blocks are where index blocks of each folder lie in the image, in order
	// of their VCN, after Finish.
	Blocks map[uint64][]int64

	aliases []alias
	files   map[uint64]*File
	order   []uint64
	number  uint64 // next record number
}

// New begins a volume.
func New(p Params) *Volume {
	def := func(v *int, d int) {
		if *v == 0 {
			*v = d
		}
	}
	def(&p.Sector, 512)
	def(&p.Cluster, max(4096, p.Sector))
	def(&p.Record, 1024)
	def(&p.Index, 4096)
	def(&p.Records, 64)
	def(&p.Fragments, 1)
	if p.Clusters == 0 {
		p.Clusters = max(24, 1<<20/int64(p.Cluster))
	}
	v := &Volume{files: map[uint64]*File{}, number: FirstFile,
		Extensions: map[uint64][]uint64{}, Places: map[uint64]map[string][]Run{}, Blocks: map[uint64][]int64{}}
	v.P, v.records = p, map[uint64][]byte{}
	v.Image = make([]byte, p.Clusters*int64(p.Cluster)+int64(p.Sector))
	v.cluster = make([]bool, p.Clusters)
	boot := v.Alloc(v.clustersOf(8192))
	per := v.clustersOf(p.Records * p.Record)
	for i := range p.Fragments {
		n := per / int64(p.Fragments)
		if i == p.Fragments-1 {
			n = per - n*int64(p.Fragments-1)
		}
		v.table = append(v.table, Run{v.Alloc(n), n})
		if i < p.Fragments-1 {
			v.Alloc(1) // given back below: only apart
		}
	}
	for i := 1; i < p.Fragments; i++ {
		v.cluster[v.table[i].LCN-1] = false
	}
	p.Records = int(per) * p.Cluster / p.Record
	v.P = p
	v.used = make([]bool, p.Records)
	v.MFT = v.table[0].LCN
	v.Mirror = v.Alloc(v.clustersOf(4 * p.Record))
	v.system(boot)
	return v
}

// FirstFile is the number that the first file gets of itself.
const FirstFile = 24

// Root is the record of the root folder.
const Root = 5

func (v *disk) clustersOf(n int) int64 { return int64((n + v.P.Cluster - 1) / v.P.Cluster) }

// Alloc takes n free clusters in one run and returns the first.
func (v *disk) Alloc(n int64) int64 {
	run := int64(0)
	for c := v.next; c < int64(len(v.cluster)); c++ {
		if v.cluster[c] {
			run = 0
			continue
		}
		if run++; run == n {
			for i := c - n + 1; i <= c; i++ {
				v.cluster[i] = true
			}
			v.next = c + 1
			return c - n + 1
		}
	}
	panic(fmt.Sprintf("ntfsimage: no %d clusters left of %d; ask for more with Params.Clusters", n, len(v.cluster)))
}

// Use marks clusters as used without a file.
func (v *disk) Use(lcn, n int64) {
	for i := lcn; i < lcn+n; i++ {
		v.cluster[i] = true
	}
}

// At is where a cluster begins in the image.
func (v *disk) At(lcn int64) int64 { return lcn * int64(v.P.Cluster) }

// RecordAt is where a record begins in the image. A record may go on in
// another fragment.
func (v *fileTable) RecordAt(n uint64) int64 {
	off := int64(n) * int64(v.P.Record)
	for _, r := range v.table {
		size := r.Length * int64(v.P.Cluster)
		if off < size {
			return v.At(r.LCN) + off
		}
		off -= size
	}
	panic(fmt.Sprintf("ntfsimage: no record %d", n))
}

// EditRecord changes a record of the finished volume: edit gets its bytes
// without fixups.
func (v *fileTable) EditRecord(n uint64, edit func(b []byte)) {
	b := v.records[n]
	edit(b)
	v.putRecord(n)
}

// EditBlock changes an index block of the finished volume.
func (v *disk) EditBlock(at int64, edit func(b []byte)) {
	b := slices.Clone(v.Image[at : at+int64(v.P.Index)])
	us, count := int(le.Uint16(b[4:])), int(le.Uint16(b[6:]))
	for i := 1; i < count; i++ {
		copy(b[i*512-2:i*512], b[us+2*i:])
	}
	edit(b)
	v.fixups(b)
	copy(v.Image[at:], b)
}

// Record is a copy of a record without fixups.
func (v *fileTable) Record(n uint64) []byte { return slices.Clone(v.records[n]) }

func (v *fileTable) putRecord(n uint64) {
	b := slices.Clone(v.records[n])
	v.fixups(b)
	for i := 0; i < len(b); i += 512 { // a record may lie across fragments
		off := int64(n)*int64(v.P.Record) + int64(i)
		for _, r := range v.table {
			size := r.Length * int64(v.P.Cluster)
			if off < size {
				copy(v.Image[v.At(r.LCN)+off:], b[i:i+512])
				break
			}
			off -= size
		}
	}
	if n < 4 {
		copy(v.Image[v.At(v.Mirror)+int64(n)*int64(v.P.Record):], b)
	}
}

// fixups puts the update sequence into a record or block (concepts/fixup.html).
func (v *disk) fixups(b []byte) {
	us, count := int(le.Uint16(b[4:])), int(le.Uint16(b[6:]))
	if v.usn++; v.usn == 0 {
		v.usn = 1
	}
	le.PutUint16(b[us:], v.usn)
	for i := 1; i < count; i++ {
		copy(b[us+2*i:], b[i*512-2:i*512])
		le.PutUint16(b[i*512-2:], v.usn)
	}
}

// Finish lays everything out.
func (v *Volume) Finish() *Volume {
	names := map[uint64][]entry{}
	for _, n := range v.order {
		f := v.files[n]
		for _, m := range f.Names {
			if !m.NotIndexed {
				names[m.Parent] = append(names[m.Parent], v.entryOf(f, m))
			}
		}
	}
	for _, a := range v.aliases {
		names[a.Parent] = append(names[a.Parent], v.entryOf(v.files[a.file], a.Name))
	}
	for _, n := range v.order {
		if f := v.files[n]; f.Folder {
			v.index(f, names[n])
		}
	}
	for _, n := range v.order {
		if n > 6 {
			v.lay(v.files[n])
		}
	}
	// those whose content tells of all others come last
	for _, n := range []uint64{1, 2, 3, 4, 5} {
		v.lay(v.files[n])
	}
	v.layTable()
	v.layBitmap()
	for n := range v.used {
		if v.records[uint64(n)] == nil {
			v.records[uint64(n)] = v.header(uint64(n), 0, 0, 0, nil)
		}
		v.putRecord(uint64(n))
	}
	v.bootSectors()
	return v
}

// layTable makes record 0.
func (v *Volume) layTable() {
	f := v.files[0]
	size := int64(v.P.Records) * int64(v.P.Record)
	f.Streams = []Stream{{Runs: v.table, Size: size, Init: size}}
	f.RunsPerRecord = v.P.RunsPerRecord
	bm := make([]byte, (v.P.Records+63)/64*8)
	f.Extra = [][]byte{v.stored(0xb0, "", bm, nil)}
	v.lay(f)
	for i, u := range v.used {
		if u {
			bm[i/8] |= 1 << (i % 8)
		}
	}
	v.patchContent(0, 0xb0, bm)
}

// layBitmap makes record 6, after all is allocated.
func (v *Volume) layBitmap() {
	f := v.files[6]
	bm := make([]byte, (v.P.Clusters+63)/64*8)
	f.Streams = []Stream{{Runs: []Run{{v.Alloc(v.clustersOf(len(bm))), v.clustersOf(len(bm))}}, Size: int64(len(bm)), Init: int64(len(bm))}}
	v.lay(f)
	for i, u := range v.cluster {
		if u {
			bm[i/8] |= 1 << (i % 8)
		}
	}
	for i := len(v.cluster); i < 8*len(bm); i++ { // what is no cluster is in use
		bm[i/8] |= 1 << (i % 8)
	}
	copy(v.Image[v.At(f.Streams[0].Runs[0].LCN):], bm)
}

// bootSectors writes the boot sector and its copy (files/boot.html).
func (v *Volume) bootSectors() {
	b := make([]byte, v.P.Sector)
	copy(b, "\xeb\x52\x90NTFS    ")
	le.PutUint16(b[0x0b:], uint16(v.P.Sector))
	per := v.P.Cluster / v.P.Sector
	if per <= 0x80 {
		b[0x0d] = byte(per)
	} else {
		b[0x0d] = byte(-bits.TrailingZeros(uint(per)))
	}
	b[0x15] = 0xf8
	le.PutUint16(b[0x18:], 63)
	le.PutUint16(b[0x1a:], 255)
	le.PutUint32(b[0x24:], 0x800080)
	le.PutUint64(b[0x28:], uint64(v.P.Clusters*int64(v.P.Cluster)/int64(v.P.Sector)))
	le.PutUint64(b[0x30:], uint64(v.MFT))
	le.PutUint64(b[0x38:], uint64(v.Mirror))
	size := func(n int) byte {
		if n >= v.P.Cluster {
			return byte(n / v.P.Cluster)
		}
		return byte(-bits.TrailingZeros(uint(n)))
	}
	b[0x40], b[0x44] = size(v.P.Record), size(v.P.Index)
	le.PutUint64(b[0x48:], 0x1122334455667788)
	b[0x1fe], b[0x1ff] = 0x55, 0xaa
	copy(v.Image, b)
	copy(v.Image[len(v.Image)-v.P.Sector:], b)
}
