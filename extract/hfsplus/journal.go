package hfsplus

import (
	"encoding/binary"
	"errors"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// Offsets in the journal info block (TN1150, Journal Info Block).
const (
	jibFlags  = 0
	jibOffset = 36
	jibLength = 44
	jibSize   = 52

	jibInVolume  = 1 // kJIJournalInFSMask
	jibElsewhere = 2 // kJIJournalOnOtherDeviceMask
	jibNeedInit  = 4 // kJIJournalNeedInitMask
)

// journalInfo says where the journal is (TN1150, Journal Info Block).
type journalInfo struct {
	flags  uint32
	offset int64 // from the volume's start
	length int64
}

func parseJournalInfo(b []byte) (journalInfo, error) {
	if len(b) < jibSize {
		return journalInfo{}, fmt.Errorf("journal info block: %w: %d bytes", errShort, len(b))
	}
	off, n := binary.BigEndian.Uint64(b[jibOffset:]), binary.BigEndian.Uint64(b[jibLength:])
	if off > 1<<60 || n > 1<<60 {
		return journalInfo{}, fmt.Errorf("journal info block: %d bytes at %d are on no volume", n, off)
	}
	return journalInfo{binary.BigEndian.Uint32(b[jibFlags:]), int64(off), int64(n)}, nil
}

// Offsets in the journal header (TN1150, Journal Header).
const (
	jhMagic     = 0
	jhEndian    = 4
	jhStart     = 8
	jhEnd       = 16
	jhLength    = 24
	jhListSize  = 32
	jhChecksum  = 36
	jhSize      = 40
	jhBytes     = 44
	journalBOM  = 0x12345678
	journalSign = 0x4A4E4C78 // "JNLx"
)

// journalHeader is the head of the journal (TN1150, Journal Header).
type journalHeader struct {
	order      binary.ByteOrder
	start, end int64 // of the transactions, in the journal
	length     int64 // of the journal
	listSize   int64 // bytes of a block list header with its entries
	sector     int64 // bytes of the header, and of the unit of block numbers
}

func parseJournalHeader(b []byte) (journalHeader, error) {
	var h journalHeader
	if len(b) < jhBytes {
		return h, fmt.Errorf("journal header: %w: %d bytes", errShort, len(b))
	}
	switch {
	case binary.LittleEndian.Uint32(b[jhMagic:]) == journalSign && binary.LittleEndian.Uint32(b[jhEndian:]) == journalBOM:
		h.order = binary.LittleEndian
	case binary.BigEndian.Uint32(b[jhMagic:]) == journalSign && binary.BigEndian.Uint32(b[jhEndian:]) == journalBOM:
		h.order = binary.BigEndian
	default:
		return h, errors.New("journal header: no signature")
	}
	var sum [jhBytes]byte
	copy(sum[:], b)
	clear(sum[jhChecksum:jhSize])
	if got, want := journalSum(sum[:]), h.order.Uint32(b[jhChecksum:]); got != want {
		return h, fmt.Errorf("journal header: its checksum is %#08x, not %#08x", got, want)
	}
	start, end, length := h.order.Uint64(b[jhStart:]), h.order.Uint64(b[jhEnd:]), h.order.Uint64(b[jhLength:])
	list, size := h.order.Uint32(b[jhListSize:]), h.order.Uint32(b[jhSize:])
	switch {
	case size < 512 || size > 1<<16 || size%512 != 0:
		return h, fmt.Errorf("journal header: has %d bytes", size)
	case list < 32 || list > 1<<24:
		return h, fmt.Errorf("journal header: block lists of %d bytes", list)
	case length > 1<<40 || length < 2*uint64(size) || uint64(list) > length:
		return h, fmt.Errorf("journal header: a journal of %d bytes", length)
	case start < uint64(size) || start > length || end < uint64(size) || end > length:
		return h, fmt.Errorf("journal header: transactions from %d to %d in a journal of %d bytes", start, end, length)
	}
	h.start, h.end, h.length, h.listSize, h.sector = int64(start), int64(end), int64(length), int64(list), int64(size)
	return h, nil
}

// journalSum is the checksum of the journal's structures (TN1150, Journal
// Checksums).
func journalSum(b []byte) uint32 {
	var sum uint32
	for _, c := range b {
		sum = sum<<8 ^ (sum + uint32(c))
	}
	return ^sum
}

// A block list header has 16 bytes and 16 for each entry, the first of which
// tells only whether the transaction goes on in a further list (TN1150, Block
// List Header).
const (
	listCount    = 2
	listUsed     = 4
	listSum      = 8
	listSummed   = 32 // bytes that the checksum is of
	listEntry    = 16
	entryNext    = 12
	entrySkipped = ^uint64(0) // of a block that was freed before it was written
)

// blockList is the head of a block list (TN1150, Block List Header).
type blockList struct {
	count int   // entries, the first included
	used  int64 // bytes of the list and its blocks
	more  bool  // the transaction goes on in the next list
}

func (h *journalHeader) parseList(b []byte) (blockList, error) {
	if len(b) < listSummed {
		return blockList{}, fmt.Errorf("block list: %w: %d bytes", errShort, len(b))
	}
	var sum [listSummed]byte
	copy(sum[:], b)
	clear(sum[listSum : listSum+4])
	if got, want := journalSum(sum[:]), h.order.Uint32(b[listSum:]); got != want {
		return blockList{}, fmt.Errorf("block list: its checksum is %#08x, not %#08x", got, want)
	}
	l := blockList{count: int(h.order.Uint16(b[listCount:])), used: int64(h.order.Uint32(b[listUsed:])),
		more: h.order.Uint32(b[listEntry+entryNext:]) != 0}
	if l.count < 1 || int64(l.count+1)*listEntry > h.listSize {
		return l, fmt.Errorf("block list: %d entries do not fit in %d bytes", l.count, h.listSize)
	}
	if l.used < h.listSize || l.used > h.length-h.sector {
		return l, fmt.Errorf("block list: uses %d bytes of a journal of %d", l.used, h.length)
	}
	return l, nil
}

// journalState says what came of the journal.
type journalState struct {
	present bool  // the volume has one
	unknown bool  // whether it has one only the volume header would tell, which is unread
	at      int64 // of the journal in the image; -1 where not known
	length  int64
	info    int64 // of the info block in the image
	applied int   // transactions used
	broken  bool  // transactions that cannot be read may change any metadata
	notes   []string
	damaged string         // why its structures fail their checks
	needs   []ranges.Range // of it, that may be unread and hold newer metadata
}

// openJournal finds the journal, and, unless use is false, lays what its
// committed transactions hold over the source. Nothing else of the volume may
// have been read through the source yet. Where known is false, h is no more than
// the alternate header: whether the volume has a journal and was closed it does not
// tell, and the journal's own header must say so.
func openJournal(src *source, start, length int64, h *volumeHeader, known, use bool) journalState {
	st := journalState{at: -1, info: -1}
	says := h.attributes&attrJournaled != 0
	if !says && h.journalInfo == 0 {
		st.unknown = !known
		return st
	}
	note := func(s string) { st.notes = append(st.notes, s) }
	// where newer metadata may stand that is not used
	left := func(s string) { st.broken = true; note(s) }
	clean := known && h.attributes&attrUnmounted != 0
	jh, err := st.find(src, start, length, h)
	switch {
	case known && !says && st.damaged != "":
		return journalState{at: -1, info: -1, unknown: true} // the number of its block may mean nothing
	case known && !says && (err != nil || jh.start != jh.end):
		st.present = true
		left("the volume header says that the volume keeps no journal, and names one, which is unread or not empty; not used")
		return st
	case known && !says:
		note("the volume header says that the volume keeps no journal, and names one, which is empty")
	case err != nil:
		left(err.Error() + ", so newer metadata may stand in it")
	case jh.start == jh.end: // it is empty, or was never begun
	case !use: // what is listed is an older state
		left("the journal was not empty; its newer blocks were left aside as asked")
	case clean && h.lastMounted != mountedByJournal:
		// A system that does not keep the journal has mounted and unmounted
		// the volume since, and systems throw the journal away.
		left("the journal was not empty, but the volume was since closed by a system that keeps no journal, as its header says; not used, though only one of the two can be right")
	default:
		p := replay{r: src.r, st: &st, h: &jh, start: start, length: length}
		src.newer = p.run()
	}
	st.present = true
	return st
}

// find reads where the journal is, and its header. What the error tells of is
// damaged, or is needed.
func (st *journalState) find(src *source, start, length int64, h *volumeHeader) (jh journalHeader, err error) {
	damaged := func(err error) (journalHeader, error) {
		st.damaged = err.Error()
		return jh, err
	}
	unread := func(what string, at, n int64) (journalHeader, error) {
		st.needs = []ranges.Range{{Start: at, End: at + n}}
		return jh, fmt.Errorf("the journal %s is unread", what)
	}
	if h.journalInfo == 0 || !h.holds(blockRun{h.journalInfo, 1}) {
		return damaged(fmt.Errorf("the volume header puts its info block at block %d", h.journalInfo))
	}
	st.info = start + int64(h.journalInfo)*h.blockSize
	var buf [512]byte
	if !src.read(buf[:], st.info).Has(0, jibSize) {
		return unread("info block", st.info, jibSize)
	}
	info, err := parseJournalInfo(buf[:])
	switch {
	case err != nil:
		return damaged(err)
	case info.flags&jibElsewhere != 0:
		return jh, errors.New("the journal is on another drive")
	case info.flags&jibInVolume == 0 && info.flags&jibNeedInit != 0 && info.length == 0:
		return jh, nil
	case info.flags&(jibInVolume|jibNeedInit) == 0 || info.length < 1024 || info.offset > length-info.length:
		return damaged(fmt.Errorf("journal info block: a journal of %d bytes at %d is not on this volume", info.length, info.offset))
	}
	st.at, st.length = start+info.offset, info.length
	if !src.read(buf[:], st.at).Has(0, jhBytes) {
		return unread("header", st.at, jhBytes)
	}
	jh, err = parseJournalHeader(buf[:])
	if err == nil && jh.length > info.length {
		err = fmt.Errorf("journal header: a journal of %d bytes in %d", jh.length, info.length)
	}
	switch never := info.flags&jibNeedInit != 0; {
	case never && (err != nil || jh.start == jh.end):
		return journalHeader{}, nil
	case err != nil:
		return damaged(err)
	case never:
		return jh, errors.New("the journal is not empty, and its info block says that it was never begun")
	}
	return jh, nil
}

// replay lays a journal's transactions over a source.
type replay struct {
	r             *image.Reader
	st            *journalState
	h             *journalHeader
	start, length int64 // of the volume
	bad           int64 // entries of block lists that cannot be used
}

// pieces yields the n bytes of the journal's ring from pos, in order, and
// returns the position behind them.
func (p *replay) pieces(pos, n int64, yield func(off, at, n int64)) int64 {
	off := int64(0)
	for {
		if pos >= p.h.length {
			pos = p.h.sector
		}
		if n <= 0 {
			return pos
		}
		k := min(n, p.h.length-pos)
		yield(off, p.st.at+pos, k)
		off, pos, n = off+k, pos+k, n-k
	}
}

func (p *replay) read(b []byte, pos int64) partial.Bytes {
	out := partial.Bytes{Data: b}
	p.pieces(pos, int64(len(b)), func(off, at, n int64) { p.r.PartialInto(&out, off, at, n) })
	return out
}

// step is the position n bytes behind pos in the ring.
func (p *replay) step(pos, n int64) int64 {
	return p.pieces(pos, n, func(int64, int64, int64) {})
}

// run follows the chain of block lists and gives what they hold. The blocks of a
// transaction count only when its last list was found.
func (p *replay) run() runs {
	pos, end := p.step(p.h.start, 0), p.step(p.h.end, 0)
	left := end - pos
	if left < 0 {
		left += p.h.length - p.h.sector
	}
	need := func() { // of the list at pos, which leads to the next
		p.pieces(pos, min(p.h.listSize, left), func(_, at, n int64) {
			p.st.needs = append(p.st.needs, ranges.Range{Start: at, End: at + n})
		})
	}
	followed := true // the chain, to pos
	buf := make([]byte, p.h.listSize)
	var all, open runs
	var lost int64
	why := ""
	for left > 0 {
		var l blockList
		err := errors.New("is unread")
		if p.read(buf[:listSummed], pos).Whole() {
			l, err = p.h.parseList(buf)
			if err == nil && l.used > left {
				err = fmt.Errorf("block list: uses %d bytes where %d are left", l.used, left)
			}
		}
		if err != nil {
			if why == "" {
				why = err.Error()
			}
			if followed {
				need()
			}
			followed = false
			// The chain goes on where a list with a good checksum is found.
			n := min(p.h.sector, left)
			lost += n
			pos, left = p.step(pos, n), left-n
			continue
		}
		followed = true
		list := p.read(buf, pos)
		if !list.Whole() {
			need()
		}
		open = p.blocks(open, l, list, p.step(pos, p.h.listSize))
		if !l.more {
			all = append(all, open...)
			open = open[:0]
			p.st.applied++
		}
		pos, left = p.step(pos, l.used), left-l.used
	}
	if lost > 0 { // else the last transaction was never committed
		all = append(all, open...)
	}
	note := fmt.Sprintf("the journal was not empty; the newer blocks of %d transactions in it were used", p.st.applied)
	if lost+p.bad > 0 {
		p.st.broken = true
		if why == "" {
			why = "a part of a block list is unread"
		}
		note += fmt.Sprintf("; %d bytes of its block lists could not be used (%s), so newer metadata may be missed", lost+p.bad*listEntry, why)
	}
	p.st.notes = append(p.st.notes, note)
	return settled(all)
}

// blocks appends the blocks of a list to open: those that it names, and that
// stand in the ring from pos on.
func (p *replay) blocks(open runs, l blockList, list partial.Bytes, pos int64) runs {
	left := l.used - p.h.listSize
	for i := 1; i < l.count; i++ {
		e, ok := list.Get(listEntry*(i+1), listEntry)
		if !ok {
			p.bad++
			pos = unplaced // where the blocks of later entries stand is not known
			continue
		}
		num, size := p.h.order.Uint64(e), int64(p.h.order.Uint32(e[8:]))
		to := p.start + int64(num)*p.h.sector
		switch {
		case num == entrySkipped:
			if pos != unplaced && size <= left {
				pos, left = p.step(pos, size), left-size
			}
		case size == 0:
		case num > uint64(p.length/p.h.sector) || int64(num)*p.h.sector > p.length-size || pos != unplaced && size > left:
			p.bad++
			pos = unplaced
		case pos == unplaced:
			open = append(open, extract.Extent{Offset: to, Image: unplaced, Length: size})
		default:
			pos = p.pieces(pos, size, func(off, at, n int64) {
				open = append(open, extract.Extent{Offset: to + off, Image: at, Length: n})
			})
			left -= size
		}
	}
	return open
}
