package ntfs

import (
	"bytes"
	"fmt"

	"fileassay/extract/needs"
	"fileassay/extract/ranges"
)

// Offsets in a restart page of the journal, $LogFile [docs: files/logfile.html;
// the Linux kernel's fs/ntfs3/fslog.c, RESTART_HDR, RESTART_AREA and CLIENT_REC,
// and ntfs-3g's logfile.h, from memory].
const (
	restartSystemPage = 0x10 // uint32: bytes from one restart page to the other
	restartLogPage    = 0x14 // uint32
	restartArea       = 0x18 // uint16, from the page, where the area stands
	restartMajor      = 0x1c // uint16

	// from the area
	restartLSN     = 0x00 // uint64: where the log ended when the page was written
	restartInUse   = 0x0c // uint16: first client in use
	restartFlags   = 0x0e // uint16
	restartBits    = 0x10 // uint32: of a sequence number
	restartClients = 0x16 // uint16: where the clients stand
	restartFile    = 0x18 // int64: bytes of the log
	restartAreaEnd = 0x2c

	clientOldest  = 0x00 // uint64: the oldest LSN that may be unwritten
	clientRestart = 0x08 // uint64: where the client's own checkpoint stands
	clientSize    = 0xa0

	restartNoOne   = 0xffff
	restartClean   = 0x0002
	logPage        = 4096 // of both kinds, on all but a few machines
	restartPages   = 2
	volumeFlags    = 0x0a // uint16 in $VOLUME_INFORMATION
	volumeDirty    = 0x0001
	volumeInfoSize = 0x0c
)

// Words for a journal that may hold newer metadata.
const (
	journalDirty   = "the volume was not closed properly (it is marked as dirty): newer metadata may stand in its journal, which is not replayed"
	journalOpen    = "the volume's journal was not closed: newer metadata may stand in it, which is not replayed"
	journalUntold  = "whether the volume is marked as dirty was not read: newer metadata may stand in its journal"
	journalLater   = "the volume's journal says that it was closed, and pages of it are newer: newer metadata may stand in it, which is not replayed"
	journalUnknown = "whether the volume's journal was closed was not read: newer metadata may stand in it"
)

// journal is what is known of the volume's journal. Nothing is replayed. What
// the journal may still change is not proved: its records name the clusters that
// they are to be written to, so where all of them from the oldest one on that may
// be unwritten were read, what they do not name is as good as if the journal had
// been closed. Where they were not, nothing of the volume is proved: that a file's
// own record has an older LSN says nothing for it, for the version that was not
// written is the newer one. But where nothing of the journal's state was read, and
// neither the system's records nor a file's own have any LSN, no driver that keeps a
// journal wrote them since the volume was made, and the file is judged as if it
// were closed.
type journal struct {
	s       *stream // nil where its place is not known
	open    string  // why newer metadata may stand in it, in words; "" if not
	blind   string  // why what it may still change is not known; "" if that is known
	touched ranges.Set
	closed  uint64  // the LSN that it was closed at; 0 where not known
	unused  bool    // blind, and nothing that was read of the volume was written by a driver that keeps a journal
	pages   []int64 // that were asked for and not read
}

// readJournal reads the volume's journal as far as needed.
func (t *table) readJournal() *journal {
	j := &journal{}
	defer func() { j.unused = j.unused && j.blind != "" && !t.logged() }()
	rec := t.readRecord(recLogFile)
	if rec.state == recordUsed {
		f := t.file(rec)
		if m := f.gather(t.area, attrData, ""); m != nil && m.headed {
			j.s = m.stream(t.r)
		}
	}
	j.open = t.dirty()
	if j.s == nil {
		j.say(journalUnknown)
		j.unused = true
		j.blind = "the place of the journal was not read"
		return j
	}
	l := logFile{journal: j, t: t}
	why, from := l.state()
	if why != "" {
		j.say(why)
		j.unused = from.first == 0 && l.blind == ""
		l.follow(from)
	} else if from.first > 0 {
		j.closed = from.lsn
		l.followLater(from)
	}
	return j
}

