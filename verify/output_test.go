package verify_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract/imap"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/verify"
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fileassay/verify/truthtest"
)

// bench is a folder with a small image and its map, and one for outputs.
type bench struct {
	verify.Options
	in, out string
	size    int64
	img     []byte
}

func newBench(t testing.TB, edit func(v *ntfsimage.Volume)) *bench {
	t.Helper()
	return newBenchOf(t, ntfsimage.Params{}, edit)
}

func newBenchOf(t testing.TB, p ntfsimage.Params, edit func(v *ntfsimage.Volume)) *bench {
	t.Helper()
	v := ntfsimage.New(p)
	v.AddFile(ntfsimage.Root, "plate.tif", ntfsimage.Stream{Data: ntfsimage.Content(1, 9000)})
	if edit != nil {
		edit(v)
	}
	v.Finish()
	b := &bench{in: t.TempDir(), out: t.TempDir(), size: int64(len(v.Image)), img: v.Image}
	b.Image, b.Map, b.Result = filepath.Join(b.in, "drive.img"), filepath.Join(b.in, "map.csv"), filepath.Join(b.out, "r.jsonl")
	write(t, b.Image, string(v.Image))
	truthtest.WriteMap(t, b.Map, b.size, nil)
	return b
}

func write(t testing.TB, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// leftovers fails the test for anything in the output folder but the names.
func (b *bench) leftovers(t *testing.T, names ...string) {
	t.Helper()
	list, err := os.ReadDir(b.out)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range list {
		got = append(got, e.Name())
	}
	if strings.Join(got, " ") != strings.Join(names, " ") {
		t.Errorf("the folder holds %q, not %q", got, names)
	}
}

func TestRunWritesOneFile(t *testing.T) {
	b := newBench(t, nil)
	o, err := verify.Run(t.Context(), b.Options)
	if err != nil {
		t.Fatal(err)
	}
	b.leftovers(t, "r.jsonl")
	r := truthtest.Read(t, b.Result)
	if len(r.Files) != 1 || r.Files[0].Path != "plate.tif" || r.Files[0].Verdict != result.Intact || !o.Clean() {
		t.Errorf("%+v", r.Files)
	}
	if st, err := os.Stat(b.Result); err != nil || st.Mode().Perm() != 0o644 {
		t.Errorf("%v, %v", st.Mode(), err)
	}
	if img, err := os.ReadFile(b.Image); err != nil || string(img) != string(b.img) {
		t.Errorf("the image changed: %v", err)
	}
}

func TestRunOutputs(t *testing.T) {
	for _, tt := range []struct {
		name  string
		set   func(t *testing.T, b *bench)
		cause error // of an OutputError; nil is any
		good  bool
		left  []string
	}{
		{name: "exists", set: func(t *testing.T, b *bench) { write(t, b.Result, "old") }, cause: files.ErrExists, left: []string{"r.jsonl"}},
		{name: "exists, forced", set: func(t *testing.T, b *bench) { write(t, b.Result, "old"); b.Force = true }, good: true, left: []string{"r.jsonl"}},
		{name: "a folder", set: func(t *testing.T, b *bench) {
			if err := os.Mkdir(b.Result, 0o700); err != nil {
				t.Fatal(err)
			}
			b.Force = true
		}, left: []string{"r.jsonl"}},
		{name: "the image", set: func(t *testing.T, b *bench) { b.Result, b.Force = b.Image, true }},
		{name: "the map", set: func(t *testing.T, b *bench) { b.Result, b.Force = b.Map, true }},
		{name: "a link to the image", set: func(t *testing.T, b *bench) {
			if err := os.Symlink(b.Image, b.Result); err != nil {
				t.Fatal(err)
			}
			b.Force = true
		}, left: []string{"r.jsonl"}},
		{name: "another name of the image", set: func(t *testing.T, b *bench) {
			b.Result = filepath.Join(b.in, "also.img")
			if err := os.Link(b.Image, b.Result); err != nil {
				t.Fatal(err)
			}
			b.Force = true
		}},
		{name: "below a file", set: func(t *testing.T, b *bench) { b.Result = filepath.Join(b.Image, "r.jsonl") }},
		{name: "no such folder", set: func(t *testing.T, b *bench) { b.Result = filepath.Join(b.out, "none", "r.jsonl") }},
		{name: "a device", set: func(t *testing.T, b *bench) { b.Result, b.Force = os.DevNull, true }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, nil)
			tt.set(t, b)
			o, err := verify.Run(t.Context(), b.Options)
			b.leftovers(t, tt.left...)
			if img, rerr := os.ReadFile(b.Image); rerr != nil || string(img) != string(b.img) {
				t.Errorf("the image changed: %v", rerr)
			}
			if tt.good {
				if err != nil || o == nil {
					t.Fatal(err)
				}
				truthtest.Read(t, b.Result)
				return
			}
			var out *files.OutputError
			if !errors.As(err, &out) || out.Path != b.Result || tt.cause != nil && !errors.Is(err, tt.cause) {
				t.Errorf("error %v", err)
			}
			if old, rerr := os.ReadFile(b.Result); tt.name == "exists" && (rerr != nil || string(old) != "old") {
				t.Errorf("the old result is %q, %v", old, rerr)
			}
		})
	}
}

