package ntfs

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/ntfs/ntfsimage"
)

const page = 4096

// testLog is a journal in the making: its records stand in pages of the ring, which
// begins behind two restart pages and two tail pages.
type testLog struct{ b []byte }

func newLog(pages int) *testLog {
	return &testLog{bytes.Repeat([]byte{0xff}, pages*page)}
}

func (l *testLog) seal(n int, array int) {
	b := l.b[n*page : (n+1)*page]
	binary.LittleEndian.PutUint16(b[4:], uint16(array))
	binary.LittleEndian.PutUint16(b[6:], page/512+1)
	binary.LittleEndian.PutUint16(b[array:], 7)
	for i := 1; i <= page/512; i++ {
		copy(b[array+2*i:array+2*i+2], b[i*512-2:])
		binary.LittleEndian.PutUint16(b[i*512-2:], 7)
	}
}

// restart writes a restart page; client is 0 for a log in use.
func (l *testLog) restart(n int, lsn, oldest uint64, client, flags uint16) {
	b := l.b[n*page : (n+1)*page]
	clear(b)
	copy(b, "RSTR")
	binary.LittleEndian.PutUint32(b[0x10:], page)
	binary.LittleEndian.PutUint32(b[0x14:], page)
	binary.LittleEndian.PutUint16(b[0x18:], 0x30)
	binary.LittleEndian.PutUint16(b[0x1a:], 1)
	binary.LittleEndian.PutUint16(b[0x1c:], 1)
	a := b[0x30:]
	binary.LittleEndian.PutUint64(a, lsn)
	binary.LittleEndian.PutUint16(a[8:], 1)
	binary.LittleEndian.PutUint16(a[0x0a:], 0xffff)
	binary.LittleEndian.PutUint16(a[0x0c:], client)
	binary.LittleEndian.PutUint16(a[0x0e:], flags)
	binary.LittleEndian.PutUint32(a[0x10:], 64-20)
	binary.LittleEndian.PutUint16(a[0x14:], 0xe0)
	binary.LittleEndian.PutUint16(a[0x16:], 0x40)
	binary.LittleEndian.PutUint64(a[0x18:], uint64(len(l.b)))
	binary.LittleEndian.PutUint64(a[0x40:], oldest)
	binary.LittleEndian.PutUint64(a[0x48:], oldest)
	l.seal(n, 0x1e)
}

// lsn is the number of a record that stands at an offset of the log, in a round.
func lsn(n, off int, round uint64) uint64 { return round<<20 | uint64(n*page+off)/8 }

// change is a record of the log that is to be written to clusters.
type change struct {
	at     int
	lcns   []int64
	offset uint16 // of 512 bytes
	redo   uint16 // 0 for one without an operation of its own
}

// records writes page n with records of a round.
func (l *testLog) records(n int, round uint64, list ...change) {
	b := l.b[n*page : (n+1)*page]
	clear(b)
	copy(b, "RCRD")
	last := lsn(n, 0x40, round)
	for _, c := range list {
		last = lsn(n, c.at, round)
		r := make([]byte, 0x30+0x20+8*max(len(c.lcns), 1))
		binary.LittleEndian.PutUint64(r, last)
		binary.LittleEndian.PutUint32(r[0x18:], uint32(len(r)-0x30))
		binary.LittleEndian.PutUint32(r[0x20:], 1)
		binary.LittleEndian.PutUint16(r[0x30:], cmp.Or(c.redo, 0x1d))
		binary.LittleEndian.PutUint16(r[0x30+0x0e:], uint16(len(c.lcns)))
		binary.LittleEndian.PutUint16(r[0x30+0x14:], c.offset)
		for i, lcn := range c.lcns {
			binary.LittleEndian.PutUint64(r[0x50+8*i:], uint64(lcn))
		}
		if rest := copy(b[c.at:], r); rest < len(r) { // the rest stands in the next page, which is written first
			next := l.b[(n+1)*page : (n+2)*page]
			copy(next[0x40:], r[rest:])
		}
	}
	binary.LittleEndian.PutUint64(b[8:], last)
	binary.LittleEndian.PutUint64(b[0x20:], last)
	l.seal(n, 0x28)
}

