package result

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"fileassay/extract/lawtest"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

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

// lineOf is a file's line with every field that there is.
const lineOf = `{"type":"file","volume":2,"id":18446744073709551615,"path":"Depot/\u202eé \"a\".txt","name_bytes":"AP8=","unnamed":true,"kind":"file","size":4096,` +
	`"verdict":"damaged","bytes":{"read":1,"doubtful":2,"failed":3,"skipped":4,"unlocated":4086},"executable":true,"stored":"compressed",` +
	`"packing":{"method":"lznt1","unit":65536,"units":[[0,512,512]]},"target":"x","extents":[[0,512,100],[100,4096,9]],"patched":[[1,2,3]],"holes":7,` +
	`"damage":[[0,null,5,"unlocated"],[5,9,7,"failed"]],"heads":[0,3],"heads_unnamed":true,"needs":[[512,1024]],"why":["a","b"],"modified":"2019-04-02T09:12:44Z"}`

func TestParseFileRefuses(t *testing.T) {
	lines := []string{"", "{", lineOf + "x", lineOf[:len(lineOf)-1]}
	for _, edit := range [][2]string{
		{`"type":"file"`, `"type":"volume"`}, {`"size":4096`, `"size":1.5`}, {`"size":4096`, `"size":99999999999999999999`},
		{`"id":18446744073709551615`, `"id":-1`}, {`[0,512,100]`, `[1,2]`}, {`[0,512,100]`, `[1,2,3,4]`}, {`[5,9,7,"failed"]`, `[1,2,3]`},
		{`Depot`, "\n"}, {`Depot`, `\x`}, {`"AP8="`, `"*"`}, {`"why":["a","b"]`, `"why":["a","b"],"x":` + strings.Repeat("[", 10000) + strings.Repeat("]", 10000)},
		{`"kind":"file"`, `"kind":"file","x":-`}, {`"needs":[[512,1024]]`, `"needs":]]`}, {`"why":["a","b"],`, `"why":["a","b"],,`},
		{`"kind":"file"`, `"kind":"file","x":tru`}, {`"size":4096`, `"size":4096,"size":2`}, {`"size":4096`, `"size":4096,"Size":1`},
		{`[5,9,7,"failed"]`, `[5,-1,7,"failed"]`}, {`"volume":2`, `"volume":4294967297`}, {`"bytes":{"read":1,`, `"bytes":{"read":1,"read":2,`},
		{`"bytes":{"read":1,`, `"bytes":{`}, {`"packing":{"method":"lznt1",`, `"packing":{`},
	} {
		line := strings.Replace(lineOf, edit[0], edit[1], 1)
		if line == lineOf {
			t.Fatalf("%s is not in the line", edit[0])
		}
		lines = append(lines, line)
	}
	if err := parseFile([]byte(lineOf), &File{}); err != nil {
		t.Fatal(err)
	}
	for _, line := range lines {
		if err := parseFile([]byte(line), &File{}); err == nil {
			t.Errorf("no error for %.80s", line)
		}
	}
}

// A line must have what stands in every line, and no more.
func TestFieldsOfFile(t *testing.T) {
	var all map[string]json.RawMessage
	if err := json.Unmarshal([]byte(lineOf), &all); err != nil {
		t.Fatal(err)
	}
	if len(all) != len(fileFields) {
		t.Errorf("the line of the test has %d fields of %d", len(all), len(fileFields))
	}
	for _, f := range fileFields {
		rest := maps.Clone(all)
		delete(rest, strings.Trim(f.name, `":`))
		line, err := json.Marshal(rest)
		if err != nil {
			t.Fatal(err)
		}
		if err := parseFile(line, &File{}); errors.Is(err, errLacks) != (f.omit == nil) || f.omit != nil && err != nil {
			t.Errorf("without %s: %v", f.name, err)
		}
	}
}

// A record that is used again holds nothing of what it held before.
func TestParseFileAgain(t *testing.T) {
	long := strings.Replace(lineOf, `"needs":[`, `"needs":[`+strings.Repeat("[0,1],", 2*mostAgain), 1)
	lines := []string{long, lineOf, string((&File{Verdict: Lost}).AppendLine(nil)), string((&File{Verdict: Intact, Path: "b", Extents: [][3]int64{{0, 7, 9}}, Why: []string{"c"}}).AppendLine(nil)), lineOf}
	var used File
	for _, line := range lines {
		var fresh File
		if err := parseFile([]byte(line), &fresh); err != nil {
			t.Fatal(err)
		}
		if err := parseFile([]byte(line), &used); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(fresh, used, cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%.80s: %s", line, diff)
		}
		if len(used.Needs) < mostAgain && cap(used.Needs) > mostAgain {
			t.Errorf("%.80s: keeps room for %d", line, cap(used.Needs))
		}
	}
}

// drawn is a file with any fields.
func drawn(rnd *rand.Rand) *File {
	num := func() int64 {
		switch rnd.IntN(4) {
		case 0:
			return rnd.Int64N(10)
		case 1:
			return math.MaxInt64 - rnd.Int64N(3)
		}
		return rnd.Int64N(1 << 40)
	}
	null := func() *int64 {
		if rnd.IntN(4) == 0 {
			return nil
		}
		n := num()
		return &n
	}
	text := func() string {
		var b strings.Builder
		for range rnd.IntN(3) {
			b.WriteString(strings.ToValidUTF8(hostileStrings[rnd.IntN(len(hostileStrings))], "?"))
		}
		return b.String()
	}
	triples := func() (list [][3]int64) {
		for range rnd.IntN(3) {
			list = append(list, [3]int64{num(), num(), num()})
		}
		return list
	}
	f := &File{Volume: rnd.IntN(5), ID: rnd.Uint64(), Path: text(), Unnamed: rnd.IntN(2) == 0, Kind: text(), Size: null(), Verdict: Verdict(text()),
		Bytes: NullBytes{null(), null(), null(), null(), null()}, Runs: rnd.IntN(2) == 0, Stored: text(), Target: text(), Extents: triples(), Patched: triples(),
		NoHead: rnd.IntN(2) == 0, Modified: text()}
	if rnd.IntN(3) == 0 {
		f.NameBytes = []byte(text())
	}
	if rnd.IntN(3) == 0 {
		f.Packing = Packing{text(), num(), num(), [][]int64{{num(), num()}, {num()}}}
	}
	for range rnd.IntN(3) {
		f.Damage = append(f.Damage, Damage{num(), max(num()-5, -1), num(), text()})
		f.Heads = append(f.Heads, rnd.IntN(256))
		f.Needs = append(f.Needs, [2]int64{num(), num()})
		f.Why = append(f.Why, text())
	}
	return f
}

