package hfsplus

import (
	"bytes"
	"context"
	"encoding/binary"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/partial"
)

// seeds are nodes of a real volume's trees: header, index, leaves.
func seeds(f *testing.F) (catalog, extents [][]byte, b []byte) {
	b, _ = load(f, "hfsx-cs-1k")
	for i := range 8 {
		catalog = append(catalog, b[13*1024+i*4096:][:4096])
		extents = append(extents, b[5*1024+i*1024:][:1024])
	}
	return catalog, extents, b
}

func FuzzHeader(f *testing.F) {
	_, _, b := seeds(f)
	f.Add(b[headerOffset : headerOffset+headerSize])
	f.Add(workedHeader())
	small := workedHeader() // ends before the place it is found at, whichever of its begins is taken
	binary.BigEndian.PutUint32(small[44:], 0xF6)
	binary.BigEndian.PutUint32(small[48:], 0)
	f.Add(small)
	f.Fuzz(func(t *testing.T, b []byte) {
		const at = 1 << 20
		h, err := parseHeader(b)
		if err != nil {
			return
		}
		if h.blockSize < 512 || h.blockSize&(h.blockSize-1) != 0 || h.bytes() <= 0 || h.catalog.size == 0 {
			t.Fatalf("taken: %+v", h)
		}
		found := Sniff(b, at)
		if len(found) == 0 || found[0] != (extract.Candidate{Start: at - headerOffset, Length: h.bytes(), Filesystem: h.name(), From: "volume header", At: at, ID: h.id(), Written: h.made()}) {
			t.Fatalf("%+v", found)
		}
		for _, c := range found[1:] { // as alternate header: each ends behind it, and leaves over less than a block
			left := c.Length - h.bytes()
			if c.Start < 0 || c.Start+c.Length != at+alternateOffset || left < 0 || left >= h.blockSize || left%minNode != 0 {
				t.Fatalf("%+v", c)
			}
		}
	})
}

func FuzzTreeHeader(f *testing.F) {
	catalog, extents, _ := seeds(f)
	f.Add(catalog[0][:512])
	f.Add(extents[0][:512])
	f.Fuzz(func(t *testing.T, b []byte) {
		h, err := parseTreeHeader(b)
		if err == nil && (!validNodeSize(h.nodeSize) || h.root >= h.totalNodes || h.freeNodes > h.totalNodes) {
			t.Fatalf("taken: %+v", h)
		}
	})
}

// FuzzNode takes a node with a range of it unread: records are in order, in
// the node, and the same whatever stands in the unread range.
func FuzzNode(f *testing.F) {
	nodes, extents, _ := seeds(f)
	for _, n := range append(nodes, extents...) {
		f.Add(n, uint16(0), uint16(0))
		f.Add(n, uint16(512), uint16(512))
		f.Add(n, uint16(0), uint16(512))
		f.Add(n, uint16(len(n)-512), uint16(512))
	}
	f.Fuzz(func(t *testing.T, b []byte, from, length uint16) {
		if len(b) < minNode || len(b) > maxNode {
			return
		}
		given := partial.Bytes{Data: bytes.Clone(b)}
		given.Lose(int(from), int(from)+int(length))
		for _, u := range given.Unread {
			clear(given.Data[u.Start:u.End])
		}
		for _, size := range []sizer{catalogSize, overflowSize, attributeSize, nil} {
			var n node
			err := n.parse(7, given, size)
			if !given.Whole() {
				c := partial.Bytes{Data: bytes.Clone(b), Unread: given.Unread}
				for i := c.Unread[0].Start; i < c.Unread[0].End; i++ {
					c.Data[i] = 0xA5
				}
				var m node
				if merr := m.parse(7, c, size); (merr == nil) != (err == nil) || len(m.recs) != len(n.recs) {
					t.Fatalf("unread bytes matter: %d records, %v; %d, %v", len(n.recs), err, len(m.recs), merr)
				}
			}
			if err != nil {
				continue
			}
			at := descriptorSize
			for _, r := range n.recs {
				if r.start < at || r.end <= r.start || r.end > len(b) {
					t.Fatalf("record %v behind %d in %d bytes", r, at, len(b))
				}
				at = r.end
			}
			if !n.uncertain && len(n.recs)+n.gone != n.records {
				t.Fatalf("%d and %d of %d records", len(n.recs), n.gone, n.records)
			}
			var p catalog
			(&layout{header: volumeHeader{blockSize: 4096, totalBlocks: 1 << 20}, overflow: &overflow{}}).collect(&n, false, &p)
			if len(p.files)+len(p.folders)+len(p.threads)+len(p.fthreads) > len(n.recs)+len(p.threads) {
				t.Fatalf("%+v of %d records", p, len(n.recs))
			}
		}
	})
}