func TestRunInputs(t *testing.T) {
	for _, tt := range []struct {
		name string
		set  func(t *testing.T, b *bench)
		want string
	}{
		{"no map", func(t *testing.T, b *bench) { b.Map = "" }, "--assume-read"},
		{"map and claim", func(t *testing.T, b *bench) { b.AssumeRead = true }, "give one"},
		{"no image", func(t *testing.T, b *bench) { b.Image += ".none" }, "no such file"},
		{"image is a folder", func(t *testing.T, b *bench) { b.Image = b.in }, "is a folder"},
		{"empty image", func(t *testing.T, b *bench) { write(t, b.Image, "") }, "is empty"},
		{"no such map", func(t *testing.T, b *bench) { b.Map += ".none" }, "no such file"},
		{"map of another form", func(t *testing.T, b *bench) { write(t, b.Map, "hello\n") }, "map.csv"},
		{"map with an overlap", func(t *testing.T, b *bench) { write(t, b.Map, "start,length,state\n0,1024,read\n512,1024,failed\n") }, "overlap"},
		{"map longer than the image", func(t *testing.T, b *bench) { truthtest.WriteMap(t, b.Map, b.size*2, nil) }, "map.csv"},
		{"drive smaller than the image", func(t *testing.T, b *bench) { b.DriveSize = b.size - 512 }, "more than the drive size"},
		{"odd sectors", func(t *testing.T, b *bench) { b.Sector = 500 }, "sector size"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, nil)
			tt.set(t, b)
			_, err := verify.Run(t.Context(), b.Options)
			var in *files.InputError
			if !errors.As(err, &in) || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("error %v", err)
			}
			b.leftovers(t)
		})
	}
}

// A run that is cancelled leaves nothing, whenever that is, and the next one
// begins anew.
func TestRunCancelled(t *testing.T) {
	b := newBench(t, func(v *ntfsimage.Volume) {
		for i := range 30 {
			v.AddFile(ntfsimage.Root, fmt.Sprintf("sheet %d", i), ntfsimage.Stream{Data: []byte("1"), Resident: true})
		}
	})
	for after := range 12 {
		ctx, cancel := context.WithCancel(t.Context())
		o := b.Options
		n := 0
		o.Threads = 1
		o.Progress = func(string, int64, int64) {
			if n == after {
				cancel()
			}
			n++
		}
		if after == 0 {
			cancel()
		}
		_, err := verify.Run(ctx, o)
		if err == nil && n > after {
			// cancelled behind its last step: the result is whole
			truthtest.Read(t, b.Result)
			if err := os.Remove(b.Result); err != nil {
				t.Fatal(err)
			}
		} else if err == nil {
			cancel()
			break // fewer steps than that
		} else if !errors.Is(err, context.Canceled) {
			t.Fatalf("after %d steps: error %v", after, err)
		}
		b.leftovers(t)
		cancel()
	}
	os.Remove(b.Result)
	if _, err := verify.Run(t.Context(), b.Options); err != nil {
		t.Fatal(err)
	}
	b.leftovers(t, "r.jsonl")
}