// What is written is read again, whatever stands in it, in any order of fields
// and with any blanks; and it is JSON.
func TestRoundTrip(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	var used File
	for range lawtest.Times(t, 3000) {
		f := drawn(rnd)
		line := f.AppendLine(nil)
		if err := parseFile(line, &used); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		if diff := cmp.Diff(f, &used, cmpopts.EquateEmpty()); diff != "" {
			t.Fatalf("%s: %s", line, diff)
		}
		var fields map[string]json.RawMessage
		if err := json.Unmarshal(line, &fields); err != nil {
			t.Fatal(err)
		}
		var names []string
		for n := range fields {
			names = append(names, n)
		}
		slices.Sort(names)
		rnd.Shuffle(len(names), func(i, j int) { names[i], names[j] = names[j], names[i] })
		other := []byte(" {\t")
		for i, n := range names {
			if i > 0 {
				other = append(other, " , "...)
			}
			var wide bytes.Buffer
			if err := json.Indent(&wide, fields[n], " ", "\t "); err != nil {
				t.Fatal(err)
			}
			other = append(append(append(other, encoded(t, n)...), " : "...), bytes.ReplaceAll(wide.Bytes(), []byte("\n"), []byte("\r"))...)
		}
		other = append(other, " } \n"...)
		if err := parseFile(other, &used); err != nil {
			t.Fatalf("%s: %v", other, err)
		}
		if kind, err := lineType(other); err != nil || kind != "file" {
			t.Fatalf("%s: type %q, %v", other, kind, err)
		}
		if diff := cmp.Diff(f, &used, cmpopts.EquateEmpty()); diff != "" {
			t.Fatalf("%s: %s", other, diff)
		}
	}
}

// A line that is taken is written as one that says the same.
func FuzzParseFile(f *testing.F) {
	f.Add([]byte(lineOf))
	f.Add([]byte(`{"x":[{"y":-1.5e+3}],"type":"file","verdict":"intact","bytes":{}}`))
	f.Fuzz(func(t *testing.T, line []byte) {
		var got, back File
		if parseFile(line, &got) != nil {
			return
		}
		if !json.Valid(line) {
			t.Fatalf("taken, and no JSON: %q", line)
		}
		again := got.AppendLine(nil)
		if err := parseFile(again, &back); err != nil {
			t.Fatalf("%s: %v", again, err)
		}
		if diff := cmp.Diff(got, back, cmpopts.EquateEmpty()); diff != "" {
			t.Fatalf("%s: %s", again, diff)
		}
	})
}

var hostileStrings = []string{
	"", "plain", `quote " and \ and /`, "\x00\x01\x1f\x7f", "tab\tline\nreturn\r", "\b\f", "<b>&amp;'</b>", "κατάλογος ειδών", "𝔾 \u2028 \u2029 \ufeff",
	"bad \xff\xfe utf-8 \xc3", "\xed\xa0\x80 surrogate", "\u202egnp.exe", "\ufffd", "a\xe2\x80", string(rune(0x10ffff)),
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

func BenchmarkParseFile(b *testing.B) {
	line := []byte(`{"type":"file","volume":1,"id":4711,"path":"Plates/2019/sheet 04.tif","kind":"file","size":123456,"verdict":"intact",` +
		`"bytes":{"read":123456,"doubtful":0,"failed":0,"skipped":0,"unlocated":0},"extents":[[0,987654144,65536],[65536,1287654400,57920]],"damage":[],"why":[],"modified":"2019-04-02T09:12:44Z"}`)
	for _, c := range []struct {
		name  string
		parse func([]byte, *File) error
	}{{"own", parseFile}, {"json", func(l []byte, _ *File) error { var v any; return json.Unmarshal(l, &v) }}} {
		b.Run(c.name, func(b *testing.B) {
			b.SetBytes(int64(len(line)))
			for b.Loop() {
				if err := c.parse(line, &File{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// What no line needs is refused before anything is made of it.
func TestParseBounds(t *testing.T) {
	long := strings.Repeat("x", maxText)
	many := strings.Builder{}
	for i := range maxKeys + 1 {
		fmt.Fprintf(&many, `"f%d":0,`, i)
	}
	for _, edit := range [][2]string{{"Depot", long}, {`"kind":"file"`, `"kind":"file","x":"` + long + `"`}} {
		if err := parseFile([]byte(strings.Replace(lineOf, edit[0], edit[1], 1)), &File{}); !errors.Is(err, errJSON) {
			t.Errorf("%.20s: %v", edit[0], err)
		}
	}
	for _, line := range []string{`{"label":"` + long + `"}`, `{` + many.String() + `"g":0}`} {
		if err := decode([]byte(line), &Volume{}); !errors.Is(err, errJSON) {
			t.Errorf("%.20s: %v", line, err)
		}
	}
}
