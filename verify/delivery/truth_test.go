package delivery_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/text/unicode/norm"

	"fileassay/extract/fixture"
	"fileassay/verify/delivery"
	"fileassay/verify/result"
	"fileassay/verify/sheet"
	"fileassay/verify/truthtest"
)

// Every intact file of the small fixtures has the truth's digest, and every
// damaged one differs from the truth in the stated ranges alone.
func TestTruth(t *testing.T) {
	truth(t, fixture.Load(t, "v01-ntfs-4k"), []string{"none", "bursts"}, "random", "zeros")
	truth(t, fixture.Load(t, "ntfs3-kernel"), []string{"content"}, "random")
}

// So it is for every fixture there is.
func TestTruthOfAllFixtures(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	folder := filepath.Join(fixture.Folder(t), "..", "..", "shared", "fixtures")
	images, err := filepath.Glob(filepath.Join(folder, "*.img.zst"))
	if err != nil || len(images) == 0 {
		t.Fatalf("no fixtures in %s: %v", folder, err)
	}
	for _, image := range images {
		name := strings.TrimSuffix(filepath.Base(image), ".img.zst")
		truth(t, fixture.LoadFrom(t, folder, name), []string{"content"}, "random")
	}
}

func truth(t *testing.T, f *fixture.Fixture, profiles []string, fills ...string) {
	d := truthtest.NewDrive(t, f)
	for _, p := range truthtest.Profiles() {
		if !slices.Contains(profiles, p.Name) {
			continue
		}
		t.Run(f.Name+"/"+p.Name, func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(5, 1))
			unread := p.Unread(f, rnd)
			var manifests []string
			for _, fill := range fills {
				d.Fill(t, unread, func(img []byte) { truthtest.Fill(img, f.Image, unread, fill, rnd) })
				res := d.Verify(t, unread, 2)
				before := digest(t, d.Path)
				to := filepath.Join(scratch(t), "delivery")
				o := delivery.Options{Image: d.Path, Result: filepath.Join(filepath.Dir(d.Path), "result.jsonl"), To: to,
					Selection: delivery.Selection{Verdicts: []result.Verdict{result.Intact, result.Damaged}}, Filler: []byte("gap")}
				out, err := delivery.Run(context.Background(), o)
				if err != nil {
					t.Fatal(err)
				}
				if digest(t, d.Path) != before {
					t.Error("the image was changed")
				}
				if out.Files == 0 && res.Summary.Files.Intact > 0 {
					t.Error("nothing was delivered")
				}
				checkBag(t, to)
				manifests = append(manifests, digest(t, filepath.Join(to, "manifest-sha256.txt")))
				holdToTruth(t, f, res, to)
				rep, err := delivery.Audit(context.Background(), delivery.AuditOptions{Folder: to, Result: o.Result, Image: d.Path})
				if err != nil {
					t.Fatal(err)
				}
				for _, x := range rep.Findings {
					t.Errorf("audit: %+v", x)
				}
				if len(unread) == 0 {
					return
				}
			}
			if len(slices.Compact(manifests)) > 1 {
				t.Error("the delivery depends on what stands in unread sectors")
			}
		})
	}
}

func digest(tb testing.TB, path string) string {
	tb.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		tb.Fatal(err)
	}
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

// rowsOf reads a list of a delivery.
func rowsOf(tb testing.TB, path string) [][]string {
	tb.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		tb.Fatal(err)
	}
	list, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		tb.Fatal(err)
	}
	return list[1:]
}

