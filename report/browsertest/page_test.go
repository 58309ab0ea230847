package browsertest

import (
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// Both pages open without a word on the console and without a request.
func TestOpens(t *testing.T) {
	if !tools() {
		return
	}
	customer, bench := demoPages(t)
	for _, path := range []string{customer, bench} {
		ctx := newBrowser(t, 1280, 900)
		w := open(t, ctx, path)
		shown(t, ctx, "56 files")
		if got := rows(t, ctx); len(got) < 10 {
			t.Errorf("%s: rows in sight: %q", path, got)
		}
		w.check(t)
	}
}

// Pictures of both pages, for people to look at, kept where FILEASSAY_SHOTS
// says.
func TestPictures(t *testing.T) {
	if !tools() {
		return
	}
	customer, bench := demoPages(t)
	for _, c := range []struct {
		name          string
		width, height int64
		dark          bool
	}{{"desk", 1280, 900, false}, {"phone", 390, 844, false}, {"dark", 1280, 900, true}} {
		ctx := newBrowser(t, int(c.width), int(c.height))
		for name, path := range map[string]string{"customer": customer, "bench": bench} {
			do(t, ctx, chromedp.EmulateViewport(c.width, c.height))
			scheme := "light"
			if c.dark {
				scheme = "dark"
			}
			call(t, ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
			open(t, ctx, path)
			if got := value[int64](t, ctx, "document.documentElement.scrollWidth"); got > c.width {
				t.Errorf("%s page is %d pixels wide in a window of %d", name, got, c.width)
			}
			png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
			if err != nil {
				t.Fatal(err)
			}
			keepPicture(t, name+"-"+c.name+".png", png)
		}
	}
}