// Sectors past the image's end were never imaged: skipped.
func TestDriveSize(t *testing.T) {
	b := newBench(t, func(v *ntfsimage.Volume) {
		v.AddFile(ntfsimage.Root, "far.tif", ntfsimage.Stream{Data: ntfsimage.Content(2, 20000), Runs: []ntfsimage.Run{{LCN: v.P.Clusters - 10, Length: 5}}})
	})
	cut := b.size * 3 / 4 / 4096 * 4096
	write(t, b.Image, string(b.img[:cut]))
	for _, known := range []bool{true, false} {
		o := b.Options
		o.Force = true
		if known {
			o.DriveSize = b.size
		} else {
			truthtest.WriteMap(t, b.Map, cut, nil)
		}
		out, err := verify.Run(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		r := truthtest.Read(t, b.Result)
		far := r.Files[1]
		if far.Path != "far.tif" || far.Verdict != result.Lost || *far.Bytes.Skipped != 20000 || r.Files[0].Verdict != result.Intact {
			t.Errorf("%+v", r.Files)
		}
		if known && (r.Image.Size != cut || r.Image.DriveSize != b.size || r.Image.Map.Skipped != b.size-cut) {
			t.Errorf("%+v", r.Image)
		}
		if !known && !strings.Contains(strings.Join(r.Volumes[0].Notes, " "), "cut short") {
			t.Errorf("no note says that the image is cut: %q, %+v", r.Image.Notes, r.Volumes[0])
		}
		if out.Clean() {
			t.Error("clean")
		}
	}
}

// Doubtful sectors are unread ones, unless they are trusted.
func TestTrustDoubtful(t *testing.T) {
	b := newBench(t, nil)
	doubtful := []imap.Range{{Start: 0, Length: b.size, State: imap.Doubtful}}
	truthtest.WriteMap(t, b.Map, b.size, doubtful)
	o := b.Options
	out, err := verify.Run(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if n := out.Summary.Files.Total(); n != 0 || out.Summary.ListingComplete {
		t.Errorf("%d files", n)
	}
	o.TrustDoubtful, o.Force = true, true
	if out, err = verify.Run(t.Context(), o); err != nil || !out.Clean() || out.Summary.Files.Intact != 1 {
		t.Errorf("%+v, %v", out, err)
	}
	if m := out.Image.Map; !m.TrustDoubtful || m.Doubtful != b.size {
		t.Errorf("%+v", m)
	}
}

func TestResultName(t *testing.T) {
	for in, want := range map[string]string{"/a/b/drive.img": "drive.result.jsonl", "drive": "drive.result.jsonl", "x.tar.gz": "x.tar.result.jsonl"} {
		if got := verify.ResultName(in); got != want {
			t.Errorf("%s: %s", in, got)
		}
	}
}

// layout tells of structures what verify would make of them.
func TestLayout(t *testing.T) {
	b := newBenchOf(t, ntfsimage.Params{ForTools: true, Clusters: 1024}, nil)
	l, err := verify.Layout(t.Context(), b.Options)
	if err != nil || !l.Clean() {
		t.Errorf("%+v, %v", l, err)
	}
	truthtest.WriteMap(t, b.Map, b.size, []imap.Range{{Start: 0, Length: 512, State: imap.Failed}})
	l, err = verify.Layout(t.Context(), b.Options)
	if err != nil || l.Clean() {
		t.Errorf("%+v, %v", l, err)
	}
	b.leftovers(t)
}
