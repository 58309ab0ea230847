package browsertest

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
	"fileassay/verify/wanted"
)

// typeInto puts a text into a field, as typing does.
func typeInto(t *testing.T, ctx context.Context, id, text string) {
	t.Helper()
	value[bool](t, ctx, fmt.Sprintf(`(() => { const e = document.getElementById(%q); e.value = %q; e.dispatchEvent(new Event("input", {bubbles: true})); return true; })()`, id, text))
}

func press(t *testing.T, ctx context.Context, keys ...string) {
	t.Helper()
	for _, k := range keys {
		do(t, ctx, chromedp.KeyEvent(k))
	}
}

// Searching, filtering and sorting show what they should.
func TestFind(t *testing.T) {
	if !tools() {
		return
	}
	customer, _ := demoPages(t)
	ctx := newBrowser(t, 1280, 900)
	w := open(t, ctx, customer)

	typeInto(t, ctx, "q", "BELFRY")
	shown(t, ctx, "6 of 56 files")
	typeInto(t, ctx, "q", "läutewerk ÜBER")
	shown(t, ctx, "1 of 56 files")
	typeInto(t, ctx, "q", "accounts")
	shown(t, ctx, "3 of 56 files")
	typeInto(t, ctx, "q", "accounts/led")
	shown(t, ctx, "2 of 56 files")
	typeInto(t, ctx, "q", "no such thing")
	shown(t, ctx, "0 of 56 files")
	do(t, ctx, chromedp.Click(chromedp.CSS("#reset")))
	shown(t, ctx, "56 files")

	do(t, ctx, chromedp.Click(chromedp.CSS("#v0")))
	shown(t, ctx, "10 of 56 files")
	do(t, ctx, chromedp.Click(chromedp.CSS("#v1")))
	shown(t, ctx, "3 of 56 files")
	if got, want := rows(t, ctx), []string{"pour 05.txt", "drawings 2019.zip", "belfry 3.jpg"}; !slices.Equal(got, want) {
		t.Errorf("lost files %q, want %q", got, want)
	}
	do(t, ctx, chromedp.Click(chromedp.CSS("#reset")))
	shown(t, ctx, "56 files")
	typeInto(t, ctx, "kind", "1") // photos
	shown(t, ctx, "7 of 56 files")
	typeInto(t, ctx, "kind", "")
	typeInto(t, ctx, "min", "0.2 MB")
	shown(t, ctx, "3 of 56 files")
	typeInto(t, ctx, "max", "400 KB")
	shown(t, ctx, "1 of 56 files")
	typeInto(t, ctx, "min", "")
	typeInto(t, ctx, "max", "")
	typeInto(t, ctx, "from", "2017-07-14")
	typeInto(t, ctx, "to", "2017-07-14")
	shown(t, ctx, "6 of 56 files")
	do(t, ctx, chromedp.Click(chromedp.CSS("#reset")))
	shown(t, ctx, "56 files")

	heads := `[...document.querySelectorAll("#grid .head button")]`
	sortBy := func(name string) {
		t.Helper()
		value[bool](t, ctx, heads+fmt.Sprintf(`.find((b) => b.textContent === %q).click(), true`, name))
	}
	sortBy("Size")
	if got := rows(t, ctx)[0]; got != "mail archive.mbox" {
		t.Errorf("the largest file is %q", got)
	}
	sortBy("Size")
	if got := rows(t, ctx)[0]; got != "empty note.txt" {
		t.Errorf("the first of the smallest is %q", got)
	}
	sortBy("Verdict")
	if got := value[string](t, ctx, `document.querySelector("#grid .layer .row .verdict").textContent`); got != "lost" {
		t.Errorf("sorted by verdict, the first is %q", got)
	}
	sortBy("Name")
	names := rows(t, ctx)
	folded := slices.Clone(names)
	for i := range folded {
		folded[i] = strings.ToLower(folded[i])
	}
	if !slices.IsSorted(folded) {
		t.Errorf("sorted by name: %q", names)
	}
	if got := value[string](t, ctx, `document.querySelector("#grid .head [aria-sort]").textContent`); got != "Name" {
		t.Errorf("the table says that it is sorted by %q", got)
	}
	w.check(t)
}

