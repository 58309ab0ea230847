package ext

import (
	"context"
	"encoding/binary"
	"fmt"
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
	end          uint32 // the transaction that follows the last one
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

func newReplay(j *journal, s journalSuper) replay {
	return replay{journal: j, s: s, blocks: map[uint64]tagged{}, newest: map[uint64]tagged{}, revoked: map[uint64]uint32{}}
}

// next is the block of the log behind another.
func (p *replay) next(b uint32) uint32 {
	if b++; b >= p.s.last() {
		return p.s.First
	}
	return b
}

// head reads what block at of the log says of what follows it, where it is of
// the transaction with the given sequence number or of a later one; kind is 0
// where it says nothing. Those of earlier rounds have lower numbers, and a log
// has no more transactions than blocks. No other block of a log starts with
// the magic number: it is escaped where data does.
func (p *replay) head(b []byte, sequence uint32) (kind, got uint32) {
	be := binary.BigEndian
	kind, got = be.Uint32(b[4:]), be.Uint32(b[8:])
	if be.Uint32(b) != journalMagic || got-sequence > p.s.Blocks ||
		kind != journalDescriptor && kind != journalCommit && kind != journalRevoke {
		return 0, 0
	}
	return kind, got
}

// scan reads the whole log from its start. What has no commit block does not
// count.
//
// Where a block that should say what follows does not, or is unread, the log
// ends, or it was broken there: which of the two is told by what stands behind
// it. A crash leaves at most the beginning of a transaction, and only blocks of
// earlier rounds behind that. Where the log goes on all the same it is taken
// up again, so that all that can be listed is, and stop says that it was broken:
// what the missing part touched is not known.
func (p *replay) scan(ctx context.Context) error {
	s := &p.s
	b := make([]byte, p.journal.vol.bs)
	at, sequence := s.Start, s.Sequence
	gap, why := uint32(0), "" // since the last block that said what follows
	broken := func() {
		if p.stop == "" {
			p.stop, p.stopAt = why, gap
		}
	}
	lose := func(w string, proved bool) {
		if why == "" {
			gap, why = at, w
		}
		if proved {
			broken()
		}
	}
	for seen := s.First; seen < s.last(); seen++ { // the log is at most once around
		if err := ctx.Err(); err != nil {
			return err
		}
		lost := why != ""
		if lost { // most of what follows the end of a log is nothing: its first bytes show it
			if h := p.journal.read(b[:journalHeadSize], at); !h.Whole() {
				at = p.next(at)
				continue
			} else if kind, _ := p.head(h.Data, sequence); kind == 0 {
				at = p.next(at)
				continue
			}
		}
		whole := p.journal.read(b, at).Whole()
		kind, got := p.head(b, sequence)
		switch _, ok := p.journal.place(at); {
		case !ok:
			lose("whose place is unknown", true)
		case !whole:
			lose("which is unread", true)
		case kind == 0:
			lose("which does not go on with it although later blocks do", false)
		case !p.headOK(b):
			lose("which fails its checksum", true)
		default:
			if got != sequence {
				lose("where a transaction is missing", true)
				// a later one is there, so what was read of this one was committed
				p.commit(sequence)
				sequence = got
			}
			if lost {
				broken()
			}
			gap, why = 0, ""
			switch kind {
			case journalDescriptor:
				for _, tag := range parseTags(s, b) {
					at = p.next(at)
					seen++
					p.take(tag, at, sequence)
				}
			case journalRevoke:
				p.revokes = append(p.revokes, parseRevokes(s, b)...)
			case journalCommit:
				p.commit(sequence)
				sequence++
			}
		}
		at = p.next(at)
	}
	p.end = sequence
	return nil
}

// empty is the state of a journal whose superblock says that its log is empty,
// which nothing of the volume says: a volume that is in use is like that until
// its first change, and one whose journal's superblock is an old one.
func (p *replay) empty(ctx context.Context, known bool) (st journalState, err error) {
	b := make([]byte, p.journal.vol.bs)
	for at := p.s.First; at < p.s.last(); at++ {
		if err := ctx.Err(); err != nil {
			return st, err
		}
		if !p.journal.read(b[:journalHeadSize], at).Whole() {
			continue
		}
		if kind, _ := p.head(b, p.s.Sequence); kind == 0 || !p.journal.read(b, at).Whole() || !p.headOK(b) {
			continue
		}
		p.journal.stopAt = at
		st.why = fmt.Sprintf("its journal says that its log is empty, and block %d of that holds a later transaction", at)
		return st, nil
	}
	if known {
		p.journal.say("the volume was not closed, but its journal is empty: changes since it was opened are not on the drive")
	}
	return st, nil
}

// take notes the block at of the log under its tag.
func (p *replay) take(tag journalTag, at, sequence uint32) {
	place, ok := p.journal.place(at)
	c := journalCopy{at: place, escaped: tag.Flags&tagEscaped != 0, bad: !ok || p.s.checksums() && p.tagBad(tag, at, sequence)}
	if tag.Flags&tagDeleted == 0 {
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
