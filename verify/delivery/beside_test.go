package delivery_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"fileassay/verify/delivery"
)

// copyFolder copies a folder with the times of its files, and links as links.
func copyFolder(tb testing.TB, from, to string) {
	tb.Helper()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		tb.Fatal(err)
	}
	err := filepath.WalkDir(from, func(p string, e fs.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err
		}
		st, err := e.Info()
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(from, p)
		if err != nil {
			return err
		}
		return os.Chtimes(filepath.Join(to, rel), st.ModTime(), st.ModTime())
	})
	if err != nil {
		tb.Fatal(err)
	}
}

// shop is an image and its result with something for every list of a delivery,
// and the delivery of it.
func shop(t *testing.T) (image, result, to string) {
	t.Helper()
	dir := scratch(t)
	image, result, to = filepath.Join(dir, "image"), filepath.Join(dir, "result.jsonl"), filepath.Join(dir, "clean")
	img := make([]byte, 64<<10)
	for i := range img {
		img[i] = byte(i*11 + i/512*17 + i>>9)
	}
	if err := os.WriteFile(image, img, 0o644); err != nil {
		t.Fatal(err)
	}
	lines := []map[string]any{
		{"path": "torn.bin", "size": 4096, "verdict": "damaged", "extents": [][3]int64{{0, 8192, 4096}},
			"damage": [][]any{{512, 8704, 512, "failed"}, {2048, 10240, 1024, "failed"}}},
		{"path": "torn; twice.bin", "size": 1024, "verdict": "damaged", "extents": [][3]int64{{0, 12288, 1024}}, "damage": [][]any{{0, 12288, 512, "skipped"}}},
		{"path": "a: b.txt"}, {"path": "A=B"}, {"path": "letter.txt"}, {"path": "Letter.TXT"}, {"path": "new\r\nline"},
		{"path": "sealed.txt", "stored": "encrypted"}, {"path": "cloud.txt", "stored": "elsewhere"},
		{"path": "doubt.txt", "verdict": "damaged"},
		{"path": "link", "kind": "link", "target": "letter.txt", "extents": [][3]int64{}, "modified": "2011-02-03T04:05:06Z"},
		{"path": "a: link", "kind": "link", "target": "sealed.txt", "extents": [][3]int64{}},
		{"path": "link out", "kind": "link", "target": "/elsewhere", "extents": [][3]int64{}},
		{"path": "packed", "stored": "compressed", "extents": [][3]int64{{0, 0, 4096}}},
		{"path": "huge", "size": int64(1) << 50, "extents": [][3]int64{}},
		{"path": "unpackable", "size": 4096, "stored": "compressed", "extents": [][3]int64{{0, 16384, 512}},
			"packing": map[string]any{"method": "lznt1", "unit": 65536, "units": [][]int64{{0, 512}}}},
	}
	for _, l := range lines {
		if l["modified"] == nil {
			l["modified"] = "2019-04-02T09:12:44Z"
		}
		l["executable"] = l["path"] == "A=B"
	}
	writeResult(t, result, int64(len(img)), lines)
	if _, err := delivery.Run(t.Context(), both(image, result, to)); err != nil {
		t.Fatal(err)
	}
	return image, result, to
}

// mend gives a file of a bag its digest in the manifests again, and the payload
// its sum: whoever changes a delivery can do that.
func mend(tb testing.TB, dir string) {
	tb.Helper()
	read := func(name string) string {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			return ""
		}
		return string(b)
	}
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			tb.Fatal(err)
		}
	}
	lines := func(payload bool) string {
		var list []string
		octets := 0
		err := fs.WalkDir(os.DirFS(dir), ".", func(p string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() || strings.HasPrefix(p, "data/") != payload || p == "tagmanifest-sha256.txt" {
				return err
			}
			b := read(p)
			octets += len(b)
			list = append(list, fmt.Sprintf("%x  %s\n", sha256.Sum256([]byte(b)), strings.ReplaceAll(p, "%", "%25")))
			return nil
		})
		if err != nil {
			tb.Fatal(err)
		}
		if payload {
			write("bag-info.txt", regexp.MustCompile(`Payload-Oxum: .*`).ReplaceAllString(read("bag-info.txt"), fmt.Sprintf("Payload-Oxum: %d.%d", octets, len(list))))
		}
		return strings.Join(list, "")
	}
	write("manifest-sha256.txt", lines(true))
	write("tagmanifest-sha256.txt", lines(false))
}

