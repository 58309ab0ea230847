package wanted

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
)

// What an index finds is what asking every rule finds.
func TestIndex(t *testing.T) {
	rnd := rand.New(rand.NewPCG(61, 62))
	pick := func(from ...string) string { return from[rnd.IntN(len(from))] }
	for range 300 {
		var b strings.Builder
		for range 1 + rnd.IntN(40) {
			fmt.Fprintf(&b, "%d %s%s\n", rnd.IntN(9), pick("", "", "", "volume:1 ", "volume:2 ", "kind:photo ", "larger:5B "),
				pick("a", "b.jpg", "/a", "x/a", "/x/y/b.jpg", "x/y/a", "x/**", "**", "*.jpg", "x/*", "/x/y", "z/{a,b.jpg}", "?", `/x/\*`, "É"))
		}
		l, err := Parse("test", strings.NewReader(b.String()))
		if err != nil {
			t.Fatal(err)
		}
		plain := &List{rules: l.rules}
		for i := range l.rules {
			plain.others = append(plain.others, int32(i))
		}
		for _, path := range []string{"a", "b.jpg", "x/a", "x/y/b.jpg", "x/y/a", "x/y", "z/a", "x/*", "É", "e\u0301", "q/w"} {
			for volume := range 3 {
				e := Entry{Volume: volume, Path: path, Size: int64(rnd.IntN(9) - 1)}
				if got, want := l.Weight(e), plain.Weight(e); got != want {
					t.Fatalf("%+v: weight %v, want %v by\n%s", e, got, want, &b)
				}
				for _, folder := range []string{"", "x", "x/y", "z", "q"} {
					if got, want := l.Leads(volume, folder), plain.Leads(volume, folder); got != want {
						t.Fatalf("%d %q: leads %v, want %v by\n%s", volume, folder, got, want, &b)
					}
				}
			}
		}
	}
}

// Lines that are never asked are not kept, and those that every file must be
// held against are bounded.
func TestManyLines(t *testing.T) {
	l, err := Parse("test", strings.NewReader(strings.Repeat("1 a\n2 /b/c\n3 volume:2 /d\n", 20_000)))
	if err != nil || len(l.rules) != 3 || len(l.others) != 0 {
		t.Errorf("%d rules, %v", len(l.rules), err)
	}
	var b strings.Builder
	for i := range MaxPatterns + 1 {
		fmt.Fprintf(&b, "1 *%d\n", i)
	}
	if _, err := Parse("test", strings.NewReader(b.String())); err == nil || !strings.Contains(err.Error(), "line 10001: this is more than the 10,000 lines") {
		t.Errorf("%v", err)
	}
}

// A file is weighed by a list of many lines as by one of few.
func BenchmarkWeightManyPaths(b *testing.B) {
	for _, lines := range []int{100, 100_000} {
		b.Run(fmt.Sprint(lines), func(b *testing.B) {
			var text strings.Builder
			for i := range lines {
				fmt.Fprintf(&text, "10 /folder/file %d.txt\n", i)
			}
			l, err := Parse("bench", strings.NewReader(text.String()))
			if err != nil {
				b.Fatal(err)
			}
			for b.Loop() {
				l.Weight(Entry{Path: "folder/another.txt", Size: 1})
				l.Leads(1, "other")
			}
		})
	}
}
