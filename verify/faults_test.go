package verify_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"fileassay/extract/fixture"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/verify"
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fileassay/verify/truthtest"
)

// shaky is an image file whose bad sectors cannot be read.
type shaky struct {
	img   []byte
	bad   map[int64]bool // by sector
	begun func()         // called where the first sector is asked for

	mu    sync.Mutex
	asked map[int64]int // how often each sector was, at all
}

var errDisk = errors.New("the disk gives no answer")

func (s *shaky) ReadAt(p []byte, off int64) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if off == 0 && s.begun != nil {
		s.begun()
	}
	end := min(off+int64(len(p)), int64(len(s.img)))
	for k := off / 512; k*512 < end; k++ {
		if s.asked != nil {
			s.asked[k]++
		}
		if s.bad[k] {
			return 0, errDisk
		}
	}
	return bytes.NewReader(s.img).ReadAt(p, off)
}

// faultsBench is an image with files whose content is kept in every way, and
// where the content of each lies, by sector.
func faultsBench(t testing.TB) (*bench, map[string][]int64) {
	var vol *ntfsimage.Volume
	packed := ntfsimage.Stream{Size: 64 << 10, Flags: 1, Unit: 4, Runs: []ntfsimage.Run{{LCN: 300, Length: 4}, {LCN: -1, Length: 12}}}
	plain := ntfsimage.Stream{Data: ntfsimage.Content(7, 3*4096), Runs: []ntfsimage.Run{{LCN: 340, Length: 1}, {LCN: 350, Length: 2}}}
	alone := ntfsimage.Stream{Data: ntfsimage.Content(8, 9<<20), Runs: []ntfsimage.Run{{LCN: 1000, Length: 9 << 20 / 4096}}}
	small := uint64(0)
	b := newBenchOf(t, ntfsimage.Params{Clusters: 4000}, func(v *ntfsimage.Volume) {
		vol = v
		v.AddFile(ntfsimage.Root, "packed.bmp", packed)
		v.Add(ntfsimage.File{Streams: []ntfsimage.Stream{plain}, Names: []ntfsimage.Name{
			{Parent: ntfsimage.Root, Text: "plain.tif", Space: ntfsimage.POSIX}, {Parent: ntfsimage.Root, Text: "also plain.tif", Space: ntfsimage.POSIX}}})
		v.AddFile(ntfsimage.Root, "large.mov", alone)
		small = v.AddFile(ntfsimage.Root, "small.txt", ntfsimage.Stream{Data: ntfsimage.Content(9, 200), Resident: true})
	})
	places := map[string][]int64{"small.txt": {vol.RecordAt(small) / 512}}
	for name, s := range map[string]ntfsimage.Stream{"packed.bmp": packed, "plain.tif": plain, "large.mov": alone} {
		for _, r := range s.Runs {
			for k := range r.Length * 8 {
				if r.LCN >= 0 {
					places[name] = append(places[name], vol.At(r.LCN)/512+k)
				}
			}
		}
	}
	return b, places
}

func verdicts(t testing.TB, path string) map[string]result.File {
	t.Helper()
	r, err := result.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	out := map[string]result.File{}
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		out[f.Path] = *f
	}
	return out
}

// Content is read again where that is asked for: each sector of it once, in
// order of place, and no other sector that is not between two of them.
func TestContentIsReadOnce(t *testing.T) {
	b, places := faultsBench(t)
	s := &shaky{img: b.img, asked: map[int64]int{}}
	if o, err := verify.RunThrough(t.Context(), b.Options, s); err != nil || !o.Clean() || o.Image.Content != "" {
		t.Fatalf("%v, %+v", err, o)
	}
	without := s.asked
	s.asked = map[int64]int{}
	b.Content, b.Force = verify.ContentRead, true
	if o, err := verify.RunThrough(t.Context(), b.Options, s); err != nil || !o.Clean() || o.Image.Content != "read" {
		t.Fatalf("%v, %+v", err, o)
	}
	for name, list := range places {
		for _, k := range list {
			if got := s.asked[k] - without[k]; got != 1 {
				t.Errorf("%s: sector %d was read %d times more than without", name, k, got)
			}
		}
	}
	for k, n := range s.asked {
		if n > without[k]+1 {
			t.Errorf("sector %d was read %d times, and %d without", k, n, without[k])
		}
	}
}