// tableNames are the lists of a delivery.
var tableNames = []string{"missing.csv", "renamed.csv", "marks.csv", "left-out.csv"}

// A row of a list that is dropped, changed, added or stands elsewhere is found
// by the result, though every digest is mended.
func TestAuditTables(t *testing.T) {
	_, result, clean := shop(t)
	audit := func(t *testing.T, dir string) *delivery.AuditReport {
		t.Helper()
		rep, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: dir, Result: result})
		if err != nil {
			t.Fatal(err)
		}
		return rep
	}
	to := filepath.Join(scratch(t), "to")
	copyFolder(t, clean, to)
	mend(t, to)
	if rep := audit(t, to); !rep.Clean() {
		t.Fatalf("nothing was changed: %+v", rep.Findings)
	}
	changes, found := 0, 0
	try := func(name, change string, text []byte) {
		t.Helper()
		p := filepath.Join(to, name)
		was, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, text, 0o644); err != nil {
			t.Fatal(err)
		}
		mend(t, to)
		changes++
		rep := audit(t, to)
		told := slices.ContainsFunc(rep.Findings, func(f delivery.Finding) bool {
			return !f.Note && (f.Path == name || f.What == delivery.FoundMissing) // what left-out.csv no longer excuses is missing
		})
		if !told {
			t.Errorf("%s, %s: %+v", name, change, rep.Findings)
		} else {
			found++
		}
		if err := os.WriteFile(p, was, 0o644); err != nil {
			t.Fatal(err)
		}
		mend(t, to)
	}
	for _, name := range tableNames {
		b, err := os.ReadFile(filepath.Join(clean, name))
		if err != nil {
			t.Fatal(err)
		}
		list, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		if len(list) < 3 {
			t.Errorf("%s has %d rows", name, len(list)-1)
		}
		text := func(rows [][]string) []byte {
			var b bytes.Buffer
			if err := csv.NewWriter(&b).WriteAll(rows); err != nil {
				t.Fatal(err)
			}
			return b.Bytes()
		}
		for i, row := range list {
			try(name, fmt.Sprintf("row %d dropped", i), text(slices.Delete(slices.Clone(list), i, i+1)))
			try(name, fmt.Sprintf("row %d twice", i), text(slices.Insert(slices.Clone(list), i, row)))
			for k := range row {
				if why := row[k]; name == "left-out.csv" && k == 3 && strings.HasPrefix(why, "what is stored from byte ") {
					continue // only the image tells: see TestAuditLeftOut
				}
				other := slices.Clone(row)
				other[k] += "0"
				rows := slices.Clone(list)
				rows[i] = other
				try(name, fmt.Sprintf("row %d, cell %d changed", i, k), text(rows))
			}
			if i > 1 {
				rows := slices.Clone(list)
				rows[i], rows[i-1] = rows[i-1], rows[i]
				try(name, fmt.Sprintf("row %d moved", i), text(rows))
			}
		}
		made := slices.Clone(list[1])
		made[0] = "data/intact/volume-1/letter.txt"
		try(name, "a row added", text(append(slices.Clone(list), made)))
		try(name, "no mark", bytes.TrimPrefix(b, []byte("\ufeff")))
		try(name, "a line more", append(bytes.Clone(b), '\n'))
		try(name, "not a list", append(bytes.Clone(b), `"`...))
		try(name, "empty", nil)
	}
	info, err := os.ReadFile(filepath.Join(clean, "bag-info.txt"))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.SplitAfter(strings.TrimSuffix(string(info), "\n"), "\n")
	for i, line := range lines {
		if strings.HasPrefix(line, "Payload-Oxum") {
			continue // mend puts it right
		}
		try("bag-info.txt", "without "+line, []byte(strings.Join(slices.Delete(slices.Clone(lines), i, i+1), "")))
		try("bag-info.txt", "with more than "+line, []byte(strings.Replace(string(info), line, strings.TrimSuffix(line, "\n")+"0\n", 1)))
	}
	try("bag-info.txt", "a line more", append(bytes.Clone(info), "Contact-Name: nobody\n"...))
	t.Logf("%d changes, %d found", changes, found)
}

