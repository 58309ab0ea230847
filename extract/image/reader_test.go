package image

import (
	"bytes"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"testing"

	"fileassay/extract/imap"

	"github.com/google/go-cmp/cmp"
)

// disk is an image file that fails on some sectors of 512 bytes.
type disk struct {
	data []byte
	bad  map[int64]int // sector: how often it fails; -1 is always
	mu   sync.Mutex
	asks atomic.Int64
}

var errMedium = errors.New("medium error")

func (d *disk) ReadAt(p []byte, off int64) (int, error) {
	d.asks.Add(1)
	if off >= int64(len(d.data)) {
		return 0, io.EOF
	}
	end := min(off+int64(len(p)), int64(len(d.data)))
	d.mu.Lock()
	defer d.mu.Unlock()
	for s := off / 512; s*512 < end; s++ {
		if n := d.bad[s]; n != 0 {
			if n > 0 {
				d.bad[s]--
			}
			got := max(s*512-off, 0)
			copy(p[:got], d.data[off:])
			for i := range p[got:] { // what a fault leaves behind is no data
				p[int(got)+i] = 0xbd
			}
			return int(got), errMedium
		}
	}
	n := copy(p, d.data[off:end])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// pattern is n bytes, none of them zero, that tell places apart.
func pattern(n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(1 + (i*7+i/512*13)%255)
	}
	return b
}

func rng(start, length int64, s imap.State) imap.Range {
	return imap.Range{Start: start, Length: length, State: s}
}

func mustMap(t testing.TB, ranges ...imap.Range) *imap.Map {
	t.Helper()
	m, err := imap.New(ranges)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestReadAt(t *testing.T) {
	const S = 512
	m := []imap.Range{rng(0, 2*S, imap.Read), rng(2*S, S, imap.Failed), rng(3*S, S, imap.Doubtful), rng(4*S, 2*S, imap.Read), rng(7*S, S, imap.Read), rng(8*S, 100, imap.Read)}
	tests := []struct {
		name   string
		off    int64
		n      int
		unread *UnreadError // nil for a good read
	}{
		{"one sector", 0, S, nil},
		{"to the last read byte", 1, 2*S - 1, nil},
		{"one byte", 2*S - 1, 1, nil},
		{"nothing", 2 * S, 0, nil},
		{"nothing, nowhere", -4, 0, nil},
		{"the short sector at the end", 7 * S, S + 100, nil},
		{"into a failed sector", S, 2 * S, &UnreadError{2 * S, S, imap.Failed, S}},
		{"one byte of a failed sector", 2 * S, 1, &UnreadError{2 * S, 1, imap.Failed, S}},
		{"first of several", 0, 8 * S, &UnreadError{2 * S, S, imap.Failed, S}},
		{"doubtful", 3*S + 7, S, &UnreadError{3*S + 7, S - 7, imap.Doubtful, S}},
		{"skipped", 6*S - 1, 2, &UnreadError{6 * S, 1, imap.Skipped, S}},
		{"past the end", 8 * S, 101, &UnreadError{8*S + 100, 1, imap.Skipped, S}},
		{"far past the end", 1 << 50, 9, &UnreadError{1 << 50, 9, imap.Skipped, S}},
		{"before the start", -3, 9, &UnreadError{-3, 3, imap.Skipped, S}},
		{"past all offsets", math.MaxInt64 - 2, 9, &UnreadError{math.MaxInt64 - 2, 2, imap.Skipped, S}},
		{"at the last offset", math.MaxInt64, 9, &UnreadError{math.MaxInt64, 9, imap.Skipped, S}},
		{"at the first offset", math.MinInt64, 9, &UnreadError{math.MinInt64, 9, imap.Skipped, S}},
	}
	d := &disk{data: pattern(8*S + 100)}
	r := New(d, int64(len(d.data)), mustMap(t, m...), Options{})
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			p := bytes.Repeat([]byte{0xee}, test.n)
			before := d.asks.Load()
			n, err := r.ReadAt(p, test.off)
			if test.unread == nil {
				if err != nil || n != test.n || test.n > 0 && !bytes.Equal(p, d.data[test.off:test.off+int64(n)]) {
					t.Fatalf("read %d, %v", n, err)
				}
				return
			}
			u, ok := errors.AsType[*UnreadError](err)
			if !ok || n != 0 {
				t.Fatalf("read %d, %v; want an UnreadError", n, err)
			}
			if diff := cmp.Diff(test.unread, u); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if !bytes.Equal(p, bytes.Repeat([]byte{0xee}, test.n)) || d.asks.Load() != before {
				t.Error("the image was asked, or the buffer touched")
			}
		})
	}
	want := "512 bytes at offset 1024 (sector 2) were not read from the drive: failed"
	if _, err := r.ReadAt(make([]byte, S), 2*S); err.Error() != want {
		t.Errorf("%q, want %q", err, want)
	}
}