// What the image file does not give of content is failed in all that the result
// says, once content is read again.
func TestContentFaults(t *testing.T) {
	for _, tt := range []struct {
		name string
		hurt []string
		want map[string]int64 // failed bytes of content
		pick func(list []int64) []int64
	}{
		{"a sector", []string{"large.mov"}, map[string]int64{"large.mov": 512}, func(l []int64) []int64 { return l[5000:5001] }},
		{"the first and the last", []string{"large.mov"}, map[string]int64{"large.mov": 1024}, func(l []int64) []int64 { return []int64{l[0], l[len(l)-1]} }},
		{"of two names", []string{"plain.tif"}, map[string]int64{"plain.tif": 512, "also plain.tif": 512}, func(l []int64) []int64 { return l[9:10] }},
		{"of a unit", []string{"packed.bmp"}, map[string]int64{"packed.bmp": 64 << 10}, func(l []int64) []int64 { return l[30:31] }},
		{"all of several", []string{"plain.tif", "packed.bmp"}, map[string]int64{"plain.tif": 12288, "also plain.tif": 12288, "packed.bmp": 64 << 10}, slices.Clone[[]int64]},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b, places := faultsBench(t)
			s := &shaky{img: b.img, bad: map[int64]bool{}}
			for _, name := range tt.hurt {
				for _, k := range tt.pick(places[name]) {
					s.bad[k] = true
				}
			}
			b.Content = verify.ContentRead
			o, err := verify.RunThrough(t.Context(), b.Options, s)
			if err != nil {
				t.Fatal(err)
			}
			failed := int64(512 * len(s.bad))
			m := o.Image.Map
			if m.Failed != failed || m.Read+m.Doubtful+m.Failed+m.Skipped != b.size {
				t.Errorf("map %+v, want %d failed", m, failed)
			}
			if u := o.Summary.Unread; u.Total() != failed || u.Files.Failed != failed {
				t.Errorf("unread %+v, want %d failed", u, failed)
			}
			var broken int64
			for _, x := range o.Image.Broken {
				broken += x[1]
			}
			if broken != failed || o.Clean() || o.Summary.ListingComplete {
				t.Errorf("broken %v, clean %v, listing complete %v", o.Image.Broken, o.Clean(), o.Summary.ListingComplete)
			}
			var lines int64
			for name, f := range verdicts(t, b.Result) {
				if *f.Bytes.Failed != tt.want[name] || f.Verdict == result.Intact && tt.want[name] > 0 {
					t.Errorf("%s: %s, %d bytes failed, want %d", name, f.Verdict, *f.Bytes.Failed, tt.want[name])
				}
				lines += *f.Bytes.Failed
			}
			if o.Summary.Bytes.Failed != lines {
				t.Errorf("the lines have %d bytes failed, the summary %d", lines, o.Summary.Bytes.Failed)
			}
			b.leftovers(t, "r.jsonl")
		})
	}
}

