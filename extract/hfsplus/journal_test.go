package hfsplus

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// TN1150, Journal Checksums: sum = (sum << 8) ^ (sum + byte), inverted.
func TestJournalSum(t *testing.T) {
	for _, c := range []struct {
		b    []byte
		want uint32
	}{
		{nil, 0xFFFFFFFF},
		{[]byte{0}, 0xFFFFFFFF},
		{[]byte{1}, 0xFFFFFFFE},                     // 0 ^ 1
		{[]byte{1, 2}, ^uint32(0x100 ^ 3)},          // 1<<8 ^ (1+2)
		{[]byte{1, 2, 3}, ^uint32(0x10300 ^ 0x106)}, // 0x103<<8 ^ (0x103+3)
	} {
		if got := journalSum(c.b); got != c.want {
			t.Errorf("%v: %#08x, not %#08x", c.b, got, c.want)
		}
	}
}

const journalAt = 12288 // in the image with a pending journal

func TestJournalHeader(t *testing.T) {
	b, _ := load(t, "hfsplus-journal-pending")
	h, err := parseJournalHeader(b[journalAt : journalAt+512])
	if err != nil || h.start != 930304 || h.end != 59392 || h.length != 1048576 || h.listSize != 4096 || h.sector != 512 {
		t.Errorf("%+v, %v", h, err)
	}
	l, err := h.parseList(b[journalAt+930304:][:4096])
	if err != nil || l.count != 42 || l.used != 47104 || l.more {
		t.Errorf("%+v, %v", l, err)
	}
	for _, at := range []int{0, 4, 8, 16, 36, 40} {
		c := append([]byte(nil), b[journalAt:journalAt+512]...)
		c[at] ^= 1
		if _, err := parseJournalHeader(c); err == nil {
			t.Errorf("taken with byte %d changed", at)
		}
	}
}

func TestJournalUse(t *testing.T) {
	b, _ := load(t, "hfsplus-journal-pending")
	size := int64(len(b))
	open := func(o extract.Options, unread ...imap.Range) (walked, []*extract.File) {
		return walk(t, readerOf(b, imap.All(size).With(unread)), size, o)
	}
	has := func(list []*extract.File, part string) bool {
		for _, f := range list {
			if strings.Contains(f.Path, part) {
				return true
			}
		}
		return false
	}
	intact := func(list []*extract.File) (n int) {
		for _, f := range list {
			if !f.RecordUnread && !f.NameOnly && f.Size >= 0 {
				n++
			}
		}
		return n
	}
	v, list := open(extract.Options{})
	if v.journal.applied != 3 || v.journal.broken || !has(list, "office/late/") || has(list, "rec-01343") {
		t.Errorf("used: %+v", v.journal)
	}
	v, list = open(extract.Options{NoJournal: true})
	if v.journal.applied != 0 || intact(list) != 0 || v.Listing.Complete || !slices.ContainsFunc(v.notes, func(s string) bool { return strings.Contains(s, "left aside") }) || has(list, "office/late/moved") {
		t.Errorf("left aside: %+v", v.journal)
	}
	// a block of a transaction that is unread: the place it belongs to is
	// unread, whatever stands there
	v, _ = open(extract.Options{}, imap.Range{Start: journalAt + 930304 + 4096, Length: 512, State: imap.Failed})
	if v.journal.broken || len(v.src.newer) == 0 || v.src.newer[0].Offset != headerOffset || v.src.read(make([]byte, 1), headerOffset).Whole() || !v.headerStale {
		t.Errorf("header's block unread: %+v, %v", v.journal, v.src.newer[:min(1, len(v.src.newer))])
	}
	// the head of a block list unread: nothing is sure, and the lists behind it
	// are used
	v, list = open(extract.Options{}, imap.Range{Start: journalAt + 930304, Length: 512, State: imap.Failed})
	if !v.journal.broken || v.journal.applied != 2 || intact(list) != 0 || v.Listing.Complete {
		t.Errorf("list unread: %+v, %d intact", v.journal, intact(list))
	}
	// the journal's header unread
	v, list = open(extract.Options{}, imap.Range{Start: journalAt, Length: 512, State: imap.Failed})
	if !v.journal.broken || intact(list) != 0 || v.Listing.Complete {
		t.Errorf("header unread: %+v, %d intact", v.journal, intact(list))
	}
}

