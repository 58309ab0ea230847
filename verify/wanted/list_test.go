package wanted

import (
	"strings"
	"testing"
	"time"
)

func day(s string) time.Time {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		panic(err)
	}
	return t
}

func TestWeight(t *testing.T) {
	l, err := Parse("t", strings.NewReader(`
# the orchard's own
100 /Orchard/Accounts/**
20  kind:photo newer:2024-01-01
7   kind:film smaller:2GiB Holidays/**
6   larger:1MiB Big/*
0   *.tmp
4   a file with blanks.txt
2   volume:2 /backup/**
8   volume:3 *.bak
9   /Café/**
3   older:2000-01-01
1   Mixed/{one,two}/?.dat
`))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		e    Entry
		want float64
	}{
		{Entry{Path: "orchard/accounts/2019/x.ods"}, 100},
		{Entry{Path: "x/orchard/accounts/x.ods"}, 0},
		{Entry{Path: "p.jpg", Modified: day("2024-01-01")}, 20},
		{Entry{Path: "p.jpg", Modified: day("2023-12-31")}, 0},
		{Entry{Path: "p.jpg"}, 0},
		{Entry{Path: "Holidays/a/b.mp4", Size: 2<<30 - 1}, 7},
		{Entry{Path: "Holidays/a/b.mp4", Size: 2 << 30}, 0},
		{Entry{Path: "Holidays/a/b.mp4", Size: -1}, 0},
		{Entry{Path: "big/x", Size: 1<<20 + 1}, 6},
		{Entry{Path: "big/x", Size: 1 << 20}, 0},
		{Entry{Path: "deep/down/x.TMP", Modified: day("1999-01-01")}, 0},
		{Entry{Path: "q/A File With Blanks.txt"}, 4},
		{Entry{Path: "q", Modified: day("1999-01-01")}, 3},
		{Entry{Path: "mixed/two/7.dat"}, 1},
		{Entry{Volume: 2, Path: "Backup/x"}, 2},
		{Entry{Volume: 1, Path: "Backup/x"}, 0},
		{Entry{Path: "Backup/x"}, 0}, // of a volume that is not known
		{Entry{Volume: 3, Path: "a/x.bak"}, 8},
		{Entry{Path: "CAF\u00c9/x"}, 9},
		{Entry{Path: "Cafe\u0301/x"}, 9}, // as HFS+ keeps it
		{Entry{Path: "CAFE\u0301/x"}, 9},
		{Entry{Path: "Cafe/x"}, 0},
		{Entry{Path: "mixed/three/7.dat"}, 0},
	} {
		if got := l.Weight(c.e); got != c.want {
			t.Errorf("%+v: weight %v, want %v", c.e, got, c.want)
		}
	}
}

