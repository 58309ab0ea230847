package ext

import (
	"context"
	"sync"

	"fileassay/extract"
	"fileassay/extract/partial"
)

// recordState says what is known of an inode.
type recordState uint8

const (
	recordLive      recordState = iota // in use
	recordFree                         // of no file
	recordUnread                       // not read
	recordCondemned                    // read, but fails its checks
)

// record is an inode with its state.
type record struct {
	inode
	state recordState
	why   string // of recordCondemned
}

// records reads the inode tables.
type records struct {
	*layout
	opt     extract.Options
	scratch sync.Pool // *[]byte, for parts of tables and folders
}

func newRecords(l *layout, o extract.Options) *records {
	return &records{layout: l, opt: o, scratch: sync.Pool{New: func() any { return new([]byte) }}}
}

// borrow lends n bytes of scratch space, until done is called.
func (v *records) borrow(n int64) (b []byte, done func()) {
	p := v.scratch.Get().(*[]byte)
	if int64(cap(*p)) < n {
		*p = make([]byte, n)
	}
	return (*p)[:n], func() { v.scratch.Put(p) }
}

// chunk is a part of a group's inode table.
type chunk struct {
	group uint64
	first uint32 // inode of the group, from 0
	count uint32
}

// chunkInodes is the number of inodes of a chunk: tables are read in pieces of
// 512 KiB where inodes have 256 bytes.
const chunkInodes = 2048

// chunks are the parts of all inode tables, in order. Where parts of a table
// have never been used they are left out, unless all is asked for.
func (v *records) chunks(all bool) []chunk {
	var out []chunk
	for g := range v.groups.list {
		n := v.sb.InodesPerGroup
		if !all {
			n = v.groups.list[g].usedInodes(&v.sb)
		}
		for first := uint32(0); first < n; first += chunkInodes {
			out = append(out, chunk{uint64(g), first, min(chunkInodes, n-first)})
		}
	}
	return out
}

// eachChunk does work on every chunk in several goroutines and takes the
// outcomes in order.
func eachChunk[T any](ctx context.Context, v *records, step string, all bool, work func(c chunk) T, take func(T) error) error {
	chunks := v.chunks(all)
	done := int64(0)
	return extract.InOrder(ctx, v.opt.Workers(), len(chunks),
		func(_ context.Context, i int) (T, error) { return work(chunks[i]), nil },
		func(out T) error {
			done++
			v.opt.Report(step, done, int64(len(chunks)))
			return take(out)
		})
}

// number is the inode number of inode i of the chunk.
func (c chunk) number(sb *superblock, i uint32) uint32 {
	return uint32(c.group)*sb.InodesPerGroup + c.first + i + 1
}

// readChunk calls yield for every inode of a chunk. What it is given is valid
// until it returns.
func (v *records) readChunk(c chunk, yield func(i uint32, rec *record)) {
	d := &v.groups.list[c.group]
	size := int64(v.sb.InodeSize)
	var rec record
	if !d.Known {
		for i := range c.count {
			rec = record{inode: inode{Number: c.number(&v.sb, i)}, state: recordUnread}
			yield(i, &rec)
		}
		return
	}
	block, skip := v.recordPlace(c.number(&v.sb, 0))
	buf, done := v.borrow((skip + int64(c.count)*size + v.bs - 1) / v.bs * v.bs)
	defer done()
	b := v.read(buf, block)
	for i := range c.count {
		rec = v.judge(c.number(&v.sb, i), b.Slice(int(skip+int64(i)*size), int(size)))
		yield(i, &rec)
	}
}

// judge says what is known of an inode by its record.
func (v *records) judge(number uint32, b partial.Bytes) record {
	rec := record{inode: inode{Number: number}, state: recordUnread}
	raw := b.Data
	if !b.Whole() {
		if v.sb.metadataCsum() || b.Unread[0].Start < goodOldInodeSize {
			return rec
		}
		raw = raw[:b.Unread[0].Start]
	}
	n, err := parseInode(&v.sb, number, raw)
	rec.inode = n
	switch {
	case err != nil:
		rec.state, rec.why = recordCondemned, err.Error()
	case n.free():
		rec.state = recordFree
	default:
		rec.state = recordLive
		if s := n.strange(&v.sb); s != "" {
			rec.state, rec.why = recordCondemned, "its inode cannot be believed: "+s
		}
	}
	return rec
}

// readInode reads one inode. raw of what it returns is its own.
func (v *records) readInode(number uint32) record {
	if g, _, ok := v.groupOf(number); !ok || !v.groups.list[g].Known {
		return record{inode: inode{Number: number}, state: recordUnread}
	}
	block, off := v.recordPlace(number)
	return v.judge(number, v.read(make([]byte, v.bs), block).Slice(int(off), int(v.sb.InodeSize)))
}

// groupOf is the group of an inode and which of the group's it is.
func (v *layout) groupOf(number uint32) (g uint64, i uint32, ok bool) {
	if number == 0 || number > v.sb.Inodes {
		return 0, 0, false
	}
	return uint64((number - 1) / v.sb.InodesPerGroup), (number - 1) % v.sb.InodesPerGroup, true
}

// recordPlace is the block that an inode's record stands in, and where in it.
func (v *layout) recordPlace(number uint32) (block uint64, off int64) {
	g := (number - 1) / v.sb.InodesPerGroup
	at := int64((number-1)%v.sb.InodesPerGroup) * int64(v.sb.InodeSize)
	return v.groups.list[g].InodeTable + uint64(at/v.bs), at % v.bs
}

// pastUsed reports whether an inode stands behind the last one ever used of
// its group.
func (v *layout) pastUsed(number uint32) bool {
	g, i, ok := v.groupOf(number)
	return ok && i >= v.groups.list[g].usedInodes(&v.sb)
}