func FuzzRecords(f *testing.F) {
	catalog, extents, _ := seeds(f)
	for _, b := range append(catalog[1:], extents[1:]...) {
		var n node
		if n.parse(0, partial.Bytes{Data: b}, catalogSize) == nil {
			for _, r := range n.recs {
				f.Add(b[r.start:r.end], uint16(r.end-r.start))
			}
		}
	}
	f.Add(append(catKey(2, "sheet"), make([]byte, fileSize)...), uint16(90))
	f.Fuzz(func(t *testing.T, b []byte, read uint16) {
		given := partial.Bytes{Data: b}
		given.Lose(int(read), len(b))
		if r, ok := parseCatalog(given); ok {
			if len(r.name) > 2*maxNameUnits || 2+catKeyLeast+len(r.name) > int(read) {
				t.Fatalf("name of %d bytes, of %d read", len(r.name), read)
			}
			if r.ok && r.kind == typeFile && (r.file.data.whole && !r.file.data.sized || r.file.rsrc.whole && !r.file.data.whole || r.file.rsrc.whole == r.lost) {
				t.Fatalf("%+v", r)
			}
			if n := len(r.thread.name); r.ok && (r.kind == typeFileThread || r.kind == typeFolderThread) && (n == 0 || n > 2*maxNameUnits) {
				t.Fatalf("%+v", r.thread)
			}
		}
		if a, ok := parseAttribute(b); ok {
			if a.data+a.bytes > len(b) {
				t.Fatalf("attribute of %d bytes at %d in %d", a.bytes, a.data, len(b))
			}
			var c compressedFile
			if a.kind == attrInline && parseDecmpfs(b[a.data:a.data+a.bytes], &c) && c.bytes > int64(len(b)) {
				t.Fatalf("%+v", c)
			}
		}
		if r, ok := parseOverflow(b); ok && r.runs[0].count == 0 {
			t.Fatalf("%+v", r)
		}
	})
}

// FuzzLocate takes extents and the records of the overflow file: what is
// located lies on the volume, in order, and no byte twice.
func FuzzLocate(f *testing.F) {
	_, extents, _ := seeds(f)
	f.Add(forkBytes(9000, []blockRun{{64, 3}}), extents[1][descriptorSize:][:extRecord])
	f.Add(forkBytes(90000, []blockRun{{64, 1}, {66, 1}, {70, 1}, {72, 1}, {80, 1}, {82, 1}, {84, 1}, {86, 1}}), extents[1][descriptorSize:][:extRecord])
	f.Fuzz(func(t *testing.T, fork, more []byte) {
		if len(fork) < forkSize {
			return
		}
		x := &overflow{}
		l := &layout{header: volumeHeader{blockSize: 4096, totalBlocks: 100000}, start: 1 << 20, overflow: x}
		for len(more) >= extRecord && len(x.list) < 100 {
			if r, ok := parseOverflow(more); ok {
				r.file, r.fork = 20, dataFork
				x.list = append(x.list, r)
			}
			more = more[extRecord:]
		}
		p := partFork{parseFork(fork), true, true}
		at := l.fork(&p, 20, dataFork)
		pos, sum := int64(0), int64(0)
		for _, r := range at.runs {
			if r.Offset < pos || r.Length <= 0 || r.Image < l.start || r.Image+r.Length > l.start+l.header.bytes() {
				t.Fatalf("%+v behind %d", r, pos)
			}
			pos = endOf(r)
			sum += r.Length
		}
		if !at.gaps && p.size < 1<<62 && sum < int64(p.size) {
			t.Fatalf("%d of %d bytes located, and no gap said", sum, p.size)
		}
	})
}

