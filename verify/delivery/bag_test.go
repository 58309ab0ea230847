package delivery

import (
	"bytes"
	"encoding/base64"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"fileassay/verify/paths"
	"fileassay/verify/result"
	"fileassay/verify/sheet"
	"fileassay/verify/shown"
)

// RFC 8493, section 2.1.3: CR, LF and % are percent-encoded, and no other.
func TestEncodePath(t *testing.T) {
	for _, c := range []struct{ path, want string }{
		{"data/a b.txt", "data/a b.txt"},
		{"data/50%", "data/50%25"},
		{"data/%0A", "data/%250A"},
		{"data/a\r\nb", "data/a%0D%0Ab"},
		{"data/ä*", "data/ä*"},
	} {
		got := encodePath(c.path)
		if got != c.want {
			t.Errorf("%q: %q, want %q", c.path, got, c.want)
		}
		if back := decodePath(got); back != c.path {
			t.Errorf("%q comes back as %q", got, back)
		}
	}
}

// linesOf are the lines of a manifest, read a byte at a time.
func linesOf(text string) (list []manifestLine, err error) {
	for l, err := range manifestLines(iotest.OneByteReader(strings.NewReader(text))) {
		if err != nil {
			return nil, err
		}
		list = append(list, l)
	}
	return list, nil
}