// Whether the volume was closed only the volume header and the journal's own header
// tell: where either is unread, or they contradict each other, nothing is proved.
func TestJournalState(t *testing.T) {
	whole, _ := load(t, "hfsplus-journal-pending")
	size := int64(len(whole))
	h, err := parseHeader(whole[headerOffset:])
	if err != nil {
		t.Fatal(err)
	}
	last := h.bytes() - alternateOffset
	header := imap.Range{Start: headerOffset, Length: headerSize, State: imap.Failed}
	set := func(at int64, attributes uint32, version string, info uint32) func(b []byte) {
		return func(b []byte) {
			copy(b[at+hdrAttributes:], be32(attributes))
			copy(b[at+hdrLastMounted:], version)
			copy(b[at+hdrJournalInfo:], be32(info))
		}
	}
	const closed = attrUnmounted | attrJournaled
	for _, tt := range []struct {
		name   string
		change func(b []byte)
		unread []imap.Range
		used   bool // the journal is
	}{
		{"as it is", nil, nil, true},
		{"header unread", nil, []imap.Range{header}, true},
		{"closed, the info block unread", set(headerOffset, closed, "HFSJ", h.journalInfo),
			[]imap.Range{{Start: int64(h.journalInfo) * h.blockSize, Length: 512, State: imap.Failed}}, false},
		{"closed, the journal's header unread", set(headerOffset, closed, "HFSJ", h.journalInfo),
			[]imap.Range{{Start: journalAt, Length: 512, State: imap.Failed}}, false},
		{"closed by another system, the journal not empty", set(headerOffset, closed, "10.0", h.journalInfo), nil, false},
		{"no journal by the header, which names one", set(headerOffset, attrUnmounted, "HFSJ", h.journalInfo), nil, false},
		{"no journal by the header, which names one that is unread", set(headerOffset, attrUnmounted, "HFSJ", h.journalInfo),
			[]imap.Range{{Start: int64(h.journalInfo) * h.blockSize, Length: 512, State: imap.Failed}}, false},
		{"header unread, the alternate one closed by another system", set(last, closed, "10.0", h.journalInfo), []imap.Range{header}, true},
		{"header unread, the alternate one not journaled", set(last, attrUnmounted, "10.0", h.journalInfo), []imap.Range{header}, true},
		{"header unread, the alternate one without a journal", set(last, attrUnmounted, "10.0", 0), []imap.Range{header}, false},
		{"header and catalog's begin unread, the alternate one without a journal", set(last, attrUnmounted, "10.0", 0),
			[]imap.Range{header, {Start: int64(h.catalog.runs[0].start) * h.blockSize, Length: 8192, State: imap.Failed}}, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := slices.Clone(whole)
			if tt.change != nil {
				tt.change(b)
			}
			r := readerOf(b, imap.All(size).With(tt.unread))
			v, list := walk(t, r, size, extract.Options{})
			proved := 0
			for _, f := range list {
				if f.Kind == extract.KindFile && proven(f, r) {
					proved++
				}
			}
			if used := v.journal.applied == 3; used != tt.used || v.Listing.Complete != tt.used || (proved > 0) != tt.used {
				t.Errorf("used %v, complete %v, %d proved: %q, %q", used, v.Listing.Complete, proved, v.notes, v.Listing.Why)
			}
		})
	}
}