// dirty says in words that the volume is marked as dirty, or may be. The mark stands
// in a record of which the mirror has a copy: either of them says that it is marked,
// and only the record that it is not, since the copy may be older.
func (t *table) dirty() string {
	why := journalUntold
	for _, s := range []*stream{t.mirror, t.stream} {
		rec := t.recordFrom(s, recVolume)
		if b, ok := rec.value(rec.attr(attrVolumeInfo, "")); ok && len(b) >= volumeInfoSize {
			if le.Uint16(b[volumeFlags:])&volumeDirty != 0 {
				return journalDirty
			}
			if s == t.stream {
				why = ""
			}
		}
	}
	return why
}

// recordLastLSN is where a record has the LSN of its last change, 0 for none, as
// drivers leave it that keep no journal (uint64) [docs: concepts/file_record.html].
const recordLastLSN = 0x08

func (r *record) lastLSN() uint64 { return le.Uint64(r.data.Data[recordLastLSN:]) }

// logged reports whether one of the system's records was changed under a journal.
func (t *table) logged() bool {
	for n := range uint64(firstFile) {
		if rec := t.readRecord(n); rec.state == recordUsed && rec.lastLSN() != 0 {
			return true
		}
	}
	return false
}

func (j *journal) say(why string) {
	if j.open == "" {
		j.open = why
	}
}

// need asks for the first page that was wanted and not read: what it says tells
// whether more are.
func (j *journal) need(list *needs.List) {
	if len(j.pages) > 0 {
		j.s.need(list, j.pages[0]*logPage, logPage)
	}
}

// doubt says why what lies in [at, at+n) of the image may not be what the
// journal would make of it; "" where nothing says so.
func (j *journal) doubt(at, n int64) string {
	switch {
	case j.blind != "":
		return "newer metadata may stand in the volume's journal, and what it may change is not known: " + j.blind
	case j.touched.Touches(at, n):
		return "the volume's journal names what its metadata stands in: newer metadata may stand in the journal, which is not replayed"
	}
	return ""
}

// logFile reads the pages of a journal.
type logFile struct {
	*journal
	t *table
}

// restart is what a restart page says.
type restart struct {
	lsn, oldest uint64
	open        bool
	bits        uint32 // of an LSN that say where in the log it stands
	first, end  int64  // pages of the log's ring
}

// page reads a page of the log. empty is set where all of it was read and it was
// never written since the log was emptied, which fills it with ones.
func (l *logFile) page(n int64, signature string) (b []byte, ok, empty bool) {
	read := l.s.read(make([]byte, logPage), n*logPage)
	if (n+1)*logPage > l.s.size {
		return nil, false, false
	}
	if read.Whole() && len(bytes.Trim(read.Data, "\xff")) == 0 {
		return nil, false, true
	}
	if !read.Has(0, stride) || string(read.Data[:4]) != signature {
		if !read.Whole() {
			l.pages = append(l.pages, n)
		}
		return nil, false, false
	}
	if _, _, err := applyFixups(&read); err != nil || !read.Has(0, stride) || signature == "RCRD" && !read.Whole() {
		l.pages = append(l.pages, n)
		return nil, false, false
	}
	return read.Data, true, false
}

// parseRestart decodes a restart page.
func parseRestart(b []byte) (r restart, ok bool) {
	area := int(le.Uint16(b[restartArea:]))
	if le.Uint32(b[restartSystemPage:]) != logPage || le.Uint32(b[restartLogPage:]) != logPage || area < restartMajor+2 || area+restartAreaEnd > stride {
		return r, false
	}
	a := b[area:stride]
	r = restart{lsn: le.Uint64(a[restartLSN:]), bits: 64 - le.Uint32(a[restartBits:])}
	switch le.Uint16(b[restartMajor:]) {
	case 1:
		r.first = 4
	case 2: // since Windows 8
		r.first = 0x22
	default:
		return r, false
	}
	// the log may use less than its file, and then goes around before that ends
	r.end = int64(min(le.Uint64(a[restartFile:]), 1<<62)) / logPage
	if r.bits < 10 || r.bits > 60 || r.end <= r.first {
		return r, false
	}
	client := le.Uint16(a[restartInUse:])
	r.open = client != restartNoOne && le.Uint16(a[restartFlags:])&restartClean == 0
	if r.open { // there is one client, NTFS itself; of another nothing is known
		if at := int(le.Uint16(a[restartClients:])); client == 0 && at+clientSize <= len(a) {
			r.oldest = min(le.Uint64(a[at+clientOldest:]), le.Uint64(a[at+clientRestart:]))
		}
	} else {
		r.oldest = r.lsn + 1 // all before was written
	}
	return r, true
}