// A fault of the image file that any pass noted, wherever it lies, is in all
// that the result says; and what it says is what it would say if the imaging
// map called those places failed, but for how complete the lists are.
func TestFaultsAreOfOneMap(t *testing.T) {
	b, _ := faultsBench(t)
	rnd := rand.New(rand.NewPCG(3, 4))
	found := 0
	for i := range 60 {
		s := &shaky{img: b.img, bad: map[int64]bool{}}
		for range 1 + rnd.IntN(6) {
			s.bad[rnd.Int64N(340*8)] = true // the structures, and content among them
		}
		b.Force, b.Content = true, []string{"", verify.ContentRead}[i%2]
		var first []byte
		for _, threads := range []int{1, 4} {
			b.Threads = threads
			o, err := verify.RunThrough(t.Context(), b.Options, s)
			if err != nil {
				t.Fatal(err)
			}
			raw, err := os.ReadFile(b.Result)
			if err != nil {
				t.Fatal(err)
			}
			if first != nil && !bytes.Equal(first, raw) {
				t.Fatal("another result in another number of threads")
			}
			first = raw
			var broken int64
			var bad []int64
			for _, x := range o.Image.Broken {
				broken += x[1]
				for k := x[0] / 512; k < (x[0]+x[1])/512; k++ {
					bad = append(bad, k)
				}
			}
			if o.Image.Map.Failed != broken || o.Summary.Unread.Total() != broken {
				t.Fatalf("broken %d, map %+v, unread %+v", broken, o.Image.Map, o.Summary.Unread)
			}
			if broken == 0 {
				if !o.Clean() {
					t.Fatal("not clean without a fault")
				}
				continue
			}
			found++
			if o.Clean() || o.Summary.ListingComplete || bytes.Contains(raw, []byte(`"complete":true`)) {
				t.Fatal("clean or complete with a fault")
			}
			have := verdicts(t, b.Result)
			known := b.Options
			known.Map, known.Result = filepath.Join(b.in, "known.csv"), filepath.Join(b.out, "known.jsonl")
			truthtest.WriteMap(t, known.Map, b.size, truthtest.Sectors(512, bad, imap.Failed))
			if _, err := verify.Run(t.Context(), known); err != nil {
				t.Fatal(err)
			}
			want := verdicts(t, known.Result)
			if len(have) != len(want) {
				t.Fatalf("%d lines, %d by a map", len(have), len(want))
			}
			for name, f := range have {
				if g := want[name]; fmt.Sprint(f.Verdict, f.Extents, f.Damage, f.Why) != fmt.Sprint(g.Verdict, g.Extents, g.Damage, g.Why) {
					t.Fatalf("%s: %+v, by a map %+v", name, f, g)
				}
			}
		}
	}
	if found < 30 {
		t.Errorf("only %d runs met a fault", found)
	}
}

// One large place that cannot be read is one fault, however the walk comes upon
// its sectors: the result is that of a map that calls all of it failed.
func TestLargeFault(t *testing.T) {
	home := fixture.Folder(t)
	images := map[string]string{"ntfs3-kernel": home, "hfsx-cs-1k": filepath.Join(home, "..", "extract", "hfsplus", "testdata")}
	if os.Getenv("FILEASSAY_TOOLS") == "1" { // larger images, which are no part of the repository
		for _, name := range []string{"v06-ext4-4k", "v07-ext4-1k", "v09-ext3-1k", "hfsplus-4k", "v01-ntfs-4k"} {
			images[name] = filepath.Join(home, "..", "..", "shared", "fixtures")
		}
	}
	for name, folder := range images {
		f := fixture.LoadFrom(t, folder, name)
		b := &bench{in: t.TempDir(), out: t.TempDir(), size: int64(len(f.Image)), img: f.Image}
		b.Image, b.Map, b.Result = filepath.Join(b.in, "drive.img"), filepath.Join(b.in, "map.csv"), filepath.Join(b.out, "r.jsonl")
		write(t, b.Image, string(f.Image))
		truthtest.WriteMap(t, b.Map, b.size, nil)
		b.Force, b.Content = true, verify.ContentRead
		rnd := rand.New(rand.NewPCG(5, 6))
		for range 6 {
			first, n := rnd.Int64N(b.size/512/4), 2048+rnd.Int64N(2048)
			s := &shaky{img: b.img, bad: map[int64]bool{}}
			for k := range n {
				s.bad[first+k] = true
			}
			o, err := verify.RunThrough(t.Context(), b.Options, s)
			if err != nil {
				t.Fatalf("%s, %d sectors from %d: %v", name, n, first, err)
			}
			if len(o.Image.Broken) > 0 && (o.Clean() || o.Summary.ListingComplete) {
				t.Errorf("%s, %d sectors from %d: clean or complete", name, n, first)
			}
			for _, x := range o.Image.Broken {
				if x[0] < first*512 || x[0]+x[1] > (first+n)*512 {
					t.Errorf("%s: %v is called broken, and only %d sectors from %d are", name, x, n, first)
				}
			}
		}
	}
}

