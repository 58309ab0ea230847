package ext

import (
	"context"
	"encoding/binary"
	"maps"
	"slices"
)

// replay follows the log of a journal.
type replay struct {
	journal *journal
	s       journalSuper

	blocks  map[uint64]tagged // of the transaction that is being read, by block of the volume
	revokes []uint64          // of that too

	newest       map[uint64]tagged
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
func (p *replay) overlay() overlay {
	magic, _ := p.journal.place(0) // where its superblock begins as all its blocks do
	out := overlay{copies: make(map[uint64]journalCopy, len(p.newest)), magic: magic}
	for block, t := range p.newest {
		if by, ok := p.revoked[block]; ok && int32(by-t.sequence) >= 0 {
			continue // revoked in the same transaction or a later one
		}
		out.copies[block] = t.copy
	}
	out.keys = slices.Sorted(maps.Keys(out.copies))
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
	s := &p.s
	be := binary.BigEndian
	b := make([]byte, p.journal.vol.bs)
	at, sequence := s.Start, s.Sequence
	last := s.Blocks - s.FastBlocks // the first block past the log
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
		_, ok := p.journal.place(at)
		switch {
		case !ok:
			lose("whose place is unknown")
		case !p.journal.read(b, at).Whole():
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
				p.commit(sequence)
				sequence = got
			}
			switch be.Uint32(b[4:]) {
			case journalDescriptor:
				for _, tag := range parseTags(s, b) {
					at = wrap(at)
					seen++
					p.take(tag, at, sequence)
				}
			case journalRevoke:
				p.revokes = append(p.revokes, parseRevokes(s, b)...)
			case journalCommit:
				p.commit(sequence)
				sequence++
			default:
				return nil
			}
		}
		at = wrap(at)
	}
	return nil
}

// take notes the block at of the log under its tag.
func (p *replay) take(tag journalTag, at, sequence uint32) {
	place, ok := p.journal.place(at)
	c := journalCopy{at: place, escaped: tag.Flags&tagEscaped != 0, bad: !ok || p.s.checksums() && p.tagBad(tag, at, sequence)}
	if tag.Block < p.journal.vol.sb.Blocks && tag.Flags&tagDeleted == 0 {
		p.blocks[tag.Block] = tagged{c, sequence}
	}
}

// commit makes what the transaction that was read holds the newest.
func (p *replay) commit(sequence uint32) {
	maps.Copy(p.newest, p.blocks)
	for _, r := range p.revokes {
		p.revoked[r] = sequence
	}
	clear(p.blocks)
	p.revokes = p.revokes[:0]
	p.transactions++
}

// headOK holds a block that says what follows against its checksum, on
// journals that keep these: it stands in the last four bytes (ext4: journal,
// "struct jbd2_journal_block_tail"), of a commit block in h_chksum ("struct
// commit_header").
func (p *replay) headOK(b []byte) bool {
	at := len(b) - 4
	switch be := binary.BigEndian; {
	case !p.s.checksums():
		return true
	case be.Uint32(b[4:]) == journalCommit:
		at = 16
		fallthrough
	case be.Uint32(b[4:]) == journalDescriptor, be.Uint32(b[4:]) == journalRevoke:
		return crc32c(p.s.Seed, b[:at], zeros, b[at+4:]) == be.Uint32(b[at:])
	}
	return true
}

// tagBad reports whether a block of the log that was read fails the checksum
// in its tag.
func (p *replay) tagBad(t journalTag, at, sequence uint32) bool {
	b := p.journal.read(make([]byte, p.journal.vol.bs), at)
	if !b.Whole() {
		return false // unread, which shows where it is used
	}
	c := crc32c(p.s.Seed, binary.BigEndian.AppendUint32(nil, sequence), b.Data)
	if p.s.Incompat&journalCsumV3 == 0 {
		c &= 0xFFFF
	}
	return c != t.Checksum
}

// fastCommits reports whether the fast commit area holds anything, or is
// unread. ext4: journal, "Fast commits".
func (p *replay) fastCommits() bool {
	b := p.journal.read(make([]byte, p.journal.vol.bs), p.s.Blocks-p.s.FastBlocks)
	return !b.Whole() || binary.LittleEndian.Uint16(b.Data) == fastCommitHead
}

// fastCommitHead is the tag that a fast commit starts with (EXT4_FC_TAG_HEAD).
const fastCommitHead = 9
