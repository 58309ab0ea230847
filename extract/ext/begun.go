package ext

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// begun notes what the transaction at the end of the log touches, of which no
// commit block was found. why says why that is not known, "" if it is.
//
// A crash leaves one like that and drivers pass it over; but so does a drive
// that loses the commit block. So what it holds is not listed, and nothing is
// proved of which it holds another version.
func (p *replay) begun() (why string) {
	j, v := p.journal, p.journal.vol
	if len(p.blocks) == 0 && len(p.revokes) == 0 {
		return ""
	}
	const sort = "the last transaction of its journal has no end, and it %s"
	if len(p.revokes) > 0 && len(p.blocks) == 0 {
		return fmt.Sprintf(sort, "takes blocks back")
	}
	changed := 0
	now, then := make([]byte, v.bs), make([]byte, v.bs)
	for block, t := range p.blocks {
		old, newer := v.read(now, block), p.read(then, t.copy)
		if old.Whole() && newer.Whole() && bytes.Equal(now, then) {
			continue
		}
		changed++
		switch group, first, inTable := v.tableBlock(block); {
		case inTable:
			v.changedInodes(group, first, old, newer, func(n uint32) {
				j.touched[n] = "a transaction in the journal that has no end changes it"
			})
		case v.system.Touches(int64(block), 1): // what proves no file
		case newer.Whole() && foldersBlock(&v.sb, then):
		default:
			return fmt.Sprintf(sort, fmt.Sprintf("changes block %d", block))
		}
	}
	if changed > 0 {
		j.say(fmt.Sprintf("the last transaction of its journal has no end and is passed over, as drivers do: it changes %d blocks, with %d inodes", changed, len(j.touched)))
	}
	return ""
}

// read reads a copy of a block in the log.
func (p *replay) read(buf []byte, c journalCopy) partial.Bytes {
	if c.bad {
		return unreadBytes(buf)
	}
	b := p.journal.vol.r.Partial(buf, c.at)
	if c.escaped && b.Has(0, 4) {
		binary.BigEndian.PutUint32(buf, journalMagic)
	}
	return b
}

// tableBlock is the group whose inode table a block is of, and which of the
// group's inodes is its first.
func (v *layout) tableBlock(block uint64) (group uint64, first uint32, ok bool) {
	for g := range v.groups.list {
		if d := &v.groups.list[g]; d.Known && block-d.InodeTable < tableBlocks(&v.sb) {
			return uint64(g), uint32((block - d.InodeTable) * uint64(v.bs) / uint64(v.sb.InodeSize)), true
		}
	}
	return 0, 0, false
}

// changedInodes calls yield for each inode of a block of a table that differs in
// two versions, or is unread in one.
func (v *layout) changedInodes(group uint64, first uint32, a, b partial.Bytes, yield func(n uint32)) {
	size := int(v.sb.InodeSize)
	for i := range int(v.bs) / size {
		x, y := a.Slice(i*size, size), b.Slice(i*size, size)
		if !x.Whole() || !y.Whole() || !bytes.Equal(x.Data, y.Data) {
			yield(uint32(group)*v.sb.InodesPerGroup + first + uint32(i) + 1)
		}
	}
}

// foldersBlock reports whether a block is full of a folder's entries.
func foldersBlock(sb *superblock, b []byte) bool {
	n := 0
	whole, _ := walkDirents(sb, partial.Bytes{Data: b}, false, func(dirent) { n++ })
	return whole && n > 0
}

// doubtTouched gives yield the files that it is called with, those not proved
// that the journal touches without its being replayed.
func (j *journal) doubtTouched(yield func(*extract.File) error) func(*extract.File) error {
	if len(j.touched) == 0 {
		return yield
	}
	var taken ranges.Set
	for _, r := range j.taken {
		taken.Add(r.Start, r.Len())
	}
	return func(f *extract.File) error {
		why := j.touched[uint32(f.ID)]
		for _, p := range f.Pieces {
			if why == "" && p.Kind == extract.Data && taken.Touches(p.Image, p.Length) {
				why = "a fast commit in the journal, which is not replayed, gives blocks of it to another file"
			}
		}
		if why != "" {
			f.RecordUnread = true
			f.Why = append(slices.Clip(f.Why), why)
		}
		return yield(f)
	}
}