// A volume whose header is unread and whose alternate one tells of no journal has
// none if its root folder names none, or no block that is in use begins one.
func TestJournalNone(t *testing.T) {
	b := sample()
	x := b.build()
	header := imap.Range{Start: headerOffset, Length: headerSize, State: imap.Failed}
	leaf := imap.Range{Start: int64(x.header.catalog.runs[0].start)*x.block + int64(b.node), Length: 512, State: imap.Failed}
	for _, tt := range []struct {
		name   string
		used   []blockRun // by nobody
		unread []imap.Range
		proved bool
	}{
		{"the root read", nil, []imap.Range{header}, true},
		{"the root unread", nil, []imap.Range{header, leaf}, true},
		{"a block unread", []blockRun{{firstData + 3000, 1}}, []imap.Range{header, leaf, {Start: (firstData + 3000) * x.block, Length: 512, State: imap.Failed}}, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := sample()
			b.used = tt.used
			x := b.build()
			r := x.reader(t, tt.unread...)
			_, list := walk(t, r, x.size, extract.Options{})
			if proven := slices.ContainsFunc(list, func(f *extract.File) bool { return f.Kind == extract.KindFile && proven(f, r) }); proven != tt.proved {
				t.Errorf("proved %v", proven)
			}
		})
	}
}

// Of what the journal holds of one place the last counts, read or not.
func TestSettled(t *testing.T) {
	r := image.New(bytes.NewReader(make([]byte, 10240)), 10240, imap.All(10240).With([]imap.Range{{Start: 5120, Length: 512, State: imap.Failed}}), image.Options{})
	s := source{r: r, newer: settled(runs{{Offset: 100, Image: 1000, Length: 100}, {Offset: 150, Image: 2000, Length: 10}, {Offset: 190, Image: unplaced, Length: 110},
		{Offset: 400, Image: 3000, Length: 100}, {Offset: 0, Image: 10, Length: 50}, {Offset: 120, Image: 4000, Length: 10}})}
	want := map[int64]int64{0: 10, 49: 59, 50: 50, 99: 99, 100: 1000, 119: 1019, 120: 4000, 129: 4009, 130: 1030, 150: 2000, 159: 2009, 160: 1060,
		189: 1089, 190: -1, 299: -1, 300: 300, 400: 3000, 499: 3099, 500: 500}
	for off, at := range want {
		s.places(off, 1, func(_, got, _ int64) {
			if got != at {
				t.Errorf("%d stands at %d, not %d", off, got, at)
			}
		})
	}
	var sum int64
	s.places(0, 600, func(off, at, n int64) {
		if off != sum {
			t.Errorf("gap at %d", sum)
		}
		sum += n
	})
	if sum != 600 {
		t.Error(sum)
	}
	var hidden [][2]int64
	s.newer = settled(runs{{Offset: 100, Image: 5120, Length: 100}, {Offset: 120, Image: 7000, Length: 10}, {Offset: 140, Image: unplaced, Length: 10}})
	s.hidden(90, 100, func(at, n int64) { hidden = append(hidden, [2]int64{at, n}) })
	if d := cmp.Diff([][2]int64{{5120, 20}, {5150, 10}, {5170, 40}}, hidden); d != "" {
		t.Errorf("unread bytes that supersede others (-want +got):\n%s", d)
	}
}

// The runs that are laid last win byte for byte.
func TestSettledAgainstModel(t *testing.T) {
	for seed := range uint64(2000) {
		rnd := rand.New(rand.NewPCG(seed, 1))
		want := map[int64]int64{}
		var list runs
		for range rnd.IntN(20) {
			r := extract.Extent{Offset: rnd.Int64N(90), Image: 1000 + 10*rnd.Int64N(9), Length: 1 + rnd.Int64N(20)}
			if rnd.IntN(4) == 0 {
				r.Image = unplaced
			}
			list = append(list, r)
			for i := range r.Length {
				want[r.Offset+i] = clip(r, r.Offset+i, endOf(r)).Image
			}
		}
		got := map[int64]int64{}
		pos := int64(0)
		for _, r := range settled(list) {
			if r.Offset < pos || r.Length <= 0 {
				t.Fatalf("seed %d: %+v behind %d", seed, r, pos)
			}
			for i := range r.Length {
				got[r.Offset+i] = clip(r, r.Offset+i, endOf(r)).Image
			}
			pos = endOf(r)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("seed %d (-want +got):\n%s", seed, d)
		}
	}
}
