package ext

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
func (v *Volume) chunks(all bool) []chunk {
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

// number is the inode number of inode i of the chunk.
func (c chunk) number(v *Volume, i uint32) uint32 {
	return uint32(c.group)*v.sb.InodesPerGroup + c.first + i + 1
}

// readChunk calls yield for every inode of a chunk. buf is scratch space that
// is grown as needed; what yield is given is valid until it returns.
func (v *Volume) readChunk(c chunk, buf *[]byte, yield func(i uint32, rec *record)) {
	d := &v.groups.list[c.group]
	size := int64(v.sb.InodeSize)
	var rec record
	if !d.Known {
		for i := range c.count {
			rec = record{inode: inode{Number: c.number(v, i)}, state: recordUnread}
			yield(i, &rec)
		}
		return
	}
	from := int64(c.first) * size
	block := d.InodeTable + uint64(from/v.bs)
	skip := from % v.bs
	blocks := (skip + int64(c.count)*size + v.bs - 1) / v.bs
	if need := blocks * v.bs; int64(cap(*buf)) < need {
		*buf = make([]byte, need)
	}
	b := (*buf)[:blocks*v.bs]
	unread := v.readBlocksReadable(b, block)
	for i := range c.count {
		at := skip + int64(i)*size
		v.readRecord(&rec, c.number(v, i), b[at:at+size], unread, at)
		yield(i, &rec)
	}
}

// readRecord judges the record raw, which stands at at of a buffer with the
// given unread parts.
func (v *Volume) readRecord(rec *record, number uint32, raw []byte, unread gaps, at int64) {
	*rec = record{inode: inode{Number: number}, state: recordUnread}
	if unread != nil {
		if mine := unread.within(at, int64(len(raw))); mine != nil {
			if v.sb.metadataCsum() || mine[0].start < goodOldInodeSize {
				return
			}
			raw = raw[:mine[0].start]
		}
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
}

// readInode reads one inode. raw of what it returns is its own.
func (v *Volume) readInode(number uint32) record {
	rec := record{inode: inode{Number: number}, state: recordUnread}
	if number == 0 || number > v.sb.Inodes {
		return rec
	}
	c := chunk{uint64((number - 1) / v.sb.InodesPerGroup), (number - 1) % v.sb.InodesPerGroup, 1}
	var buf []byte
	v.readChunk(c, &buf, func(_ uint32, r *record) { rec = *r })
	return rec
}

// recordPlace is the block that an inode's record stands in, and where in it.
func (v *Volume) recordPlace(number uint32) (block uint64, off int64) {
	g := (number - 1) / v.sb.InodesPerGroup
	at := int64((number-1)%v.sb.InodesPerGroup) * int64(v.sb.InodeSize)
	return v.groups.list[g].InodeTable + uint64(at/v.bs), at % v.bs
}