// A journal that was not closed, or of which that is not known, holds back what
// its records name; where they were not all read, all files.
func TestJournal(t *testing.T) {
	const pages = 48
	probe := ntfsimage.New(ntfsimage.Params{Journal: newLog(pages).b})
	for _, name := range []string{"a", "b", "c"} {
		probe.AddFile(root, name, ntfsimage.Stream{Data: ntfsimage.Content(1, 5000)})
	}
	probe.Finish()
	const first, clean, none = 24, 2, 0xffff
	recordOfB := change{at: 0x100, lcns: []int64{probe.RecordAt(first+1) / 4096}, offset: uint16(probe.RecordAt(first+1) % 4096 / 512)}
	contentOfC := change{at: 0x200, lcns: []int64{probe.Places[first+2][""][0].LCN}}
	oldest := lsn(5, 0x40, 3)
	all := make([]int, pages)
	for i := range all {
		all[i] = i
	}
	type opened struct {
		name     string
		make     func(l *testLog)
		unread   []int // pages
		lsn      uint64
		complete bool
		held     string // the files that are not intact
		says     string
	}
	open := func(l *testLog) {
		l.restart(0, oldest, oldest, 0, 0)
		l.restart(1, oldest-8, oldest, 0, 0)
	}
	closed := func(l *testLog) {
		l.restart(0, oldest, oldest, none, clean)
		l.restart(1, oldest-8, oldest, 0, 0)
	}
	for _, c := range []opened{
		{name: "emptied", complete: true},
		{name: "emptied, the first restart page unread", unread: []int{0}, says: "was not read"},
		{name: "emptied, the second restart page unread", unread: []int{1}, says: "was not read"},
		{name: "emptied but for an open restart page", make: func(l *testLog) { l.restart(1, oldest, oldest, 0, 0) }, says: "was not closed"},
		{name: "emptied, both unread", unread: []int{0, 1}, says: "was not read"},
		{name: "all of it unread", unread: all, says: "was not read"},
		{name: "all of it unread, written under a journal", lsn: 5, unread: all, held: "abc", says: "was not read"},
		{name: "closed", make: closed, complete: true},
		{name: "the older page open, read alone", make: closed, unread: []int{0}, says: "was not closed"},
		{name: "the newer page closed, read alone", make: closed, unread: []int{1}, says: "was not read"},
		{name: "the newer of two decides: open in the second", make: func(l *testLog) {
			l.restart(0, oldest-8, oldest, none, clean)
			l.restart(1, oldest, oldest, 0, 0)
		}, says: "was not closed"},
		{name: "open, nothing written", make: open, says: "was not closed"},
		{name: "open, a record and a file's cluster named", make: func(l *testLog) {
			open(l)
			l.records(5, 3, recordOfB)
			l.records(6, 3, contentOfC)
		}, held: "bc", says: "was not closed"},
		{name: "open, older ones named", make: func(l *testLog) {
			open(l)
			l.records(5, 3, recordOfB)
			l.records(6, 2, contentOfC)
		}, held: "b", says: "was not closed"},
		{name: "open, named in a tail page alone", make: func(l *testLog) {
			open(l)
			l.records(2, 4, recordOfB)
		}, held: "b", says: "was not closed"},
		{name: "open, a record that goes on in the next page", make: func(l *testLog) {
			open(l)
			l.records(6, 3)
			l.records(5, 3, change{at: 4096 - 0x50, lcns: []int64{1, contentOfC.lcns[0]}})
			b := l.b[6*page:]
			binary.LittleEndian.PutUint64(b[0x40:], 1)
			binary.LittleEndian.PutUint64(b[0x48:], uint64(contentOfC.lcns[0]))
		}, held: "c", says: "was not closed"},
		{name: "open, a page unread that goes on", make: func(l *testLog) {
			open(l)
			l.records(5, 3, recordOfB)
			l.records(6, 3, contentOfC)
		}, unread: []int{6}, held: "abc", says: "page 6 of it"},
		{name: "open, a page unread that nothing leads to", make: func(l *testLog) {
			open(l)
			l.records(5, 3, recordOfB)
		}, unread: []int{9}, held: "b", says: "was not closed"},
		{name: "state unread, all pages read", make: func(l *testLog) {
			open(l)
			l.records(4, 2, contentOfC)
			l.records(5, 3, recordOfB)
		}, lsn: 5, unread: []int{0, 1}, held: "bc", says: "was not read"},
		{name: "no restart page is one", make: func(l *testLog) {
			open(l)
			clear(l.b[:2*page])
			l.records(5, 3, recordOfB)
			l.records(4, 3)
		}, held: "b", says: "was not read"},
		{name: "closed with its client in use and a flag, as systems do since 2000", make: func(l *testLog) {
			l.restart(0, lsn(6, 0x40, 3), oldest, 0, clean)
			l.restart(1, oldest-8, oldest, 0, clean)
			l.records(5, 3, recordOfB)
		}, complete: true},
		{name: "closed by restart pages of an older version", make: func(l *testLog) {
			l.restart(0, oldest-8, oldest-8, 0, clean)
			l.restart(1, oldest-16, oldest-8, 0, clean)
			l.records(5, 3, recordOfB)
		}, held: "b", says: "pages of it are newer"},
		{name: "closed before a record was changed", make: closed, lsn: oldest + 8, says: "was changed later"},
		{name: "closed without a client and without a flag, as before", make: func(l *testLog) {
			l.restart(0, oldest, oldest, none, 0)
			l.restart(1, oldest-8, oldest, none, 0)
		}, complete: true},
		{name: "two pages of one number that say different things", make: func(l *testLog) {
			l.restart(0, oldest, oldest, none, clean)
			l.restart(1, oldest, oldest, 0, 0)
			l.records(5, 3, recordOfB)
		}, held: "b", says: "was not closed"},
		{name: "closed, the other page torn", make: func(l *testLog) {
			closed(l)
			l.b[page+510] ^= 0xff
		}, says: "was not read"},
		{name: "open, a page of records torn", make: func(l *testLog) {
			open(l)
			l.records(5, 3, recordOfB)
			l.records(6, 3, contentOfC)
			l.b[6*page+1022] ^= 0xff
		}, held: "abc", says: "page 6 of it"},
		{name: "open, smaller than its file: it goes around before that ends", make: func(l *testLog) {
			open(l)
			for n := range 2 {
				binary.LittleEndian.PutUint64(l.b[n*page+0x48:], 8*page)
			}
			l.records(5, 3)
			l.records(6, 3)
			l.records(7, 3, recordOfB)
			l.records(4, 4, contentOfC)
		}, held: "bc", says: "was not closed"},
		{name: "open, larger than its file", make: func(l *testLog) {
			open(l)
			binary.LittleEndian.PutUint64(l.b[0x48:], (pages+1)*page)
		}, held: "abc", says: "version or shape"},
		{name: "version 2", make: func(l *testLog) {
			open(l)
			l.b[0x1c], l.b[page+0x1c] = 2, 2
			for n := range 2 { // the oldest stands in the ring
				binary.LittleEndian.PutUint64(l.b[n*page+0x70:], lsn(0x23, 0x40, 3))
				binary.LittleEndian.PutUint64(l.b[n*page+0x78:], lsn(0x23, 0x40, 3))
			}
			l.records(0x23, 3, recordOfB)
			l.records(0x20, 3, contentOfC) // a tail page
		}, held: "b", says: "was not closed"},
		{name: "version 2, named in a tail page alone", make: func(l *testLog) {
			open(l)
			l.b[0x1c], l.b[page+0x1c] = 2, 2
			l.records(0x20, 4, contentOfC)
		}, held: "c", says: "was not closed"},
		{name: "version 2, closed", make: func(l *testLog) {
			closed(l)
			l.b[0x1c], l.b[page+0x1c] = 2, 2
		}, complete: true},
		{name: "a version that is not known, closed", make: func(l *testLog) {
			closed(l)
			l.b[0x1c], l.b[page+0x1c] = 3, 3
		}, held: "abc", says: "version or shape"},
		{name: "open, the checkpoint is older than the oldest", make: func(l *testLog) {
			open(l)
			for n := range 2 {
				binary.LittleEndian.PutUint64(l.b[n*page+0x78:], lsn(5, 0x40, 2))
			}
			l.records(5, 2, recordOfB)
			l.records(6, 3, contentOfC)
		}, held: "bc", says: "was not closed"},
		{name: "open, a change without a place", make: func(l *testLog) {
			open(l)
			l.records(5, 3, change{at: 0x100, redo: 7})
		}, held: "abc", says: "makes no sense"},
		{name: "open, a change past the volume", make: func(l *testLog) {
			open(l)
			l.records(5, 3, change{at: 0x100, lcns: []int64{1 << 40}})
		}, held: "abc", says: "makes no sense"},
		{name: "open, a change of no cluster", make: func(l *testLog) {
			open(l)
			l.records(5, 3, change{at: 0x100, lcns: []int64{-1}, redo: 8})
		}, says: "was not closed"},
		{name: "open, named in a tail page that no record ends in", make: func(l *testLog) {
			open(l)
			l.records(2, 4, recordOfB)
			binary.LittleEndian.PutUint64(l.b[2*page+8:], 0)
			binary.LittleEndian.PutUint64(l.b[2*page+0x20:], 0)
		}, held: "b", says: "was not closed"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := newLog(pages)
			if c.make != nil {
				c.make(l)
			}
			v := ntfsimage.New(ntfsimage.Params{Journal: l.b})
			for i, name := range []string{"a", "b", "c"} {
				v.AddFile(root, name, ntfsimage.Stream{Data: ntfsimage.Content(uint64(i), 5000)})
			}
			v.Finish()
			if c.lsn > 0 {
				for n := range uint64(first + 3) {
					if n < 16 || n >= first {
						v.EditRecord(n, func(b []byte) { binary.LittleEndian.PutUint64(b[8:], c.lsn) })
					}
				}
			}
			var unread []span
			at := v.At(v.Places[2][""][0].LCN)
			for _, n := range c.unread {
				unread = append(unread, span{at + int64(n)*page, page})
			}
			got := list(t, v.Image, unread...)
			held := ""
			for _, name := range []string{"a", "b", "c"} {
				if f := got.file(t, name); f.RecordUnread {
					held += name
				}
			}
			said := strings.Join(got.Why, "\n")
			if held != c.held || got.Complete != c.complete || !strings.Contains(said, c.says) {
				t.Errorf("held back %q, not %q; complete %v, not %v: %s", held, c.held, got.Complete, c.complete, said)
			}
		})
	}
}

