package browsertest

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
	"fileassay/verify/wanted"
)

// listed is a file of a made list.
type listed struct {
	volume int
	path   string
}

// listOf writes the result of a drive that holds these files, all damaged, of
// 100 bytes each, one of them read.
func listOf(t *testing.T, volumes int, files []listed) string {
	t.Helper()
	m := resulttest.Made{Volumes: []result.Volume{}}
	for v := range volumes {
		m.Volumes = append(m.Volumes, result.Volume{Start: 4096 * int64(v), Length: 4096, Filesystem: "ext4", Cluster: 4096, Found: "partition", Listing: result.Listing{Complete: true}})
	}
	for i, x := range files {
		m.Files = append(m.Files, &result.File{Volume: x.volume, ID: uint64(i), Path: x.path, Size: resulttest.Num(100), Damage: []result.Damage{{Offset: 1, Image: 4096*int64(x.volume-1) + 512, Length: 99, What: "failed"}}})
	}
	path := filepath.Join(t.TempDir(), "made.result.jsonl")
	m.Write(t, path)
	return path
}

// The list opens whatever a drive holds: nothing, one file, a folder with more
// folders than a call takes arguments, folders that lie very deep.
func TestListShapes(t *testing.T) {
	if !tools() {
		return
	}
	var wide []listed
	for i := range 200_000 {
		wide = append(wide, listed{1, fmt.Sprintf("shelf %06d/box.txt", i)})
	}
	for _, c := range []struct {
		name    string
		volumes int
		files   []listed
		count   string
	}{
		{"no volume", 0, nil, "0 files"},
		{"nothing", 1, nil, "0 files"},
		{"one file", 1, []listed{{1, "a.txt"}}, "1 file"},
		{"dots and slashes", 1, []listed{{1, "."}, {1, "../.."}, {1, "a//b"}, {1, "/c"}, {1, "d/"}, {1, "/"}}, "6 files"},
		{"wide", 1, wide, "200,000 files"},
		{"deep", 2, []listed{{2, strings.Repeat("d/", 1500) + "end.txt"}}, "1 file"},
	} {
		t.Run(c.name, func(t *testing.T) {
			customer, _ := pagesOf(t, listOf(t, c.volumes, c.files))
			ctx := newBrowser(t, 1280, 900)
			w := open(t, ctx, customer)
			shown(t, ctx, c.count)
			w.check(t)
		})
	}
}

// A search finds names however a system writes them down: HFS+ keeps accents
// apart from their letters (Apple Technical Note TN1150, "Unicode Subtleties",
// from memory), and an S at the end of a Greek word has a form of its own in
// lower case alone.
func TestSearchFolds(t *testing.T) {
	if !tools() {
		return
	}
	customer, _ := pagesOf(t, listOf(t, 1, []listed{
		{1, "Mu\u0308ller/Re\u0301sume\u0301.pdf"}, {1, "Bern/M\u00fcnster.jpg"}, {1, "ΟΔΟΣ.txt"}, {1, "οδός 2.txt"}, {1, "\u0130zmir.txt"}, {1, "I\u0307stanbul.txt"}, {1, "\u0301accent first.txt"}, {1, "\uac00.txt"},
	}))
	ctx := newBrowser(t, 1280, 900)
	w := open(t, ctx, customer)
	for _, c := range []struct{ sought, count string }{
		{"r\u00e9sum\u00e9", "1 of 8"}, {"RE\u0301SUME\u0301", "1 of 8"}, {"m\u00fcller", "1 of 8"}, {"m\u00fc", "2 of 8"}, {"m\u00fcller/r", "1 of 8"}, {"m\u00fcller/r\u00e9", "1 of 8"},
		{"mu\u0308nster", "1 of 8"}, {"ΟΔΟΣ", "1 of 8"}, {"οδος", "1 of 8"}, {"ΟΔΌΣ 2", "1 of 8"}, {"izmir", "1 of 8"}, {"\u0130STANBUL", "1 of 8"}, {"accent", "1 of 8"}, {"\u1100\u1161", "1 of 8"},
		{"first.txt", "1 of 8"}, {".txt", "6 of 8"},
	} {
		typeInto(t, ctx, "q", "")
		shown(t, ctx, "8 files")
		typeInto(t, ctx, "q", c.sought)
		until(t, ctx, `document.getElementById("count").textContent.includes(" of ")`)
		if got := value[string](t, ctx, `document.getElementById("count").textContent`); !strings.HasPrefix(got, c.count+" files") {
			t.Errorf("%q finds %s, want %s", c.sought, got, c.count)
		}
	}
	w.check(t)
}

