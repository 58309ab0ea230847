package imap

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func mustRecipe(t testing.TB, text string) *Recipe {
	t.Helper()
	rec, err := ParseRecipe([]byte(text))
	if err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	return rec
}

func TestImport(t *testing.T) {
	const cols = "start=1\nlength=2\nstate=3\n"
	const words = "[words]\nok='read'\n'x'='failed'\n'~'='doubtful'\n'.'='skipped'\n"
	three := []Range{{0, 1024, Read}, {1024, 512, Failed}, {1536, 512, Doubtful}}
	tests := []struct {
		name, recipe, give string
		size               int64
		want               []Range
	}{
		{"our own form is one of them", "skip=1\n" + cols, header + "0,1024,read\n0x400,512,failed\n# so\n1536,512,doubtful\n", 2048, three},
		{"words", cols + words, "0,1024,ok\n1024,512,x\n1536,512,~\n2048,10,.\n", 0, three},
		{"tabs", "separator='tab'\n" + cols + words, "0\t1024\tok\n 1024\t 512\tx\n1536\t512\t~", 0, three},
		{"tabs with nothing between", "separator='tab'\nstart=2\nlength=4\nstate=5\n" + words, "\t0\t\t1024\tok\n\t1024\t\t512\tx\n\t1536\t\t512\t~", 0, three},
		{"blanks", "separator='blanks'\n" + cols + words, "    0   1024 ok  \n 1024\t 512  x more\r\n\n1536 512 ~\n", 0, three},
		{"separators with blanks", "separator='-: '\nstart=1\nend=2\nstate=3\n" + words, "0 - 1024: ok\n1024-1536 x\n1536  -  2048 :~\n", 0, three},
		{"merged separators", "separator='->'\nmerge_separators=true\nstart=1\nend=2\nstate=3\n" + words, "0 -> 1024 -> ok\n1024->1536->x\n1536->2048->~\n", 0, three},
		{"quotes", "separator=';'\nquote='\"'\n" + cols + words, "\"0\";\"1024\";\"ok\"\n1024;\"512\" ;x\n\"1536\"; 512;\"~\"\n", 0, three},
		{"blanks in quotes", "quote='\"'\n" + cols + words, "\" 0\",1024,\" ok\"\n1024,\"\t512 \",\"x \"\n1536,512,~\n", 0, three},
		{"words in ISO 8859-1", cols + "[words]\n'gut'='read'\n'unlesbar für immer'='failed'\n'übersprungen'='doubtful'\n", "0,1024,gut\n1024,512,unlesbar f\xfcr immer\n1536,512,\xfcbersprungen\n", 0, three},
		{"separator in quotes", "quote='\"'\nstart=2\nlength=3\nstate=4\n" + words, "\"a,b\",0,1024,ok\n,1024,512,x\n\"\",1536,512,~\n", 0, three},
		{"fixed", "separator='fixed'\nstart='1-6'\nlength='7-10'\nstate='12-'\n[words]\nok='read'\n'not good'='failed'\n'?'='doubtful'\n", "0000001024 ok\n001024 512 not good\n1536  512  ?", 0, three},
		{"columns in another order", "state=1\nend=3\nstart=2\n" + words, "ok,0,1024\nx,1024,1536\n~,1536,2048\n", 0, three},
		{"inclusive", "start=1\nend=2\nstate=3\ninclusive=true\n" + words, "0,1023,ok\n1024,1535,x\n1536,2047,~\n", 0, three},
		{"state of several words", "separator='blanks'\nstart=1\nlength=2\nstate='3-'\n[words]\n'came back'='read'\n'gave up  at once'='failed'\n'perhaps'='doubtful'\n", "0 1024 came back\n1024 512  gave up  at once \n1536 512 perhaps\n", 0, three},
		{"hexadecimal", "radix=16\n" + cols + words, "0,400,ok\n0x400,200,x\n600,200h,~\n", 0, three},
		{"octal", "radix=8\n" + cols + words, "0,2000,ok\n2000,1000,x\n3000,1000,~\n", 0, three},
		{"decimal, whatever zeros", "radix=10\n" + cols + words, "00,01024,ok\n1024,0512,x\n1536,0512,~\n", 0, three},
		{"groups", "separator=';'\ngroup=','\n" + cols + words, "0;1,024;ok\n1,024;512;x\n1,536;512;~\n", 0, three},
		{"sectors", "unit='sectors'\n" + cols + words, "0,2,ok\n2,1,x\n3,1,~\n", 0, three},
		{"sectors of another size", "unit='sectors'\nsector=256\n" + cols + words, "0,4,ok\n4,2,x\n6,2,~\n", 0, three},
		{"blocks", "unit='blocks'\nblock=128\n" + cols + words, "0,8,ok\n8,4,x\n12,4,~\n", 0, three},
		{"offset", "offset=-512\nunit='sectors'\n" + cols + words, "1,2,ok\n3,1,x\n4,1,~\n", 0, three},
		{"offset of a volume", "offset=1024\n" + cols + words, "0,512,x\n512,512,~\n", 0, three[1:]},
		{"comments", "comments=[';', '//', 'total']\n" + cols + words, "; map\n0,1024,ok\n  // note\n1024,512,x\n\n1536,512,~\ntotal 2048\n", 0, three},
		{"no comments", "comments=[]\nstate=1\nstart=2\nlength=3\n[words]\n'#'='read'\n'x'='failed'\n'~'='doubtful'\n", "#,0,1024\nx,1024,512\n~,1536,512\n", 0, three},
		{"skip", "skip=3\n" + cols + words, "pass 2\n\nfrom,many,how\n0,1024,ok\n1024,512,x\n1536,512,~\n", 0, three},
		{"only read ones listed", "start=1\nlength=2\nlisted='read'\nrest='failed'\n", "0,512\n1024,512\n", 2048, []Range{{0, 512, Read}, {512, 512, Failed}, {1024, 512, Read}, {1536, 512, Failed}}},
		{"only unread ones listed", "start=1\nlength=2\nlisted='failed'\nrest='read'\n", "1024,512\n512,256\n", 2048, []Range{{0, 512, Read}, {512, 256, Failed}, {768, 256, Read}, {1024, 512, Failed}, {1536, 512, Read}}},
		{"skipped ones listed", "start=1\nlength=2\nlisted='skipped'\nrest='read'\n", "512,512\n", 2048, []Range{{0, 512, Read}, {1024, 1024, Read}}},
		{"nothing listed", "start=1\nlength=2\nlisted='failed'\nrest='read'\n", "", 2048, []Range{{0, 2048, Read}}},
		// the list of the general block checker of e2fsprogs: block numbers, one a line
		{"single blocks", "start=1\nunit='blocks'\nblock=1024\nlisted='failed'\nrest='read'\n", "1\n2\n7\n", 8192, []Range{{0, 1024, Read}, {1024, 2048, Failed}, {3072, 4096, Read}, {7168, 1024, Failed}}},
		{"last block cut by the drive's end", "start=1\nunit='blocks'\nblock=1024\nlisted='failed'\nrest='read'\n", "2\n", 2560, []Range{{0, 2048, Read}, {2048, 512, Failed}}},
		{"no length says nothing", cols + words, "0,1024,ok\n5,0,x\n1024,512,x\n1536,512,~\n", 0, three},
		{"any order", cols + words, "1536,512,~\n0,1024,ok\n1024,512,x\n", 0, three},
		{"byte order mark", cols + words, "\xef\xbb\xbf0,1024,ok\r\n1024,512,x\r\n1536,512,~\r\n", 0, three},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			m, err := ParseList(strings.NewReader(test.give), "a.list", mustRecipe(t, test.recipe), test.size)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(test.want, slices.Collect(m.Ranges())); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestImportRefuses(t *testing.T) {
	const cols = "start=1\nlength=2\nstate=3\n"
	tests := []struct {
		name, recipe, give string
		size               int64
		want               string
	}{
		{"few fields", cols, "0,1\n", 0, "line 1: has 2 fields and should have 3"},
		{"header", cols, "start,length,state\n", 0, `line 1: start "start" is no number (radix 10, or 16 after 0x)`},
		{"unknown word", cols, "0,1,read\n1,1,good\n", 0, `line 2: the state word "good" has no meaning in the recipe: give it one (--map-words 'good=STATE')`},
		{"unknown word in ISO 8859-1", cols, "0,1,g\xfct\n", 0, `the state word "güt" has no meaning in the recipe: give it one (--map-words 'güt=STATE')`},
		{"words are as written", cols + "[words]\nOK='read'\n", "0,1,ok\n", 0, `"ok" has no meaning`},
		{"our words are not added to others", cols + "[words]\nok='read'\n", "0,1,read\n", 0, `"read" has no meaning`},
		{"negative", cols, "-1,1,read\n", 0, `start "-1" is negative`},
		{"missing", cols, ",1,read\n", 0, "start is missing"},
		{"not of the radix", "radix=10\n" + cols, "0x10,1,read\n", 0, `start "0x10" is no number (radix 10)`},
		{"eight in octal", "radix=8\n" + cols, "8,1,read\n", 0, "radix 8"},
		{"too large", cols, "99999999999999999999,1,read\n", 0, "is more than any drive holds"},
		{"too large in units", "unit='sectors'\n" + cols, "0x80000000000000,1,read\n", 0, "ends past what any drive holds"},
		{"end too large", cols, "0x80000000000000,1,read\n", 0, "ends past what any drive holds"},
		{"with the offset too large", "offset=36028797018963968\n" + cols, "1,1,read\n", 0, "ends past what any drive holds"},
		{"before the drive", "offset=-512\n" + cols, "0,1,read\n", 0, "starts at byte -512, before the drive"},
		{"end before start", "start=1\nend=2\nstate=3\n", "10,9,read\n", 0, "ends at 9, before its start 10"},
		{"past the end", cols, "0,513,read\n", 512, "past the end of the drive at 512"},
		{"a block past the end", "unit='blocks'\nblock=1024\n" + cols, "0,3,read\n", 2048, "past the end of the drive"},
		{"overlap", "skip=1\n" + cols, "x\n0,10,read\n# so\n9,2,failed\n", 0, "line 4: range of 2 bytes from 9 (failed) overlaps that of line 2, 10 bytes from 0 (read)"},
		{"overlap with rest", cols + "rest='read'\n", "0,10,read\n9,2,failed\n", 100, "line 2: range of 2 bytes from 9 (failed) overlaps"},
		{"same block twice", "start=1\nlisted='failed'\n", "4\n4\n", 0, "line 2"},
		{"rest of no known size", cols + "rest='read'\n", "", 0, "the size of the drive must be known"},
		{"wide text", cols, "\xff\xfe0\x00", 0, "is UTF-16 text"},
		{"an image", cols, strings.Repeat("\x01", 1<<17), 0, "is longer than 64 KiB"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			m, err := ParseList(strings.NewReader(test.give), "a.list", mustRecipe(t, test.recipe), test.size)
			if err == nil || m != nil || !strings.Contains(err.Error(), test.want) {
				t.Errorf("%v, want %q", err, test.want)
			}
		})
	}
}

func TestImportFile(t *testing.T) {
	rec := mustRecipe(t, "start=1\nlength=2\nlisted='read'\n")
	path := filepath.Join(t.TempDir(), "a.list")
	if err := os.WriteFile(path, []byte("0,512\n512,1\n511,3\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Import(path, rec, 0); err == nil || !strings.Contains(err.Error(), "line 3") {
		t.Errorf("overlap: %v", err)
	}
	if _, err := Import(path+"x", rec, 0); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("missing: %v", err)
	}
	if err := os.WriteFile(path, []byte("0,512\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := Import(path, rec, 0)
	if err != nil || f.Path != path || f.SHA256 == [32]byte{} || f.Len() != 1 {
		t.Errorf("%v, %v", f, err)
	}
}

// Many lines are imported at no more than 32 bytes a range. How fast that is,
// BenchmarkImport tells.
func TestImportMany(t *testing.T) {
	if testing.Short() {
		return
	}
	const n = 2_000_000
	path := filepath.Join(t.TempDir(), "a.list")
	var b []byte
	for i := range int64(n) {
		b = fmt.Appendf(b, "%9d  %d  %s\n", i*8, 8, [...]string{"ok", "x"}[i&1])
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	b = nil
	rec := mustRecipe(t, "separator='blanks'\nunit='sectors'\nstart=1\nlength=2\nstate=3\n[words]\nok='read'\nx='failed'\n")
	stop := peak()
	f, err := Import(path, rec, 0)
	high := stop()
	if err != nil || f.Len() != n {
		t.Fatal(f, err)
	}
	if high > 32*n {
		t.Errorf("%d bytes at the peak", high)
	}
}

func FuzzImport(f *testing.F) {
	f.Add("start=1\nlength=2\nstate=3\n[words]\nok='read'\nx='failed'", "0,512,ok\n0x200,0x200,x\n", int64(4096))
	f.Add("separator='-: '\nstart=1\nend=2\ninclusive=true\nstate='3-'\nquote='\"'\ngroup='_'\n", "0 - 1_000: \"read\"\n", int64(0))
	f.Add("separator='fixed'\nstart='1-4'\nlisted='failed'\nrest='read'\nunit='blocks'\nblock=1024\noffset=-1024\n", "0001\n0007", int64(8000))
	f.Add("radix=16\nseparator='|\t'\nmerge_separators=true\nstart=2\nlength=1\nlisted='doubtful'\nskip=1\ncomments=['//']\n", "x\n|| f|| \n//\n", int64(-1))
	f.Fuzz(func(t *testing.T, recipe, text string, size int64) {
		rec, err := ParseRecipe([]byte(recipe))
		if err != nil {
			return
		}
		m, err := ParseList(strings.NewReader(text), "a.list", rec, size)
		if err != nil {
			if m != nil {
				t.Fatalf("map %v with error %v", m, err)
			}
			if line, ok := errors.AsType[*LineError](err); ok && line.Line > strings.Count(text, "\n")+1 {
				t.Fatalf("%v names no line", err)
			}
			return
		}
		if m.Len() > 2*strings.Count(text, "\n")+3 {
			t.Fatalf("%d ranges of %d lines", m.Len(), strings.Count(text, "\n"))
		}
		pos, state := int64(-1), Skipped
		for r := range m.Ranges() {
			if r.Start < pos || r.Start < 0 || r.Length <= 0 || r.State == Skipped || r.Start == pos && r.State == state {
				t.Fatalf("%v follows on %d %v", r, pos, state)
			}
			pos, state = r.End(), r.State
		}
		if pos > m.End() || size > 0 && m.End() > size {
			t.Fatalf("the last range ends at %d, the map at %d, the drive at %d", pos, m.End(), size)
		}
		// a recipe that is written and read says the same
		var b strings.Builder
		if err := rec.Write(&b); err != nil {
			t.Fatal(err)
		}
		again, err := ParseRecipe([]byte(b.String()))
		if err != nil {
			t.Fatalf("%v in\n%s", err, &b)
		}
		same, err := ParseList(strings.NewReader(text), "a.list", again, size)
		if err != nil {
			t.Fatalf("%v of\n%s", err, &b)
		}
		if diff := cmp.Diff(slices.Collect(m.Ranges()), slices.Collect(same.Ranges())); diff != "" {
			t.Fatal(diff)
		}
	})
}
