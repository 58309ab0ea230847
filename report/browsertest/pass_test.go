package browsertest

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"fileassay/extract/fixture"
	"fileassay/extract/imap"
	"fileassay/report"
	"fileassay/verify"
	"fileassay/verify/compare"
	"fileassay/verify/demo"
	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
	"fileassay/verify/truthtest"
	"fileassay/verify/wanted"
)

// hostileNames are those of files that a page must show as text.
var hostileNames = []string{
	"<script>document.title='x'</script>.txt",
	`"><img src=x onerror=console.log(1)>.jpg`,
	"</style><link rel=stylesheet href=//example.invalid/a.css>.pdf",
	"turned \u202egpj.exe",
	"two\r\nlines\u2028and\u2029more.txt",
	"esc\x1b[31m bell\x07.doc",
	strings.Repeat("averylongnamewithoutablank", 9) + ".xls",
	strings.Repeat("folder of many words/", 14) + "end.odt",
	"İstanbul ẞ 写真 صورة.jpg",
	"{{.Title}} ${1+1} javascript:alert(1).htm",
}

// passPages makes pages about passes over drives, by name.
func passPages(t *testing.T) map[string]string {
	t.Helper()
	dir := t.TempDir()
	pages := map[string]string{}
	write := func(name string, page func(io.Writer) error) {
		pages[name] = filepath.Join(dir, name+".html")
		var b bytes.Buffer
		if err := page(&b); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(pages[name], b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	plan := func(name string, r *result.Result, o reread.Options) {
		p, err := reread.New(r, o)
		if err != nil {
			t.Fatal(err)
		}
		write("reread-"+name, func(w io.Writer) error { return report.PlanPage(w, p) })
	}
	compared := func(name string, before, after *result.Result, content bool) {
		c, err := compare.Results(before, after, nil)
		if err != nil {
			t.Fatal(err)
		}
		if content {
			if err := compare.Content(t.Context(), c, before, after, compare.ContentOptions{}); err != nil {
				t.Fatal(err)
			}
		}
		write("compare-"+name, func(w io.Writer) error { return report.ComparisonPage(w, c) })
	}

	f := fixture.Load(t, "ntfs3-kernel")
	heads := filepath.Join(dir, "heads.csv")
	text := "start,length,head\n"
	for at := 0; at < len(f.Image); at += 1 << 20 {
		text += fmt.Sprintf("%d,%d,%d\n", at, min(1<<20, len(f.Image)-at), at>>20&3)
	}
	if err := os.WriteFile(heads, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	verified := func(name string, img []byte, unread []imap.Range) *result.Result {
		base := filepath.Join(dir, name)
		if err := os.WriteFile(base+".img", img, 0o600); err != nil {
			t.Fatal(err)
		}
		truthtest.WriteMap(t, base+".csv", int64(len(img)), unread)
		if _, err := verify.Run(t.Context(), verify.Options{Image: base + ".img", Map: base + ".csv", Heads: heads, Result: base + ".jsonl"}); err != nil {
			t.Fatal(err)
		}
		return opened(t, base+".jsonl")
	}
	var bursts []imap.Range
	for _, p := range truthtest.Profiles() {
		if p.Name == "bursts" {
			bursts = p.Unread(f, rand.New(rand.NewPCG(9, 3)))
		}
	}
	first := verified("first", f.Image, bursts)
	changed := bytes.Clone(f.Image)
	for at := 1 << 20; at < len(changed); at += 1 << 20 {
		changed[at] ^= 1
	}
	second := verified("second", changed, bursts[len(bursts)/2:])
	whole := verified("whole", f.Image, nil)
	plan("bursts", first, reread.Options{Costs: reread.DefaultCosts(), Worth: 40})
	plan("nothing", whole, reread.Options{Costs: reread.DefaultCosts()})
	compared("content", first, second, true)
	compared("nothing", whole, whole, false)
	compared("backward", whole, first, false)

	image, list, err := demo.Write(t.Context(), nil, dir, false)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := verify.Run(t.Context(), verify.Options{Image: image, Map: list, Result: filepath.Join(dir, "demo.jsonl")}); err != nil {
		t.Fatal(err)
	}
	plan("demo", opened(t, filepath.Join(dir, "demo.jsonl")), reread.Options{Costs: reread.DefaultCosts()})

	mean := hostilePass(t, dir, "mean", result.Damaged)
	plan("hostile", mean, reread.Options{Costs: reread.DefaultCosts(), Wanted: one(t)})
	compared("hostile-rose", mean, hostilePass(t, dir, "meaner", result.Intact), false)
	compared("hostile-fell", opened(t, filepath.Join(dir, "meaner.jsonl")), mean, false)
	return pages
}

// one is a wanted list in which all files count alike.
func one(t *testing.T) *wanted.List {
	t.Helper()
	l, err := wanted.Parse("list <b>of</b> one", strings.NewReader("1 **\n"))
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func opened(t *testing.T, path string) *result.Result {
	t.Helper()
	r, err := result.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// hostilePass writes a result of files with hostile names, all of one
// verdict.
func hostilePass(t *testing.T, dir, name string, v result.Verdict) *result.Result {
	t.Helper()
	m := resulttest.Made{Image: result.Image{Path: "<b>depot</b>.img"}, Volumes: []result.Volume{{Length: 1 << 20, Filesystem: "<i>ext4</i>", Label: "</title>"}}, Places: []result.Place{}}
	if v != result.Intact {
		m.Places = resulttest.Unread(imap.Failed, result.HoldsFiles, [2]int64{8192, 512 * int64(len(hostileNames))})
	}
	for i, n := range hostileNames {
		m.Files = append(m.Files, &result.File{ID: uint64(i), Path: n, Size: resulttest.Num(1024), Verdict: v, Extents: [][3]int64{{0, 8192 + 512*int64(i), 512}, {512, 65536 + 512*int64(i), 512}}})
	}
	path := filepath.Join(dir, name+".jsonl")
	m.Write(t, path)
	return opened(t, path)
}

// The pages about passes ask for nothing, say nothing on the console, take
// names for text, and fit a phone.
func TestPassPages(t *testing.T) {
	if !tools() {
		return
	}
	pages := passPages(t)
	for _, c := range []struct {
		name          string
		width, height int64
		scheme        string
	}{{"desk", 1280, 900, "light"}, {"desk-dark", 1280, 900, "dark"}, {"phone", 360, 780, "light"}, {"phone-dark", 360, 780, "dark"}} {
		ctx := newBrowser(t, int(c.width), int(c.height))
		do(t, ctx, chromedp.EmulateViewport(c.width, c.height))
		call(t, ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: c.scheme}}})
		for name, path := range pages {
			page := (&url.URL{Scheme: "file", Path: path}).String()
			w := watch(t, ctx, page)
			do(t, ctx, chromedp.Navigate(page))
			if got := value[int64](t, ctx, "document.documentElement.scrollWidth"); got > c.width {
				t.Errorf("%s, %s: %d pixels wide in a window of %d", name, c.name, got, c.width)
			}
			// text outside the boxes that scroll must not be cut off or reach out of the page
			if got := value[[]string](t, ctx, `[...document.querySelectorAll("h1,h2,h3,p,li,svg text,figure")].filter((e) => !e.closest(".scroll")).filter((e) => {
				const r = e.getBoundingClientRect(); return r.width > 0 && (r.right > innerWidth + 1 || r.left < -1 || e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0);
			}).map((e) => e.tagName + ": " + e.textContent.slice(0, 60))`); len(got) > 0 {
				t.Errorf("%s, %s: reaches out of the page: %q", name, c.name, got)
			}
			if got := value[int64](t, ctx, `document.querySelectorAll("script,img,link:not([rel=icon]),iframe,b,i").length`); got > 0 {
				t.Errorf("%s: %d elements that names made", name, got)
			}
			if text := value[string](t, ctx, "document.body.textContent"); strings.ContainsAny(text, "\u202e\x1b") || strings.Contains(name, "hostile") &&
				(!strings.Contains(text, hostileNames[0]) || !strings.Contains(text, `turned \u202egpj.exe`)) {
				t.Errorf("%s: names are not shown as what they are", name)
			}
			png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
			if err != nil {
				t.Fatal(err)
			}
			keepPicture(t, name+"-"+c.name+".png", png)
			w.check(t)
		}
	}
}
