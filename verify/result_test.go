package verify

import (
	"bytes"
	"encoding/json"
	"testing"
	"time"
	"unicode/utf8"

	"fileassay/extract"
	"fileassay/extract/image"
)

// recordOf is a file's line as a FileRecord.
func recordOf(volume int, f *extract.File, j *Judgement) FileRecord {
	r := FileRecord{Type: "file", Volume: volume, ID: f.ID, Path: f.Path, NameBytes: f.NameBytes, Unnamed: f.Unnamed, Runs: f.Executable, Kind: string(f.Kind),
		Verdict: j.Verdict, Stored: string(f.Stored), Target: f.Target, Extents: [][3]int64{}, Damage: []Damage{}, Heads: j.Heads, Needs: j.Needs, Why: append([]string{}, f.Why...)}
	if len(j.Packed) > 0 {
		r.Packing = &Packing{f.Packing.Method, f.Packing.Unit, f.Packing.Valid, j.Packed}
	}
	if f.Size >= 0 {
		r.Size = &f.Size
	}
	if j.Counted {
		b := &j.Bytes
		r.Bytes = NullBytes{&b.Read, &b.Doubtful, &b.Failed, &b.Skipped, &b.Unlocated}
	}
	for _, e := range j.Extents {
		r.Extents = append(r.Extents, [3]int64{e.Offset, e.Image, e.Length})
	}
	for _, e := range j.Patched {
		r.Patched = append(r.Patched, [3]int64{e.Offset, e.Image, e.Length})
	}
	r.Damage = append(r.Damage, j.Damage...)
	if !f.Modified.IsZero() {
		r.Modified = f.Modified.UTC().Format(modifiedForm(f))
	}
	return r
}

func encoded(t testing.TB, v any) []byte {
	t.Helper()
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

var hostileStrings = []string{
	"", "plain", `quote " and \ and /`, "\x00\x01\x1f\x7f", "tab\tline\nreturn\r", "\b\f", "<b>&amp;'</b>", "κατάλογος ειδών", "𝔾 \u2028 \u2029 \ufeff",
	"bad \xff\xfe utf-8 \xc3", "\xed\xa0\x80 surrogate", "\u202egnp.exe", "\ufffd", "a\xe2\x80", string(rune(0x10ffff)),
}

func TestAppendFile(t *testing.T) {
	r := drive(t, image.Options{})
	const s = 512
	var files []extract.File
	for i, text := range hostileStrings {
		files = append(files, extract.File{ID: uint64(i), Path: text, Kind: extract.KindFile, Target: text, Why: []string{text, "x"}, Size: 0})
	}
	files = append(files,
		extract.File{ID: 1<<64 - 1, Path: "p", Kind: extract.KindStream, Size: -1, Unnamed: true, NameOnly: true, NameBytes: []byte{1, 2, 255}},
		extract.File{Path: "p", Kind: extract.KindFile, NameBytes: []byte{}, Modified: time.Date(2019, 4, 2, 9, 12, 44, 0, time.UTC)},
		extract.File{Path: "p", Kind: extract.KindFile, Modified: time.Date(1601, 1, 1, 0, 0, 0, 100, time.FixedZone("", 3600)), Stored: extract.StoredCompressed},
		extract.File{Path: "p", Kind: extract.KindFile, Modified: time.Date(2019, 4, 2, 9, 12, 44, 120000000, time.UTC), LocalTime: true},
		extract.File{Path: "p", Kind: extract.KindFolder},
		extract.File{Path: "p", Kind: extract.KindFile, Executable: true},
		extract.File{Path: "p", Kind: extract.KindFile, Size: 9 * s, Stored: extract.StoredCompressed, Packing: extract.Packing{Method: "lznt1", Unit: 2 * s, Valid: 8*s - 1}, Pieces: []extract.Piece{
			{Length: 2 * s, Kind: extract.Unit, Units: []extract.Extent{{Offset: 0, Image: 4 * s, Length: s}}},
			{Offset: 2 * s, Length: 2 * s, Kind: extract.Unit, Units: []extract.Extent{{Offset: 2 * s, Image: 5 * s, Length: s}, {Offset: 3 * s, Image: 0, Length: 9}}},
			dataPiece(4*s, 2*s, 9*s),
			{Offset: 6 * s, Length: 2 * s, Kind: extract.Unit, Units: []extract.Extent{{Offset: 6 * s, Image: 40 * s, Length: s}}}}},
		extract.File{Path: "p", Kind: extract.KindFile, Size: 40 * s, Pieces: []extract.Piece{dataPiece(0, 25*s, 9*s), dataPiece(25*s, s, 60*s),
			{Offset: 26 * s, Length: 2, Kind: extract.Patched, Image: 7}, {Offset: 30 * s, Length: s, Kind: extract.Hole}}},
	)
	for i := range files {
		f := &files[i]
		j := Judge(f, r)
		if i%2 > 0 {
			j.Heads = []int{0, 17, 255}[:1+i%3]
			j.Needs = [][2]int64{{0, 512}, {1 << 40, 4096}}[:i%3]
		}
		got := appendFile(nil, 3, f, &j)
		if want := encoded(t, recordOf(3, f, &j)); !bytes.Equal(got, want) {
			t.Errorf("%q:\n got %s\nwant %s", f.Path, got, want)
		}
	}
}

func FuzzAppendString(f *testing.F) {
	for _, s := range hostileStrings {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := appendString(nil, s)
		var back string
		if err := json.Unmarshal(got, &back); err != nil {
			t.Fatalf("%q: %s: %v", s, got, err)
		}
		if utf8.ValidString(s) && back != s {
			t.Fatalf("%q comes back as %q", s, back)
		}
		if want := bytes.TrimSuffix(encoded(t, s), []byte("\n")); !bytes.Equal(got, want) {
			t.Fatalf("%q: %s, encoding/json has %s", s, got, want)
		}
	})
}