// Every answer of a reader, for random maps, sizes and faults, against the
// state of each byte.
func TestAgainstModel(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 8))
	for range 400 {
		sector := int64(512 << rnd.IntN(4))
		size := int64(1 + rnd.IntN(40*512))
		drive := size + int64(rnd.IntN(2)*rnd.IntN(5000))
		var ranges []imap.Range
		for pos := int64(0); ; {
			pos += int64(max(0, rnd.IntN(900)-600))
			n := int64(rnd.IntN(4000))
			if rnd.IntN(2) == 0 {
				n = n / 512 * 512
			}
			if pos+n > drive {
				break
			}
			ranges = append(ranges, imap.Range{Start: pos, Length: n, State: []imap.State{imap.Read, imap.Read, imap.Read, imap.Doubtful, imap.Failed}[rnd.IntN(5)]})
			pos += n
		}
		m := mustMap(t, ranges...)
		d := &disk{data: pattern(int(size)), bad: map[int64]int{}}
		for range rnd.IntN(4) {
			d.bad[int64(rnd.IntN(42))] = -1
		}
		trust := rnd.IntN(2) == 0

		// the state of each byte of the drive, by the words of the design
		want := make([]imap.State, drive)
		var tally imap.Tally
		for at := int64(0); at < drive; at += sector {
			end := min(at+sector, drive)
			worst := imap.Read
			for x := range m.Over(at, end-at) {
				worst = max(worst, x.State)
			}
			if end > size { // not wholly in the image
				worst = imap.Skipped
			}
			tally[worst] += end - at
			if worst == imap.Doubtful && trust {
				worst = imap.Read
			}
			for i := at; i < end; i++ {
				want[i] = worst
			}
		}
		r := New(d, size, m, Options{Sector: sector, TrustDoubtful: trust, DriveSize: drive})
		if got := r.Tally(); got != tally || got.Total() != drive {
			t.Fatalf("Tally %v, want %v", got, tally)
		}
		checkReader(t, r, want)

		// reading all of it, in parts, finds every fault of the image file
		before := slices.Clone(want)
		fault := func(i int64) bool { return d.bad[i/512] != 0 }
		got := make([]byte, drive)
		var unread []imap.Range
		for pos := int64(0); pos < drive; {
			n := min(int64(1+rnd.IntN(9000)), drive-pos)
			part := bytes.Repeat([]byte{0xee}, int(n))
			for _, u := range r.ReadReadable(part, pos) {
				unread = join(unread, u)
			}
			copy(got[pos:], part)
			pos += n
		}
		var wantUnread, wantBroken []imap.Range
		for i := range drive {
			if want[i] == imap.Read && fault(i) {
				want[i] = imap.Failed
				wantBroken = join(wantBroken, imap.Range{Start: i, Length: 1, State: imap.Failed})
			}
			b := byte(0)
			if want[i] == imap.Read {
				b = d.data[i]
			} else {
				wantUnread = join(wantUnread, imap.Range{Start: i, Length: 1, State: want[i]})
			}
			if got[i] != b {
				t.Fatalf("byte %d is %#x, want %#x (%v)", i, got[i], b, want[i])
			}
		}
		if diff := cmp.Diff(wantUnread, unread); diff != "" {
			t.Fatalf("unread (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff(wantBroken, r.Broken()); diff != "" {
			t.Fatalf("Broken (-want +got):\n%s", diff)
		}
		if r.Tally() != tally {
			t.Fatal("Tally changed within a pass")
		}
		checkReader(t, r, before)
		next, found := r.Again()
		if found != (wantBroken != nil) {
			t.Fatalf("Again found %v", found)
		}
		failed := imap.Tally{}
		for _, b := range wantBroken {
			failed[imap.Failed] += b.Length
		}
		for s, n := range next.Tally() {
			failed[s] -= n - tally[s]
		}
		if failed[imap.Failed] != 0 || next.Tally().Total() != drive {
			t.Fatalf("Tally %v after %v, of faults %v", next.Tally(), tally, wantBroken)
		}
		if diff := cmp.Diff(wantBroken, next.Broken()); diff != "" {
			t.Fatalf("Broken in the next pass (-want +got):\n%s", diff)
		}
		checkReader(t, next, want)
		if last, found := next.Again(); found || last != next {
			t.Fatal("a pass that noted nothing wants another")
		}
	}
}