func FuzzJournal(f *testing.F) {
	b, _ := load(f, "hfsplus-journal-pending")
	f.Add(b[journalAt:journalAt+512], b[journalAt+930304:][:4096])
	f.Add(b[2*4096:2*4096+jibSize], []byte{})
	f.Fuzz(func(t *testing.T, head, list []byte) {
		parseJournalInfo(head)
		h, err := parseJournalHeader(head)
		if err != nil {
			return
		}
		if h.start < h.sector || h.end > h.length || h.listSize > h.length {
			t.Fatalf("taken: %+v", h)
		}
		if l, err := h.parseList(list); err == nil && (l.used > h.length || int64(l.count)*listEntry > h.listSize) {
			t.Fatalf("taken: %+v", l)
		}
	})
}

// FuzzVolume changes bytes of a whole small volume, with some of it unread: it
// ends, and what is listed keeps the model's rules.
func FuzzVolume(f *testing.F) {
	b := sample()
	b.dataBlocks, b.node, b.block = 100, 512, 512
	x := b.build()
	raw := make([]byte, x.size)
	if _, err := x.ReadAt(raw, 0); err != nil {
		f.Fatal(err)
	}
	f.Add([]byte{0, 0, 4, 0, 1, 2, 0, 8, 0, 7}, uint16(3), uint16(9))
	f.Add([]byte{}, uint16(0), uint16(0))
	f.Fuzz(func(t *testing.T, changes []byte, from, count uint16) {
		img := bytes.Clone(raw)
		for ; len(changes) >= 5; changes = changes[5:] {
			img[int(binary.BigEndian.Uint32(changes)%uint32(len(img)))] = changes[4]
		}
		m := imap.All(x.size)
		if at := int64(from) * 512 % x.size; count > 0 {
			m = m.With([]imap.Range{{Start: at, Length: min(int64(count)*512, x.size-at), State: imap.Failed}})
		}
		v, err := Open(context.Background(), image.New(bytes.NewReader(img), x.size, m, image.Options{}), 0, x.size, extract.Options{Threads: 2})
		if err != nil {
			return
		}
		n := 0
		s, err := v.Walk(context.Background(), func(f *extract.File) error {
			if n++; n > 10000 {
				t.Fatal("too many files")
			}
			pos := int64(0)
			for _, p := range f.Pieces {
				if p.Offset < pos || p.Length <= 0 || p.Offset+p.Length > f.Size {
					t.Fatalf("%s: piece %+v behind %d of %d", f.Path, p, pos, f.Size)
				}
				if p.Kind == extract.Data && (p.Image < 0 || p.Image+p.Length > x.size) {
					t.Fatalf("%s: piece %+v in an image of %d bytes", f.Path, p, x.size)
				}
				pos = p.Offset + p.Length
			}
			if f.Path == "" || f.Path[0] == '/' {
				t.Fatalf("path %q", f.Path)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		pos := int64(0)
		if err := s.Space(context.Background(), func(a, n int64, _ extract.Use) error {
			if a != pos || n <= 0 {
				t.Fatalf("space goes on at %d behind %d", a, pos)
			}
			pos = a + n
			return nil
		}); err != nil || pos != v.header.bytes() {
			t.Fatalf("space ends at %d, %v", pos, err)
		}
	})
}
