package ntfs

import (
	"encoding/hex"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// run is a run in clusters of one byte each, of a volume that begins with the
// image.
type run [3]int64

func runsOf(list []run) (out []extract.Extent) {
	for _, r := range list {
		out = append(out, extract.Extent{Offset: r[0], Image: r[1], Length: r[2]})
	}
	return out
}

// The worked examples of the Linux-NTFS documentation, concepts/data_runs.html
// ("Example 1" to "Example 4", "Compressed", and the scenario behind them).
var documentedRuns = []struct {
	name, hex string
	want      []run
	next      int64
}{
	{"normal, unfragmented", "21 18 34 56 00", []run{{0, 0x5634, 0x18}}, 0x18},
	{"normal, fragmented", "31 38 73 25 34 32 14 01 E5 11 02 31 42 AA 00 03 00",
		[]run{{0, 0x342573, 0x38}, {0x38, 0x363758, 0x114}, {0x14c, 0x393802, 0x42}}, 0x18e},
	{"normal, scrambled", "11 30 60 21 10 00 01 11 20 E0 00",
		[]run{{0, 0x60, 0x30}, {0x30, 0x160, 0x10}, {0x40, 0x140, 0x20}}, 0x60},
	{"sparse, unfragmented", "11 30 20 01 60 11 10 30 00",
		[]run{{0, 0x20, 0x30}, {0x30, hole, 0x60}, {0x90, 0x50, 0x10}}, 0xa0},
	{"compressed, unfragmented", "11 08 40 01 08 11 10 08 11 0C 10 01 04 00",
		[]run{{0, 0x40, 8}, {8, hole, 8}, {16, 0x48, 0x10}, {32, 0x58, 0xc}, {44, hole, 4}}, 48},
	{"compressed, sparse and raw", compressedExample,
		[]run{{0, 0x100, 0x14}, {0x14, 0x118, 0x10}, {0x24, 0x12d, 5}, {0x29, hole, 0x27}, {0x50, 0x132, 0x20}}, 0x70},
}

const compressedExample = "21 14 00 01 11 10 18 11 05 15 01 27 11 20 05 00"

func TestDecodeRuns(t *testing.T) {
	v := &area{cluster: 1, clusters: 1 << 24}
	for _, tt := range documentedRuns {
		var got []extract.Extent
		next, err := v.decodeRuns(unhex(t, tt.hex), 0, func(e extract.Extent) { got = append(got, e) })
		if err != nil || next != tt.next {
			t.Errorf("%s: ends before %#x, error %v", tt.name, next, err)
		}
		if diff := cmp.Diff(runsOf(tt.want), got); diff != "" {
			t.Errorf("%s: %s", tt.name, diff)
		}
	}
}

func TestDecodeRunsBroken(t *testing.T) {
	v := &area{cluster: 1, clusters: 1 << 16}
	for _, tt := range []struct {
		name, hex string
		runs      int
		next      int64
		err       string
	}{
		{"nothing", "", 0, 7, "no end mark"},
		{"cut behind a run", "11 30 20", 1, 7 + 0x30, "no end mark"},
		{"cut within a run", "11 30 20 11 10", 1, 7 + 0x30, "cut short"},
		{"no length", "10 20 00", 0, 7, "run head"},
		{"length of nine bytes", "19 00 00 00 00 00 00 00 00 00 01 00", 0, 7, "run head"},
		{"length zero", "11 00 20 00", 0, 7, "run of 0 clusters"},
		{"negative length", "11 80 20 00", 0, 7, "run of -128 clusters"},
		{"absurd length", "08 ff ff ff ff ff ff ff 7f 00", 0, 7, "clusters"},
		{"before the volume", "11 10 20 11 10 80 00", 1, 7 + 0x10, "outside the volume"},
		{"past the volume", "21 10 f1 ff 00", 0, 7, "outside the volume"},
		{"over the end", "31 10 f1 ff 00 00", 0, 7, "outside the volume of 65536"},
	} {
		n := 0
		next, err := v.decodeRuns(unhex(t, tt.hex), 7, func(extract.Extent) { n++ })
		if n != tt.runs || next != tt.next || err == nil || !strings.Contains(err.Error(), tt.err) {
			t.Errorf("%s: %d runs, next %#x, error %v", tt.name, n, next, err)
		}
	}
	// the last cluster of the volume is one
	if _, err := v.decodeRuns(unhex(t, "31 10 f0 ff 00 00"), 0, func(extract.Extent) {}); err != nil {
		t.Error(err)
	}
}

// The units of the example of concepts/data_runs.html: raw, raw, compressed,
// sparse, sparse, raw, raw.
func TestCompressedUnits(t *testing.T) {
	v := &area{cluster: 4096, clusters: 1 << 20, start: 1 << 20}
	m := mapping{headed: true, size: 0x70 * 4096, initialized: 0x70 * 4096, flags: 1, unit: 16 * 4096}
	if _, err := v.decodeRuns(unhex(t, compressedExample), 0, func(e extract.Extent) { m.runs = append(m.runs, e) }); err != nil {
		t.Fatal(err)
	}
	m.settle()
	const c = 4096
	at := func(lcn int64) int64 { return 1<<20 + lcn*c }
	want := []extract.Piece{
		{Offset: 0, Length: 0x14 * c, Kind: extract.Data, Image: at(0x100)},
		{Offset: 0x14 * c, Length: 0xc * c, Kind: extract.Data, Image: at(0x118)},
		{Offset: 0x20 * c, Length: 0x10 * c, Kind: extract.Unit, Units: []extract.Extent{
			{Offset: 0x20 * c, Image: at(0x124), Length: 4 * c}, {Offset: 0x24 * c, Image: at(0x12d), Length: 5 * c}}},
		{Offset: 0x30 * c, Length: 0x20 * c, Kind: extract.Hole},
		{Offset: 0x50 * c, Length: 0x20 * c, Kind: extract.Data, Image: at(0x132)},
	}
	if diff := cmp.Diff(want, m.pieces()); diff != "" {
		t.Error(diff)
	}

	// what lies past the valid bytes is zeros, and so is what a unit that they
	// reach into holds past them
	m.initialized = 0x21*c + 5
	cut := want[2]
	cut.Length = c + 5
	cutWant := append(want[:2:2], cut, extract.Piece{Offset: 0x21*c + 5, Length: 0x4f*c - 5, Kind: extract.Hole})
	if diff := cmp.Diff(cutWant, m.pieces()); diff != "" {
		t.Error("cut valid bytes: ", diff)
	}

	// a unit of which a part has no known place is unlocated as a whole
	m.initialized = m.size
	m.runs = m.runs[:2]
	want = append(want[:2:2], extract.Piece{Offset: 0x20 * c, Length: 0x50 * c, Kind: extract.Unlocated})
	if diff := cmp.Diff(want, m.pieces()); diff != "" {
		t.Error("missing runs: ", diff)
	}
}

func TestPieces(t *testing.T) {
	const c = 1024
	for _, tt := range []struct {
		name  string
		m     mapping
		runs  []run // in clusters of c bytes
		valid int64
		want  []extract.Piece
	}{
		{"all located, slack left out", mapping{size: 3*c - 5}, []run{{0, 10, 2}, {2, 12, 1}}, 3*c - 5,
			[]extract.Piece{{Length: 3*c - 5, Kind: extract.Data, Image: 10 * c}}},
		{"a hole", mapping{size: 4 * c}, []run{{0, 10, 1}, {1, hole, 2}, {3, 11, 1}}, 4 * c,
			[]extract.Piece{{Length: c, Kind: extract.Data, Image: 10 * c}, {Offset: c, Length: 2 * c, Kind: extract.Hole}, {Offset: 3 * c, Length: c, Kind: extract.Data, Image: 11 * c}}},
		{"a missing run is no hole", mapping{size: 4 * c}, []run{{0, 10, 1}, {3, 11, 1}}, 4 * c,
			[]extract.Piece{{Length: c, Kind: extract.Data, Image: 10 * c}, {Offset: c, Length: 2 * c, Kind: extract.Unlocated}, {Offset: 3 * c, Length: c, Kind: extract.Data, Image: 11 * c}}},
		{"missing runs at the end", mapping{size: 4 * c}, []run{{0, 10, 1}}, 4 * c,
			[]extract.Piece{{Length: c, Kind: extract.Data, Image: 10 * c}, {Offset: c, Length: 3 * c, Kind: extract.Unlocated}}},
		{"valid bytes end early", mapping{size: 4 * c}, []run{{0, 10, 4}}, c + 7,
			[]extract.Piece{{Length: c + 7, Kind: extract.Data, Image: 10 * c}, {Offset: c + 7, Length: 3*c - 7, Kind: extract.Hole}}},
		{"a missing run past the valid bytes is zeros all the same", mapping{size: 4 * c}, []run{{0, 10, 2}}, c + 7,
			[]extract.Piece{{Length: c + 7, Kind: extract.Data, Image: 10 * c}, {Offset: c + 7, Length: 3*c - 7, Kind: extract.Hole}}},
		{"no valid bytes", mapping{size: 4 * c}, []run{{0, 10, 4}}, 0, []extract.Piece{{Length: 4 * c, Kind: extract.Hole}}},
		{"two runs claim one cluster: neither is believed", mapping{size: 4 * c}, []run{{0, 10, 3}, {2, 20, 2}}, 4 * c,
			[]extract.Piece{{Length: 2 * c, Kind: extract.Data, Image: 10 * c}, {Offset: 2 * c, Length: c, Kind: extract.Unlocated}, {Offset: 3 * c, Length: c, Kind: extract.Data, Image: 21 * c}}},
		{"nothing", mapping{}, nil, 0, nil},
	} {
		tt.m.initialized = tt.valid
		for _, e := range runsOf(tt.runs) {
			if e.Image != hole {
				e.Image *= c
			}
			tt.m.runs = append(tt.m.runs, extract.Extent{Offset: e.Offset * c, Image: e.Image, Length: e.Length * c})
		}
		tt.m.settle()
		if diff := cmp.Diff(tt.want, tt.m.pieces()); diff != "" {
			t.Errorf("%s: %s", tt.name, diff)
		}
	}
}

func FuzzRuns(f *testing.F) {
	for _, tt := range documentedRuns {
		f.Add(unhex(f, tt.hex), int64(0))
	}
	f.Fuzz(func(t *testing.T, b []byte, lowest int64) {
		v := &area{cluster: 1, clusters: 1 << 30}
		lowest &= maxVCN - 1
		at, n := lowest, 0
		next, _ := v.decodeRuns(b, lowest, func(e extract.Extent) {
			if e.Offset != at || e.Length <= 0 || e.Image != hole && (e.Image < 0 || e.Image+e.Length > v.clusters) {
				t.Fatalf("run %+v after %d", e, at)
			}
			at += e.Length
			n++
		})
		if next != at || next > maxVCN+1 || n > len(b) {
			t.Fatalf("%d runs of %d bytes end at %d, stated %d", n, len(b), at, next)
		}
	})
}
