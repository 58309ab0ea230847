package imap_test

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/imap"
)

// memory is an image in memory, with places that cannot be read.
type memory struct {
	data []byte
	bad  []imap.Range
}

func (m memory) ReadReadable(p []byte, off int64) []imap.Range {
	clear(p)
	if off < int64(len(m.data)) {
		copy(p, m.data[off:])
	}
	var unread []imap.Range
	for _, b := range m.bad {
		a, z := max(b.Start, off), min(b.End(), off+int64(len(p)))
		if a < z {
			clear(p[a-off : z-off])
			unread = append(unread, imap.Range{Start: a, Length: z - a, State: imap.Failed})
		}
	}
	return unread
}

// noise is n bytes that hold no filler.
func noise(n int) []byte {
	rnd := rand.NewChaCha8([32]byte{1})
	b := make([]byte, n)
	_, _ = rnd.Read(b)
	return b
}

// lay writes a filler into sectors a to z, anew in each or running on.
func lay(data, filler []byte, sector, a, z int, runsOn bool) {
	for at := a * sector; at < min(z*sector, len(data)); at++ {
		i := at % sector
		if runsOn {
			i = at
		}
		data[at] = filler[i%len(filler)]
	}
}

func TestFillerSearch(t *testing.T) {
	const size = 3<<20 + 700 // ends inside a sector
	for _, sector := range []int{512, 4096} {
		for _, filler := range []string{"\xde\xad\xbe\xef", "NOT READ; ", "\xff", "abc"} {
			for _, runsOn := range []bool{false, true} {
				data := noise(size)
				var want []imap.Range
				last := (size - 1) / sector
				for _, r := range [][2]int{{0, 3}, {9, 10}, {255, 259}, {400, 700}, {last, last + 1}} {
					a, z := r[0], min(r[1], last+1)
					lay(data, []byte(filler), sector, a, z, runsOn)
					want = append(want, imap.Range{Start: int64(a * sector), Length: int64(min(z*sector, size) - a*sector), State: imap.Failed})
				}
				lay(data, []byte{0}, sector, 20, 40, false) // zeros are not it
				for _, threads := range []int{1, 3} {
					s := imap.FillerSearch{Filler: []byte(filler), Sector: int64(sector), State: imap.Failed}
					m, err := s.Run(t.Context(), memory{data: data}, size, extract.Options{Threads: threads})
					if err != nil {
						t.Fatal(err)
					}
					var got []imap.Range
					for r := range m.Ranges() {
						if r.State != imap.Read {
							got = append(got, r)
						}
					}
					slices.SortFunc(want, func(a, b imap.Range) int { return int(a.Start - b.Start) })
					if diff := cmp.Diff(want, got); diff != "" || m.End() != size {
						t.Errorf("sector %d, filler %q, runs on %v (-want +got):\n%s", sector, filler, runsOn, diff)
					}
				}
			}
		}
	}
}

