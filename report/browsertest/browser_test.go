package browsertest

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"fileassay/report"
	"fileassay/verify"
	"fileassay/verify/demo"
)

// tools reports whether tests that need system tools are to run.
func tools() bool { return os.Getenv("FILEASSAY_TOOLS") == "1" }

// newBrowser starts a browser of its own, without a profile and without anything
// that it would ask the network for by itself.
func newBrowser(t *testing.T, width, height int) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatalf("no browser: install Debian's package chromium: %v", err)
	}
	options := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("no-sandbox", true), chromedp.Flag("disable-gpu", true), chromedp.Flag("disable-quic", true), chromedp.Flag("no-first-run", true),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.WindowSize(width, height))
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 3*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// watched is what a page did that it must not.
type watched struct {
	mu       sync.Mutex
	messages []string // on the console, of any level, and of the browser's log
	requests []string // but for the page itself and what it holds
}

// watch notes what the pages of a browser say and ask for.
func watch(t *testing.T, ctx context.Context, page string) *watched {
	t.Helper()
	w := &watched{}
	err := chromedp.Listen(ctx, func(ev any) {
		w.mu.Lock()
		defer w.mu.Unlock()
		switch ev := ev.(type) {
		case *runtime.EventConsoleAPICalled:
			w.messages = append(w.messages, fmt.Sprintf("console %s: %v", ev.Type, ev.Args))
		case *runtime.EventExceptionThrown:
			w.messages = append(w.messages, "exception: "+ev.ExceptionDetails.Text)
		case *log.EventEntryAdded:
			w.messages = append(w.messages, fmt.Sprintf("log %s: %s", ev.Entry.Level, ev.Entry.Text))
		case *network.EventRequestWillBeSent:
			if u := ev.Request.URL; u != page && !strings.HasPrefix(u, page+"#") && !strings.HasPrefix(u, "data:") && !strings.HasPrefix(u, "blob:") {
				w.requests = append(w.requests, u)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	call(t, ctx, log.Enable, cdp.Empty{})
	call(t, ctx, runtime.Enable, cdp.Empty{})
	call(t, ctx, network.Enable, network.EnableParams{})
	return w
}

// check fails the test for what the page did.
func (w *watched) check(t *testing.T) {
	t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, m := range w.messages {
		t.Errorf("the browser says: %s", m)
	}
	for _, r := range w.requests {
		t.Errorf("the page asks for %s", r)
	}
}

// open opens a page and waits until its list is ready.
func open(t *testing.T, ctx context.Context, path string) *watched {
	t.Helper()
	page := (&url.URL{Scheme: "file", Path: path}).String()
	w := watch(t, ctx, page)
	do(t, ctx, chromedp.Navigate(page))
	ready(t, ctx)
	return w
}

// ready waits until the list is open.
func ready(t *testing.T, ctx context.Context) {
	t.Helper()
	until(t, ctx, `document.getElementById("list").dataset.ready === "yes" || document.getElementById("list").dataset.failed !== undefined`)
	if failed := value[string](t, ctx, `document.getElementById("list").dataset.failed ?? ""`); failed != "" {
		t.Fatalf("the list does not open: %s", failed)
	}
}

func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// call sends the browser a command.
func call[P, R any](t *testing.T, ctx context.Context, cmd cdp.Command[P, R], params P) R {
	t.Helper()
	r, err := chromedp.Call(ctx, cmd, params)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// until waits for an expression to be true.
func until(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	for start := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		if value[bool](t, ctx, expression) {
			return
		}
		if time.Since(start) > 20*time.Second {
			t.Fatalf("never came true: %s; the table tells of %q", expression, value[string](t, ctx, `document.getElementById("count").textContent + " / " + document.getElementById("ticked").textContent`))
		}
	}
}

// value is what an expression gives.
func value[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// demoPages makes the pages of the demo's result for both readers.
func demoPages(t *testing.T) (customer, bench string) {
	t.Helper()
	dir := t.TempDir()
	image, imap, err := demo.Write(t.Context(), nil, dir, false)
	if err != nil {
		t.Fatal(err)
	}
	result := filepath.Join(dir, "result.jsonl")
	if _, err := verify.Run(t.Context(), verify.Options{Image: image, Map: imap, Result: result}); err != nil {
		t.Fatal(err)
	}
	return pagesOf(t, result)
}

// pagesOf makes the pages of a result for both readers.
func pagesOf(t *testing.T, result string) (customer, bench string) {
	t.Helper()
	dir := t.TempDir()
	job := report.Job{Number: "B-1042", Customer: "Bell foundry Eastmere", Drive: "Model K 3.5-inch", Serial: "0042-77", Technician: "H. Oakes", Date: "2 April 2026",
		Remarks: "One head replaced; read in two passes."}
	for _, a := range []report.Audience{report.Customer, report.Bench} {
		path := filepath.Join(dir, string(a)+".html")
		if err := report.Write(t.Context(), result, report.Files{HTML: path}, report.Options{For: a, Job: job}); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "customer.html"), filepath.Join(dir, "bench.html")
}

// rows are the names of the rows in sight.
func rows(t *testing.T, ctx context.Context) []string {
	t.Helper()
	return value[[]string](t, ctx, `[...document.querySelectorAll("#grid .layer .row .name")].map((e) => e.textContent)`)
}

// shown waits until the line above the table begins with a text.
func shown(t *testing.T, ctx context.Context, text string) {
	t.Helper()
	until(t, ctx, fmt.Sprintf(`document.getElementById("count").textContent.startsWith(%q)`, text))
}

// keepPicture keeps a picture where FILEASSAY_SHOTS names a folder, for people
// to look at.
func keepPicture(t *testing.T, name string, png []byte) {
	t.Helper()
	dir := os.Getenv("FILEASSAY_SHOTS")
	if dir == "" {
		return
	}
	if err := os.WriteFile(filepath.Join(dir, name), png, 0o644); err != nil {
		t.Fatal(err)
	}
}
