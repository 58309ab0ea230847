package ext

import (
	"context"
	"encoding/binary"
	"fmt"
	"slices"
	"sort"

	"fileassay/extract/needs"
	"fileassay/extract/partial"
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

	journalHeadSize  = 12
	minJournalBlocks = 1024 // JBD2_MIN_JOURNAL_BLOCKS, of the log

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
	Errno      int32  // why its driver gave it up; 0 where it did not
	Incompat   uint32
	UUID       [16]byte
	FastBlocks uint32 // at the end, for fast commits
	Seed       uint32 // of its checksums
}

// last is the first block past the log.
func (s *journalSuper) last() uint32 { return s.Blocks - s.FastBlocks }

func (s *journalSuper) checksums() bool { return s.Incompat&(journalCsumV2|journalCsumV3) != 0 }

// end is where what a descriptor or revoke block says ends, before its checksum.
func (s *journalSuper) end(b []byte) int {
	if s.checksums() {
		return len(b) - 4
	}
	return len(b)
}

// parseJournalSuper decodes the journal's superblock. The error says why it
// cannot be gone by.
func parseJournalSuper(b []byte, blockSize int64) (journalSuper, error) {
	be := binary.BigEndian
	if len(b) < 1024 || be.Uint32(b) != journalMagic || be.Uint32(b[4:]) != journalSuperV1 && be.Uint32(b[4:]) != journalSuperV2 {
		return journalSuper{}, fmt.Errorf("has no superblock")
	}
	s := journalSuper{BlockSize: be.Uint32(b[12:]), Blocks: be.Uint32(b[16:]), First: be.Uint32(b[20:]),
		Sequence: be.Uint32(b[24:]), Start: be.Uint32(b[28:]), Errno: int32(be.Uint32(b[32:]))}
	if be.Uint32(b[4:]) == journalSuperV2 {
		s.Incompat = be.Uint32(b[40:])
		copy(s.UUID[:], b[48:])
		if s.Incompat&journalFastCommit != 0 {
			if s.FastBlocks = be.Uint32(b[84:]); s.FastBlocks == 0 {
				s.FastBlocks = 256 // JBD2_DEFAULT_FAST_COMMIT_BLOCKS
			}
			if int64(s.Blocks)-int64(s.FastBlocks) < minJournalBlocks {
				s.FastBlocks = 0 // as drivers do
			}
		}
	}
	switch {
	case s.Incompat&^uint32(journalKnown) != 0:
		return s, fmt.Errorf("uses features that are not known here (%#x)", s.Incompat&^uint32(journalKnown))
	case int64(s.BlockSize) != blockSize:
		return s, fmt.Errorf("has blocks of %d bytes, the volume of %d", s.BlockSize, blockSize)
	case s.First == 0 || s.First >= s.Blocks || s.First >= s.last() || s.Start >= s.last():
		return s, fmt.Errorf("has a superblock that cannot be")
	}
	if s.checksums() {
		if crc32c(^uint32(0), b[:0xFC], zeros, b[0x100:1024]) != be.Uint32(b[0xFC:]) {
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

// parseTags decodes the tags of a descriptor block.
func parseTags(s *journalSuper, b []byte) (tags []journalTag) {
	be := binary.BigEndian
	size := s.tagSize()
	for at := journalHeadSize; at+size <= s.end(b); {
		t := journalTag{uint64(be.Uint32(b[at:])), uint32(be.Uint16(b[at+6:])), uint32(be.Uint16(b[at+4:]))}
		if s.Incompat&journalCsumV3 != 0 {
			t.Flags, t.Checksum = be.Uint32(b[at+4:]), be.Uint32(b[at+12:])
		}
		if s.Incompat&journal64Bit != 0 {
			t.Block |= uint64(be.Uint32(b[at+8:])) << 32
		}
		tags = append(tags, t)
		at += size
		if t.Flags&tagSameUUID == 0 {
			at += 16
		}
		if t.Flags&tagLast != 0 {
			break
		}
	}
	return tags
}

// parseRevokes decodes the block numbers of a revoke block. ext4: journal,
// "Revocation Block".
func parseRevokes(s *journalSuper, b []byte) []uint64 {
	be := binary.BigEndian
	width, used := 4, int(be.Uint32(b[12:]))
	if s.Incompat&journal64Bit != 0 {
		width = 8
	}
	if used > s.end(b) {
		return nil
	}
	var out []uint64
	for at := 16; at+width <= used; at += width {
		block := uint64(be.Uint32(b[at:]))
		if width == 8 {
			block = be.Uint64(b[at:])
		}
		out = append(out, block)
	}
	return out
}

// journalCopy is the newest version of a block, in the journal.
type journalCopy struct {
	at      int64 // in the image
	escaped bool  // its first four bytes are the journal's magic number and stand there as zeros
	bad     bool  // it fails its checksum, or its place is not known
}

// journal is where a volume's journal lies and what became of it.
type journal struct {
	vol     *records
	exists  bool              // the volume has one
	note    string            // what was used of it, for Info
	pending []string          // why newer metadata may stand in it all the same, or be nowhere, for Listing
	stale   string            // why what stands on the volume may be an older state, "" where it is none
	touched map[uint32]string // inodes of which newer versions may stand in it, with the reason
	taken   []ranges.Range    // in the image, what fast commits give to files
	health  string            // what is wrong with it, "" if nothing
	runs    []run             // where it lies
	size    int64
	inode   recordState    // of its inode
	needs   []ranges.Range // what would tell where more of it lies
	stopAt  uint32         // the block of its log that could not be followed; 0 where none
	fastAt  uint32         // the block of its fast commits that could not be; 0 where none
}

// doubt is what the journal's state means for every file, in words, "" for nothing.
func (j *journal) doubt() string { return j.stale }

// openJournal replays in memory the journal of a volume that was not closed.
func openJournal(ctx context.Context, v *records) (*journal, error) {
	sb, j := &v.sb, &journal{vol: v, touched: map[uint32]string{}}
	// A copy of the superblock does not know whether the volume was closed, and
	// one that fails its checks does not prove it. Then the journal's own
	// superblock must say so, and where it cannot, everything that was read may
	// be an older state.
	known := v.sbAt == superblockAt && sb.Fault == "" && (sb.Whole || !sb.metadataCsum())
	j.exists = sb.Compat&compatJournal != 0
	// A volume without a journal whose changes did not all reach the drive holds
	// what any reader of the drive would find there: its files are what they are,
	// but entries may not have been written yet, or not been taken out.
	switch was := sb.State; {
	case v.sbAt < 0:
	case known && was&stateErrors != 0:
		j.say("the volume is marked as one with errors: its driver found contradictions in it, and what rests on them may be missing")
	case known && was&stateClosed == 0 && j.exists:
		j.say("the volume is marked as one that is being repaired: it may be in the middle of a change")
	case known && was&stateClosed == 0:
		j.say("the volume was not closed and has no journal: it may be in the middle of a change")
	case !known && !j.exists:
		j.say("whether the volume was closed is not known, as its superblock is unread or fails its checks: it may be in the middle of a change")
	}
	if !j.exists {
		return j, nil
	}
	closed := known && sb.Incompat&incompatRecover == 0
	state, err := j.open(ctx, known, closed)
	if err != nil || state.why == "" {
		return j, err
	}
	if j.health = state.why; closed && !state.opposes {
		return j, nil // it means nothing for what stands on the volume
	}
	was, older := "the volume was not closed, and ", "the volume was not closed and its journal cannot be replayed whole: this may be an older state of it"
	switch {
	case closed:
		was, older = "the volume's superblock says that it was closed, but ", "whether the volume was closed is contradicted: this may be an older state of it"
	case !known && !state.open:
		was, older = "whether the volume was closed is not known, as ", "whether the volume was closed is not known, as its journal was not read: this may be an older state of it"
	}
	j.say(was + state.why + ": newer metadata may stand in it")
	if !state.replayed && !v.opt.NoJournal { // who leaves it aside has decided so
		j.stale = older
	}
	return j, nil
}

// say says why the list is not complete.
func (j *journal) say(why string) { j.pending = append(j.pending, why) }

// journalState is what became of a journal.
type journalState struct {
	why      string // it cannot be used whole, "" if it can
	open     bool   // its own superblock says that it was not closed
	opposes  bool   // it contradicts that the volume was closed
	replayed bool   // its log was followed to its end: what is wrong makes nothing else older
}

// open finds the journal and replays it unless the volume was closed.
func (j *journal) open(ctx context.Context, known, closed bool) (st journalState, err error) {
	v := j.vol
	if v.sb.JournalInode == 0 {
		st.why = "its journal is on another drive"
		return st, nil
	}
	if st.why = j.find(); st.why != "" {
		return st, nil
	}
	b := j.read(make([]byte, v.bs), 0)
	if !b.Has(0, 1024) {
		if !closed {
			st.why = "the journal's superblock is unread"
		}
		return st, nil
	}
	s, err := parseJournalSuper(b.Data, v.bs)
	if err != nil {
		if !closed {
			st.why = "the journal " + err.Error()
		}
		return st, nil
	}
	if s.Errno != 0 && v.sb.State&stateErrors == 0 {
		j.say(fmt.Sprintf("the journal is marked as given up by its driver (error %d): what rests on that may be missing", s.Errno))
	}
	st.open = s.Start != 0
	p := newReplay(j, s)
	switch {
	case closed && !st.open:
		return st, nil
	case closed: // drivers throw the log away
		st.why, st.opposes = fmt.Sprintf("its journal has a log that begins in block %d", s.Start), true
		return st, nil
	case st.open && v.opt.NoJournal:
		st.why = "its journal was left aside as asked"
		return st, nil
	case int64(s.Blocks) > j.size/v.bs:
		st.why = "the journal claims more blocks than it has"
		return st, nil
	case !st.open: // drivers replay nothing
		return p.empty(ctx, known)
	}
	if err := p.scan(ctx); err != nil {
		return st, err
	}
	newer := p.overlay()
	j.note = fmt.Sprintf("the volume was not closed: its journal was replayed in memory, %d transactions with the newest versions of %d blocks", p.transactions, len(newer.copies))
	if len(newer.copies) > 0 {
		v.replay(newer)
	}
	if v.sb.State&stateErrors != 0 && len(j.pending) == 0 {
		j.say("the volume is marked as one with errors in its journal: what rests on them may be missing")
	}
	bad := 0
	for _, c := range newer.copies {
		if c.bad || !v.r.IsRead(c.at, v.bs) {
			bad++
		}
	}
	past, _ := slices.BinarySearch(newer.keys, v.count)
	past = len(newer.keys) - past
	switch {
	case p.stop != "":
		j.stopAt = p.stopAt
		st.why = fmt.Sprintf("its journal cannot be followed through block %d of it, %s", p.stopAt, p.stop)
		return st, nil
	case past > 0:
		st.why = fmt.Sprintf("its journal holds %d blocks that lie past the end of the volume", past)
		return st, nil
	}
	if st.why = p.fastCommits(); st.why != "" {
		return st, nil
	}
	if st.why = p.begun(); st.why != "" {
		return st, nil
	}
	if bad > 0 { // these blocks count as unread; they make nothing else older
		st.why, st.replayed = fmt.Sprintf("%d blocks in its journal are unread or fail their checksum", bad), true
	}
	return st, nil
}

// find finds where the journal lies: by its inode, else by the copy of that in
// the superblock. why says in words why it cannot be found.
func (j *journal) find() (why string) {
	v, sb := j.vol, &j.vol.sb
	rec := v.readInode(sb.JournalInode)
	n := rec.inode
	if j.inode = rec.state; rec.state != recordLive || !n.isFile() {
		if sb.JournalBackup != 1 {
			return "the journal's inode is unread or damaged"
		}
		size := sb.JournalBlocks[iBlockSize:]
		n = inode{Number: sb.JournalInode, Mode: modeFile, Links: 1, Block: [iBlockSize]byte(sb.JournalBlocks[:]),
			Size: int64(binary.LittleEndian.Uint32(size[4:])) | int64(binary.LittleEndian.Uint32(size))<<32}
		if binary.LittleEndian.Uint16(n.Block[:]) == extentMagic && sb.Incompat&incompatExtents != 0 {
			n.Flags = inodeExtents
		}
		n.Seed = crc32cLE32(crc32cLE32(sb.ChecksumSeed, n.Number), 0)
	}
	if n.Size <= 0 || uint64(n.Size) > sb.Blocks*uint64(v.bs) {
		return "the journal's size cannot be"
	}
	m := newMapper(v.layout).mapInode(&n)
	j.runs, j.size = m.Runs, n.Size
	if m.Cut {
		j.needs = v.needsOfBlocks(nil, m.Tree...)
	}
	return ""
}

// place is where block b of the journal lies in the image.
func (j *journal) place(b uint32) (at int64, ok bool) {
	i := sort.Search(len(j.runs), func(i int) bool { return j.runs[i].Logical+j.runs[i].Length > uint64(b) })
	if i == len(j.runs) || j.runs[i].Logical > uint64(b) || j.runs[i].Kind != runData {
		return 0, false
	}
	return j.vol.span(j.runs[i].Physical+uint64(b)-j.runs[i].Logical, 1).Start, true
}

// read reads block b of the journal into buf; nothing of one whose place is not
// known.
func (j *journal) read(buf []byte, b uint32) partial.Bytes {
	if at, ok := j.place(b); ok {
		return j.vol.r.Partial(buf, at)
	}
	return unreadBytes(buf)
}

// needed is what is unread of a journal that may hold newer metadata: its
// inode, what says where it lies, its superblock, and as much of its log as
// could not be followed.
func (j *journal) needed() []ranges.Range {
	v := j.vol
	if v.sb.JournalInode == 0 {
		return nil
	}
	if j.inode != recordLive && j.runs == nil {
		return v.needsOfRecord(v.sb.JournalInode)
	}
	l := needs.New(v.r, needs.Most)
	l.AddAll(j.needs)
	if at, ok := j.place(0); ok {
		l.Add(at, 1024)
	}
	if at, ok := j.place(j.fastAt); ok && j.fastAt > 0 {
		l.Add(at, v.bs)
	}
	if j.stopAt > 0 {
		for b := j.stopAt; b < j.stopAt+logStep && int64(b)*v.bs < j.size; b++ {
			if at, ok := j.place(b); ok {
				l.Add(at, v.bs)
			}
		}
	}
	return l.Ranges()
}

// logStep is how many blocks of a journal's log are asked for at once.
const logStep = 64