func TestParseManifest(t *testing.T) {
	sum := strings.Repeat("0a", 32)
	for _, c := range []struct {
		text string
		want []string
	}{
		{"", nil},
		{sum + "  data/a\n", []string{"data/a"}},
		{strings.ToUpper(sum) + " data/a b \n", []string{"data/a b "}},
		{sum + "\t./data/a\r\n" + sum + "  data/b\r" + sum + "  data/c", []string{"data/a", "data/b", "data/c"}},
		{sum + "  data/50%25%0d%41\n", []string{"data/50%\r%41"}},
	} {
		list, err := linesOf(c.text)
		var got []string
		for _, l := range list {
			got = append(got, l.path)
		}
		if d := cmp.Diff(c.want, got); err != nil || d != "" {
			t.Errorf("%q: %v\n%s", c.text, err, d)
		}
	}
	for _, bad := range []string{"x", sum, sum + "0  data/a", sum + "  ../a", sum + "  /etc/passwd", sum[:63] + "g  data/a", sum + "  data/../../a"} {
		if _, err := linesOf(bad); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

// Where the comma is for decimals, spreadsheet programs part cells at semicolons:
// no name that a table holds is a formula behind one, wherever it stands.
func TestNoFormulas(t *testing.T) {
	s := &paths.Store{}
	h := &held{
		paths: s,
		files: []*file{{volume: 1, id: 7, original: s.Add("x;=1"), place: s.Add("damaged/volume-1/x;=3D1"), damaged: true},
			{volume: 1, id: 8, original: s.Add("y;+1"), place: s.Add("damaged/volume-1/y;+1"), damaged: true, missing: []span{{off: 0, length: 512}}}},
		left: []leftOut{{1, 9, s.Add("z;@1"), s.Add("a;-1"), becauseGoal}},
	}
	for _, list := range h.tables() {
		name := list.name
		var b strings.Builder
		if err := list.write(&b); err != nil {
			t.Fatal(err)
		}
		text := b.String()
		if !strings.Contains(text, ";'") {
			t.Errorf("%s has no such name: %s", name, text)
		}
		for _, sign := range []string{"=", "+", "-", "@"} {
			if strings.Contains(text, ";"+sign) {
				t.Errorf("%s: a cell would begin with %s: %s", name, sign, text)
			}
		}
	}
}

// What a drive calls its files acts in no table, and the bytes of a name stay
// exact.
func TestTablesShown(t *testing.T) {
	const name = "a\x1b[31m\u202eb\u2029\xff"
	s := &paths.Store{}
	h := &held{
		paths: s,
		files: []*file{{volume: 1, id: 8, original: s.Add(name), exact: []byte(name), place: s.Add("damaged/volume-1/" + SafeName(name)), damaged: true, missing: []span{{off: 0, length: 512}}}},
		left:  []leftOut{{1, 9, s.Add(name), s.Add(name), becauseGoal}},
	}
	files := map[string]string{}
	for _, list := range h.tables() {
		var b strings.Builder
		if err := list.write(&b); err != nil {
			t.Fatal(err)
		}
		files[list.name] = b.String()
	}
	const safe = `a\u001b[31m\u202eb\u2029\xff`
	for table, want := range map[string]string{
		renamedName: safe + "," + base64.StdEncoding.EncodeToString([]byte(name)),
		missingName: SafeName(name) + ",0,512",
		leftName:    "1,9," + safe + `,"a link to ` + safe + `, which is left out"`,
	} {
		text := strings.TrimPrefix(files[table], sheet.Mark)
		if !strings.Contains(text, want) || shown.Lines(text) != text {
			t.Errorf("%s: %q, want %q in it", table, text, want)
		}
	}
}

func FuzzParseManifest(f *testing.F) {
	f.Add([]byte(strings.Repeat("0a", 32) + "  data/a%25\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		list, err := linesOf(string(b))
		if err != nil {
			return
		}
		var back bytes.Buffer
		err = writeManifest(&back, func(yield func(string, [32]byte) bool) {
			for _, l := range list {
				if !yield(l.path, l.sha256) {
					return
				}
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		again, err := linesOf(back.String())
		if err != nil || len(again) != len(list) {
			t.Fatalf("%d lines come back as %d: %v", len(list), len(again), err)
		}
	})
}

func TestSelectionString(t *testing.T) {
	for _, s := range []Selection{
		{Verdicts: []result.Verdict{result.Intact}},
		{Verdicts: []result.Verdict{result.Damaged, result.Intact}, Volumes: []int{1, 3}, Paths: []string{"a/**", `quo"te; path`, "line\nbreak"}},
	} {
		got, err := parseSelection(s.String())
		if err != nil || got.String() != s.String() {
			t.Errorf("%s comes back as %v, %v", s.String(), got, err)
		}
		if strings.ContainsAny(s.String(), "\r\n") {
			t.Errorf("%q is no line", s.String())
		}
	}
	for _, bad := range []string{"x", "volume x", "path x", `path "`} {
		if _, err := parseSelection(bad); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

func TestJournal(t *testing.T) {
	var b strings.Builder
	b.WriteString(`{"format":1,"result":"r","selection":"s","filler":"00"}` + "\n")
	var sum [32]byte
	for i := range 3 {
		sum[0] = byte(i)
		b.Write(appendJournal(nil, i, sum))
	}
	whole := b.String()
	for n := range len(whole) + 1 { // however it was torn, no line is believed that was not whole
		o, lines, err := readJournal(strings.NewReader(whole[:n]))
		if err != nil {
			t.Fatalf("cut to %d: %v", n, err)
		}
		if head := strings.IndexByte(whole, '\n'); (o == nil) != (n < head) {
			t.Fatalf("cut to %d: order %v", n, o)
		}
		if o == nil {
			// what a power cut leaves
			if o, lines, err := readJournal(strings.NewReader(whole[:n] + strings.Repeat("\x00", 5000))); o != nil || lines != nil || err != nil {
				t.Fatalf("cut to %d, with zeros: %v, %v, %v", n, o, lines, err)
			}
		}
		if o == nil && len(lines) > 0 {
			t.Fatalf("cut to %d: lines without a head", n)
		}
		for i, l := range lines {
			if l.n != i || l.sum[0] != byte(i) {
				t.Fatalf("cut to %d: line %d is %v", n, i, l)
			}
		}
		if n == len(whole) && len(lines) != 3 {
			t.Fatalf("%d lines", len(lines))
		}
	}
	if _, lines, _ := readJournal(strings.NewReader(strings.Replace(whole, " 01", " 02", 1))); len(lines) != 2 {
		t.Errorf("a line whose check fails is believed: %d lines", len(lines))
	}
	for _, text := range []string{"something else\n", "something else", "{}\n", "\x00x", strings.Repeat("x", 5<<20), strings.Repeat("\x00", 5<<20), strings.Repeat("\n", 10)} {
		if _, _, err := readJournal(strings.NewReader(text)); err == nil {
			t.Errorf("another file is taken for a journal: %.20q", text)
		}
	}
	if o, lines, err := readJournal(strings.NewReader(whole + strings.Repeat("\x00", 9<<20))); err != nil || o == nil || len(lines) != 3 {
		t.Errorf("with a long line behind: %v, %v, %d lines", err, o, len(lines))
	}
}
