package heads

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract/imap"
)

// Over and Ranges say of each byte what the ranges that were given say.
func TestMap(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		const size = 300
		head := make([]int, size) // of each byte; -1 for none
		for i := range head {
			head[i] = -1
			if i > 0 && rnd.IntN(6) > 0 {
				head[i] = head[i-1]
			} else if rnd.IntN(4) > 0 {
				head[i] = rnd.IntN(4)
			}
		}
		runs := func(a, z int) []Range {
			var list []Range
			for i := a; i < z; i++ {
				if k := len(list) - 1; k >= 0 && list[k].End() == int64(i) && list[k].Head == head[i] {
					list[k].Length++
				} else if head[i] >= 0 {
					list = append(list, Range{int64(i), 1, head[i]})
				}
			}
			return list
		}
		whole := runs(0, size)
		given := slices.Clone(whole)
		rnd.Shuffle(len(given), func(i, j int) { given[i], given[j] = given[j], given[i] })
		m, err := New(given)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(whole, slices.Collect(m.Ranges())); diff != "" {
			t.Fatalf("Ranges (-want +got):\n%s", diff)
		}
		a := rnd.IntN(size)
		z := a + rnd.IntN(size-a)
		if diff := cmp.Diff(runs(a, z), slices.Collect(m.Over(int64(a), int64(z-a)))); diff != "" {
			t.Fatalf("Over(%d, %d) (-want +got):\n%s", a, z-a, diff)
		}
		for _, h := range m.Heads() {
			if !slices.Contains(head, h) {
				t.Fatalf("head %d serves nothing", h)
			}
		}
		if len(whole) > 0 && m.End() != whole[len(whole)-1].End() {
			t.Fatalf("End %d", m.End())
		}
	}
}

func TestNewRefuses(t *testing.T) {
	for _, list := range [][]Range{
		{{-1, 5, 0}}, {{0, -5, 0}}, {{0, 5, -1}}, {{0, 5, 256}}, {{maxOffset, 1, 0}},
		{{0, 10, 1}, {9, 1, 1}}, {{5, 1, 2}, {0, 10, 1}},
	} {
		if _, err := New(list); err == nil {
			t.Errorf("%v is no error", list)
		}
	}
	_, err := New([]Range{{9, 5, 1}, {0, 10, 0}})
	over, ok := errors.AsType[*OverlapError](err)
	if !ok || err.Error() != "ranges overlap: 10 bytes from 0 (head 0) and 5 bytes from 9 (head 1)" || over.A.Value != 0 || over.B.Start != 9 {
		t.Errorf("got %v", err)
	}
}

func TestLoad(t *testing.T) {
	const header = "start,length,head\n"
	for _, test := range []struct{ name, text, want string }{
		// ranges as start+length:head
		{"two platters", header + "0,100,0\n100,100,1\n200,100,2\n300,100,3\n", "0+100:0 100+100:1 200+100:2 300+100:3"},
		{"byte order mark after the start", "# bench 4\n\ufeff" + header, "line 2: the first line"},
		{"byte order mark", "\ufeff# bench 4\n\n" + header + "0x100, 0x10 ,3\r\n# zone 1\n0,16,255", "0+16:255 256+16:3"},
		{"joined", header + "0,10,1\n10,10,1\n", "0+20:1"},
		{"nothing", header, ""},
		{"no length", header + "5,0,1\n", ""},
		{"overlap", header + "0,100,0\n200,100,1\n50,100,1\n", "line 4: range of 100 bytes from 50 (head 1) overlaps that of line 2, 100 bytes from 0 (head 0): no byte has two heads"},
		{"overlap within one head", header + "0,100,0\n50,100,0\n", "line 3: range"},
		{"past the end", header + "900,101,0\n", "line 2: range ends at byte 1001, past the end of the image at 1000"},
		{"no header", "0,100,0\n", "line 1: the first line that is no comment should be the header start,length,head"},
		{"empty", "", "has no header start,length,head: is this a head map?"},
		{"an imaging map", "start,length,state\n0,5,read\n", "line 1: the first line"},
		{"two columns", header + "0,100\n", "line 2: should be start,length,head"},
		{"four columns", header + "0,100,0,0\n", "line 2: should be start,length,head"},
		{"a word", header + "0,100,top\n", `line 2: head "top" is no whole number`},
		{"a fraction", header + "0,1.5,0\n", `line 2: length "1.5" is no whole number`},
		{"negative", header + "-1,100,0\n", `line 2: start "-1" is negative`},
		{"missing", header + "0,,0\n", "line 2: length is missing"},
		{"head 256", header + "0,1,256\n", `line 2: head "256" is more than any drive has`},
		{"absurd", header + "0,99999999999999999999,0\n", `line 2: length "99999999999999999999" is more than any drive holds`},
		{"end absurd", header + "0x60000000000000,0x60000000000000,0\n", "line 2: range of"},
		{"UTF-16", "\xff\xfes\x00", "line 1: is UTF-16 text"},
		{"long line", header + strings.Repeat("0", 1<<17), "line 2: is longer than 64 KiB"},
	} {
		t.Run(test.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "h.csv")
			if err := os.WriteFile(path, []byte(test.text), 0o600); err != nil {
				t.Fatal(err)
			}
			f, err := Load(path, 1000)
			if err != nil {
				if !strings.HasPrefix(err.Error(), "head map "+path) || !strings.Contains(err.Error(), test.want) || test.want == "" {
					t.Errorf("got %v\nwant %s", err, test.want)
				}
				if _, ok := errors.AsType[*imap.LineError](err); !ok {
					t.Errorf("%T is no *imap.LineError", err)
				}
				return
			}
			if got := described(f.Map); got != test.want {
				t.Errorf("got %s, want %s", got, test.want)
			}
		})
	}
	if _, err := Load(t.TempDir(), 0); err == nil || !strings.Contains(err.Error(), "is a folder") {
		t.Errorf("a folder: %v", err)
	}
	if _, err := Load("none.csv", 0); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a missing file: %v", err)
	}
}

func described(m *Map) string {
	var out []string
	for r := range m.Ranges() {
		out = append(out, fmt.Sprintf("%d+%d:%d", r.Start, r.Length, r.Head))
	}
	return strings.Join(out, " ")
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("start,length,head\n0,100,0\n0x64,0x10,1\n# x\n"))
	f.Add([]byte("\ufeffstart,length,head\n5,5,255\n0,5,0"))
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := Parse(bytes.NewReader(text), "h.csv", 0)
		if err != nil {
			return
		}
		var b strings.Builder
		b.WriteString("start,length,head\n")
		last := int64(0)
		for r := range m.Ranges() {
			if r.Start < last || r.Length <= 0 || r.Head < 0 || r.Head > MaxHead {
				t.Fatalf("range %+v after %d", r, last)
			}
			last = r.End()
			fmt.Fprintf(&b, "%d,%d,%d\n", r.Start, r.Length, r.Head)
		}
		again, err := Parse(strings.NewReader(b.String()), "again", 0)
		if err != nil || described(again) != described(m) {
			t.Errorf("written and read again: %v", err)
		}
	})
}