// checkReader compares what a reader says, without reading, with the state of
// each byte.
func checkReader(t *testing.T, r *Reader, want []imap.State) {
	t.Helper()
	runs := func(off, n int64) []imap.Range {
		var list []imap.Range
		for i := off; i < off+n; i++ {
			s := imap.Skipped
			if i >= 0 && i < int64(len(want)) {
				s = want[i]
			}
			list = join(list, imap.Range{Start: i, Length: 1, State: s})
		}
		return list
	}
	size := int64(len(want))
	for _, x := range [][2]int64{{0, size}, {-5, size + 20}, {size / 3, size / 2}, {size - 1, 1}, {size, 7}, {5, 0}, {9, -3}} {
		list := runs(x[0], x[1])
		if diff := cmp.Diff(list, slices.Collect(r.Over(x[0], x[1]))); diff != "" {
			t.Fatalf("Over(%d, %d) (-want +got):\n%s", x[0], x[1], diff)
		}
		if diff := cmp.Diff(list, slices.Collect(r.Map().Over(x[0], x[1]))); diff != "" {
			t.Fatalf("Map().Over(%d, %d) (-want +got):\n%s", x[0], x[1], diff)
		}
		read := len(list) == 0 || len(list) == 1 && list[0].State == imap.Read
		if r.IsRead(x[0], x[1]) != read {
			t.Fatalf("IsRead(%d, %d) is not %v", x[0], x[1], read)
		}
		list = slices.DeleteFunc(list, func(x imap.Range) bool { return x.State == imap.Read })
		if diff := cmp.Diff(list, slices.Collect(r.Unread(x[0], x[1])), cmp.Transformer("nil", func(l []imap.Range) []imap.Range { return append([]imap.Range{}, l...) })); diff != "" {
			t.Fatalf("Unread(%d, %d) (-want +got):\n%s", x[0], x[1], diff)
		}
	}
}