// What was dropped from or added to a delivery is found by the result, though
// all manifests are made anew.
func TestAuditMended(t *testing.T) {
	image, result, clean := shop(t)
	remove := func(names ...string) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) {
			for _, name := range names {
				if err := os.Remove(filepath.Join(dir, name)); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	put := func(name, text string) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) {
			p := filepath.Join(dir, name)
			os.Remove(p)
			if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(p, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	excuse := func(name, row string) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) {
			remove(name)(t, dir)
			p := filepath.Join(dir, "left-out.csv")
			b, err := os.ReadFile(p)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(p, append(b, row+"\n"...), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	const base = "data/intact/volume-1/"
	for _, c := range []struct {
		name       string
		change     func(t *testing.T, dir string)
		path, what string
		image      bool
	}{
		{"file", remove(base + "letter.txt"), base + "letter.txt", "missing", false},
		{"link", remove(base + "link"), base + "link", "missing", false},
		{"missing.csv", remove("missing.csv"), "missing.csv", "missing", false},
		{"left-out.csv", remove("left-out.csv"), "left-out.csv", "missing", false},
		{"list to fetch", put("fetch.txt", "http://localhost/x 5 "+base+"letter.txt\n"), "fetch.txt", "extra", false},
		{"tag folder", put("meta/notes.txt", "x"), "meta/notes.txt", "extra", false},
		{"wanted list", put("wanted.txt", "1 **\n"), "bag-info.txt", "wrong row", false},
		{"another file", put(base+"more.txt", "x"), base + "more.txt", "extra", false},
		{"a file for a link to elsewhere", put(base+"link out", "x"), base + "link out", "extra", false},
		{"another length for a link", put(base+"link", "x"), base + "link", "wrong length", false},
		{"other content for a link", put(base+"link", "wrong"), base + "link", "wrong content", true},
		{"another case", func(t *testing.T, dir string) {
			if err := os.Rename(filepath.Join(dir, base, "cloud.txt"), filepath.Join(dir, base, "Cloud.txt")); err != nil {
				t.Fatal(err)
			}
		}, base + "Cloud.txt", "extra", false},
		{"link to another", func(t *testing.T, dir string) {
			remove(base+"link")(t, dir)
			if err := os.Symlink("cloud.txt", filepath.Join(dir, base, "link")); err != nil {
				t.Fatal(err)
			}
		}, base + "link", "changed", false},
		{"link for a file", func(t *testing.T, dir string) {
			remove(base+"letter.txt")(t, dir)
			if err := os.Symlink("cloud.txt", filepath.Join(dir, base, "letter.txt")); err != nil {
				t.Fatal(err)
			}
		}, base + "letter.txt", "changed", false},
		{"link to a folder", func(t *testing.T, dir string) {
			if err := os.Symlink(".", filepath.Join(dir, base, "round")); err != nil {
				t.Fatal(err)
			}
		}, base + "round", "extra", false},
		{"left out by the result", excuse(base+"letter.txt", "1,4,letter.txt,its line in the result names impossible places"), base + "letter.txt", "missing", false},
		{"left out for another", excuse(base+"letter.txt", "1,3,letter.txt,image file: read error"), base + "letter.txt", "missing", false},
		{"left out and there", func(t *testing.T, dir string) {
			excuse(base+"cloud.txt", "1,4,letter.txt,image file: read error")(t, dir)
		}, "left-out.csv", "wrong row", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			to := filepath.Join(scratch(t), "to")
			copyFolder(t, clean, to)
			c.change(t, to)
			mend(t, to)
			o := delivery.AuditOptions{Folder: to, Result: result}
			if c.image {
				o.Image = image
			}
			rep, err := delivery.Audit(t.Context(), o)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.ContainsFunc(rep.Findings, func(f delivery.Finding) bool { return f.Path == c.path && f.What == c.what && !f.Note }) {
				t.Errorf("%s is not found %s: %+v", c.path, c.what, rep.Findings)
			}
		})
	}
	t.Run("payload among the tags", func(t *testing.T) { // without a result too
		to := filepath.Join(scratch(t), "to")
		copyFolder(t, clean, to)
		put(base+"more.txt", "x")(t, to)
		p := filepath.Join(to, "tagmanifest-sha256.txt")
		b, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		line := fmt.Sprintf("%x  %smore.txt\n", sha256.Sum256([]byte("x")), base)
		if err := os.WriteFile(p, append(b, line...), 0o644); err != nil {
			t.Fatal(err)
		}
		rep, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: to})
		if err != nil {
			t.Fatal(err)
		}
		if !slices.ContainsFunc(rep.Findings, func(f delivery.Finding) bool { return f.Path == base+"more.txt" && f.What == "bag" }) {
			t.Errorf("not found: %+v", rep.Findings)
		}
	})
}

