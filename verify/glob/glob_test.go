package glob

import (
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"
)

func compile(t testing.TB, pattern string) *Pattern {
	t.Helper()
	p, err := Compile(pattern)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestMatch(t *testing.T) {
	for _, c := range []struct {
		pattern string
		fits    []string
		not     []string
	}{
		{"", []string{""}, []string{"a"}},
		{"a/b c.txt", []string{"a/b c.txt"}, []string{"a/b c.txt.", "A/b c.txt", "a"}},
		{"*", []string{"a", "ä", ""}, []string{"a/b"}},
		{"*.jpg", []string{".jpg", "a.jpg", "a.jpg.jpg"}, []string{"a/b.jpg", "a.jpgs"}},
		{"a/*", []string{"a/b", "a/"}, []string{"a", "a/b/c"}},
		{"a/b*c", []string{"a/bc", "a/bxbcc"}, []string{"a/b/c", "a/bcx", "a/c"}},
		{"a*b*c", []string{"abc", "axbbcxc"}, []string{"ac", "abcx", "a/bc"}},
		{"?", []string{"a", "終", "\u0301"}, []string{"", "/", "ab"}},
		{"a?c", []string{"abc", "aéc"}, []string{"a/c", "ac"}},
		{"[a-cx]", []string{"a", "b", "c", "x"}, []string{"d", "-", ""}},
		{"[!a-c]", []string{"d", "終", "!"}, []string{"a", "/"}},
		{"[^a-c]", []string{"d", "^"}, []string{"b", "/"}},
		{"[+-0]", []string{".", "0"}, []string{"/"}},
		{`[\]\-a-]`, []string{"]", "-", "a"}, []string{`\`, "b"}},
		{"[b-a]", nil, []string{"a", "b"}},
		{"[ ]", []string{" "}, []string{""}},
		{`\*\{\[\?\\\a`, []string{`*{[?\a`}, []string{`x{[?\a`}},
		{"{a,b/c,}", []string{"a", "b/c", ""}, []string{"b", "c", "a,b"}},
		{"x{a,{b,c}d}y", []string{"xay", "xbdy", "xcdy"}, []string{"xby", "xy"}},
		{"a,b", []string{"a,b"}, nil},
		{"{[,}],a}b", []string{",b", "}b", "ab"}, []string{"[b"}},
		{"**", []string{"", "a", "a/b/c"}, nil},
		{"a/**", []string{"a", "a/", "a/b", "a/b/c"}, []string{"ab", "b", "b/a"}},
		{"**/a", []string{"a", "b/a", "c/b/a"}, []string{"ba", "b/ba", "a/b"}},
		{"a/**/b", []string{"a/b", "a/x/b", "a/x/y/b", "a/b/b"}, []string{"ab", "a/xb", "a/bx", "a/b/c"}},
		{"a/**/**", []string{"a", "a/b", "a/b/c"}, []string{"b"}},
		{"**/a/**/b/**", []string{"a/b", "x/a/y/b/z", "a/a/b/b"}, []string{"b/a", "ab"}},
		{"a**", []string{"a", "ab"}, []string{"a/b"}},
		{"**a", []string{"a", "ba"}, []string{"b/a"}},
		{"***", []string{"a"}, []string{"a/b"}},
		{"a/**b", []string{"a/b", "a/xb"}, []string{"a/x/b", "a"}},
		{"{a/,}**", []string{"a", "b/c", "a/b/c"}, nil},
		{"x{a/,}**", []string{"x", "xy", "xa/b/c"}, []string{"x/y", "y", "xy/z"}},
		{"{**,x}/y", []string{"y", "x/y", "a/b/y"}, []string{"xy"}},
		{"a{/**,b}", []string{"a", "a/x/y", "ab"}, []string{"abc"}},
		{"*{**,x}", []string{"ax", "a"}, []string{"a/b"}},
		{"*{*,x}", []string{"ax", "a"}, []string{"a/b"}},
		{"**{/a,/b}", []string{"a", "x/y/b"}, []string{"xa"}},
		{"**{}", []string{"a/b"}, nil},
		{"a\xffb", []string{"a\ufffdb"}, nil},
	} {
		p := compile(t, c.pattern)
		for _, s := range c.fits {
			if !p.Match(s) {
				t.Errorf("%q does not fit %q", c.pattern, s)
			}
		}
		for _, s := range c.not {
			if p.Match(s) {
				t.Errorf("%q fits %q", c.pattern, s)
			}
		}
	}
}

func TestBelow(t *testing.T) {
	for _, c := range []struct {
		pattern, folder string
		some, all       bool
	}{
		{"a/b", "", true, false},
		{"a/b", "a", true, false},
		{"a/b", "a/b", false, false},
		{"a/b", "b", false, false},
		{"a/*.x", "a", true, false},
		{"a/*.x", "a/b", false, false},
		{"a/**", "", true, false},
		{"a/**", "a", true, true},
		{"a/**", "a/b/c", true, true},
		{"a/**", "ab", false, false},
		{"**", "", true, true},
		{"a/*/x/**", "a", true, false}, // x is a name as any other
		{"a/*/x/**", "a/b/x", true, true},
		{"a/**/b", "a/c/d", true, false},
		{"{a,b/c}/d", "b", true, false},
		{"{a,b/c}/d", "c", false, false},
		{"{a/**,b}", "a", true, true},
		{"*", "", true, false},
		{"*", "a", false, false},
	} {
		some, all := compile(t, c.pattern).Below(c.folder)
		if some != c.some || all != c.all {
			t.Errorf("%q below %q: some %t, all %t", c.pattern, c.folder, some, all)
		}
	}
}

func TestRefused(t *testing.T) {
	for pattern, say := range map[string]string{
		"[":                                  "a [ is not closed",
		"[]":                                 "a [ is not closed",
		"[^":                                 "a [ is not closed",
		`[a\`:                                "a [ is not closed",
		"[a-":                                "a [ is not closed",
		"{a":                                 "a { is not closed",
		"{a,{b}":                             "a { is not closed",
		"a}":                                 "a } closes no brace",
		`a\`:                                 `behind its last \`,
		strings.Repeat("x", MaxLength+1):     "has 1,048,577 bytes; a pattern may have 1,048,576",
		"*" + strings.Repeat("x", MaxBehind): "more than 2,048 signs behind its first * or {",
		"*[" + strings.Repeat("x", MaxBehind) + "]":           "more than 2,048 signs",
		strings.Repeat("{", MaxLength):                        "more than 256 alternatives",
		"{" + strings.Repeat(",", MaxAlternatives) + "}":      "more than 256 alternatives",
		strings.Repeat("{a,b,c,d}", MaxAlternatives/4) + "{}": "more than 256 alternatives",
	} {
		_, err := Compile(pattern)
		if err == nil || !strings.Contains(err.Error(), say) || len(err.Error()) > 300 {
			t.Errorf("%.20q: error %.400v, want one with %q", pattern, err, say)
		}
	}
	for _, pattern := range []string{strings.Repeat("x", MaxLength), "*" + strings.Repeat("x", MaxBehind-1), strings.Repeat("?", MaxLength),
		"{" + strings.Repeat(",", MaxAlternatives-1) + "}"} {
		compile(t, pattern)
	}
}

// slowMatch says what a pattern fits as slowly as it can be said: braces are
// written out, and each of the patterns is held against the path by name.
func slowMatch(pattern, path string) bool {
	pattern = runsOfStars.ReplaceAllStringFunc(pattern, func(s string) string {
		if s == "**" {
			return deep
		}
		return "*"
	})
	return slices.ContainsFunc(expand(pattern), func(p string) bool { return slowNames(strings.Split(p, "/"), strings.Split(path, "/")) })
}

// deep stands for ** before braces are written out: a * before a brace and one
// in it make no **.
const deep = "\ue000"

var runsOfStars = regexp.MustCompile(`\*+`)

// expand writes braces out.
func expand(p string) []string {
	open := indexOutside(p, "{")
	if open < 0 {
		return []string{p}
	}
	var out, parts []string
	depth, from := 0, open+1
	for i := open; ; i += signLen(p[i:]) {
		switch {
		case p[i] == '{':
			depth++
		case p[i] == '}':
			depth--
		}
		if depth == 1 && p[i] == ',' || depth == 0 {
			parts = append(parts, p[from:i])
			from = i + 1
		}
		if depth == 0 {
			break
		}
	}
	for _, part := range parts {
		out = append(out, expand(p[:open]+part+p[from:])...)
	}
	return out
}

// signLen is the length of a class, an escaped character, or one character.
func signLen(p string) int {
	switch p[0] {
	case '\\':
		_, n := utf8.DecodeRuneInString(p[1:])
		return 1 + n
	case '[':
		i := 1
		for first := true; first || p[i] != ']'; first = false {
			if first && (p[i] == '^' || p[i] == '!') {
				i++
			}
			if p[i] == '\\' {
				i++
			}
			i++
		}
		return i + 1
	}
	_, n := utf8.DecodeRuneInString(p)
	return n
}

func indexOutside(p, sign string) int {
	for i := 0; i < len(p); i += signLen(p[i:]) {
		if strings.HasPrefix(p[i:], sign) {
			return i
		}
	}
	return -1
}

func slowNames(patterns, names []string) bool {
	switch {
	case len(patterns) == 0:
		return len(names) == 0
	case patterns[0] == deep:
		for i := range len(names) + 1 {
			if slowNames(patterns[1:], names[i:]) {
				return true
			}
		}
		return false
	}
	return len(names) > 0 && slowName(patterns[0], names[0]) && slowNames(patterns[1:], names[1:])
}

func slowName(p, name string) bool {
	if p == "" {
		return name == ""
	}
	n := signLen(p)
	r, w := utf8.DecodeRuneInString(name)
	if strings.HasPrefix(p, deep) {
		p = "*" + p[len(deep):]
	}
	switch p[0] {
	case '*':
		return slowName(p[1:], name) || name != "" && slowName(p, name[w:])
	case '?':
		return name != "" && slowName(p[n:], name[w:])
	case '[':
		set := "^[" + strings.NewReplacer("[!", "[^", "/", "x").Replace(p[:n]) + "$"
		set = strings.Replace(set, "[[", "[", 1)
		return name != "" && regexp.MustCompile(set).MatchString(string(r)) && slowName(p[n:], name[w:])
	case '\\':
		return strings.HasPrefix(name, p[1:n]) && slowName(p[n:], name[n-1:])
	}
	return strings.HasPrefix(name, p[:n]) && slowName(p[n:], name[n:])
}

// randomPattern is a pattern without a / in a class, an escape, or at an end,
// nor two in a row: no path has those.
func randomPattern(rnd *rand.Rand, depth int) string {
	signs := []string{"a", "b", "a", "b", "é", "*", "?", "**", "/", "/**", "**/", "[ab]", "[^a]", "[!b-é]", `\a`, `\?`, ","}
	var b strings.Builder
	for range 1 + rnd.IntN(5) {
		if depth > 0 && rnd.IntN(5) == 0 {
			b.WriteByte('{')
			for i := range 1 + rnd.IntN(3) {
				if i > 0 {
					b.WriteByte(',')
				}
				if rnd.IntN(6) > 0 {
					b.WriteString(strings.ReplaceAll(randomPattern(rnd, depth-1), ",", ""))
				}
			}
			b.WriteByte('}')
			continue
		}
		b.WriteString(signs[rnd.IntN(len(signs))])
	}
	return b.String()
}

// ordinary reports whether a pattern written out has only names between its
// separators, as paths do.
func ordinary(p string) bool {
	return !slices.ContainsFunc(expand(p), func(p string) bool {
		return p == "" || p[0] == '/' || p[len(p)-1] == '/' || strings.Contains(p, "//")
	})
}

func randomPath(rnd *rand.Rand) string {
	names := make([]string, 1+rnd.IntN(4))
	for i := range names {
		for range 1 + rnd.IntN(3) {
			names[i] += []string{"a", "b", "é", "?", "x"}[rnd.IntN(5)]
		}
	}
	return strings.Join(names, "/")
}

func TestAgainstSlow(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 9))
	fits, n := 0, 0
	for n < 5000 {
		pattern := randomPattern(rnd, 2)
		if !ordinary(pattern) {
			continue
		}
		n++
		p := compile(t, pattern)
		for range 20 {
			path := randomPath(rnd)
			got := p.Match(path)
			if want := slowMatch(pattern, path); got != want {
				t.Fatalf("%q fits %q: %t, want %t", pattern, path, got, want)
			}
			if got {
				fits++
			}
			for i, c := range path {
				if c != '/' {
					continue
				}
				some, all := p.Below(path[:i])
				if got && !some || all && !got {
					t.Fatalf("%q fits %q: %t; below %q: some %t, all %t", pattern, path, got, path[:i], some, all)
				}
			}
		}
	}
	if fits < 4000 {
		t.Errorf("only %d fits", fits)
	}
}

// What a pattern of many signs costs has a bound; the tests would not end if
// it went back over what it had read.
func TestNoBlowUp(t *testing.T) {
	path := strings.Repeat("a", 4000)
	for _, pattern := range []string{
		strings.Repeat("{a,aa,aaa}", 18) + "b",
		strings.Repeat("{,a}", 128) + "b",
		strings.Repeat("*a", 1000) + "b",
		strings.Repeat("**/", 600) + "b",
		strings.Repeat("*[^b]", 300) + "b",
		strings.Repeat("{", 200) + strings.Repeat("*}", 200) + "b",
		"{**/" + strings.Repeat("{a,*}", 100) + ",x}/b",
	} {
		p := compile(t, pattern)
		for _, path := range []string{path, strings.ReplaceAll(path, "aa", "a/")} {
			if p.Match(path) {
				t.Errorf("%.20q fits", pattern)
			}
		}
	}
}

func FuzzCompile(f *testing.F) {
	f.Add("a/**/{b,c/d}/[x-z]", "a/c/d/y")
	f.Add(`{a,{**,b}}/\*[!a-b]?*`, "x/y")
	f.Add(strings.Repeat("{a,aa,aaa}", 18), strings.Repeat("a", 50))
	f.Fuzz(func(t *testing.T, pattern, path string) {
		p, err := Compile(pattern)
		if err != nil {
			return
		}
		fits := p.Match(path)
		if i := strings.LastIndexByte(path, '/'); i > 0 && i+1 < len(path) && fits {
			if some, _ := p.Below(path[:i]); !some {
				t.Errorf("%q fits %q and nothing below its folder", pattern, path)
			}
		}
		if len(pattern) < 60 && strings.Count(pattern, "{")+strings.Count(pattern, "*") < 6 && len(path) < 30 && utf8.ValidString(pattern) && utf8.ValidString(path) && path != "" &&
			!strings.ContainsAny(pattern, "[\\") && !strings.Contains(pattern, deep) && ordinary(pattern) && ordinary(strings.NewReplacer("{", "", "}", "", ",", "", "\\", "", "[", "").Replace(path)) {
			if want := slowMatch(pattern, path); fits != want {
				t.Errorf("%q fits %q: %t, want %t", pattern, path, fits, want)
			}
		}
	})
}

func BenchmarkMatch(b *testing.B) {
	path := "orchard/accounts/2019/quarter 3/invoices/scan 0042.tiff"
	for _, pattern := range []string{
		"orchard/accounts/2019/quarter 3/invoices/scan 0042.tif",
		"orchard/accounts/**",
		"**/*.tif",
		"**/invoices/*.{jpg,jpeg,png,tif,pdf}",
		"orchard/*/20??/**/scan*.{jpg,tif}",
		strings.Repeat("{a,aa,aaa}", 18),
	} {
		b.Run(pattern[:min(len(pattern), 24)], func(b *testing.B) {
			p := compile(b, pattern)
			b.ReportAllocs()
			for b.Loop() {
				p.Match(path)
			}
		})
	}
	b.Run("worst", func(b *testing.B) { // 2048 signs against 4096 characters
		p := compile(b, strings.Repeat("*a", MaxBehind/2-1)+"?")
		long := strings.Repeat("a", 4096) + "/"
		for b.Loop() {
			p.Match(long)
		}
	})
}