// state says in words why newer metadata may stand in the journal, "" where it
// was closed, and from where on, or what closed it. Of two restart pages the one with the higher LSN
// decides, as drivers have it; with one of them unread it may be that.
func (l *logFile) state() (why string, from restart) {
	var known []restart
	empty := 0
	for n := range int64(restartPages) {
		b, ok, blank := l.page(n, "RSTR")
		if blank {
			empty++
		}
		if ok {
			if r, ok := parseRestart(b); ok && r.end <= l.s.size/logPage {
				known = append(known, r)
			} else {
				l.blind = fmt.Sprintf("its restart page %d is of a version or shape that is not known", n)
				return journalUnknown, from
			}
		}
	}
	switch len(known) {
	case 0:
		if empty == restartPages && l.blank() {
			return "", from // whoever begins to use a log writes both pages before the first of its records
		}
		return journalUnknown, from
	case 1:
		if known[0].open {
			return journalOpen, known[0]
		} else if empty > 0 {
			return "", known[0]
		}
		return journalUnknown, known[0]
	}
	if known[1].lsn > known[0].lsn || known[1].lsn == known[0].lsn && known[1].open {
		known[0] = known[1]
	}
	if known[0].open {
		return journalOpen, known[0]
	}
	return "", known[0]
}

// followLater takes what the pages of a closed log name that are newer than what
// closed it: a restart page of an older version says so too.
func (l *logFile) followLater(from restart) {
	w := logWalk{logFile: l, from: from, end: from.end}
	head := make([]byte, pageEndLSN+8)
	for n := from.first; n < from.end && l.blind == ""; n++ {
		b := l.s.read(head, n*logPage)
		if !b.Whole() || string(b.Data[:4]) != "RCRD" || max(le.Uint64(b.Data[pageLastLSN:]), le.Uint64(b.Data[pageEndLSN:])) <= from.lsn {
			continue
		}
		if _, ok, _ := l.page(n, "RCRD"); ok {
			l.say(journalLater)
			w.take(n)
		} else if !l.s.read(make([]byte, logPage), n*logPage).Whole() {
			l.say(journalUnknown)
		}
	}
}

// blank reports whether no page of the head of the log that was read holds
// records.
func (l *logFile) blank() bool {
	for n := int64(restartPages); n <= 0x22; n++ {
		if b := l.s.read(make([]byte, 4), n*logPage); b.Whole() && string(b.Data) == "RCRD" {
			return false
		}
	}
	return true
}

// follow takes the clusters that the log's records name, from the oldest on that
// may be unwritten. A log is written page behind page, around; what stands in its
// last page may also stand in the pages before the ring alone.
func (l *logFile) follow(from restart) {
	end := l.s.size / logPage
	if from.first > 0 {
		end = from.end
	}
	w := logWalk{logFile: l, from: from, end: end}
	if from.first == 0 { // nothing is known of it: all pages count
		if w.unused() {
			return
		}
		for n := int64(restartPages); n < end && l.blind == ""; n++ {
			w.take(n)
		}
		return
	}
	for n := int64(restartPages); n < min(from.first, end) && l.blind == ""; n++ {
		w.take(n)
	}
	if from.first >= end {
		return
	}
	at := int64(from.oldest&(1<<from.bits-1)) * 8 / logPage
	if at < from.first || at >= end {
		at = from.first
	}
	// the oldest may be the first of a page, and what stands before it the last of the page before
	for n, old := int64(0), 0; n < end-from.first && old < 2 && l.blind == ""; n++ {
		if old++; w.take(at) {
			old = 0
		}
		at = w.next(at)
	}
}

