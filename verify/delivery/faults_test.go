package delivery_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	imagefile "fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/verify"
	"fileassay/verify/delivery"
	"fileassay/verify/files"
	"fileassay/verify/truthtest"
)

// shaky is an image file whose bad sectors cannot be read.
type shaky struct {
	img []byte
	bad map[int64]bool // by sector

	last int64 // at is called where this sector is asked for
	at   func()
}

var errDisk = errors.New("the disk gives no answer")

func (s *shaky) ReadAt(p []byte, off int64) (int, error) {
	for k := off / 512; k*512 < off+int64(len(p)); k++ {
		if s.bad[k] {
			return 0, errDisk
		}
		if s.at != nil && k == s.last {
			s.at()
		}
	}
	return bytes.NewReader(s.img).ReadAt(p, off)
}

// faultsBench is an image with files that are copied in each way, its result,
// and a sector of the content of each file.
func faultsBench(t *testing.T, dir string) (img []byte, image, result string, sectors map[string][]int64) {
	t.Helper()
	v := ntfsimage.New(ntfsimage.Params{Clusters: 5000})
	sectors = map[string][]int64{}
	id := uint64(0)
	add := func(folder uint64, name string, size int, runs ...ntfsimage.Run) {
		id++
		v.AddFile(folder, name, ntfsimage.Stream{Data: ntfsimage.Content(id, size), Runs: runs})
		for _, r := range runs {
			sectors[name] = append(sectors[name], v.At(r.LCN)/512, v.At(r.LCN)/512+r.Length*8-1)
		}
	}
	alone := v.AddFolder(ntfsimage.Root, "alone")
	add(ntfsimage.Root, "small", 4096, ntfsimage.Run{LCN: 1000, Length: 1})
	add(ntfsimage.Root, "next", 4096, ntfsimage.Run{LCN: 1001, Length: 1})
	add(ntfsimage.Root, "backward", 8192, ntfsimage.Run{LCN: 1010, Length: 1}, ntfsimage.Run{LCN: 1005, Length: 1})
	add(alone, "large", 6<<20, ntfsimage.Run{LCN: 1100, Length: 1536})
	add(ntfsimage.Root, "large backward", 4<<20, ntfsimage.Run{LCN: 3500, Length: 512}, ntfsimage.Run{LCN: 2800, Length: 512})
	add(ntfsimage.Root, "damaged", 8192, ntfsimage.Run{LCN: 1020, Length: 2})
	v.AddFile(ntfsimage.Root, "packed", ntfsimage.Stream{Size: 65536, Flags: 1, Unit: 4, Runs: []ntfsimage.Run{{LCN: 4100, Length: 1}, {LCN: -1, Length: 15}}})
	copy(v.Image[v.At(4100):], same(16, 'a'))
	sectors["packed"] = []int64{v.At(4100) / 512}
	v.Finish()
	image, m, result := filepath.Join(dir, "image"), filepath.Join(dir, "map.csv"), filepath.Join(dir, "result.jsonl")
	if err := os.WriteFile(image, v.Image, 0o644); err != nil {
		t.Fatal(err)
	}
	truthtest.WriteMap(t, m, int64(len(v.Image)), truthtest.Sectors(512, []int64{v.At(1020)/512 + 3}, imap.Failed))
	out, err := verify.Run(t.Context(), verify.Options{Image: image, Map: m, Result: result})
	if err != nil || out.Summary.Files.Intact != 6 || out.Summary.Files.Damaged != 1 {
		t.Fatalf("%v, %+v", err, out)
	}
	return v.Image, image, result, sectors
}

// files of a delivery, below its payload's branches.
func delivered(t *testing.T, to string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for p, what := range tree(t, to) {
		if name, ok := strings.CutPrefix(filepath.ToSlash(p), "data/"); ok {
			out[name] = what
		}
	}
	return out
}