// Two volumes with the same paths: a file is told by its volume, and a volume
// that is ticked is not the whole drive in the saved list.
func TestTwoVolumes(t *testing.T) {
	if !tools() {
		return
	}
	files := []listed{{1, "notes.txt"}, {1, "Letters/a.txt"}, {1, "Bills/b.txt"}, {2, "notes.txt"}, {2, "Letters/a.txt"}, {2, "Plans/deep/c.txt"}}
	customer, _ := pagesOf(t, listOf(t, 2, files))
	ctx := newBrowser(t, 1280, 900)
	w := open(t, ctx, customer)
	folder := func(name, part string) {
		t.Helper()
		value[bool](t, ctx, fmt.Sprintf(`[...document.querySelectorAll("#tree .row")].find((e) => e.querySelector(".fname").textContent === %q).querySelector(%q).click(), true`, name, part))
	}
	folder("Volume 2", ".fname")
	shown(t, ctx, "3 of 6 files in Volume 2")
	var got []string
	for range 3 {
		got = append(got, value[string](t, ctx, `document.querySelector("#detail .full").textContent`))
		value[bool](t, ctx, `document.getElementById("grid").dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowDown"}))`)
	}
	if want := []string{"Volume 2: notes.txt", "Volume 2: Letters/a.txt", "Volume 2: Plans/deep/c.txt"}; !slices.Equal(got, want) {
		t.Errorf("the files are told as %q, want %q", got, want)
	}
	if text := value[string](t, ctx, `document.getElementById("detail").textContent`); !strings.Contains(text, ", 1 byte of it recovered for certain") {
		t.Errorf("one byte is told as %q", text)
	}
	folder("Volume 2", ".box")
	until(t, ctx, `document.getElementById("ticked").textContent === "1 folder ticked."`)
	do(t, ctx, chromedp.Click(chromedp.CSS("#textof summary")))
	until(t, ctx, `document.getElementById("text").value !== ""`)
	weights := func(what string, wants func(listed) bool) {
		t.Helper()
		text := value[string](t, ctx, `document.getElementById("text").value`)
		list, err := wanted.Parse("saved", strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			want := 1.0
			if wants(f) {
				want = 100
			}
			if got := list.Weight(wanted.Entry{Volume: f.volume, Path: f.path, Size: 100}); got != want {
				t.Errorf("%s is ticked: %s of volume %d has weight %g, want %g; the list:\n%s", what, f.path, f.volume, got, want, text)
			}
		}
	}
	weights("volume 2", func(f listed) bool { return f.volume == 2 })
	folder("Volume 2", ".box")
	folder("Volume 1", ".twist")
	folder("Bills", ".box")
	value[bool](t, ctx, `document.querySelector("#grid .layer .row input").click(), true`)
	until(t, ctx, `document.getElementById("ticked").textContent === "1 folder and 1 file ticked."`)
	weights("a folder of volume 1 and a file of volume 2", func(f listed) bool { return f.path == "Bills/b.txt" || f.volume == 2 && f.path == "notes.txt" })
	w.check(t)
}

// The table says from the beginning how it is sorted.
func TestSortIsTold(t *testing.T) {
	if !tools() {
		return
	}
	customer, _ := pagesOf(t, listOf(t, 1, []listed{{1, "a/1"}, {1, "b/2"}}))
	ctx := newBrowser(t, 1280, 900)
	w := open(t, ctx, customer)
	const told = `[...document.querySelectorAll("#grid .head [aria-sort]")].map((e) => e.textContent + " " + e.getAttribute("aria-sort")).join()`
	if got := value[string](t, ctx, told); got != "Folder ascending" {
		t.Errorf("at first the table says that it is sorted by %q", got)
	}
	value[bool](t, ctx, `[...document.querySelectorAll("#grid .head button")].find((b) => b.textContent === "Folder").click(), true`)
	if got := value[string](t, ctx, told) + " " + rows(t, ctx)[0]; got != "Folder descending 2" {
		t.Errorf("then %q", got)
	}
	w.check(t)
}