// The tree opens, shows a folder's files, and is walked by keys alone; so is
// the table.
func TestKeys(t *testing.T) {
	if !tools() {
		return
	}
	customer, _ := demoPages(t)
	ctx := newBrowser(t, 1280, 900)
	w := open(t, ctx, customer)
	at := func(id string) string {
		t.Helper()
		return value[string](t, ctx, fmt.Sprintf(`(() => { const box = document.getElementById(%q), e = document.getElementById(box.getAttribute("aria-activedescendant")); return document.activeElement === box && e ? (e.querySelector(".name, .fname").textContent) : "not there"; })()`, id))
	}
	// by Tab from the search to the tree, and from the tree to the table
	do(t, ctx, chromedp.Focus(chromedp.CSS("#q")))
	for range 12 {
		press(t, ctx, kb.Tab)
		if at("tree") != "not there" {
			break
		}
	}
	if got := at("tree"); got != "All files" {
		t.Fatalf("Tab does not reach the tree: %s", got)
	}
	press(t, ctx, kb.ArrowDown)
	if got := at("tree"); got != "Castings" {
		t.Errorf("the second folder is %q", got)
	}
	press(t, ctx, kb.ArrowRight, kb.ArrowRight)
	if got := at("tree"); got != "2016" {
		t.Errorf("the first folder in it is %q", got)
	}
	press(t, ctx, kb.ArrowLeft, kb.End, kb.ArrowUp, kb.Home, kb.ArrowDown)
	if got := at("tree"); got != "Castings" {
		t.Errorf("back at %q", got)
	}
	press(t, ctx, kb.Enter)
	shown(t, ctx, "26 of 56 files in Castings")
	if got := value[string](t, ctx, `document.querySelector("#tree [aria-selected=true] .fname").textContent`); got != "Castings" {
		t.Errorf("the tree says that %q is shown", got)
	}
	do(t, ctx, chromedp.Focus(chromedp.CSS("#grid")))
	first := at("grid")
	press(t, ctx, kb.ArrowDown)
	if got := at("grid"); got == first || got == "not there" {
		t.Errorf("the arrow leads from %q to %q", first, got)
	}
	press(t, ctx, " ")
	until(t, ctx, `document.getElementById("ticked").textContent === "1 file ticked."`)
	press(t, ctx, kb.End, kb.PageUp, kb.Home, " ", " ")
	until(t, ctx, `document.getElementById("ticked").textContent === "1 file ticked."`)
	press(t, ctx, kb.Enter)
	if got := value[string](t, ctx, `document.activeElement.id`); got != "detail" {
		t.Errorf("Enter leads to %q", got)
	}
	w.check(t)
}

// What is ticked is saved as a list that reads back, fits exactly what was
// ticked, and nothing beside it.
func TestWantedList(t *testing.T) {
	if !tools() {
		return
	}
	path, names := hostileResult(t)
	customer, _ := pagesOf(t, path)
	ctx := newBrowser(t, 1280, 900)
	w := open(t, ctx, customer)
	dir := t.TempDir()
	events := true
	if _, err := chromedp.CallBrowser(ctx, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: browser.SetDownloadBehaviorBehaviorAllow, DownloadPath: dir, EventsEnabled: &events}); err != nil {
		t.Fatal(err)
	}
	// rows of the first folder, and the second folder
	value[bool](t, ctx, `(() => { for (let i = 0; i < 5; i++) document.querySelectorAll("#grid .layer .row input")[i].click(); return true; })()`)
	value[bool](t, ctx, `[...document.querySelectorAll("#tree .row")].find((e) => e.querySelector(".fname").textContent.startsWith("kept")).querySelector(".box").click(), true`)
	until(t, ctx, `document.getElementById("ticked").textContent === "1 folder and 5 files ticked."`)
	ticked := value[[]string](t, ctx, `[...document.querySelectorAll("#grid .layer .row")].filter((e) => e.querySelector("input").checked && !e.querySelector("input").disabled).map((e) => e.dataset.i)`)
	if len(ticked) != 5 {
		t.Fatalf("ticked rows %q", ticked)
	}
	do(t, ctx, chromedp.Click(chromedp.CSS("#save")))
	path = filepath.Join(dir, "wanted.txt")
	for start := time.Now(); ; time.Sleep(50 * time.Millisecond) {
		if st, err := os.Stat(path); err == nil && st.Size() > 0 {
			break
		}
		if time.Since(start) > 20*time.Second {
			t.Fatal("nothing was saved")
		}
	}
	list, err := wanted.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	most := 0
	for _, name := range names {
		weight := list.Weight(wanted.Entry{Path: name, Size: 100})
		if strings.HasPrefix(name, "kept [really]/") && weight != 100 {
			t.Errorf("%q lies in a ticked folder and has weight %g", name, weight)
		}
		if weight == 100 && !strings.HasPrefix(name, "kept [really]/") {
			most++
		} else if !strings.HasPrefix(name, "kept [really]/") && weight != 1 {
			t.Errorf("%q is not ticked and has weight %g", name, weight)
		}
	}
	if most != 5 {
		t.Errorf("%d files beside the folder have the weight of what was ticked, want 5; the list:\n%s", most, text)
	}
	for _, line := range strings.Split(string(text), "\n") {
		if path, ok := strings.CutPrefix(line, "100 /kept"); ok && path != ` \[really\]/**` {
			t.Errorf("the folder's line is %q", line)
		}
	}
	w.check(t)
}