// A file that the image file does not give is left out, with the reason and the
// place, and no other; nothing of it stands in the payload. An audit knows of
// it. The same in any number of threads.
func TestFaultsLeaveOut(t *testing.T) {
	dir := scratch(t)
	img, image, result, sectors := faultsBench(t, dir)
	whole := filepath.Join(dir, "whole")
	if _, err := delivery.Run(t.Context(), both(image, result, whole)); err != nil {
		t.Fatal(err)
	}
	n := 0
	for name, list := range sectors {
		for _, k := range list {
			var first map[string]string
			for _, threads := range []int{1, 3} {
				n++
				to := filepath.Join(dir, fmt.Sprint("to", n))
				o := both(image, result, to)
				o.Threads = threads
				got, err := delivery.RunThrough(t.Context(), o, &shaky{img: img, bad: map[int64]bool{k: true}})
				if err != nil {
					t.Fatalf("%s: %v", name, err)
				}
				if got.LeftOut != 1 || got.Files != 6 || got.Broken != 512 || got.Clean() {
					t.Errorf("%s: %+v", name, got)
				}
				rows := rowsOf(t, filepath.Join(to, "left-out.csv"))
				if len(rows) != 1 || !strings.HasSuffix("/"+rows[0][2], "/"+name) || !strings.HasPrefix(rows[0][3], "image file: ") ||
					!strings.Contains(rows[0][3], fmt.Sprintf("offset %d ", k*512)) {
					t.Errorf("%s: left out %q", name, rows)
				}
				want := delivered(t, whole)
				for p := range want {
					if strings.HasSuffix(p, "/"+name) || name == "large" && strings.HasSuffix(p, "/alone") || name == "damaged" && strings.HasPrefix(p, "damaged") {
						delete(want, p)
					}
				}
				if d := cmp.Diff(want, delivered(t, to)); d != "" {
					t.Errorf("%s: %s", name, d)
				}
				if all := tree(t, to); first == nil {
					first = all
				} else if d := cmp.Diff(first, all); d != "" {
					t.Errorf("%s: in another number of threads: %s", name, d)
				}
				checkBag(t, to)
				// what the run left out is taken on its word, unless the image gives it now
				for _, from := range []string{"", image} {
					rep, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: to, Result: result, Image: from})
					if err != nil || rep.Clean() != (from == "") {
						t.Errorf("%s: audit: %v, %+v", name, err, rep)
						continue
					}
					if from != "" && !slices.ContainsFunc(rep.Findings, func(f delivery.Finding) bool {
						return f.What == delivery.FoundMissing && strings.HasSuffix(f.Path, "/"+name) && strings.Contains(f.Why, "yet the image gives it")
					}) {
						t.Errorf("%s: audit: %+v", name, rep)
					}
				}
				os.RemoveAll(to)
			}
		}
	}
}

// A delivery that was cut off and met a fault is taken up: what was left out
// then is copied if it can be had now.
func TestFaultsTakenUp(t *testing.T) {
	dir := scratch(t)
	img, image, result, sectors := faultsBench(t, dir)
	for _, healed := range []bool{false, true} {
		to := filepath.Join(dir, fmt.Sprint("to", healed))
		ctx, cancel := context.WithCancel(t.Context())
		s := &shaky{img: img, bad: map[int64]bool{sectors["small"][0]: true, sectors["large"][1]: true}, last: sectors["packed"][0], at: cancel}
		if _, err := delivery.RunThrough(ctx, both(image, result, to), s); !errors.Is(err, context.Canceled) {
			t.Fatalf("not cut off: %v", err)
		}
		cancel()
		want := int64(2)
		if s.at = nil; healed {
			s.bad, want = nil, 0
		}
		got, err := delivery.RunThrough(t.Context(), both(image, result, to), s)
		if err != nil || got.LeftOut != want || got.Files != 7-want {
			t.Errorf("healed %v: %v, %+v", healed, err, got)
		}
		checkBag(t, to)
	}
}

