package ext

import (
	"context"
	"encoding/binary"
	"fmt"
	"maps"
	"slices"

	"fileassay/extract/ranges"
)

// The journal's own numbers are big-endian. ext4: journal.
const (
	journalMagic      = 0xC03B3998
	journalDescriptor = 1
	journalCommit     = 2
	journalSuperV1    = 3
	journalSuperV2    = 4
	journalRevoke     = 5

	journalRevokeFeature = 0x1
	journal64Bit         = 0x2
	journalAsyncCommit   = 0x4
	journalCsumV2        = 0x8
	journalCsumV3        = 0x10
	journalFastCommit    = 0x20
	journalKnown         = journalRevokeFeature | journal64Bit | journalAsyncCommit | journalCsumV2 | journalCsumV3 | journalFastCommit

	journalHeadSize = 12

	tagEscaped  = 0x1
	tagSameUUID = 0x2
	tagDeleted  = 0x4
	tagLast     = 0x8
)

// journalSuper is the journal's superblock. ext4: journal, "struct
// journal_superblock_s".
type journalSuper struct {
	BlockSize  uint32
	Blocks     uint32 // of the journal
	First      uint32 // block of the log
	Sequence   uint32 // of the first transaction to replay
	Start      uint32 // block where it starts; 0 where the log is empty
	Incompat   uint32
	UUID       [16]byte
	FastBlocks uint32 // at the end, for fast commits
	Seed       uint32 // of its checksums
}

func (s *journalSuper) checksums() bool { return s.Incompat&(journalCsumV2|journalCsumV3) != 0 }

// parseJournalSuper decodes the journal's superblock. The error says why it
// cannot be gone by.
func parseJournalSuper(b []byte, blockSize int64) (journalSuper, error) {
	be := binary.BigEndian
	if len(b) < 1024 || be.Uint32(b) != journalMagic {
		return journalSuper{}, fmt.Errorf("has no superblock")
	}
	kind := be.Uint32(b[4:])
	if kind != journalSuperV1 && kind != journalSuperV2 {
		return journalSuper{}, fmt.Errorf("has no superblock")
	}
	s := journalSuper{BlockSize: be.Uint32(b[12:]), Blocks: be.Uint32(b[16:]), First: be.Uint32(b[20:]),
		Sequence: be.Uint32(b[24:]), Start: be.Uint32(b[28:])}
	if kind == journalSuperV2 {
		s.Incompat = be.Uint32(b[40:])
		copy(s.UUID[:], b[48:])
		if s.Incompat&journalFastCommit != 0 {
			if s.FastBlocks = be.Uint32(b[84:]); s.FastBlocks == 0 {
				s.FastBlocks = 256 // JBD2_DEFAULT_FAST_COMMIT_BLOCKS
			}
		}
	}
	switch {
	case s.Incompat&^uint32(journalKnown) != 0:
		return s, fmt.Errorf("uses features that are not known here (%#x)", s.Incompat&^uint32(journalKnown))
	case int64(s.BlockSize) != blockSize:
		return s, fmt.Errorf("has blocks of %d bytes, the volume of %d", s.BlockSize, blockSize)
	case s.First == 0 || s.First >= s.Blocks || s.FastBlocks >= s.Blocks-s.First || s.Start >= s.Blocks:
		return s, fmt.Errorf("has a superblock that cannot be")
	}
	if s.checksums() {
		c := crc32c(^uint32(0), b[:0xFC])
		c = crc32c(c, []byte{0, 0, 0, 0})
		if c = crc32c(c, b[0x100:1024]); c != be.Uint32(b[0xFC:]) {
			return s, fmt.Errorf("has a superblock that fails its checksum")
		}
		s.Seed = crc32c(^uint32(0), s.UUID[:])
	}
	return s, nil
}

// tagSize is the size of a descriptor's tag. ext4: journal, "Descriptor Block".
func (s *journalSuper) tagSize() int {
	if s.Incompat&journalCsumV3 != 0 {
		return 16
	}
	n := 12
	if s.Incompat&journalCsumV2 != 0 {
		n += 2
	}
	if s.Incompat&journal64Bit == 0 {
		n -= 4
	}
	return n
}

// journalTag says which block of the volume the next block of the log is a
// newer version of.
type journalTag struct {
	Block    uint64
	Flags    uint32
	Checksum uint32
}