// Names that do harm elsewhere are shown and do none.
func TestHostileNames(t *testing.T) {
	if !tools() {
		return
	}
	path, _ := hostileResult(t)
	customer, bench := pagesOf(t, path)
	for _, page := range []string{customer, bench} {
		ctx := newBrowser(t, 1280, 900)
		w := open(t, ctx, page)
		text := value[string](t, ctx, `document.documentElement.textContent.replaceAll("\n", "")`)
		for _, bad := range []string{"\u202e", "\u2066", "\x1b", "\x00", "\u2028"} {
			if strings.Contains(text, bad) {
				t.Errorf("%s: %q stands in the page", filepath.Base(page), bad)
			}
		}
		for _, want := range []string{`photo\u202egpj.exe`, "<script>alert(1)<", `nul\u0000bell`, `two\u000d\u000alines\u2028`} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: %q is not shown", filepath.Base(page), want)
			}
		}
		if got := value[string](t, ctx, `document.title`); strings.Contains(got, "hacked") {
			t.Errorf("a name ran as a script: the title is %q", got)
		}
		if n := value[int](t, ctx, `document.querySelectorAll("main img, main iframe, main object").length`); n != 0 {
			t.Errorf("names became %d elements", n)
		}
		if got := value[int64](t, ctx, "document.documentElement.scrollWidth"); got > 1280 {
			t.Errorf("a long name makes the page %d pixels wide", got)
		}
		w.check(t)
	}
}

// hostileResult is a result whose names are as bad as a drive can make them.
// It gives the result's path and the paths of its files.
func hostileResult(t *testing.T) (path string, paths []string) {
	t.Helper()
	for _, name := range []string{"<script>alert(1)</script>.txt", `"><img src=x onerror="document.title='hacked'">.jpg`, "photo\u202egpj.exe", "two\r\nlines\u2028and more.txt",
		"nul\x00bell\x07esc\x1b[31m.txt", "stars * and [sets] {a,b} !x ? ^y -z \\.txt", "\u2066isolate\u2069.txt", "ends with blank ", "ends with\u3000", strings.Repeat("w", 255),
		strings.Repeat("\u0301", 250) + ".txt", "&lt;b&gt;.txt", "İI.txt", "😀.txt"} {
		paths = append(paths, "a {folder}/"+name)
	}
	paths = append(paths, "kept [really]/one.txt", "kept [really]/deeper/two.txt", "kept really/three.txt", "kept r/four.txt")
	m := resulttest.Made{Volumes: []result.Volume{{Length: 1 << 20, Filesystem: "ext4", Label: "</h3><script>document.title='hacked'</script>", Cluster: 4096, Found: "bare volume",
		Listing: result.Listing{Complete: true, Why: []string{"<i>why</i>"}}}}}
	for i, name := range paths {
		m.Files = append(m.Files, &result.File{ID: uint64(i), Path: name, Size: resulttest.Num(100), Damage: []result.Damage{{Offset: 5, Image: 512, Length: 1, What: "failed"}},
			Why: []string{"</pre><script>document.title='hacked'</script>"}})
	}
	path = filepath.Join(t.TempDir(), "hostile.result.jsonl")
	m.Write(t, path)
	return path, paths
}