func TestSectorsAndEnds(t *testing.T) {
	read := func(n int64) []imap.Range { return []imap.Range{{Start: 0, Length: n, State: imap.Read}} }
	tests := []struct {
		name  string
		size  int64
		o     Options
		m     []imap.Range
		tally imap.Tally // read, doubtful, skipped, failed
		want  []imap.Range
	}{
		{"no map", 1024, Options{}, nil, imap.Tally{0, 0, 1024, 0}, nil},
		{"whole", 1024, Options{}, read(1024), imap.Tally{1024}, read(1024)},
		{"no multiple of the sector", 1000, Options{}, read(1000), imap.Tally{1000}, read(1000)},
		{"image shorter than the drive", 1024, Options{DriveSize: 4096}, read(4096), imap.Tally{1024, 0, 3072, 0}, read(1024)},
		{"image ends inside a sector", 1000, Options{DriveSize: 4096}, read(4096), imap.Tally{512, 0, 3584, 0}, read(512)},
		{"small reads, large sectors", 8192, Options{Sector: 4096}, read(4096 + 512), imap.Tally{4096, 0, 4096, 0}, read(4096)},
		{"doubtful", 1024, Options{}, []imap.Range{rng(0, 512, imap.Read), rng(512, 512, imap.Doubtful)}, imap.Tally{512, 512}, []imap.Range{rng(0, 512, imap.Read), rng(512, 512, imap.Doubtful)}},
		{"doubtful and trusted", 1024, Options{TrustDoubtful: true}, []imap.Range{rng(0, 512, imap.Read), rng(512, 512, imap.Doubtful)}, imap.Tally{512, 512}, read(1024)},
		{"failed past the image", 1024, Options{DriveSize: 2048}, []imap.Range{rng(0, 1024, imap.Read), rng(1024, 512, imap.Failed)}, imap.Tally{1024, 0, 1024, 0}, read(1024)},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			r := New(&disk{data: pattern(int(test.size))}, test.size, mustMap(t, test.m...), test.o)
			if diff := cmp.Diff(test.tally, r.Tally()); diff != "" {
				t.Errorf("Tally (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(test.want, slices.Collect(r.Map().Ranges())); diff != "" {
				t.Errorf("Map (-want +got):\n%s", diff)
			}
		})
	}
	if r := New(&disk{}, 512, nil, Options{}); r.IsRead(0, 1) || r.Sector() != 512 || r.Close() != nil {
		t.Error("without a map something is read")
	}
}

