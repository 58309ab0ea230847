package browsertest

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"fileassay/extract/imap"
	"fileassay/report"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
)

// million writes the result of a drive with n files in 20,000 folders: names
// as cameras, programs and people give them. All that is unread of it is a
// mebibyte, which some of them lie in.
func million(t *testing.T, n int) string {
	t.Helper()
	const drive, slice, unread = 4_000_787_030_016, 1953509376, 1 << 20
	m := resulttest.Made{
		Image: result.Image{Path: "million.img", Size: drive, Table: "gpt", Map: result.Map{Path: "m.csv"},
			Profile: &result.Profile{Slice: slice, Slices: [][5]int64{{700, slice - unread, 0, unread, 0}}}},
		Volumes: []result.Volume{{Length: drive, Filesystem: "ntfs", Label: "MILL", Cluster: 4096, Found: "GPT partition 1", Listing: result.Listing{Complete: true}}},
		Places:  resulttest.Unread(imap.Failed, result.HoldsFiles, [2]int64{700 * slice, unread}),
	}
	suffixes := []string{"jpg", "nef", "pdf", "docx", "txt", "mp4", "dll", "js", "png", "eml"}
	words := []string{"survey", "ledger", "harbour", "plate", "sheet", "minutes", "invoice", "letter", "draft", "pier", "north", "copy of"}
	path := filepath.Join(t.TempDir(), "million.result.jsonl")
	m.Stream(t, path, func(yield func(*result.File) bool) {
		rnd := rand.New(rand.NewPCG(1, 2))
		for i := range n {
			folder := i / (n / 20_000)
			size := rnd.Int64N(1 << (10 + rnd.IntN(14)))
			f := &result.File{ID: uint64(i + 64), Size: &size}
			if size > 4096 && rnd.IntN(20) == 0 {
				f.Extents = [][3]int64{{rnd.Int64N(size/512-1) * 512, 700*slice + rnd.Int64N(unread/512)*512, 512}}
			}
			f.Path = fmt.Sprintf("Archive %02d/%s %d/%s %s %06x.%s", folder/500, words[folder%len(words)], folder, words[rnd.IntN(len(words))], words[rnd.IntN(len(words))],
				rnd.IntN(1<<24), suffixes[rnd.IntN(len(suffixes))])
			f.Modified = fmt.Sprintf("20%02d-%02d-%02dT%02d:%02d:%02dZ", 5+rnd.IntN(20), 1+rnd.IntN(12), 1+rnd.IntN(28), rnd.IntN(24), rnd.IntN(60), rnd.IntN(60))
			if !yield(f) {
				return
			}
		}
	})
	return path
}

// A million files: the page is made within its bounds, opens, searches, sorts
// and scrolls. It tells how long each takes of what it may take on a machine
// that does nothing else; only eight times that is an error.
func TestMillion(t *testing.T) {
	if !tools() {
		return
	}
	const n = 1_000_000
	made := million(t, n)
	page := filepath.Join(t.TempDir(), "million.html")
	start := time.Now()
	if err := report.Write(t.Context(), made, report.Files{HTML: page}, report.Options{For: report.Bench}); err != nil {
		t.Fatal(err)
	}
	st, err := os.Stat(page)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("made in %.1f s, %.1f MB", time.Since(start).Seconds(), float64(st.Size())/1e6)
	if st.Size() > 60e6 {
		t.Errorf("the page has %d bytes, want at most 60 MB", st.Size())
	}
	// other work on the machine may slow one opening down: the best of three counts
	const want = 4 * time.Second
	best := time.Hour
	ctx := newBrowser(t, 1280, 900)
	for range 3 {
		w := open(t, ctx, page)
		took := time.Duration(value[float64](t, ctx, `+document.getElementById("list").dataset.took`) * float64(time.Millisecond))
		t.Logf("open after %v of %v", took.Round(time.Millisecond), want)
		best = min(best, took)
		w.check(t)
	}
	if best > 8*want {
		t.Errorf("opens in %v: something is far too slow", best)
	}
	shown(t, ctx, "1,000,000 files")

	timed := func(what, code string, limit time.Duration) {
		t.Helper()
		best := time.Hour
		for range 3 {
			took := time.Duration(value[float64](t, ctx, `(() => { const at = performance.now(); `+code+`; return performance.now() - at; })()`) * float64(time.Millisecond))
			best = min(best, took)
		}
		t.Logf("%s: %v of %v", what, best.Round(100*time.Microsecond), limit)
		if best > 8*limit {
			t.Errorf("%s takes %v: something is far too slow", what, best)
		}
	}
	grid := `document.getElementById("grid")`
	timed("a frame of scrolling", grid+`.scrollTop += 7777; `+grid+`.dispatchEvent(new Event("scroll")); `+grid+`.offsetHeight`, 50*time.Millisecond)
	timed("to the end by key", grid+`.dispatchEvent(new KeyboardEvent("keydown", {key: "End", bubbles: true}))`, 50*time.Millisecond)
	if got := value[string](t, ctx, `document.querySelector("#grid .here").getAttribute("aria-rowindex")`); got != "1000001" {
		t.Errorf("the last row is row %s", got)
	}
	timed("a key press", grid+`.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowUp", bubbles: true}))`, 50*time.Millisecond)
	timed("sorting by size", `[...document.querySelectorAll("#grid .head button")][4].click()`, 2*time.Second)
	value[bool](t, ctx, `(() => { const q = document.getElementById("q"); q.value = "harbour pier 00"; q.dispatchEvent(new Event("input", {bubbles: true})); return true; })()`)
	until(t, ctx, `/^[\d,]+ of 1,000,000/.test(document.getElementById("count").textContent)`)
	if got := rows(t, ctx); len(got) == 0 {
		t.Error("nothing is found")
	}
}
