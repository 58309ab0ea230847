package browsertest

import (
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// print prints the page that is open on paper of the given size in inches, and
// gives the text of each sheet.
func printed(t *testing.T, ctx context.Context, name string, width, height float64) []string {
	t.Helper()
	yes := true
	r := call(t, ctx, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: width, PaperHeight: height, PrintBackground: &yes})
	dir := t.TempDir()
	pdf := filepath.Join(dir, "page.pdf")
	if err := os.WriteFile(pdf, r.Data, 0o644); err != nil {
		t.Fatal(err)
	}
	keepPicture(t, name+".pdf", r.Data)
	out, err := exec.Command("pdftotext", "-layout", pdf, "-").Output()
	if err != nil {
		t.Fatalf("pdftotext, of Debian's package poppler-utils: %v", err)
	}
	info, err := exec.Command("pdfinfo", pdf).Output()
	if err != nil {
		t.Fatalf("pdfinfo, of Debian's package poppler-utils: %v", err)
	}
	m := regexp.MustCompile(`Page size: +([\d.]+) x ([\d.]+)`).FindSubmatch(info)
	if m == nil || !strings.HasPrefix(string(m[1]), map[bool]string{true: "595", false: "612"}[width < 8.4]) {
		t.Errorf("%s is printed on sheets of %s", name, m)
	}
	return strings.Split(strings.TrimSuffix(string(out), "\f"), "\f")
}

// The printed page has the summary, the damaged and lost files, the totals of
// the folders and lines to sign, in order, and nothing of what only a screen
// can use.
func TestPrint(t *testing.T) {
	if !tools() {
		return
	}
	customer, bench := demoPages(t)
	for name, path := range map[string]string{"customer": customer, "bench": bench} {
		ctx := newBrowser(t, 1280, 900)
		open(t, ctx, path)
		for paper, size := range map[string][2]float64{"a4": {8.27, 11.69}, "letter": {8.5, 11}} {
			sheets := printed(t, ctx, name+"-"+paper, size[0], size[1])
			text := strings.Join(sheets, "\n")
			at := 0
			for _, want := range []string{"46 of 56 files", "Folders", "Damaged and lost files", "belfry 3.jpg", "What was checked", "Date and signature, workshop", "Confidential"} {
				i := strings.Index(text[at:], want)
				if i < 0 {
					t.Errorf("%s on %s lacks %q after what stands before it", name, paper, want)
					continue
				}
				at += i
			}
			for _, bad := range []string{"Show all", "Save the wanted list", "The list is being opened"} {
				if strings.Contains(text, bad) {
					t.Errorf("%s on %s has %q", name, paper, bad)
				}
			}
			if !strings.Contains(sheets[0], "46 of 56 files") || strings.Contains(sheets[0], "its list of names was not read whole") {
				t.Errorf("%s on %s: the first sheet is not the summary", name, paper)
			}
			if most := map[string]int{"customer": 4, "bench": 8}[name]; len(sheets) < 2 || len(sheets) > most {
				t.Errorf("%s takes %d sheets of %s, want 2 to %d", name, len(sheets), paper, most)
			}
			for i, s := range sheets {
				if strings.TrimSpace(s) == "" {
					t.Errorf("%s: sheet %d of %s is empty", name, i+1, paper)
				}
			}
		}
	}
}

// Without scripts the summary, the folders and what is not whole still show.
func TestWithoutScripts(t *testing.T) {
	if !tools() {
		return
	}
	customer, _ := demoPages(t)
	ctx := newBrowser(t, 1280, 900)
	call(t, ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	do(t, ctx, chromedp.Navigate("file://"+customer))
	do(t, ctx, chromedp.WaitVisible(chromedp.CSS("#folders")), chromedp.WaitVisible(chromedp.CSS("#notwhole")), chromedp.WaitVisible(chromedp.CSS("#outcome")), chromedp.WaitNotVisible(chromedp.CSS("#list")))
	text, err := chromedp.Run(ctx, chromedp.Text(chromedp.CSS("body")))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"46 of 56 files", "Tower of Eastmere", "belfry 3.jpg"} {
		if !strings.Contains(text, want) {
			t.Errorf("without scripts the page lacks %q", want)
		}
	}
}

// axe-core finds nothing to say against any page, on wide and narrow screens,
// light and dark. FILEASSAY_AXE is the path of its script: CI takes it
// from the npm registry, where that serves it.
func TestAccessible(t *testing.T) {
	script := os.Getenv("FILEASSAY_AXE")
	if !tools() || script == "" {
		return
	}
	axe, err := os.ReadFile(script)
	if err != nil {
		t.Fatal(err)
	}
	customer, bench := demoPages(t)
	pages := map[string]string{"customer": customer, "bench": bench}
	maps.Copy(pages, passPages(t))
	for name, path := range pages {
		for _, width := range []int64{1280, 390} {
			ctx := newBrowser(t, int(width), 900)
			do(t, ctx, chromedp.EmulateViewport(width, 900))
			for _, scheme := range []string{"light", "dark"} {
				call(t, ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
				if path == customer || path == bench {
					open(t, ctx, path)
				} else {
					do(t, ctx, chromedp.Navigate((&url.URL{Scheme: "file", Path: path}).String()))
				}
				value[bool](t, ctx, string(axe)+"\n;true")
				found, err := chromedp.Run(ctx, chromedp.Evaluate[string](`axe.run(document, {resultTypes: ["violations"]}).then((r) => JSON.stringify(r.violations.map((v) => ({id: v.id, help: v.help, nodes: v.nodes.slice(0, 5).map((n) => n.html.slice(0, 200) + " " + n.failureSummary)}))))`, chromedp.EvalAwaitPromise))
				if err != nil {
					t.Fatal(err)
				}
				if found != "[]" {
					var text bytes.Buffer
					if err := json.Indent(&text, []byte(found), "", "  "); err != nil {
						t.Fatal(err)
					}
					t.Errorf("%s, %d wide, %s:\n%s", name, width, scheme, text.String())
				}
			}
		}
	}
}