func TestFaultsOfTheImageFile(t *testing.T) {
	const S = 512
	newReader := func(bad map[int64]int) (*Reader, *disk) {
		d := &disk{data: pattern(16 * S), bad: bad}
		return New(d, 16*S, imap.All(16*S), Options{}), d
	}
	t.Run("in the middle", func(t *testing.T) {
		r, d := newReader(map[int64]int{5: -1, 6: -1, 9: -1})
		p := bytes.Repeat([]byte{0xee}, 8*S)
		n, err := r.ReadAt(p, 3*S-5)
		u, ok := errors.AsType[*UnreadError](err)
		if n != 0 || !ok || !errors.Is(err, errMedium) {
			t.Fatalf("read %d, %v", n, err)
		}
		if diff := cmp.Diff(&UnreadError{5 * S, 2 * S, imap.Failed, S}, u); diff != "" {
			t.Error(diff)
		}
		if !bytes.Equal(p, make([]byte, 8*S)) {
			t.Error("something is left in the buffer")
		}
		want := []imap.Range{rng(5*S, 2*S, imap.Failed), rng(9*S, S, imap.Failed)}
		if diff := cmp.Diff(want, r.Broken()); diff != "" {
			t.Errorf("Broken (-want +got):\n%s", diff)
		}
		// from now on it is the map that refuses, and nobody asks the file
		before := d.asks.Load()
		if _, err := r.ReadAt(p[:1], 5*S+1); err == nil || errors.Is(err, errMedium) || d.asks.Load() != before {
			t.Errorf("second time: %v", err)
		}
		if _, err := r.ReadAt(p[:2*S], 7*S); err != nil || !bytes.Equal(p[:2*S], d.data[7*S:9*S]) {
			t.Errorf("between the faults: %v", err)
		}
	})
	t.Run("inside a sector only what was asked for is named", func(t *testing.T) {
		r, _ := newReader(map[int64]int{5: -1})
		_, err := r.ReadAt(make([]byte, 10), 5*S+100)
		u, _ := errors.AsType[*UnreadError](err)
		if diff := cmp.Diff(&UnreadError{5*S + 100, 10, imap.Failed, S}, u); diff != "" {
			t.Error(diff)
		}
		if diff := cmp.Diff([]imap.Range{rng(5*S, S, imap.Failed)}, r.Broken()); diff != "" {
			t.Error(diff)
		}
	})
	t.Run("once and not again", func(t *testing.T) {
		r, d := newReader(map[int64]int{5: 1})
		p := make([]byte, 16*S)
		if _, err := r.ReadAt(p, 0); err != nil || !bytes.Equal(p, d.data) {
			t.Errorf("the second try gave all: %v", err)
		}
		if r.Broken() != nil || r.Retried() != 1 {
			t.Errorf("broken %v, retried %d", r.Broken(), r.Retried())
		}
	})
	t.Run("twice and then never", func(t *testing.T) {
		r, d := newReader(map[int64]int{5: 2})
		p := make([]byte, 16*S)
		want := []imap.Range{rng(5*S, S, imap.Failed)}
		if diff := cmp.Diff(want, r.ReadReadable(p, 0)); diff != "" {
			t.Error(diff)
		}
		good := slices.Clone(d.data)
		clear(good[5*S : 6*S])
		if !bytes.Equal(p, good) {
			t.Error("not what the good sectors hold")
		}
		// what failed stays failed, or two answers of one run would disagree
		if _, err := r.ReadAt(p[:1], 5*S); err == nil {
			t.Error("a failed sector came back")
		}
		next, found := r.Again()
		if !found || next.IsRead(5*S, 1) || !next.IsRead(0, 5*S) {
			t.Error("a failed sector came back in the next pass")
		}
		if d.bad[5] = 0; len(next.ReadReadable(p, 0)) != 1 {
			t.Error("a sector that failed in the pass before was asked for again")
		}
	})
	t.Run("order does not matter", func(t *testing.T) {
		bad := map[int64]int{2: -1, 3: -1, 4: -1, 11: -1, 15: -1}
		var first []imap.Range
		rnd := rand.New(rand.NewPCG(9, 10))
		for i := range 20 {
			r, _ := newReader(bad)
			for _, s := range rnd.Perm(16) {
				r.ReadReadable(make([]byte, min(1+rnd.IntN(4*S), (16-s)*S)), int64(s)*S)
			}
			if i == 0 {
				first = r.Broken()
			}
			if diff := cmp.Diff(first, r.Broken()); diff != "" {
				t.Fatal(diff)
			}
		}
	})
	t.Run("the file became shorter", func(t *testing.T) {
		r, d := newReader(nil)
		d.data = d.data[:10*S+7]
		if _, err := r.ReadAt(make([]byte, 16*S), 0); !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("got %v", err)
		}
		if diff := cmp.Diff([]imap.Range{rng(10*S, 6*S, imap.Failed)}, r.Broken()); diff != "" {
			t.Error(diff)
		}
	})
	t.Run("an error that comes with all bytes", func(t *testing.T) {
		r := New(liar{errMedium}, S, imap.All(S), Options{})
		if _, err := r.ReadAt(make([]byte, S), 0); !errors.Is(err, errMedium) {
			t.Errorf("got %v", err)
		}
		r = New(liar{io.EOF}, S, imap.All(S), Options{})
		if _, err := r.ReadAt(make([]byte, S), 0); err != nil {
			t.Errorf("the end of the file is no fault: %v", err)
		}
	})
}

// liar gives all bytes and an error.
type liar struct{ err error }

func (l liar) ReadAt(p []byte, _ int64) (int, error) { return len(p), l.err }