// A journal without a known place is one of which nothing is known.
func TestJournalWithoutPlace(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	v.AddFile(root, "x", ntfsimage.Stream{Data: ntfsimage.Content(1, 5000)})
	v.Finish()
	l := list(t, v.Image, span{v.RecordAt(2), 1024}, span{v.At(v.Mirror) + 2*1024, 1024})
	if l.Complete || !strings.Contains(strings.Join(l.Why, "\n"), journalUnknown) {
		t.Errorf("complete %v: %q", l.Complete, l.Why)
	}
}

// What a journal holds is never trusted to make sense.
func FuzzJournal(f *testing.F) {
	l := newLog(8)
	l.restart(0, lsn(4, 0x40, 3), lsn(4, 0x40, 3), 0, 0)
	l.restart(1, lsn(4, 0x40, 3), lsn(4, 0x40, 3), 0, 0)
	l.records(4, 3, change{at: 0x100, lcns: []int64{30}})
	f.Add(l.b)
	f.Add(newLog(6).b)
	f.Fuzz(func(t *testing.T, b []byte) {
		v := &area{r: reader(t, b), cluster: 4096, clusters: 100, length: 100 * 4096}
		j := &journal{s: v.plain(0, int64(len(b)))}
		w := logFile{journal: j, t: &table{area: v, stream: &stream{extents: []extract.Extent{{Length: 40960}}}, recordSize: 1024}}
		if why, from := w.state(); why != "" {
			w.follow(from)
		}
		if end := int64(100 * 4096); j.touched.Bytes() > end || j.touched.Touches(end, end) {
			t.Error("a place past the volume")
		}
	})
}