// A file that the image did not give is left out: that is said, and is no fault.
// With the image it is tried again.
func TestAuditLeftOut(t *testing.T) {
	image, result, clean := shop(t)
	audit := func(dir, image string) *delivery.AuditReport {
		t.Helper()
		rep, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: dir, Result: result, Image: image})
		if err != nil {
			t.Fatal(err)
		}
		return rep
	}
	// packed content that does not unpack is left out by the run
	const packed = "data/intact/volume-1/unpackable"
	for _, img := range []string{"", image} {
		rep := audit(clean, img)
		if want := (delivery.Finding{Path: packed, What: delivery.FoundLeft, Note: true}); len(rep.Findings) != 1 || rep.Findings[0].Path != want.Path || rep.Findings[0].What != want.What || !rep.Clean() {
			t.Errorf("image %q: %+v", img, rep.Findings)
		}
	}
	table := filepath.Join(clean, "left-out.csv")
	b, err := os.ReadFile(table)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(table, bytes.Replace(b, []byte("from byte 0"), []byte("from byte 9"), 1), 0o644); err != nil {
		t.Fatal(err)
	}
	mend(t, clean)
	if rep := audit(clean, image); rep.Clean() {
		t.Errorf("another reason than the image has is not found: %+v", rep.Findings)
	}
	// a file is gone as an image that failed would have it
	const gone = "data/intact/volume-1/letter.txt"
	if err := os.Remove(filepath.Join(clean, gone)); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(clean, "data/intact/volume-1/link")); err != nil {
		t.Fatal(err)
	}
	list, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	list = append(list, []string{"1", "4", "letter.txt", "image file: read error at byte 512"}, []string{"1", "10", "link", "a link to letter.txt, which is left out"})
	slices.SortStableFunc(list[1:], func(a, b []string) int { return strings.Compare(a[2], b[2]) })
	var text bytes.Buffer
	if err := csv.NewWriter(&text).WriteAll(list); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(table, text.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	mend(t, clean)
	if rep := audit(clean, ""); !rep.Clean() || !slices.ContainsFunc(rep.Findings, func(f delivery.Finding) bool { return f.Path == gone && f.What == delivery.FoundLeft }) {
		t.Errorf("what the image did not give: %+v", rep.Findings)
	}
	if rep := audit(clean, image); !slices.ContainsFunc(rep.Findings, func(f delivery.Finding) bool { return f.Path == gone && f.What == delivery.FoundMissing }) {
		t.Errorf("the image gives it: %+v", rep.Findings)
	}
}