// Law 1: whatever stands in the unread sectors, every answer is the same.
func TestUnreadBytesDoNotMatter(t *testing.T) {
	const S = 512
	m := mustMap(t, imap.Range{Start: 0, Length: 3 * S, State: imap.Read}, imap.Range{Start: 3*S + 1, Length: 4 * S, State: imap.Read})
	plain := pattern(8 * S)
	var want []byte
	for _, filler := range []byte{0, 0xff, 0x5a} {
		d := &disk{data: slices.Clone(plain)}
		for i := 3 * S; i < 4*S; i++ {
			d.data[i] = filler
		}
		for i := 7 * S; i < 8*S; i++ {
			d.data[i] = filler
		}
		r := New(d, 8*S, m, Options{})
		var got []byte
		for off := int64(0); off < 8*S; off += 100 {
			p := bytes.Repeat([]byte{1}, 700)
			_, err := r.ReadAt(p, off)
			got = append(got, p...)
			if err != nil {
				got = append(got, err.Error()...)
			}
			for _, u := range r.ReadReadable(p, off) {
				got = append(got, byte(u.State))
			}
			got = append(got, p...)
		}
		if want == nil {
			want = got
		}
		if !bytes.Equal(want, got) {
			t.Fatalf("filler %#x shows", filler)
		}
	}
}

func TestConcurrentUse(t *testing.T) {
	const S, sectors = 512, 256
	d := &disk{data: pattern(sectors * S), bad: map[int64]int{}}
	var want []imap.Range
	for s := int64(0); s < sectors; s += 5 {
		d.bad[s] = -1
		want = join(want, imap.Range{Start: s * S, Length: S, State: imap.Failed})
	}
	r := New(d, sectors*S, imap.All(sectors*S), Options{})
	var wg sync.WaitGroup
	for i := range 4 {
		wg.Go(func() {
			rnd := rand.New(rand.NewPCG(uint64(i), 1))
			p := make([]byte, 8*S)
			for _, s := range rnd.Perm(sectors) {
				off := int64(s) * S
				n := min(int64(len(p)), sectors*S-off)
				unread := r.ReadReadable(p[:n], off)
				if len(unread) == 0 && n > 5*S {
					t.Errorf("no fault in %d bytes at %d", n, off)
				}
				_, _ = r.ReadAt(p[:1], off)
				for range r.Map().Over(off, n) {
				}
				r.Broken()
			}
		})
	}
	wg.Wait()
	if diff := cmp.Diff(want, r.Broken()); diff != "" {
		t.Error(diff)
	}
}

func TestReadAtAllocatesNothing(t *testing.T) {
	d := &disk{data: pattern(1 << 16), bad: map[int64]int{3: -1}}
	r := New(d, 1<<16, imap.All(1<<16), Options{})
	p := make([]byte, 4096)
	check := func() {
		t.Helper()
		if n := testing.AllocsPerRun(100, func() { _, _ = r.ReadAt(p, 8192) }); n != 0 {
			t.Errorf("ReadAt allocates %v times", n)
		}
		if n := testing.AllocsPerRun(100, func() { r.ReadReadable(p, 8192) }); n != 0 {
			t.Errorf("ReadReadable allocates %v times", n)
		}
	}
	check()
	r.ReadReadable(p, 0) // finds the fault
	check()
}

func BenchmarkReadAt(b *testing.B) {
	var ranges []imap.Range
	for i := range int64(1e6) {
		ranges = append(ranges, imap.Range{Start: i * 4096, Length: 4096, State: []imap.State{imap.Read, imap.Failed}[i%100/99]})
	}
	for _, broken := range []bool{false, true} {
		r := New(liar{}, 4096e6, mustMap(b, ranges...), Options{})
		name := "sound"
		if broken {
			name = "broken"
			r.faults.add([]imap.Range{{Start: 4096, Length: 512, State: imap.Failed}})
		}
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			b.RunParallel(func(pb *testing.PB) {
				p := make([]byte, 4096)
				for i := int64(0); pb.Next(); i++ {
					_, _ = r.ReadAt(p, i%9000*40960+8192)
				}
			})
		})
	}
}
