package ext

import (
	"crypto/sha256"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/deeptest"

	"github.com/diskfs/go-diskfs/backend/file"
	"github.com/diskfs/go-diskfs/filesystem/ext4"
	"github.com/google/go-cmp/cmp"
)

// tool runs a tool that the test needs: that it is missing is a failure.
func tool(t testing.TB, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v: %s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// mounted mounts a volume and returns the folder. It needs root.
func mounted(t testing.TB, img string, options string) (dir string, done func()) {
	t.Helper()
	dir = t.TempDir()
	tool(t, "mount", "-o", options, img, dir)
	return dir, func() { tool(t, "umount", dir) }
}

// age fills a mounted volume with files that grow in turn, are deleted, and
// give their room to others.
func age(t testing.TB, dir string, seed uint64) {
	t.Helper()
	rnd := rand.New(rand.NewPCG(seed, 1))
	paths := make([]string, 160)
	for i := range paths {
		paths[i] = filepath.Join(dir, fmt.Sprintf("shelf %d/box %d/sheet %03d.dat", i%5, i%11, i))
		if err := os.MkdirAll(filepath.Dir(paths[i]), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for range 900 {
		p := paths[rnd.IntN(len(paths))]
		switch rnd.IntN(9) {
		case 0:
			_ = os.Remove(p) // it may not be there
			continue
		case 1:
			_ = os.Truncate(p, rnd.Int64N(200_000)) // nor here
			continue
		}
		f, err := os.OpenFile(p, os.O_CREATE|os.O_WRONLY, 0o644)
		if err != nil {
			t.Fatal(err)
		}
		b := make([]byte, 1+rnd.IntN(9000))
		for i := range b {
			b[i] = byte(rnd.Uint32())
		}
		if _, err := f.WriteAt(b, rnd.Int64N(300_000)); err != nil {
			t.Fatal(err)
		}
		if rnd.IntN(3) == 0 {
			if err := f.Sync(); err != nil {
				t.Fatal(err)
			}
		}
		f.Close()
	}
	// room that is set aside and not written
	tool(t, "fallocate", "-l", "100000", filepath.Join(dir, "set aside"))
}

var extentLine = regexp.MustCompile(`^ *\d+: *(\d+)\.\. *\d+: *(\d+)\.\. *\d+: *(\d+):(.*)$`)

// kernelExtents asks the kernel (FIEMAP) where a file's content lies.
func kernelExtents(t testing.TB, path string, size int64) []extract.Extent {
	t.Helper()
	var out []extract.Extent
	for l := range strings.Lines(tool(t, "filefrag", "-v", "-b512", path)) {
		m := extentLine.FindStringSubmatch(strings.TrimRight(l, "\n"))
		if m == nil || strings.Contains(m[4], "unwritten") {
			continue
		}
		var v [3]int64
		for i := range v {
			v[i], _ = strconv.ParseInt(m[i+1], 10, 64)
			v[i] *= 512
		}
		if v[2] = min(v[2], size-v[0]); v[2] > 0 {
			out = append(out, extract.Extent{Offset: v[0], Image: v[1], Length: v[2]})
		}
	}
	return join(out)
}

func join(in []extract.Extent) []extract.Extent {
	slices.SortFunc(in, func(a, b extract.Extent) int { return int(a.Offset - b.Offset) })
	var out []extract.Extent
	for _, e := range in {
		if n := len(out); n > 0 && out[n-1].Offset+out[n-1].Length == e.Offset && out[n-1].Image+out[n-1].Length == e.Image {
			out[n-1].Length += e.Length
			continue
		}
		out = append(out, e)
	}
	return out
}

// TestKernel makes aged volumes and holds every content and every place
// against what the kernel's driver gives. It runs where FILEASSAY_TOOLS=1 and
// needs root.
func TestKernel(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	for i, args := range [][]string{
		{"-t", "ext4", "-b", "4096"},
		{"-t", "ext4", "-b", "1024", "-O", "^metadata_csum,uninit_bg"},
		{"-t", "ext4", "-b", "2048", "-O", "bigalloc", "-C", "16384"},
		{"-t", "ext3", "-b", "1024"},
		{"-t", "ext2", "-b", "4096", "-I", "128"},
	} {
		t.Run(strings.Join(args, " "), func(t *testing.T) {
			img := filepath.Join(t.TempDir(), "volume")
			tool(t, "truncate", "-s", "48M", img)
			tool(t, "mke2fs", append([]string{"-q", "-F"}, append(args, img)...)...)
			dir, done := mounted(t, img, "loop")
			func() {
				defer done()
				// ext2 and ext3 set nothing aside
				if args[1] == "ext4" {
					age(t, dir, uint64(i))
				} else {
					tool(t, "sh", "-c", "for i in $(seq 60); do for f in a b c; do head -c $((i*37)) /dev/urandom >> '"+dir+"/'$f; done; sync; done")
					tool(t, "dd", "if=/dev/urandom", "of="+dir+"/far", "bs=1000", "count=40", "seek=9000")
				}
			}()
			b, err := os.ReadFile(img)
			if err != nil {
				t.Fatal(err)
			}
			r := reader(t, b)
			v, files := walk(t, r, extract.Options{})
			if l := v.listing; !l.Complete || l.UnclaimedBytes != 0 || len(l.Why) > 0 {
				t.Errorf("listing %+v", l)
			}
			byPath := map[string]*extract.File{}
			for _, f := range files {
				byPath[f.Path] = f
			}
			dir, done = mounted(t, img, "loop,ro")
			defer done()
			count := 0
			err = filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
				if err != nil || !d.Type().IsRegular() {
					return err
				}
				count++
				rel, _ := filepath.Rel(dir, p)
				f := byPath[rel]
				if f == nil {
					t.Errorf("%s is missing", rel)
					return nil
				}
				want, err := os.ReadFile(p)
				if err != nil {
					return err
				}
				got, ok := readContent(r, f)
				if !ok || sha256.Sum256(got) != sha256.Sum256(want) {
					t.Errorf("%s: whole %v, %d bytes of %d, content differs", rel, ok, len(got), len(want))
				}
				st, err := d.Info()
				if err == nil && st.Mode().IsRegular() && f.Executable != (st.Mode()&0o100 != 0) {
					t.Errorf("%s: executable %v, kernel %v", rel, f.Executable, st.Mode())
				}
				if err != nil || !st.ModTime().Equal(f.Modified) {
					t.Errorf("%s: modified %v, kernel %v, %v", rel, f.Modified, st.ModTime(), err)
				}
				var places []extract.Extent
				for _, x := range f.Pieces {
					if x.Kind == extract.Data {
						places = append(places, extract.Extent{Offset: x.Offset, Image: x.Image, Length: x.Length})
					}
				}
				if diff := cmp.Diff(kernelExtents(t, p, f.Size), join(places)); diff != "" {
					t.Errorf("%s (-kernel +here):\n%s", rel, diff)
				}
				return nil
			})
			if err != nil || count < 4 {
				t.Errorf("%d files, %v", count, err)
			}
		})
	}
}

// TestDiskfs holds what lies in one piece against another reader, as far as
// that reads it.
func TestDiskfs(t *testing.T) {
	for _, name := range []string{"ext4-1k", "ext4-super2"} {
		img := unpack(t, name)
		path := filepath.Join(t.TempDir(), "volume")
		if err := os.WriteFile(path, img, 0o644); err != nil {
			t.Fatal(err)
		}
		h, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer h.Close()
		other, err := ext4.Read(file.New(h, true), int64(len(img)), 0, 512)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		r := reader(t, img)
		_, files := walk(t, r, extract.Options{})
		count := 0
		for _, f := range files {
			if f.Kind != extract.KindFile || len(f.Pieces) != 1 || f.Pieces[0].Kind != extract.Data {
				continue
			}
			got, ok := readContent(r, f)
			want, err := other.ReadFile(f.Path)
			if err != nil || !ok || sha256.Sum256(got) != sha256.Sum256(want) {
				t.Errorf("%s: %s: %d bytes here, %d there, %v", name, f.Path, len(got), len(want), err)
			}
			count++
		}
		if count < 100 {
			t.Errorf("%s: only %d files were compared", name, count)
		}
	}
}

// TestDeep lists a chain of folders deeper than a path can be, made by debugfs.
func TestDeep(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	const folders = 2500
	dir := t.TempDir()
	img, script := filepath.Join(dir, "deep.img"), filepath.Join(dir, "script")
	tool(t, "mke2fs", "-q", "-F", "-t", "ext4", "-b", "1024", "-N", "4000", img, "16M")
	orders := "rmdir lost+found\n" + strings.Repeat("mkdir d\ncd d\n", folders) + "write " + script + " bottom\n"
	if err := os.WriteFile(script, []byte(orders), 0o600); err != nil {
		t.Fatal(err)
	}
	tool(t, "debugfs", "-w", "-f", script, img)
	b, err := os.ReadFile(img)
	if err != nil {
		t.Fatal(err)
	}
	v, err := Open(t.Context(), reader(t, b), 0, 0, extract.Options{Threads: 2})
	if err != nil {
		t.Fatal(err)
	}
	if deep, want := deeptest.List(t, v, 1, folders), folders+1-deeptest.Shown("d"); deep != want {
		t.Errorf("%d entries do not show their whole path, want %d", deep, want)
	}
}
