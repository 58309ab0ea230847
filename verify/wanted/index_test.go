package wanted

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
)

// linear asks every rule in order.
func linear(l *List, e Entry) float64 {
	path := fold(e.Path)
	for i := range l.rules {
		r := &l.rules[i]
		if (r.kind == "" || r.kind == KindOf(path)) && r.fits(&e, path, path[strings.LastIndexByte(path, '/')+1:]) {
			return r.weight
		}
	}
	return 0
}

// linearLeads asks every rule what it may fit below a folder.
func linearLeads(l *List, volume int, folder string) float64 {
	most := 0.0
	for i := range l.rules {
		r := &l.rules[i]
		if r.volume != 0 && volume != 0 && r.volume != volume {
			continue
		}
		some, all := r.below(fold(folder))
		if some {
			most = max(most, r.weight)
		}
		if some && all && r.plain() && (r.volume == 0 || r.volume == volume) {
			break
		}
	}
	return most
}

// The index finds just the rule that asking each in order finds.
func TestIndex(t *testing.T) {
	rnd := rand.New(rand.NewPCG(11, 12))
	pick := func(list ...string) string { return list[rnd.IntN(len(list))] }
	path := func() string {
		names := make([]string, 1+rnd.IntN(4))
		for i := range names {
			names[i] = pick("a", "b", "AB", "é", "a.jpg", "b.txt", "a b")
		}
		return strings.Join(names, "/")
	}
	for range 3000 {
		var text strings.Builder
		for range 1 + rnd.IntN(8) {
			p := path()
			switch rnd.IntN(9) {
			case 0:
				p = escape(p)
			case 1:
				p = "/" + p
			case 2:
				p += "/**"
			case 3:
				p = strings.Replace(p, "a", pick("*", "?", "**", "{a,b}", "[ab]", "a*"), 1)
			case 4:
				p = pick("*", "**", "a", "*.jpg", "**/a", "a/**/b", "*/b", "")
			case 5:
				p = escape(p) + pick("/*", "/**", "*", "/**/a")
			}
			fmt.Fprintf(&text, "%d %s %s\n", rnd.IntN(5), pick("", "", "kind:photo", "volume:1", "volume:2", "larger:1KB"), p)
		}
		l, err := Parse("drawn", strings.NewReader(strings.ReplaceAll(text.String(), " \n", " **\n")))
		if err != nil {
			t.Fatalf("%v in\n%s", err, &text)
		}
		for range 10 {
			e := Entry{Volume: rnd.IntN(3), Path: path(), Size: int64(rnd.IntN(3)-1) * 4000}
			if got, want := l.Weight(e), linear(l, e); got != want {
				t.Fatalf("%+v: weight %v, want %v, by\n%s", e, got, want, &text)
			}
			folder := path()
			if rnd.IntN(4) == 0 {
				folder = ""
			}
			if got, want := l.Leads(e.Volume, folder), linearLeads(l, e.Volume, folder); got != want {
				t.Fatalf("below %q of volume %d: %v, want %v, by\n%s", folder, e.Volume, got, want, &text)
			}
		}
	}
}

// Rules that every file has to be asked for are bounded, others are not.
func TestAnywhere(t *testing.T) {
	if _, err := Parse("many", strings.NewReader(strings.Repeat("1 *.tif\n", MaxAnywhere+1))); err == nil || !strings.Contains(err.Error(), "begin patterns with a folder") {
		t.Errorf("%v", err)
	}
	if _, err := Parse("many", strings.NewReader(strings.Repeat("1 /Moorings/**\n1 a.tif\n", MaxAnywhere))); err != nil {
		t.Error(err)
	}
}

// BenchmarkLongList weighs a file by lists of ten and of a hundred thousand paths.
func BenchmarkLongList(b *testing.B) {
	for _, n := range []int{10, 100_000} {
		var text strings.Builder
		for i := range n {
			fmt.Fprintf(&text, "5 %s\n", escape(fmt.Sprintf("Moorings/%d/chart %d.pdf", i%100, i)))
		}
		l, err := Parse("long", strings.NewReader(text.String()))
		if err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				l.Weight(Entry{Path: "Moorings/7/chart 7.txt"})
				l.Leads(1, "Moorings/7")
			}
		})
	}
}