// holdToTruth compares the files of a delivery with what is known of an image.
func holdToTruth(t *testing.T, f *fixture.Fixture, res *truthtest.Result, to string) {
	t.Helper()
	renamed := map[string]string{} // delivered, by volume and original
	twice := map[string]bool{}
	for _, row := range rowsOf(t, filepath.Join(to, "renamed.csv")) {
		k := row[0] + "/" + row[3]
		twice[k] = renamed[k] != ""
		renamed[k] = row[2]
	}
	missing := map[string][][2]int64{}
	for _, row := range rowsOf(t, filepath.Join(to, "missing.csv")) {
		off, _ := strconv.ParseInt(row[1], 10, 64)
		n, _ := strconv.ParseInt(row[2], 10, 64)
		missing[row[0]] = append(missing[row[0]], [2]int64{off, n})
	}
	type key struct {
		start int64
		path  string
	}
	known := map[key]*fixture.File{}
	for i := range f.Truth.Files {
		g := &f.Truth.Files[i]
		known[key{f.Truth.Volumes[g.Volume].Start, g.Path}] = g
	}
	lines := map[string]int{}
	for i := range res.Files {
		lines[fmt.Sprintf("%d/%s", res.Files[i].Volume, sheet.Guard(res.Files[i].Path))]++
	}
	intact, damaged := 0, 0
	for i := range res.Files {
		r := &res.Files[i]
		k := fmt.Sprintf("%d/%s", r.Volume, sheet.Guard(r.Path))
		if r.Kind != "file" && r.Kind != "stream" || r.Verdict == result.Lost || lines[k] > 1 || twice[k] {
			continue
		}
		v := &res.Volumes[r.Volume-1]
		g := known[key{v.Start, r.Path}]
		if g == nil && strings.HasPrefix(v.Filesystem, "hfs") { // whose truth has composed names
			g = known[key{v.Start, norm.NFC.String(r.Path)}]
		}
		if g == nil {
			continue
		}
		path := fmt.Sprintf("data/%s/volume-%d/%s", r.Verdict, r.Volume, r.Path)
		if p, ok := renamed[k]; ok {
			path = p
		}
		have, err := os.ReadFile(filepath.Join(to, filepath.FromSlash(path)))
		if err != nil {
			if r.Verdict == result.Intact || *r.Bytes.Read > 0 {
				t.Errorf("%s: %v", r.Path, err)
			}
			continue
		}
		sum := sha256.Sum256(have)
		if r.Verdict == result.Intact {
			intact++
			if hex.EncodeToString(sum[:]) != g.SHA256 {
				t.Errorf("%s: intact, and has another digest than the truth", r.Path)
			}
			continue
		}
		want := make([]byte, g.Size)
		for _, run := range g.Runs {
			copy(want[run[0]:run[0]+run[2]], f.Image[run[1]:])
		}
		if s := sha256.Sum256(want); hex.EncodeToString(s[:]) != g.SHA256 || int64(len(have)) != g.Size {
			continue // stored otherwise than a scan can tell, or its size is not known
		}
		damaged++
		for _, m := range missing[path] {
			for at := m[0]; at < m[0]+m[1]; at++ {
				if have[at] != "gap"[at%3] {
					t.Errorf("%s: byte %d is not the filler", r.Path, at)
					break
				}
			}
			copy(have[m[0]:m[0]+m[1]], want[m[0]:])
		}
		if !bytes.Equal(have, want) {
			t.Errorf("%s: damaged, and differs from the truth outside the stated ranges", r.Path)
		}
	}
	t.Logf("%d intact files and %d damaged ones held to the truth", intact, damaged)
	if intact == 0 && res.Summary.Files.Intact > 10 {
		t.Error("no intact file could be held to the truth")
	}
}

var manifestLine = regexp.MustCompile(`^([0-9a-f]{64})  ([^\r\n]+)$`)

// checkBag is a check of a bag written from RFC 8493 alone.
func checkBag(t testing.TB, dir string) {
	t.Helper()
	read := func(name string) []byte {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	// section 2.1.1: exactly these two lines
	if got := string(read("bagit.txt")); got != "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n" {
		t.Errorf("bagit.txt: %q", got)
	}
	there := map[string]int64{}
	err := filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if e.IsDir() {
			return nil
		}
		st, err := os.Stat(p)
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(dir, p)
		there[filepath.ToSlash(rel)] = st.Size()
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	// section 2.1.3: a line a file, its digest, its path with CR, LF and %
	// percent-encoded; every payload file is listed, once
	listed := map[string]bool{}
	manifest := func(name string) {
		s := bufio.NewScanner(bytes.NewReader(read(name)))
		for s.Scan() {
			m := manifestLine.FindStringSubmatch(s.Text())
			if m == nil {
				t.Errorf("%s: line %q", name, s.Text())
				continue
			}
			path := regexp.MustCompile(`%[0-9A-Fa-f]{2}`).ReplaceAllStringFunc(m[2], func(x string) string {
				b, _ := hex.DecodeString(x[1:])
				if !strings.Contains("\r\n%", string(b)) {
					t.Errorf("%s: %s is encoded without need", name, x)
				}
				return string(b)
			})
			if listed[path] {
				t.Errorf("%s is listed twice", path)
			}
			listed[path] = true
			if _, ok := there[path]; !ok {
				t.Errorf("%s is listed, and is not there", path)
			} else if got := digest(t, filepath.Join(dir, filepath.FromSlash(path))); got != m[1] {
				t.Errorf("%s: has digest %s, listed is %s", path, got, m[1])
			}
		}
	}
	manifest("manifest-sha256.txt")
	manifest("tagmanifest-sha256.txt") // section 2.2.1
	var octets, count int64
	for p, n := range there {
		if strings.HasPrefix(p, "data/") {
			octets += n
			count++
		}
		if !listed[p] && p != "tagmanifest-sha256.txt" {
			t.Errorf("%s is not listed", p)
		}
	}
	// section 2.2.2: Payload-Oxum
	if want := fmt.Sprintf("Payload-Oxum: %d.%d\n", octets, count); !bytes.Contains(read("bag-info.txt"), []byte(want)) {
		t.Errorf("bag-info.txt has no %q", want)
	}
}