// parseTags decodes the tags of a descriptor block. ok is false where the last
// is missing.
func parseTags(s *journalSuper, b []byte) (tags []journalTag, ok bool) {
	be := binary.BigEndian
	size := s.tagSize()
	end := len(b)
	if s.checksums() {
		end -= 4
	}
	for at := journalHeadSize; at+size <= end; {
		t := journalTag{Block: uint64(be.Uint32(b[at:]))}
		if s.Incompat&journalCsumV3 != 0 {
			t.Flags = be.Uint32(b[at+4:])
			t.Block |= uint64(be.Uint32(b[at+8:])) << 32
			t.Checksum = be.Uint32(b[at+12:])
			if s.Incompat&journal64Bit == 0 {
				t.Block &= 1<<32 - 1
			}
		} else {
			t.Checksum = uint32(be.Uint16(b[at+4:]))
			t.Flags = uint32(be.Uint16(b[at+6:]))
			if s.Incompat&journal64Bit != 0 {
				t.Block |= uint64(be.Uint32(b[at+8:])) << 32
			}
		}
		tags = append(tags, t)
		at += size
		if t.Flags&tagSameUUID == 0 {
			at += 16
		}
		if t.Flags&tagLast != 0 {
			return tags, true
		}
	}
	return tags, len(tags) > 0
}

// parseRevokes decodes the block numbers of a revoke block. ext4: journal,
// "Revocation Block".
func parseRevokes(s *journalSuper, b []byte) []uint64 {
	be := binary.BigEndian
	end := len(b)
	if s.checksums() {
		end -= 4
	}
	used := int(be.Uint32(b[12:]))
	if used > end {
		return nil
	}
	var out []uint64
	if s.Incompat&journal64Bit != 0 {
		for at := 16; at+8 <= used; at += 8 {
			out = append(out, be.Uint64(b[at:]))
		}
		return out
	}
	for at := 16; at+4 <= used; at += 4 {
		out = append(out, uint64(be.Uint32(b[at:])))
	}
	return out
}

// journalCopy is the newest version of a block, in the journal.
type journalCopy struct {
	at      int64 // in the image
	escaped bool  // its first four bytes are the journal's magic number and stand there as zeros
	bad     bool  // it fails its checksum, or its place is not known
}

// journalState is what became of the journal.
type journalState struct {
	exists  bool
	note    string // what was used of it, for Info
	pending string // why newer metadata may stand in it all the same, for Listing
	known   bool   // it is known that the volume was not closed
	stale   bool   // it is or may be needed and cannot be replayed whole: what stands on the volume may be an older state
	health  string // what is wrong with it, "" if nothing
	runs    []run  // where it lies
	size    int64
	needs   []ranges.Range // what would tell where more of it lies
	stopAt  uint32         // the block of its log that could not be followed; 0 where none
	fastAt  int64          // in the image, the first block for fast commits; 0 where it does not matter
}

// doubt is what a stale state means for a file, in words.
func (j *journalState) doubt() string {
	if j.known {
		return "the volume was not closed and its journal cannot be replayed whole: this may be an older state of it"
	}
	return "whether the volume was closed is not known, as its journal was not read: this may be an older state of it"
}

// openJournal replays in memory the journal of a volume that was not closed.
func (v *Volume) openJournal(ctx context.Context) error {
	sb, j := &v.sb, &v.journal
	if sb.Compat&compatJournal == 0 {
		return nil
	}
	j.exists = true
	// A copy of the superblock does not know whether the volume was closed, and
	// one that fails its checks does not prove it. Then the journal's own
	// superblock must say so, and where it cannot, everything that was read may
	// be an older state.
	known := v.sbAt == superblockAt && sb.Fault == "" && (sb.Whole || !sb.metadataCsum())
	closed := known && sb.Incompat&incompatRecover == 0
	pend := func(format string, args ...any) {
		j.health = fmt.Sprintf(format, args...)
		if closed {
			return
		}
		j.stale = !v.opt.NoJournal // who leaves it aside has decided so
		j.known = known || j.known
		if j.known {
			j.pending = "the volume was not closed, and " + j.health + ": newer metadata may stand in it"
		} else {
			j.pending = "whether the volume was closed is not known, as " + j.health + ": newer metadata may stand in it"
		}
	}
	if sb.JournalInode == 0 {
		pend("its journal is on another drive")
		return nil
	}
	if why := v.findJournal(); why != "" {
		pend("%s", why)
		return nil
	}
	if closed {
		return nil
	}
	b := make([]byte, v.bs)
	at, ok := v.journalPlace(0)
	if !ok || v.r.ReadReadable(b[:1024], at) != nil {
		pend("the journal's superblock is unread")
		return nil
	}
	s, err := parseJournalSuper(b, v.bs)
	switch {
	case err != nil:
		pend("the journal %v", err)
		return nil
	case s.Start == 0:
		return nil // nothing to replay
	}
	j.known = true
	if v.opt.NoJournal {
		pend("its journal was left aside as asked")
		return nil
	}
	if int64(s.Blocks) > j.size/v.bs {
		pend("the journal claims more blocks than it has")
		return nil
	}
	p := replay{v: v, s: s, newest: map[uint64]tagged{}, revoked: map[uint64]uint32{}}
	if err := p.scan(ctx); err != nil {
		return err
	}
	v.overlay = p.overlay()
	v.overlayKeys = slices.Sorted(maps.Keys(v.overlay))
	j.note = fmt.Sprintf("the volume was not closed: its journal was replayed in memory, %d transactions with the newest versions of %d blocks", p.transactions, len(v.overlay))
	bad := 0
	for _, c := range v.overlay {
		if c.bad || !v.r.IsRead(c.at, v.bs) {
			bad++
		}
	}
	switch {
	case p.stop != "":
		j.stopAt = p.stopAt
		pend("its journal cannot be followed through block %d of it, %s", p.stopAt, p.stop)
	case s.FastBlocks > 0 && v.fastCommits(&s):
		j.fastAt, _ = v.journalPlace(s.Blocks - s.FastBlocks)
		pend("its journal holds fast commits, which are not replayed")
	case bad > 0:
		pend("%d blocks in its journal are unread or fail their checksum", bad)
		j.stale = false // these blocks count as unread; they make nothing else older
	}
	return nil
}