// A read that gave every byte at last is told, and no fault.
func TestRetryIsNoFault(t *testing.T) {
	b, places := faultsBench(t)
	b.Content = verify.ContentRead
	s := &shaky{img: b.img, bad: map[int64]bool{places["large.mov"][77]: true}}
	o, err := verify.RunThrough(t.Context(), b.Options, &onceShaky{shaky: s})
	if err != nil || !o.Clean() || o.Image.Retried != 1 || o.Image.Broken != nil {
		t.Errorf("%v, %+v", err, o)
	}
}

// onceShaky gives what it did not the first time.
type onceShaky struct{ *shaky }

func (s *onceShaky) ReadAt(p []byte, off int64) (int, error) {
	n, err := s.shaky.ReadAt(p, off)
	if err != nil {
		clear(s.bad)
	}
	return n, err
}

// An image that fails in other places each time is no input.
func TestFaultsThatNeverSettle(t *testing.T) {
	const many = 2000
	var records []int64
	b := newBenchOf(t, ntfsimage.Params{Records: many + 100, Clusters: 2000}, func(v *ntfsimage.Volume) {
		for i := range many {
			n := v.AddFile(ntfsimage.Root, fmt.Sprintf("%04d", i), ntfsimage.Stream{Data: []byte("text"), Resident: true})
			records = append(records, v.RecordAt(n)/512)
		}
	})
	s := &shaky{img: b.img, bad: map[int64]bool{}}
	passes := 0
	s.begun = func() {
		s.bad[records[passes%many]] = true
		passes++
	}
	o, err := verify.RunThrough(t.Context(), b.Options, s)
	if _, ok := errors.AsType[*files.InputError](err); !ok || !strings.Contains(err.Error(), "copy it anew") {
		t.Errorf("after %d passes: %v, %+v", passes, err, o)
	}
	if passes < verify.MaxPasses || passes > 10*verify.MaxPasses {
		t.Errorf("began %d times", passes)
	}
	b.leftovers(t)
}

// An image that is cut short, written to or replaced while it is read gives no
// result.
func TestImageChangesMeanwhile(t *testing.T) {
	for name, change := range map[string]func(b *bench) error{
		"cut short": func(b *bench) error { return os.Truncate(b.Image, b.size/2) },
		"grown":     func(b *bench) error { return os.Truncate(b.Image, b.size+512) },
		"replaced": func(b *bench) error {
			return errors.Join(os.WriteFile(b.Image+"~", b.img, 0o600), os.Rename(b.Image+"~", b.Image))
		},
		"gone": func(b *bench) error { return os.Remove(b.Image) },
	} {
		for _, content := range []string{"", verify.ContentRead} {
			t.Run(name+content, func(t *testing.T) {
				b, _ := faultsBench(t)
				b.Content = content
				var once sync.Once
				b.Progress = func(string, int64, int64) {
					once.Do(func() {
						if err := change(b); err != nil {
							t.Error(err)
						}
					})
				}
				_, err := verify.Run(t.Context(), b.Options)
				if _, ok := errors.AsType[*files.InputError](err); !ok || !errors.Is(err, image.ErrChanged) {
					t.Errorf("got %v", err)
				}
				b.leftovers(t)
			})
		}
	}
}

// A layout of an image that gives errors is not clean either.
func TestLayoutFaults(t *testing.T) {
	b, _ := faultsBench(t)
	s := &shaky{img: b.img, bad: map[int64]bool{}}
	s.bad[0] = true // the boot sector; its copy tells where all is
	l, err := verify.LayoutThrough(t.Context(), b.Options, s)
	if err != nil || len(l.Image.Broken) != 1 || l.Image.Map.Failed != 512 || len(l.Volumes) != 1 {
		t.Fatalf("%v, %+v", err, l)
	}
	sound := verify.LayoutRecord{Volumes: []verify.VolumeLayout{{}}}
	if !sound.Clean() {
		t.Error("a sound layout is not clean")
	}
	if sound.Image.Broken = l.Image.Broken; sound.Clean() {
		t.Error("a layout of an image that gives errors is clean")
	}
}

func TestContentMode(t *testing.T) {
	b, _ := faultsBench(t)
	b.Content = "all"
	if _, err := verify.Run(context.Background(), b.Options); err == nil || !strings.Contains(err.Error(), `"all"`) {
		t.Errorf("got %v", err)
	}
	b.leftovers(t)
}
