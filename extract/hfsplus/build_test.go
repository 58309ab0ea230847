package hfsplus

import (
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"slices"
	"testing"
	"unicode/utf16"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

const (
	flagThread = 0x0002 // kHFSThreadExistsMask (TN1150, Catalog File Records)
)

// builder makes HFS+ volumes after TN1150: enough of them for the reader.
type builder struct {
	block, node, extNode int
	hfsx                 bool
	attributes           uint32
	dataBlocks           int // room for content

	catalog      []leafRecord
	extents      []leafRecord
	attrs        []leafRecord
	valence      map[uint32]uint32
	files        uint32
	folders      uint32
	nextData     uint32 // block
	nextID       uint32
	content      map[uint32][]byte // by block
	catalogNodes int               // at least
	used         []blockRun        // blocks that are in use beside those of files
	change       func(b *built)    // before the image is read
}

type leafRecord struct {
	key, data []byte
	id        uint32 // that it sorts by first
	name      string // and then
}

func newBuilder() *builder {
	return &builder{block: 4096, node: 4096, extNode: 1024, attributes: attrUnmounted, dataBlocks: 4096, nextID: idFirstUser,
		valence: map[uint32]uint32{}, content: map[uint32][]byte{}}
}

func be16(v uint16) []byte { return binary.BigEndian.AppendUint16(nil, v) }
func be32(v uint32) []byte { return binary.BigEndian.AppendUint32(nil, v) }
func be64(v uint64) []byte { return binary.BigEndian.AppendUint64(nil, v) }

func rawName(s string) []byte {
	var b []byte
	for _, u := range utf16.Encode([]rune(s)) {
		b = binary.BigEndian.AppendUint16(b, u)
	}
	return b
}

func catKey(parent uint32, name string) []byte {
	raw := rawName(name)
	return slices.Concat(be16(uint16(catKeyLeast+len(raw))), be32(parent), be16(uint16(len(raw)/2)), raw)
}

func (b *builder) record(parent uint32, name string, data []byte) {
	b.catalog = append(b.catalog, leafRecord{catKey(parent, name), data, parent, name})
}

func (b *builder) thread(id uint32, kind uint16, parent uint32, name string) {
	raw := rawName(name)
	b.record(id, "", slices.Concat(be16(kind), be16(0), be32(parent), be16(uint16(len(raw)/2)), raw))
}

const someDate = 3600000000

// folder adds a folder and returns its number.
func (b *builder) folder(parent uint32, name string) uint32 {
	id := b.nextID
	if parent == idRootParent {
		id = idRoot
	} else {
		b.nextID++
		b.folders++
		b.valence[parent]++
	}
	data := make([]byte, folderSize)
	copy(data, be16(typeFolder))
	copy(data[folderID:], be32(id))
	copy(data[folderModified:], be32(someDate))
	b.record(parent, name, data)
	b.thread(id, typeFolderThread, parent, name)
	return id
}

// fileSpec is a file to be added.
type fileSpec struct {
	data, rsrc    []blockRun
	size, rsize   uint64
	mode          uint16
	owner         uint8
	flags         uint16
	special       uint32
	kind, creator uint32
	noThread      bool
}

func forkBytes(size uint64, runs []blockRun) []byte {
	var blocks uint32
	for _, r := range runs {
		blocks += r.count
	}
	out := slices.Concat(be64(size), be32(0), be32(blocks))
	for _, r := range runs[:min(len(runs), extentsInRecord)] {
		out = slices.Concat(out, be32(r.start), be32(r.count))
	}
	return append(out, make([]byte, forkSize-len(out))...)
}

func (b *builder) file(parent uint32, name string, f fileSpec) uint32 {
	id := b.nextID
	b.nextID++
	b.files++
	b.valence[parent]++
	data := make([]byte, fileSize)
	copy(data, be16(typeFile))
	copy(data[fileFlags:], be16(f.flags|flagThread))
	copy(data[fileID:], be32(id))
	copy(data[fileModified:], be32(someDate))
	data[fileOwnerFlags] = f.owner
	copy(data[fileMode:], be16(f.mode))
	copy(data[fileSpecial:], be32(f.special))
	copy(data[fileType:], be32(f.kind))
	copy(data[fileCreator:], be32(f.creator))
	copy(data[fileDataFork:], forkBytes(f.size, f.data))
	copy(data[fileRsrcFork:], forkBytes(f.rsize, f.rsrc))
	b.record(parent, name, data)
	if !f.noThread {
		b.thread(id, typeFileThread, parent, name)
	}
	for fork, runs := range map[uint8][]blockRun{dataFork: f.data, rsrcFork: f.rsrc} {
		pos := uint32(0)
		for i := 0; i < len(runs); i += extentsInRecord {
			part := runs[i:min(i+extentsInRecord, len(runs))]
			if i > 0 {
				b.overflow(id, fork, pos, part)
			}
			for _, r := range part {
				pos += r.count
			}
		}
	}
	return id
}

func (b *builder) overflow(id uint32, fork uint8, start uint32, runs []blockRun) {
	key := slices.Concat(be16(extKeyLength), []byte{fork, 0}, be32(id), be32(start))
	b.extents = append(b.extents, leafRecord{key, forkBytes(0, runs)[16:], id, fmt.Sprintf("%02x%08x", fork, start)})
}

// inline adds an attribute.
func (b *builder) inline(id uint32, name string, value []byte) {
	raw := rawName(name)
	key := slices.Concat(be16(uint16(attrName-2+len(raw))), be16(0), be32(id), be32(0), be16(uint16(len(raw)/2)), raw)
	data := slices.Concat(be32(attrInline), be64(0), be32(uint32(len(value))), value)
	if len(data)%2 != 0 {
		data = append(data, 0)
	}
	b.attrs = append(b.attrs, leafRecord{key, data, id, name})
}

// data takes blocks for content, in runs of the given lengths with a block
// between them.
func (b *builder) data(lengths ...uint32) []blockRun {
	var out []blockRun
	for _, n := range lengths {
		out = append(out, blockRun{b.nextData, n})
		b.nextData += n + 1
	}
	return out
}

// pack makes the nodes of a tree.
func pack(recs []leafRecord, size, nodes int, maxKey uint16, used *int) []byte {
	slices.SortStableFunc(recs, func(x, y leafRecord) int { return cmp.Or(cmp.Compare(x.id, y.id), cmp.Compare(x.name, y.name)) })
	type built struct {
		kind   int8
		height uint8
		recs   [][]byte
		first  []byte
	}
	list := []built{{}} // the header
	level := func(recs []leafRecord, kind int8, height uint8) (up []leafRecord, from, to int) {
		from = len(list)
		room := 0
		for _, r := range recs {
			n := len(r.key) + len(r.data)
			if room < n+2 || room == 0 {
				list = append(list, built{kind: kind, height: height, first: r.key})
				up = append(up, leafRecord{r.key, be32(uint32(len(list) - 1)), r.id, r.name})
				room = size - descriptorSize - 2
			}
			x := &list[len(list)-1]
			x.recs = append(x.recs, slices.Concat(r.key, r.data))
			room -= n + 2
		}
		return up, from, len(list)
	}
	type span struct{ from, to int }
	var spans []span
	depth := 0
	up := recs
	for h := uint8(1); len(up) > 0; h++ {
		kind := kindLeaf
		if h > 1 {
			kind = kindIndex
		}
		var from, to int
		up, from, to = level(up, kind, h)
		spans = append(spans, span{from, to})
		depth = int(h)
		if len(up) == 1 {
			break
		}
	}
	total := max(nodes, len(list))
	mapInHeader := (size - 256) * 8
	var maps []int
	for n := mapInHeader; n < total; n += (size - 20) * 8 {
		maps = append(maps, len(list)+len(maps))
		total = max(total, len(list)+len(maps))
	}
	out := make([]byte, total*size)
	bits := make([]byte, (total+7)/8+size)
	for i := range len(list) + len(maps) {
		bits[i/8] |= 0x80 >> (i % 8)
	}
	for i, x := range list {
		n := out[i*size : (i+1)*size]
		if i == 0 {
			continue
		}
		n[nodeKind], n[nodeHeight] = byte(x.kind), x.height
		copy(n[nodeRecords:], be16(uint16(len(x.recs))))
		at := descriptorSize
		for k, r := range x.recs {
			copy(n[size-2*(k+1):], be16(uint16(at)))
			at += copy(n[at:], r)
		}
		copy(n[size-2*(len(x.recs)+1):], be16(uint16(at)))
	}
	for _, s := range spans {
		for i := s.from; i < s.to; i++ {
			if i > s.from {
				copy(out[i*size+nodeBackward:], be32(uint32(i-1)))
			}
			if i+1 < s.to {
				copy(out[i*size+nodeForward:], be32(uint32(i+1)))
			}
		}
	}
	h := out[:size]
	h[nodeKind] = byte(kindHeader)
	copy(h[nodeRecords:], be16(3))
	copy(h[bthDepth:], be16(uint16(depth)))
	if len(spans) > 0 {
		copy(h[bthRoot:], be32(uint32(spans[len(spans)-1].from)))
		copy(h[bthFirst:], be32(uint32(spans[0].from)))
		copy(h[bthLast:], be32(uint32(spans[0].to-1)))
	}
	copy(h[bthRecords:], be32(uint32(len(recs))))
	copy(h[bthNodeSize:], be16(uint16(size)))
	copy(h[bthNodeSize+2:], be16(maxKey))
	copy(h[bthTotalNodes:], be32(uint32(total)))
	copy(h[bthFreeNodes:], be32(uint32(total-len(list)-len(maps))))
	for k, at := range []int{descriptorSize, bthEnd, bthMap, size - 8} {
		copy(h[size-2*(k+1):], be16(uint16(at)))
	}
	bits = bits[copy(h[bthMap:size-8], bits):]
	for k, m := range maps {
		prev := 0
		if k > 0 {
			prev = maps[k-1]
		}
		copy(out[prev*size+nodeForward:], be32(uint32(m)))
		n := out[m*size : (m+1)*size]
		n[nodeKind] = byte(kindMap)
		copy(n[nodeRecords:], be16(1))
		copy(n[size-2:], be16(descriptorSize))
		copy(n[size-4:], be16(uint16(size-6)))
		bits = bits[copy(n[descriptorSize:size-6], bits):]
	}
	*used = len(list)
	return out
}

// built is an image: its metadata in bytes, zeros behind.
type built struct {
	meta    []byte
	size    int64
	header  volumeHeader
	content map[uint32][]byte
	block   int64
}

func (x *built) ReadAt(p []byte, off int64) (int, error) {
	if off >= x.size {
		return 0, io.EOF
	}
	n := copy(p, x.meta[min(off, int64(len(x.meta))):])
	clear(p[n:])
	for at, b := range x.content {
		start := int64(at) * x.block
		if start < off+int64(len(p)) && start+int64(len(b)) > off {
			if start >= off {
				copy(p[start-off:], b)
			} else {
				copy(p, b[off-start:])
			}
		}
	}
	// the alternate header
	if end := off + int64(len(p)); end > x.size-alternateOffset {
		alt := x.meta[headerOffset : headerOffset+headerSize]
		if s := x.size - alternateOffset - off; s >= 0 {
			copy(p[s:], alt)
		} else if -s < headerSize {
			copy(p, alt[-s:])
		}
	}
	return len(p), nil
}

// build lays the volume out: the trees first, then room for content from
// block firstData on, which data counts from.
func (b *builder) build() *built {
	for i := range b.catalog {
		r := &b.catalog[i]
		if binary.BigEndian.Uint16(r.data) == typeFolder {
			copy(r.data[folderValence:], be32(b.valence[binary.BigEndian.Uint32(r.data[folderID:])]))
		}
	}
	var n int
	trees := [][]byte{pack(b.extents, b.extNode, 4, extKeyLength, &n), pack(b.catalog, b.node, max(b.catalogNodes, 8), catKeyMost, &n), nil}
	if len(b.attrs) > 0 {
		trees[2] = pack(b.attrs, 4096, 4, 266, &n)
	}
	blocks := func(n int) uint32 { return uint32((n + b.block - 1) / b.block) }
	next := blocks(headerOffset + headerSize)
	if next < firstData-1 {
		next = max(next, 1)
	}
	allocBlocks := uint32(1)
	for {
		total := next + allocBlocks + blocks(len(trees[0])) + blocks(len(trees[1])) + blocks(len(trees[2])) + uint32(b.dataBlocks) + 4
		if uint32(b.block)*8*allocBlocks >= total {
			break
		}
		allocBlocks++
	}
	// content stands at fixed blocks, from firstData on; the trees behind it
	alloc := blockRun{next, allocBlocks}
	at := max(uint32(firstData+b.dataBlocks), next+allocBlocks)
	var runs [3]blockRun
	for i, t := range trees {
		runs[i] = blockRun{at, blocks(len(t))}
		at += runs[i].count
	}
	total := at + 1 + blocks(alternateOffset)
	h := make([]byte, headerSize)
	copy(h, be16(signaturePlus))
	copy(h[hdrVersion:], be16(versionPlus))
	if b.hfsx {
		copy(h, be16(signatureX))
		copy(h[hdrVersion:], be16(versionX))
	}
	copy(h[hdrAttributes:], be32(b.attributes))
	copy(h[hdrLastMounted:], "10.0")
	copy(h[hdrFileCount:], be32(b.files))
	copy(h[hdrFolderCount:], be32(b.folders))
	copy(h[hdrBlockSize:], be32(uint32(b.block)))
	copy(h[hdrTotalBlocks:], be32(total))
	copy(h[hdrNextID:], be32(b.nextID))
	copy(h[hdrAllocation:], forkBytes(uint64((total+7)/8), []blockRun{alloc}))
	copy(h[hdrExtents:], forkBytes(uint64(len(trees[0])), runs[:1]))
	copy(h[hdrCatalog:], forkBytes(uint64(len(trees[1])), runs[1:2]))
	if len(trees[2]) > 0 {
		copy(h[hdrAttributeFrk:], forkBytes(uint64(len(trees[2])), runs[2:3]))
	}
	x := &built{size: int64(total) * int64(b.block), content: b.content, block: int64(b.block)}
	x.meta = make([]byte, int64(at)*int64(b.block))
	copy(x.meta[headerOffset:], h)
	for i, t := range trees {
		copy(x.meta[int64(runs[i].start)*int64(b.block):], t)
	}
	used := []blockRun{{0, blocks(headerOffset + headerSize)}, {total - blocks(alternateOffset), blocks(alternateOffset)}, alloc}
	used = append(used, runs[:]...)
	for _, r := range b.catalog {
		if len(r.data) == fileSize {
			for _, at := range []int{fileDataFork, fileRsrcFork} {
				list := parseRuns(r.data[at+forkExtents:])
				used = append(used, list[:]...)
			}
		}
	}
	for _, r := range b.extents {
		list := parseRuns(r.data)
		used = append(used, list[:]...)
	}
	taken := uint32(0)
	bits := x.meta[int(alloc.start)*b.block:]
	for _, r := range append(used, b.used...) {
		for k := r.start; k < r.start+r.count && k < total; k++ {
			if bit := byte(0x80 >> (k % 8)); bits[k/8]&bit == 0 {
				bits[k/8] |= bit
				taken++
			}
		}
	}
	copy(x.meta[headerOffset+hdrFreeBlocks:], be32(total-taken))
	copy(h[hdrFreeBlocks:], be32(total-taken))
	x.header, _ = parseHeader(h)
	if b.change != nil {
		b.change(x)
	}
	return x
}

// firstData is the first block that the tests give to content.
const firstData = 64

// reader makes a reader of the image with the given ranges unread.
func (x *built) reader(tb testing.TB, unread ...imap.Range) *image.Reader {
	tb.Helper()
	m := imap.All(x.size)
	if len(unread) > 0 {
		m = m.With(unread)
	}
	return image.New(x, x.size, m, image.Options{})
}

// walked is a volume and what a walk told of it.
type walked struct {
	*Volume
	*extract.Survey
}

// walk opens a volume and lists it.
func walk(tb testing.TB, r *image.Reader, size int64, o extract.Options) (walked, []*extract.File) {
	tb.Helper()
	v, err := Open(context.Background(), r, 0, size, o)
	if err != nil {
		tb.Fatal(err)
	}
	var list []*extract.File
	s, err := v.Walk(context.Background(), func(f *extract.File) error { list = append(list, f); return nil })
	if err != nil {
		tb.Fatal(err)
	}
	return walked{v, s}, list
}

// paths are the listed paths.
func paths(list []*extract.File) []string {
	var out []string
	for _, f := range list {
		out = append(out, f.Path)
	}
	return out
}

// find is the file of that path.
func find(tb testing.TB, list []*extract.File, path string) *extract.File {
	tb.Helper()
	for _, f := range list {
		if f.Path == path {
			return f
		}
	}
	tb.Fatalf("no %q in %q", path, paths(list))
	return nil
}