// Another time or mode is told as a note, and with Times as a fault.
func TestAuditTimes(t *testing.T) {
	_, result, clean := shop(t)
	const base = "data/intact/volume-1/"
	when := time.Date(2020, 1, 2, 3, 4, 5, 0, time.UTC)
	stamp := func(name string, when time.Time) func(dir string) error {
		return func(dir string) error { return os.Chtimes(filepath.Join(dir, name), when, when) }
	}
	mode := func(name string, m fs.FileMode) func(dir string) error {
		return func(dir string) error { return os.Chmod(filepath.Join(dir, name), m) }
	}
	for _, c := range []struct {
		name, path, what string
		change           func(dir string) error
	}{
		{"nothing", "", "", func(string) error { return nil }},
		{"time", base + "letter.txt", delivery.FoundTime, stamp(base+"letter.txt", when)},
		{"steps of two seconds", "", "", stamp(base+"letter.txt", time.Date(2019, 4, 2, 9, 12, 45, 0, time.UTC))},
		{"a program", base + "letter.txt", delivery.FoundMode, mode(base+"letter.txt", 0o755)},
		{"no program", base + "A=3DB", delivery.FoundMode, mode(base+"A=3DB", 0o644)},
		{"closed", base + "letter.txt", delivery.FoundMode, mode(base+"letter.txt", 0o600)},
		{"as somebody", base + "A=3DB", delivery.FoundMode, mode(base+"A=3DB", 0o755|fs.ModeSetuid)},
		{"a link's time", base + "link", delivery.FoundTime, func(dir string) error {
			p := filepath.Join(dir, base, "link")
			to, err := os.Readlink(p)
			if err == nil {
				err = os.Remove(p)
			}
			if err == nil {
				err = os.Symlink(to, p)
			}
			return err
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if runtime.GOOS == "windows" && c.what == delivery.FoundMode {
				return // no such modes
			}
			to := filepath.Join(scratch(t), "to")
			copyOf(t, clean, to)
			if err := c.change(to); err != nil {
				t.Fatal(err)
			}
			for _, times := range []bool{false, true} {
				rep, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: to, Result: result, Times: times})
				if err != nil {
					t.Fatal(err)
				}
				list := slices.DeleteFunc(slices.Clone(rep.Findings), func(f delivery.Finding) bool { return f.What == delivery.FoundLeft })
				if c.what == "" {
					if len(list) > 0 {
						t.Errorf("%+v", list)
					}
					continue
				}
				if len(list) != 1 || list[0].Path != c.path || list[0].What != c.what || list[0].Note == times || rep.Clean() == times {
					t.Errorf("with times %v: %+v", times, list)
				}
			}
		})
	}
}

// copyOf delivers anew, so that modes and the times of links are right.
func copyOf(t *testing.T, from, to string) {
	t.Helper()
	dir := filepath.Dir(from)
	if _, err := delivery.Run(t.Context(), both(filepath.Join(dir, "image"), filepath.Join(dir, "result.jsonl"), to)); err != nil {
		t.Fatal(err)
	}
}

// A cause that is off for every file gives no list as long as the delivery.
func TestAuditFewFindings(t *testing.T) {
	dir := scratch(t)
	image, result := many(t, dir, 600)
	to := filepath.Join(dir, "to")
	out, err := delivery.Run(t.Context(), both(image, result, to))
	if err != nil {
		t.Fatal(err)
	}
	other := filepath.Join(dir, "other")
	if err := os.CopyFS(other, os.DirFS(to)); err != nil {
		t.Fatal(err)
	}
	rep, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: other, Result: result})
	if err != nil {
		t.Fatal(err)
	}
	if n := len(rep.Findings); n != 101 || !rep.Clean() {
		t.Errorf("%d findings", n)
	}
	if why, want := rep.Findings[0].Why, fmt.Sprintf("and %d more that are not listed", out.Files-100); why != want {
		t.Errorf("%q, want %q", why, want)
	}
}

// A link keeps its own time.
func TestLinkTimes(t *testing.T) {
	_, _, to := shop(t)
	st, err := os.Lstat(filepath.Join(to, "data/intact/volume-1/link"))
	if err != nil {
		t.Fatal(err)
	}
	if want := time.Date(2011, 2, 3, 4, 5, 6, 0, time.UTC); !st.ModTime().Equal(want) {
		t.Errorf("is of %v, not of %v", st.ModTime(), want)
	}
}