// findJournal finds where the journal lies: by its inode, else by the copy of
// that in the superblock. why says in words why it cannot be found.
func (v *Volume) findJournal() (why string) {
	sb, j := &v.sb, &v.journal
	p := v.newMapper()
	rec := v.readInode(sb.JournalInode)
	n := rec.inode
	if rec.state != recordLive || !n.isFile() {
		if sb.JournalBackup != 1 {
			return "the journal's inode is unread or damaged"
		}
		n = inode{Number: sb.JournalInode, Mode: modeFile, Links: 1, Size: int64(sb.JournalBlocks[16]) | int64(sb.JournalBlocks[15])<<32}
		for i := range iBlockSize / 4 {
			binary.LittleEndian.PutUint32(n.Block[4*i:], sb.JournalBlocks[i])
		}
		if binary.LittleEndian.Uint16(n.Block[:]) == extentMagic && sb.Incompat&incompatExtents != 0 {
			n.Flags = inodeExtents
		}
		n.Seed = crc32cLE32(crc32cLE32(sb.ChecksumSeed, n.Number), 0)
	}
	if n.Size <= 0 || uint64(n.Size) > sb.Blocks*uint64(v.bs) {
		return "the journal's size cannot be"
	}
	m := p.mapInode(&n)
	j.runs, j.size, j.needs = m.Runs, n.Size, v.needsOfTree(&m)
	return ""
}

// journalPlace is where block b of the journal lies in the image.
func (v *Volume) journalPlace(b uint32) (int64, bool) {
	runs := v.journal.runs
	i, ok := slices.BinarySearchFunc(runs, uint64(b), func(r run, b uint64) int {
		switch {
		case r.Logical+r.Length <= b:
			return -1
		case r.Logical > b:
			return 1
		}
		return 0
	})
	if !ok || runs[i].Kind != runData {
		return 0, false
	}
	return v.start + int64(runs[i].Physical+uint64(b)-runs[i].Logical)*v.bs, true
}

// replay follows the log of a journal.
type replay struct {
	v *Volume
	s journalSuper

	newest       map[uint64]tagged // by block of the volume
	revoked      map[uint64]uint32 // transaction that revoked a block last
	transactions int
	stop         string // why the log could not be followed to its end
	stopAt       uint32
}

// tagged is a block of the log with what its tag says of it.
type tagged struct {
	copy     journalCopy
	sequence uint32
}

// overlay is the newest version of every block that was not revoked since.
func (p *replay) overlay() map[uint64]journalCopy {
	out := make(map[uint64]journalCopy, len(p.newest))
	for block, t := range p.newest {
		if by, ok := p.revoked[block]; ok && int32(by-t.sequence) >= 0 {
			continue // revoked in the same transaction or a later one
		}
		out[block] = t.copy
	}
	return out
}

