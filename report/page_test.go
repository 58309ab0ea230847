package report

import (
	"bytes"
	"fileassay/extract/input"
	"fileassay/verify/result"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

func pageText(t *testing.T, r *result.Result, o Options) string {
	t.Helper()
	var b bytes.Buffer
	if err := HTML(&b, r, inventory(t, r, o.For == Bench), o); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

var (
	data   = regexp.MustCompile(`(<script type="application/octet-stream" id="[^"]+">)[^<]*`)
	style  = regexp.MustCompile(`(?s)<style>.*?</style>`)
	script = regexp.MustCompile(`(?s)<script>.*?</script>`)
	hashes = regexp.MustCompile(`sha256-(?:[A-Za-z0-9+/]|&#43;)+=*`)
)

// The whole of both pages, but for the list, which other tests unpack, and
// style and script, which stand in files of their own.
func TestPage(t *testing.T) {
	job := Job{Number: "B-1042", Customer: "Organ works <b>Eastmere</b>", Drive: "Model K", Serial: "0042", Technician: "H. Oakes", Date: "2 April 2026", Remarks: "read in two passes\u202e"}
	for _, a := range []Audience{Customer, Bench} {
		text := pageText(t, bellowsResult(t), Options{For: a, Job: job})
		if again := pageText(t, bellowsResult(t), Options{For: a, Job: job}); again != text {
			t.Errorf("%s: two runs give different bytes", a)
		}
		if n := len(script.FindAllString(text, -1)); n != 1 {
			t.Errorf("%s: %d scripts, want one", a, n)
		}
		body := data.ReplaceAllString(script.ReplaceAllString(style.ReplaceAllString(text, "<style></style>"), "<script></script>"), "$1")
		for _, bad := range []string{"alert(1)</script>", "<img src=x", "<b>Eastmere", "\u202e", "http://", "https://", "onerror=alert(1)>", "\x1b"} {
			if strings.Contains(strings.ReplaceAll(body, "http://www.w3.org/2000/svg", ""), bad) {
				t.Errorf("%s: the page holds %q", a, bad)
			}
		}
		golden(t, "bellows-"+string(a)+".html", hashes.ReplaceAllString(body, "sha256-"))
	}
}

// The policy of the page names the hashes of what stands in it.
func TestPolicy(t *testing.T) {
	text := pageText(t, bellowsResult(t), Options{For: Customer})
	for tag, re := range map[string]*regexp.Regexp{"style": style, "script": script} {
		inner := strings.TrimSuffix(strings.TrimPrefix(re.FindString(text), "<"+tag+">"), "</"+tag+">")
		want := strings.ReplaceAll(hashOf([]byte(inner)), "+", "&#43;")
		if !strings.Contains(text, tag+"-src '"+want+"'") && !strings.Contains(text, tag+"-src &#39;"+want+"&#39;") {
			t.Errorf("the policy has not the hash of the %s: %s", tag, want)
		}
	}
	if !strings.Contains(text, "default-src 'none'") {
		t.Error("the policy lets requests out")
	}
}

// The customer's page has no sectors and no words of filesystems.
func TestCustomerWords(t *testing.T) {
	text := pageText(t, bellowsResult(t), Options{For: Customer})
	body := data.ReplaceAllString(script.ReplaceAllString(style.ReplaceAllString(text, ""), ""), "")
	for _, word := range []string{"sector", "inode", "record", "cluster", "offset", "extent", "unlocated", "metadata", "bitmap", "ntfs", "MBR", "imaging map", "volume 1:"} {
		if strings.Contains(strings.ToLower(body), strings.ToLower(word)) {
			t.Errorf("the customer is told of %q", word)
		}
	}
}

// What the header is not given it does not show.
func TestHeader(t *testing.T) {
	bare := pageText(t, bellowsResult(t), Options{For: Customer})
	for _, label := range []string{"<dt>Job", "<dt>Customer", "<dt>Technician", "<dt>Date", `class="logo"`} {
		if strings.Contains(bare, label) {
			t.Errorf("the header shows %s, which was not given", label)
		}
	}
	dir := t.TempDir()
	var pic bytes.Buffer
	if err := png.Encode(&pic, image.NewGray(image.Rect(0, 0, 3, 2))); err != nil {
		t.Fatal(err)
	}
	for name, content := range map[string][]byte{"logo.png": pic.Bytes(), "logo.svg": []byte("<svg/>"), "job.toml": []byte("job = 'B-7'\nlogo = 'logo.png'\n"),
		"odd.toml": []byte("job = 'B-7'\nprice = 1\n"), "bad.toml": []byte("job = ["), "large.toml": bytes.Repeat([]byte("#"), input.MaxTOML+1)} {
		if err := os.WriteFile(filepath.Join(dir, name), content, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	j, err := LoadJob(filepath.Join(dir, "job.toml"))
	if err != nil {
		t.Fatal(err)
	}
	text := pageText(t, bellowsResult(t), Options{For: Customer, Job: j.Over(Job{Customer: "Loft & Sons"})})
	for _, want := range []string{"<dd>B-7</dd>", "<dd>Loft &amp; Sons</dd>", `src="data:image/png;base64,`} {
		if !strings.Contains(text, want) {
			t.Errorf("the header lacks %s", want)
		}
	}
	for _, name := range []string{"odd.toml", "bad.toml", "large.toml", "none.toml"} {
		if _, err := LoadJob(filepath.Join(dir, name)); err == nil {
			t.Errorf("%s is taken for a job", name)
		}
	}
	for _, name := range []string{"logo.svg", "none.png"} {
		if _, err := (Job{Logo: filepath.Join(dir, name)}).loadLogo(); err == nil {
			t.Errorf("%s is taken for a logo", name)
		}
	}
}

// Sentences for every outcome.
func TestOutcomeWords(t *testing.T) {
	for _, c := range []struct {
		intact, damaged, lost int64
		complete              bool
		want                  string
	}{
		{0, 0, 0, true, "The drive holds no files."},
		{0, 0, 0, false, "No files could be found on the drive. That does not mean that there were none."},
		{1, 0, 0, true, "The one file that was found was recovered whole."},
		{1203, 0, 0, true, "All 1,203 files that were found were recovered whole."},
		{1203, 0, 0, false, "All 1,203 files that were found were recovered whole. The list of files may be incomplete."},
		{0, 0, 2, true, "Of 2 files that were found nothing could be recovered."},
		{1, 1, 0, true, "1 of 2 files was recovered whole; 1 is damaged."},
		{46, 7, 3, false, "46 of 56 files were recovered whole; 7 are damaged and 3 are lost. The list of files may be incomplete."},
		{0, 1, 0, true, "0 of 1 file were recovered whole; 1 is damaged."},
	} {
		r := &result.Result{Summary: result.Summary{Sums: result.Sums{Files: result.VerdictCount{Intact: c.intact, Damaged: c.damaged, Lost: c.lost}}, ListingComplete: c.complete}}
		if got := outcomeWords(r); got != c.want {
			t.Errorf("%d, %d, %d: %q, want %q", c.intact, c.damaged, c.lost, got, c.want)
		}
	}
}