func TestFillerKinds(t *testing.T) {
	data := noise(4096)
	copy(data[512:], "GONE sector 1")
	clear(data[1024:2048])
	bad := []imap.Range{{Start: 3600, Length: 1, State: imap.Failed}}
	run := func(s imap.FillerSearch) ([]imap.Range, error) {
		m, err := s.Run(t.Context(), memory{data, bad}, 4096, extract.Options{})
		if err != nil {
			return nil, err
		}
		return slices.Collect(m.Ranges()), nil
	}
	got, err := run(imap.FillerSearch{Filler: []byte("GONE"), Prefix: true, State: imap.Failed})
	want := []imap.Range{{Start: 0, Length: 512}, {Start: 512, Length: 512, State: imap.Failed}, {Start: 1024, Length: 2560}, {Start: 3584, Length: 512, State: imap.Failed}}
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("prefix: %v (-want +got):\n%s", err, diff)
	}
	if _, err := run(imap.FillerSearch{Filler: make([]byte, 4), State: imap.Failed}); !errors.Is(err, imap.ErrZeros) {
		t.Errorf("zeros: %v", err)
	}
	got, err = run(imap.FillerSearch{Filler: make([]byte, 4), Zeros: true, State: imap.Skipped})
	want = []imap.Range{{Start: 0, Length: 1024}, {Start: 2048, Length: 1536}, {Start: 3584, Length: 512, State: imap.Failed}}
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("zeros on demand: %v (-want +got):\n%s", err, diff)
	}
	if _, err := run(imap.FillerSearch{Filler: []byte("GONE"), State: imap.Failed}); !errors.Is(err, imap.ErrNoFiller) {
		t.Errorf("a filler that stands nowhere: %v", err)
	}
	// a larger sector with a filled one in it is unread; zeros are common in parts of one
	got, err = run(imap.FillerSearch{Filler: []byte("GONE"), Prefix: true, State: imap.Failed, Sector: 1024})
	want = []imap.Range{{Start: 0, Length: 1024, State: imap.Failed}, {Start: 1024, Length: 2048}, {Start: 3072, Length: 1024, State: imap.Failed}}
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("a filler in a part: %v (-want +got):\n%s", err, diff)
	}
	got, err = run(imap.FillerSearch{Filler: make([]byte, 4), Zeros: true, State: imap.Failed, Sector: 1024})
	want = []imap.Range{{Start: 0, Length: 1024}, {Start: 1024, Length: 1024, State: imap.Failed}, {Start: 2048, Length: 1024}, {Start: 3072, Length: 1024, State: imap.Failed}}
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("zeros in larger sectors: %v (-want +got):\n%s", err, diff)
	}
	for _, s := range []imap.FillerSearch{
		{State: imap.Failed},
		{Filler: make([]byte, 513), State: imap.Failed},
		{Filler: []byte("x")},
		{Filler: []byte("x"), State: imap.Failed, Sector: 500},
		{Filler: []byte("x"), State: imap.Failed, Sector: -1},
	} {
		if _, err := run(s); err == nil {
			t.Errorf("%+v gave no error", s)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := (imap.FillerSearch{Filler: []byte("x"), State: imap.Failed}).Run(ctx, memory{}, 9<<20, extract.Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("canceled: %v", err)
	}
}

// A part of a sector at the image's end that is shorter than the filler is
// compared as far as it goes. A part of a sector alone shows nothing.
func TestFillerPrefixShort(t *testing.T) {
	const filler = "NOT READ sector "
	for _, sector := range []int64{512, 4096} {
		for _, c := range []struct {
			tail string
			want imap.State
		}{{"N", imap.Failed}, {filler[:15], imap.Failed}, {filler + "9", imap.Failed}, {"M", imap.Read}, {"NOT READY", imap.Read}} {
			size := 2*sector + int64(len(c.tail))
			data := noise(int(size))
			copy(data[sector:], filler)
			copy(data[2*sector:], c.tail)
			s := imap.FillerSearch{Filler: []byte(filler), Prefix: true, Sector: sector, State: imap.Failed}
			m, err := s.Run(t.Context(), memory{data: data}, size, extract.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if got, ok := m.Uniform(2*sector, int64(len(c.tail))); got != c.want || !ok {
				t.Errorf("sectors of %d, %q at the end: %v, want %v", sector, c.tail, got, c.want)
			}
		}
	}
	data := append(noise(512), filler[0])
	for _, prefix := range []bool{false, true} {
		s := imap.FillerSearch{Filler: []byte(filler), Prefix: prefix, State: imap.Failed}
		if _, err := s.Run(t.Context(), memory{data: data}, 513, extract.Options{}); !errors.Is(err, imap.ErrNoFiller) {
			t.Errorf("one byte of the filler, prefix %v: %v", prefix, err)
		}
	}
}

func TestParseFiller(t *testing.T) {
	for give, want := range map[string]string{"0xdeadBEEF": "\xde\xad\xbe\xef", "0XFF_00": "\xff\x00", "dead": "dead", "no data": "no data"} {
		if got, err := imap.ParseFiller(give); err != nil || string(got) != want {
			t.Errorf("ParseFiller(%q) = %q, %v", give, got, err)
		}
	}
	for _, bad := range []string{"", "0x", "0xf", "0xzz"} {
		if _, err := imap.ParseFiller(bad); err == nil {
			t.Errorf("ParseFiller(%q) gave no error", bad)
		}
	}
}

func TestSample(t *testing.T) {
	data := noise(64 * 512)
	lay(data, []byte("NOT READ; "), 512, 8, 16, true) // another phase in each sector
	clear(data[16*512 : 20*512])
	for i := 20; i < 24; i++ { // the same sector again and again, which repeats nothing in it
		copy(data[i*512:(i+1)*512], data[:512])
	}
	sectors := func(a, z int64) []imap.Range { return []imap.Range{{Start: a * 512, Length: (z - a) * 512}} }
	tests := []struct {
		name   string
		ranges []imap.Range
		want   imap.Content
		text   string
	}{
		{"data", sectors(1, 8), imap.Content{Sectors: 7, Data: 7}, ""},
		{"filler", sectors(8, 16), imap.Content{Sectors: 8, Same: 8, Filler: []byte(" NOT READ;")}, `" NOT READ;"`},
		{"zeros", sectors(16, 20), imap.Content{Sectors: 4, Same: 4, Zeros: 4, Filler: []byte{0}}, "zeros"},
		{"one sector again and again", sectors(20, 24), imap.Content{Sectors: 4, Same: 4, Filler: data[:512]}, "0x" + "a4"},
		{"several ranges", append(sectors(1, 3), sectors(16, 19)...), imap.Content{Sectors: 5, Same: 3, Zeros: 3, Data: 2, Filler: []byte{0}}, "zeros"},
		{"no whole sector", []imap.Range{{Start: 1, Length: 700}}, imap.Content{}, ""},
		{"nothing", nil, imap.Content{}, ""},
	}
	for _, test := range tests {
		got := imap.Sample(memory{data: data}, 512, test.ranges)
		if diff := cmp.Diff(test.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.name, diff)
		}
		if text := got.FillerText(); test.name != "one sector again and again" && text != test.text {
			t.Errorf("%s: filler %s, want %s", test.name, text, test.text)
		}
	}
	if got := imap.Sample(memory{data: noise(4 << 20)}, 512, []imap.Range{{Start: 0, Length: 4 << 20}}); got.Sectors != 512 {
		t.Errorf("%d sectors of 8192 looked at", got.Sectors)
	}
}