func TestLeads(t *testing.T) {
	l, err := Parse("t", strings.NewReader("9 /a/b*/c/**\n0 /a/x/**\n5 /a/*/kept/*.txt\n0 **\n8 *.never\n"))
	if err != nil {
		t.Fatal(err)
	}
	for folder, want := range map[string]float64{
		"": 9, "a": 9, "A/bx": 9, "a/bx/c": 9, "a/bx/c/d/e": 9, "a/x": 0, "a/x/kept": 0,
		"a/q": 5, "a/q/kept": 5, "a/q/kept/deep": 0, "z": 0, "a/q/z": 0,
	} {
		if got := l.Leads(0, folder); got != want {
			t.Errorf("%q leads to %v, want %v", folder, got, want)
		}
	}
	l, err = Parse("t", strings.NewReader("7 volume:2 /a/**\n3 volume:1 /a/b/**\n5 /a/b/**\n"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		volume int
		folder string
		want   float64
	}{{0, "a", 7}, {1, "a", 5}, {2, "a", 7}, {1, "a/b", 3}, {2, "a/b/c", 7}, {3, "a/b", 5}, {0, "a/b", 7}, {1, "x", 0}} {
		if got := l.Leads(c.volume, c.folder); got != c.want {
			t.Errorf("volume %d: %q leads to %v, want %v", c.volume, c.folder, got, c.want)
		}
	}
	// what a folder is called that a rule takes whole tells nothing of others
	if l, err = Parse("t", strings.NewReader("1 /a/x/**\n1 /b/x/x/**\n9 /*/y/**\n")); err != nil {
		t.Fatal(err)
	}
	for _, folder := range []string{"a", "b", "b/y"} {
		if got := l.Leads(0, folder); got != 9 {
			t.Errorf("%q leads to %v, want 9", folder, got)
		}
	}
	if got := Default().Leads(0, "any/folder"); got != 10 {
		t.Errorf("the built-in list leads to %v, want 10", got)
	}
}

func TestDefault(t *testing.T) {
	parsed, err := Parse("default", strings.NewReader(DefaultText))
	if err != nil {
		t.Fatal(err)
	}
	l := Default()
	if len(l.rules) != len(parsed.rules) {
		t.Fatalf("%d rules, want %d", len(l.rules), len(parsed.rules))
	}
	own := []string{"Users/ada/thesis.docx", "x/p.JPG", "Mail/inbox.mbox", "stock.sqlite"}
	low := []string{"Windows/System32/a.docx", "Users/ada/tool.exe", "Users/ada/.cache/p.jpg", "usr/lib/x.txt"}
	for _, a := range own {
		for _, b := range low {
			if x, y := l.Weight(Entry{Path: a}), l.Weight(Entry{Path: b}); x <= y || y <= 0 {
				t.Errorf("%s %v, %s %v", a, x, b, y)
			}
		}
	}
}

func TestParseMany(t *testing.T) {
	for n, good := range map[int]bool{MaxRules: true, MaxRules + 1: false} {
		_, err := Parse("t", strings.NewReader("# rules\n"+strings.Repeat("1 a\n", n)))
		if (err == nil) != good || !good && !strings.Contains(err.Error(), "a list may have") {
			t.Errorf("%d rules: error %v", n, err)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for text, say := range map[string]string{
		"":                                       "no rule",
		"x *.jpg":                                "line 1: weight",
		"-1 *.jpg":                               "weight",
		"NaN **":                                 "weight",
		"2e9 **":                                 "weight",
		"5":                                      "what for",
		"# a\n1 kind:painting":                   "line 2: kind:painting: no such kind",
		"1 newer:yesterday":                      "give a day",
		"1 larger:huge":                          "give a size",
		"1 smaller:0":                            "nothing",
		"1 volume:0 **":                          "give the volume's number",
		"1 volume:Data **":                       "give the volume's number",
		"1 a/[b":                                 "line 1: pattern \"a/[b\" is malformed",
		"# x\n1 " + strings.Repeat("{a,b}", 200): "line 2: pattern \"" + strings.Repeat("{a,b}", 16) + "…\" has more than 256 alternatives",
	} {
		if _, err := Parse("t", strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%q: error %v, want one with %q", text, err, say)
		}
	}
}

// Rules that go back over what they read would not end.
func TestBraces(t *testing.T) {
	braces := strings.Repeat("{a,aa,aaa}", 18)
	l, err := Parse("t", strings.NewReader("2 "+braces+"b\n3 /x/"+braces+"\n"))
	if err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]float64{"x/" + strings.Repeat("a", 55): 0, "x/" + strings.Repeat("a", 54): 3, strings.Repeat("A", 30) + "b": 2} {
		if got := l.Weight(Entry{Path: path}); got != want {
			t.Errorf("%s: weight %v, want %v", path, got, want)
		}
	}
}

func TestEscape(t *testing.T) {
	for _, p := range []string{"readme.txt", "a/b c.txt", "kind:photo", "x/[1]{2}*?!.jpg", `back\slash`, "end ", "终\u3000", "?/12/nameless", "line\nbreak", "x/^a-b,c", "E\u0301te\u0301/x-\u0301", "\u212b"} {
		l, err := Parse("t", strings.NewReader("3 "+escape(p)+"\n"))
		if err != nil {
			t.Errorf("%q: %v", p, err)
			continue
		}
		if got := l.Weight(Entry{Path: p}); got != 3 {
			t.Errorf("%q as %q: weight %v", p, escape(p), got)
		}
		if got := l.Weight(Entry{Path: "other/" + p}); got != 0 {
			t.Errorf("%q as %q also takes it in another folder", p, escape(p))
		}
	}
}

func TestKindOf(t *testing.T) {
	for path, want := range map[string]Kind{
		"a/b.JPG": Photo, "x.mbox": Mail, "x": Other, "a/Cache/x.jpg": Cache, "s.mp4": Film, "f.docx:stream": Document,
		"thumbs.db": Cache, "k.db": Database, "n.txt": Text, "z.zip": Archive, "p.exe": Program, "m.flac": Music, "cache": Other,
	} {
		if got := KindOf(path); got != want {
			t.Errorf("%s: %s, want %s", path, got, want)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add(DefaultText, "a/b.jpg")
	f.Add("1 a/**/{b,c/d}/[x-z]\n0 **", "a/c/d/y")
	f.Fuzz(func(t *testing.T, text, path string) {
		l, err := Parse("t", strings.NewReader(text))
		if err != nil || strings.ContainsRune(path, '\ufffd') {
			return
		}
		w := l.Weight(Entry{Path: path, Size: -1})
		if w < 0 || w > MaxWeight {
			t.Errorf("weight %v", w)
		}
		if i := strings.LastIndexByte(path, '/'); i > 0 && l.Leads(0, path[:i]) < w {
			t.Errorf("%q has weight %v, its folder leads to %v", path, w, l.Leads(0, path[:i]))
		}
	})
}

// escape makes a pattern that fits exactly one path, but for upper and lower
// case and the ways to write accents. A character that no line can hold is left to any.
func escape(path string) string {
	var b strings.Builder
	b.WriteByte('/')
	for i, c := range path {
		switch {
		case c < 0x20 || c == 0x7f || c == 0x85 || c == 0xa0 || c == 0xfffd:
			b.WriteByte('?')
			continue
		case strings.ContainsRune(`\*?[]{}!^-,`, c):
			b.WriteByte('\\')
		case c == ' ' && i+1 == len(path):
			b.WriteString("[ ]")
			continue
		}
		b.WriteRune(c)
	}
	return b.String()
}