// What was copied of an image that something wrote to is not delivered, whether
// that was noticed or the run was ended before: though the image is what it was
// by its size, its time and its identity when the delivery is taken up.
func TestCopiedFromChangedImage(t *testing.T) {
	dir := scratch(t)
	img, image, result, sectors := faultsBench(t, dir)
	whole := filepath.Join(dir, "whole")
	if _, err := delivery.Run(t.Context(), both(image, result, whole)); err != nil {
		t.Fatal(err)
	}
	want := tree(t, whole)
	st, err := os.Stat(image)
	if err != nil {
		t.Fatal(err)
	}
	put := func(t *testing.T, data []byte) {
		t.Helper()
		f, err := os.OpenFile(image, os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		_, err = f.WriteAt(data, 0)
		if err := errors.Join(err, f.Close(), os.Chtimes(image, time.Time{}, st.ModTime())); err != nil {
			t.Fatal(err)
		}
	}
	content := func(name string, k int64) []byte { // the image with one sector of a file changed
		b := bytes.Clone(img)
		b[sectors[name][k]*512+9] ^= 1
		return b
	}
	for _, name := range []string{"small", "backward", "large", "large backward", "packed"} {
		for k := range sectors[name] {
			for _, how := range []string{"noticed", "ended"} {
				t.Run(fmt.Sprint(name, k, how), func(t *testing.T) {
					to := filepath.Join(dir, fmt.Sprint("to ", name, k, how))
					ctx, cancel := context.WithCancel(t.Context())
					defer cancel()
					o := both(image, result, to)
					o.Threads = 1
					var once sync.Once
					o.Progress = func(p delivery.Progress) {
						if p.Step == "copying" && p.Done == p.Total {
							once.Do(func() {
								put(t, img)
								if how == "ended" {
									cancel()
								}
							})
						}
					}
					defer put(t, img)
					put(t, content(name, int64(k)))
					_, err := delivery.Run(ctx, o)
					if how == "ended" && !errors.Is(err, context.Canceled) || how == "noticed" && !errors.Is(err, imagefile.ErrChanged) {
						t.Fatalf("first run: %v", err)
					}
					got, err := delivery.Run(t.Context(), both(image, result, to))
					if err != nil {
						t.Fatal(err)
					}
					if d := cmp.Diff(want, tree(t, to)); d != "" {
						t.Error(d)
					}
					if how == "noticed" && got.Kept < 5 {
						t.Errorf("%d files are kept", got.Kept)
					}
				})
			}
		}
	}
}

// An image that changes while it is copied leaves no delivery; the next run
// makes it.
func TestImageChangesWhileCopied(t *testing.T) {
	dir := scratch(t)
	img, image, result, _ := faultsBench(t, dir)
	to := filepath.Join(dir, "to")
	o := both(image, result, to)
	var once sync.Once
	o.Progress = func(p delivery.Progress) {
		once.Do(func() {
			if err := os.Chtimes(image, time.Time{}, time.Unix(1e9, 0)); err != nil {
				t.Error(err)
			}
		})
	}
	_, err := delivery.Run(t.Context(), o)
	if _, ok := errors.AsType[*files.InputError](err); !ok || !errors.Is(err, imagefile.ErrChanged) {
		t.Fatalf("got %v", err)
	}
	if _, err := os.Stat(filepath.Join(to, "data")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("there is a payload: %v", err)
	}
	got, err := delivery.Run(t.Context(), both(image, result, to))
	if err != nil || got.Files != 7 {
		t.Errorf("taken up: %v, %+v", err, got)
	}
	checkBag(t, to)
	if b, err := os.ReadFile(image); err != nil || !bytes.Equal(b, img) {
		t.Errorf("the image changed: %v", err)
	}
}

// An audit says which files it could not hold to the image, and goes on.
func TestFaultsInAudit(t *testing.T) {
	dir := scratch(t)
	img, image, result, sectors := faultsBench(t, dir)
	to := filepath.Join(dir, "to")
	if _, err := delivery.Run(t.Context(), both(image, result, to)); err != nil {
		t.Fatal(err)
	}
	s := &shaky{img: img, bad: map[int64]bool{}}
	o := delivery.AuditOptions{Folder: to, Result: result, Image: image}
	if rep, err := delivery.AuditThrough(t.Context(), o, s); err != nil || !rep.Clean() {
		t.Fatalf("%v, %+v", err, rep)
	}
	for _, name := range []string{"small", "large", "packed", "damaged"} {
		s.bad[sectors[name][0]] = true
	}
	rep, err := delivery.AuditThrough(t.Context(), o, s)
	if err != nil || rep.Clean() || len(rep.Findings) != 4 {
		t.Fatalf("%v, %+v", err, rep)
	}
	for _, f := range rep.Findings {
		if f.What != delivery.FoundUnheld || !strings.Contains(f.Why, "image file") {
			t.Errorf("%+v", f)
		}
	}
}
