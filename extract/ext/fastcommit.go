package ext

import (
	"encoding/binary"
	"fmt"
	"slices"
)

// Fast commits stand behind the log, in tags: what changed in which inode since
// the last transaction (kernel: fs/ext4/fast_commit.h). They are not replayed;
// what they touch is not proved.
const (
	fastAddRange = 1
	fastDelRange = 2
	fastCreate   = 3
	fastLink     = 4
	fastUnlink   = 5
	fastInode    = 6
	fastPad      = 7
	fastTail     = 8
	fastHead     = 9

	fastTagSize = 4
)

// fastTag is what one tag says. Its numbers are little-endian.
type fastTag struct {
	kind  uint16
	raw   []byte // the tag itself
	value []byte // what follows its head
}

func (t *fastTag) number(i int) uint32 { return binary.LittleEndian.Uint32(t.value[4*i:]) }

// parseFastTags decodes the tags of a block; none crosses into the next, and the
// last reaches to its end. ok is false where the block holds anything else
// (kernel: ext4_fc_value_len_isvalid).
func parseFastTags(b []byte) (tags []fastTag, ok bool) {
	le := binary.LittleEndian
	for len(b) >= fastTagSize {
		t, n := fastTag{kind: le.Uint16(b)}, int(le.Uint16(b[2:]))
		switch t.kind {
		case fastAddRange:
			ok = n == 4+extentEntrySize
		case fastDelRange:
			ok = n == 12
		case fastCreate, fastLink, fastUnlink:
			ok = n > 8 && n <= 8+255
		case fastInode:
			ok = n >= 4+goodOldInodeSize
		case fastTail:
			ok = n >= 8
		case fastHead:
			ok = n == 8
		default:
			ok = t.kind == fastPad
		}
		if !ok || fastTagSize+n > len(b) {
			return nil, false
		}
		t.raw, t.value = b[:fastTagSize+n], b[fastTagSize:fastTagSize+n]
		b = b[fastTagSize+n:]
		tags = append(tags, t)
	}
	return tags, ok
}

// fastCommits notes what the fast commits behind the log touch. why says why they
// cannot be followed to their end, "" if they were.
//
// They begin in the first block, each in a new one, all behind one head, until
// a transaction ends them and the next begins in the first block again. So the
// area holds those that count, then what earlier ones left, then zeros where none
// ever was: only where it does is it known that none is missing.
func (p *replay) fastCommits() (why string) {
	j, s := p.journal, &p.s
	if s.FastBlocks == 0 {
		return ""
	}
	first := s.last() + 1 // the block before is of nothing (kernel: j_fc_first = j_last + 1)
	f := fastReader{end: p.end}
	for b := first; b < s.Blocks; b++ {
		buf := make([]byte, j.vol.bs)
		switch read := j.read(buf, b); {
		case !read.Whole():
			why = f.unread()
		case !slices.ContainsFunc(buf, func(x byte) bool { return x != 0 }):
			why = f.zeros(b)
		default:
			why = f.block(buf, b == first)
		}
		if why != "" {
			if j.fastAt = b; f.zeroAt > 0 {
				j.fastAt = f.zeroAt
			}
			return fmt.Sprintf("the fast commits of its journal cannot be followed through block %d of it, %s", j.fastAt, why)
		}
	}
	names := 0
	for i := range f.counted {
		t := &f.counted[i]
		if j.touch(t); t.kind == fastCreate || t.kind == fastLink || t.kind == fastUnlink {
			names++
		}
	}
	if len(f.counted) > 0 {
		j.say(fmt.Sprintf("its journal holds fast commits, which are not replayed: %d inodes are newer there, and %d names are made or taken away", len(j.touched), names))
	}
	return ""
}

// fastReader reads the area block by block. Its methods say what contradicts
// that all that counts was read.
type fastReader struct {
	end     uint32    // the transaction that they belong to
	counted []fastTag // of those that ended
	open    []fastTag // of one that did not yet
	sum     uint32    // of these
	over    bool      // none that counts follows
	zeroAt  uint32    // the first block of zeros
}

func (f *fastReader) unread() string {
	if f.open, f.sum = nil, 0; !f.over {
		return "which is unread"
	}
	return ""
}

func (f *fastReader) zeros(b uint32) string {
	if len(f.open) > 0 && !f.over {
		return "where one has no end"
	}
	if f.over = true; f.zeroAt == 0 {
		f.zeroAt = b
	}
	return ""
}

func (f *fastReader) block(b []byte, first bool) string {
	tags, ok := parseFastTags(b)
	switch {
	case f.zeroAt > 0:
		return "which holds zeros although later ones were written"
	case !ok && f.over:
		f.open, f.sum = nil, 0
		return ""
	case !ok || first && tags[0].kind != fastHead:
		return "which holds something else"
	}
	for _, t := range tags {
		raw := t.raw
		switch t.kind {
		case fastHead:
			switch age := int32(t.number(1) - f.end); {
			case age > 0:
				return "which is of a later transaction than the last one of its log"
			case age < 0:
				f.over = true // what is left of earlier ones
			}
		case fastTail:
			age := int32(t.number(0) - f.end)
			raw = raw[:fastTagSize+4] // the transaction; the sum follows
			switch {
			case age > 0:
				return "which is of a later transaction than the last one of its log"
			case age < 0:
				f.over = true
			case f.over || crc32c(f.sum, raw) != t.number(1):
				return "which fails its checksum, or which others should stand before"
			default:
				f.counted = append(f.counted, f.open...)
			}
			f.open, f.sum = nil, 0
			continue
		}
		f.sum = crc32c(f.sum, raw)
		f.open = append(f.open, t)
	}
	return ""
}

// touch notes what a tag changes.
func (j *journal) touch(t *fastTag) {
	const why = "a fast commit in the journal, which is not replayed, changes it"
	switch t.kind {
	case fastCreate, fastLink, fastUnlink:
		j.touched[t.number(1)] = why
	case fastAddRange:
		// they are of this file then, whichever had them before
		if e := parseExtent(t.value[4:]); e.Physical < j.vol.count {
			j.taken = append(j.taken, j.vol.span(e.Physical, min(uint64(e.Length), j.vol.count-e.Physical)))
		}
	case fastDelRange, fastInode:
	default:
		return
	}
	j.touched[t.number(0)] = why
}