// scan reads the log from its start, transaction by transaction, for as long
// as they follow each other. What has no commit block does not count.
//
// Where a block that should say what follows is unread or fails its checksum,
// the log is taken up again at the next that says so: no other block of a log
// starts with the magic number (it is escaped where data does), and those of
// earlier rounds have lower sequence numbers.
func (p *replay) scan(ctx context.Context) error {
	s, v := &p.s, p.v
	be := binary.BigEndian
	b := make([]byte, v.bs)
	at, sequence := s.Start, s.Sequence
	last := s.Blocks - s.FastBlocks // the first block past the log
	t := transaction{blocks: map[uint64]tagged{}}
	wrap := func(b uint32) uint32 {
		if b++; b >= last {
			return s.First
		}
		return b
	}
	lost := false // since the last block that said what follows
	lose := func(why string) {
		if p.stop == "" {
			p.stop, p.stopAt = why, at
		}
		lost = true
	}
	for seen := uint32(0); seen <= last; seen++ { // the log is at most once around
		if err := ctx.Err(); err != nil {
			return err
		}
		place, ok := v.journalPlace(at)
		switch {
		case !ok:
			lose("whose place is unknown")
		case v.r.ReadReadable(b, place) != nil:
			lose("which is unread")
		case be.Uint32(b) != journalMagic || int32(be.Uint32(b[8:])-sequence) < 0 || !lost && be.Uint32(b[8:]) != sequence:
			if !lost {
				return nil // the end of the log
			}
		case !p.headOK(b):
			if be.Uint32(b[4:]) == journalCommit {
				return nil // written in part: the transaction does not count
			}
			lose("which fails its checksum")
		default:
			lost = false
			if got := be.Uint32(b[8:]); got != sequence {
				// a later transaction is there, so this one was committed
				p.commit(&t, sequence)
				sequence = got
			}
			switch be.Uint32(b[4:]) {
			case journalDescriptor:
				tags, _ := parseTags(s, b)
				for _, tag := range tags {
					at = wrap(at)
					seen++
					p.take(&t, tag, at, sequence)
				}
			case journalRevoke:
				t.revokes = append(t.revokes, parseRevokes(s, b)...)
			case journalCommit:
				p.commit(&t, sequence)
				sequence++
			default:
				return nil
			}
		}
		at = wrap(at)
	}
	return nil
}

// transaction is what a transaction that is being read holds.
type transaction struct {
	blocks  map[uint64]tagged
	revokes []uint64
}

// take notes the block at of the log under its tag.
func (p *replay) take(t *transaction, tag journalTag, at, sequence uint32) {
	place, ok := p.v.journalPlace(at)
	c := journalCopy{at: place, escaped: tag.Flags&tagEscaped != 0, bad: !ok}
	if ok && p.s.checksums() {
		c.bad = p.tagBad(tag, place, sequence)
	}
	if tag.Block < p.v.sb.Blocks && tag.Flags&tagDeleted == 0 {
		t.blocks[tag.Block] = tagged{c, sequence}
	}
}

// commit makes what a transaction holds the newest.
func (p *replay) commit(t *transaction, sequence uint32) {
	maps.Copy(p.newest, t.blocks)
	for _, r := range t.revokes {
		p.revoked[r] = sequence
	}
	clear(t.blocks)
	t.revokes = t.revokes[:0]
	p.transactions++
}

// headOK holds a block that says what follows against its checksum, on
// journals that keep these.
func (p *replay) headOK(b []byte) bool {
	if !p.s.checksums() {
		return true
	}
	switch binary.BigEndian.Uint32(b[4:]) {
	case journalDescriptor, journalRevoke:
		return p.tailOK(b)
	case journalCommit:
		return p.commitOK(b)
	}
	return true
}

// tailOK holds a descriptor or revoke block against the checksum in its last
// four bytes. ext4: journal, "struct jbd2_journal_block_tail".
func (p *replay) tailOK(b []byte) bool {
	t := len(b) - 4
	c := crc32c(p.s.Seed, b[:t])
	return crc32c(c, []byte{0, 0, 0, 0}) == binary.BigEndian.Uint32(b[t:])
}

// commitOK holds a commit block against its checksum. ext4: journal, "struct
// commit_header", h_chksum.
func (p *replay) commitOK(b []byte) bool {
	c := crc32c(p.s.Seed, b[:16])
	c = crc32c(c, []byte{0, 0, 0, 0})
	return crc32c(c, b[20:]) == binary.BigEndian.Uint32(b[16:])
}

// tagBad reports whether a block of the log that was read fails the checksum
// in its tag.
func (p *replay) tagBad(t journalTag, place int64, sequence uint32) bool {
	b := make([]byte, p.v.bs)
	if p.v.r.ReadReadable(b, place) != nil {
		return false // unread, which shows where it is used
	}
	c := crc32c(p.s.Seed, binary.BigEndian.AppendUint32(nil, sequence))
	c = crc32c(c, b)
	if p.s.Incompat&journalCsumV3 == 0 {
		c &= 0xFFFF
	}
	return c != t.Checksum
}

// fastCommits reports whether the fast commit area holds anything, or is
// unread. ext4: journal, "Fast commits".
func (v *Volume) fastCommits(s *journalSuper) bool {
	at, ok := v.journalPlace(s.Blocks - s.FastBlocks)
	b := make([]byte, v.bs)
	if !ok || v.r.ReadReadable(b, at) != nil {
		return true
	}
	return binary.LittleEndian.Uint16(b) == fastCommitHead
}

// fastCommitHead is the tag that a fast commit starts with (EXT4_FC_TAG_HEAD).
const fastCommitHead = 9