// Offsets in a page of records and in a record [fslog.c: RECORD_PAGE_HDR,
// LFS_RECORD_HDR and LOG_REC_HDR, from memory].
const (
	pageLastLSN  = 0x08 // uint64
	pageEndLSN   = 0x20 // uint64
	pageRecords  = 0x40 // where records may begin
	recordLSN    = 0x00 // uint64: says where in the log the record stands
	recordLength = 0x18 // uint32, of what is behind the head
	recordType   = 0x20 // uint32
	recordHead   = 0x30

	changeRedo   = 0x00 // uint16, behind the head: what is to be done
	changeUndo   = 0x02 // uint16, and what where the transaction has no end
	changeLCNs   = 0x0e // uint16, behind the head
	changeOffset = 0x14 // uint16, of 512 bytes from the first cluster
	changeList   = 0x20 // uint64 each

	recordOfChange = 1
	maxChangeLCNs  = 64
)

// logWalk passes over pages of records.
type logWalk struct {
	*logFile
	from restart
	end  int64 // pages
}

// next is the page behind one.
func (w *logWalk) next(n int64) int64 {
	if n++; n < w.end {
		return n
	}
	return max(w.from.first, restartPages)
}

// unused reports whether no record was ever written to the log: the first page of
// its ring, of any version, was read and is empty.
func (w *logWalk) unused() bool {
	for _, n := range []int64{4, 0x22} {
		if _, _, empty := w.page(n, "RCRD"); n < w.end && !empty {
			return false
		}
	}
	return w.end > 4
}

// take takes what a page's records name. It reports whether the log goes on
// behind it.
func (w *logWalk) take(n int64) (more bool) {
	b, ok, empty := w.page(n, "RCRD")
	if empty {
		return false
	}
	if !ok {
		w.blind = fmt.Sprintf("page %d of it was not read or is none", n)
		return false
	}
	more = max(le.Uint64(b[pageLastLSN:]), le.Uint64(b[pageEndLSN:])) >= w.from.oldest
	// each record says where it stands, so each is found by itself
	for at := pageRecords; at+recordHead <= logPage; at += 8 {
		lsn := le.Uint64(b[at+recordLSN:])
		if lsn == 0 || lsn < w.from.oldest || lsn&(logPage/8-1) != uint64(at/8) || le.Uint32(b[at+recordType:]) != recordOfChange {
			continue
		}
		more = true
		length := int64(le.Uint32(b[at+recordLength:]))
		change := b[at+recordHead:]
		if int64(len(change)) < min(length, changeList+8*maxChangeLCNs) { // it goes on in the next page
			rest, ok, _ := w.page(w.next(n), "RCRD")
			if !ok {
				w.blind = fmt.Sprintf("a record goes on in page %d of it, which was not read or is none", w.next(n))
				return false
			}
			change = append(bytes.Clone(change), rest[pageRecords:]...)
		}
		if length < changeList || !w.touch(change[:min(length, int64(len(change)))]) {
			w.blind = fmt.Sprintf("a record in page %d of it makes no sense", n)
			return false
		}
	}
	return more
}

// changes reports whether an operation of a record is one that changes what stands
// on the volume: of the others some end transactions, some tell of tables of the
// log's own.
func changes(operation uint16) bool {
	return operation >= 0x02 && operation <= 0x17 && operation != 0x0a || operation >= 0x21
}

// touch takes the clusters that a record names: of the file table the one record
// of it, of all else whole clusters. It reports false for a record of which it is not
// known what it changes.
func (w *logWalk) touch(change []byte) bool {
	t := w.t
	count := int(le.Uint16(change[changeLCNs:]))
	if changeList+8*count > len(change) || count == 0 && (changes(le.Uint16(change[changeRedo:])) || changes(le.Uint16(change[changeUndo:]))) {
		return false
	}
	off := int64(le.Uint16(change[changeOffset:])) * stride
	for i := range count {
		lcn := le.Uint64(change[changeList+8*i:])
		if lcn == ^uint64(0) { // no cluster
			continue
		}
		if lcn >= uint64(t.area.clusters) {
			return false
		}
		at, n := t.at(int64(lcn)), t.cluster
		if t.recordSize <= t.cluster && count == 1 && off%t.recordSize == 0 && off+t.recordSize <= t.cluster && t.holds(at) {
			at, n = at+off, t.recordSize
		}
		w.touched.Add(at, n)
	}
	return true
}

// holds reports whether a place of the image is the table's.
func (t *table) holds(at int64) bool {
	for _, e := range t.stream.extents {
		if e.Image >= 0 && at >= e.Image && at < e.Image+e.Length {
			return true
		}
	}
	return false
}
