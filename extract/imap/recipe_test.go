package imap

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Every field of a recipe survives being written and read.
func TestRecipeRoundTrip(t *testing.T) {
	base := Recipe{Start: Column{From: 1}, Length: Column{From: 2}, State: Column{From: 3}, Comments: []string{"#"}}
	tests := []struct {
		name   string
		change func(*Recipe)
	}{
		{"plain", func(*Recipe) {}},
		{"separator", func(r *Recipe) { r.Separator = "blanks" }},
		{"separators", func(r *Recipe) { r.Separator = "\t|\"" }},
		{"merge", func(r *Recipe) { r.Separator, r.Merge = "->", true }},
		{"quote", func(r *Recipe) { r.Quote = `"` }},
		{"end", func(r *Recipe) { r.Length, r.End = Column{}, Column{From: 9} }},
		{"inclusive", func(r *Recipe) { r.Length, r.End, r.Inclusive = Column{}, Column{From: 9}, true }},
		{"state to the end", func(r *Recipe) { r.State.To = ToEnd }},
		{"fixed", func(r *Recipe) {
			r.Separator, r.Start, r.Length, r.State = "fixed", Column{1, 12}, Column{13, 20}, Column{25, ToEnd}
		}},
		{"radix", func(r *Recipe) { r.Radix = 16 }},
		{"group", func(r *Recipe) { r.Group = "'" }},
		{"sectors", func(r *Recipe) { r.Unit, r.Sector = "sectors", 4096 }},
		{"blocks", func(r *Recipe) { r.Unit, r.Block = "blocks", 65536 }},
		{"offset", func(r *Recipe) { r.Offset = -512 }},
		{"comments", func(r *Recipe) { r.Comments = []string{";", "//", "total"} }},
		{"no comments", func(r *Recipe) { r.Comments = []string{} }},
		{"skip", func(r *Recipe) { r.Skip = 7 }},
		{"listed", func(r *Recipe) { r.State, r.Listed = Column{}, "failed" }},
		{"rest", func(r *Recipe) { r.Rest = "read" }},
		{"words", func(r *Recipe) {
			r.Words = map[string]State{"ok": Read, "": Skipped, "not yet": Skipped, `"x".y`: Failed, "é": Doubtful}
		}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			want := base
			test.change(&want)
			if err := want.Validate(); err != nil {
				t.Fatal(err)
			}
			var b bytes.Buffer
			if err := want.Write(&b); err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(t.TempDir(), "r.toml")
			if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
				t.Fatal(err)
			}
			got, err := LoadRecipe(path)
			if err != nil {
				t.Fatalf("%v in\n%s", err, &b)
			}
			if diff := cmp.Diff(&want, got); diff != "" {
				t.Errorf("(-want +got):\n%s\n%s", diff, &b)
			}
		})
	}
}

func TestRecipeRefuses(t *testing.T) {
	tests := []struct{ give, want string }{
		{"", "says no start column"},
		{"start = 1", "says no state column, nor what all lines are"},
		{"start = 1\nstat = 2", `there is no key "stat"`},
		{"start = 1\nlength = 2\nend = 3\nstate = 4", "both a length and an end"},
		{"start = 1\nlength = 1\nstate = 4", "column 1 is both start and length"},
		{"start = 1\nstate = 2\ninclusive = true", "inclusive without an end"},
		{"start = 0\nstate = 2", `column "0"`},
		{"start = -1\nstate = 2", `column ""`},
		{"start = 1.5\nstate = 2", "column"},
		{"start = 9999999\nstate = 2", "column"},
		{`start = "1-"` + "\nstate = 2", "only the state"},
		{`start = "9-1"` + "\nstate = 2", "ends before it begins"},
		{"separator = 'fixed'\nstart = 1\nstate = 2", "say from where to where"},
		{"separator = 'x'\nstart = 1\nstate = 2", `separator "x"`},
		{"quote = ','\nstart = 1\nstate = 2", "quote"},
		{"group = ','\nstart = 1\nstate = 2", "group"},
		{"radix = 7\nstart = 1\nstate = 2", "radix 7"},
		{"unit = 'blocks'\nstart = 1\nstate = 2", "block of 0 bytes"},
		{"unit = 'miles'\nstart = 1\nstate = 2", "unit"},
		{"sector = -1\nstart = 1\nstate = 2", "sector"},
		{"skip = -1\nstart = 1\nstate = 2", "skip"},
		{"comments = ['']\nstart = 1\nstate = 2", "comment mark"},
		{"listed = 'some'\nstart = 1", "listed"},
		{"listed = 'read'\nstart = 1\nstate = 2", "a state column too"},
		{"rest = 'all'\nstart = 1\nstate = 2", "rest"},
		{"start = 1\nstate = 2\n[words]\nok = 'good'", `"good" is none of`},
		{"start = 1\nstate = 2\n[words]\n' ok' = 'read'", "begins or ends with a blank"},
		{"start = ", "line 1"},
	}
	for _, test := range tests {
		if _, err := ParseRecipe([]byte(test.give)); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%q: %v, want %q", test.give, err, test.want)
		}
	}
	if _, err := LoadRecipe(t.TempDir()); err == nil {
		t.Error("a folder is a recipe")
	}
}

func TestParseColumns(t *testing.T) {
	tests := []struct {
		give string
		want Recipe
		err  string
	}{
		{"start,length,state", Recipe{Start: Column{1, 0}, Length: Column{2, 0}, State: Column{3, 0}}, ""},
		{"-, state, start, -, end", Recipe{Start: Column{3, 0}, End: Column{5, 0}, State: Column{2, 0}}, ""},
		{"start,length,state...", Recipe{Start: Column{1, 0}, Length: Column{2, 0}, State: Column{3, ToEnd}}, ""},
		{"state=20-,start=1-12,end=13-19", Recipe{Start: Column{1, 12}, End: Column{13, 19}, State: Column{20, ToEnd}}, ""},
		{"start,begin", Recipe{}, `"begin"`},
		{"start,start", Recipe{}, "twice"},
		{"start=x", Recipe{}, `column "x"`},
	}
	for _, test := range tests {
		rec := Recipe{Start: Column{From: 40}}
		err := rec.ParseColumns(test.give)
		if test.err != "" {
			if err == nil || !strings.Contains(err.Error(), test.err) {
				t.Errorf("%q: %v", test.give, err)
			}
			continue
		}
		if diff := cmp.Diff(test.want, rec); diff != "" || err != nil {
			t.Errorf("%q: %v (-want +got):\n%s", test.give, err, diff)
		}
	}
}

func TestParseWords(t *testing.T) {
	got, err := ParseWords("ok=read, x =failed,==doubtful,not yet=skipped")
	want := map[string]State{"ok": Read, "x": Failed, "=": Doubtful, "not yet": Skipped}
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	for _, bad := range []string{"", "ok", "ok=good", "ok=read,ok=failed"} {
		if _, err := ParseWords(bad); err == nil {
			t.Errorf("ParseWords(%q) gave no error", bad)
		}
	}
}

func TestInSectors(t *testing.T) {
	for _, c := range []struct {
		rec  Recipe
		want int64
	}{{Recipe{Unit: "sectors"}, 4096}, {Recipe{Unit: "sectors", Sector: 512}, 512}, {Recipe{Unit: "blocks", Block: 1024}, 0}, {Recipe{}, 0}} {
		before := c.rec
		if got := c.rec.InSectors(4096).Sector; got != c.want {
			t.Errorf("%+v: sectors of %d bytes", c.rec, got)
		}
		if diff := cmp.Diff(before, c.rec); diff != "" {
			t.Error(diff)
		}
	}
}
