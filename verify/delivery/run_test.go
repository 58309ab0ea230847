package delivery_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract/fixture"
	"fileassay/verify/delivery"
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
	"fileassay/verify/truthtest"
)

// asExtract in the environment makes the test binary a run of its own, so that
// it can be killed. It holds image, result and folder, a line each.
const asExtract = "FILEASSAY_TEST_AS_EXTRACT"

func TestMain(m *testing.M) {
	if args := strings.Split(os.Getenv(asExtract), "\n"); len(args) == 3 {
		_, err := delivery.Run(context.Background(), both(args[0], args[1], args[2]))
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(4)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func both(image, from, to string) delivery.Options {
	return delivery.Options{Image: image, Result: from, To: to,
		Selection: delivery.Selection{Verdicts: []result.Verdict{result.Intact, result.Damaged}}}
}

// scratch is a folder for deliveries, in memory where the system has a place
// for that: every delivery waits until all of it is on the disk, and the disk
// may be busy.
func scratch(tb testing.TB) string {
	tb.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "fileassay-test-")
	if err != nil {
		return tb.TempDir()
	}
	tb.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// tree is all that stands in a folder, by path: content and time, or where a
// link leads.
func tree(tb testing.TB, dir string) map[string]string {
	tb.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(dir, p)
		st, err := e.Info()
		if err != nil {
			return err
		}
		switch {
		case e.Type()&fs.ModeSymlink != 0:
			to, err := os.Readlink(p)
			out[rel] = "to " + to
			return err
		case e.IsDir():
			out[rel] = "folder"
		case strings.HasPrefix(filepath.ToSlash(rel), "data/"):
			out[rel] = fmt.Sprintf("%s %d", digest(tb, p), st.ModTime().UnixNano())
		default:
			out[rel] = digest(tb, p)
		}
		return nil
	})
	if err != nil {
		tb.Fatal(err)
	}
	return out
}

// verified is a fixture on disk, damaged, with its result.
func verified(t *testing.T, name string) (image, result string) {
	t.Helper()
	f := fixture.Load(t, name)
	d := truthtest.NewDrive(t, f)
	for _, p := range truthtest.Profiles() {
		if p.Name == "content" {
			d.Verify(t, p.Unread(f, rand.New(rand.NewPCG(9, 9))), 2)
		}
	}
	return d.Path, filepath.Join(filepath.Dir(d.Path), "result.jsonl")
}

// many is an image of 8 MiB with n files, small ones and larger ones, some in
// several pieces, some damaged, and its result.
func many(tb testing.TB, dir string, n int) (image, result string) {
	tb.Helper()
	const size = 8 << 20
	rnd := rand.New(rand.NewPCG(7, 7))
	img := make([]byte, size)
	for i := range img {
		img[i] = byte(rnd.Uint32())
	}
	image, result = filepath.Join(dir, "image"), filepath.Join(dir, "result.jsonl")
	if err := os.WriteFile(image, img, 0o644); err != nil {
		tb.Fatal(err)
	}
	var lines []map[string]any
	for i := range n {
		pieces, length := 1+rnd.IntN(4), int64(512*(1+rnd.IntN(40)))
		if i%100 == 0 {
			pieces, length = 12, 512*300
		}
		var extents [][3]int64
		var damage [][]any
		verdict := "intact"
		off := int64(0)
		for range pieces {
			extents = append(extents, [3]int64{off, rnd.Int64N((size-length)/512) * 512, length})
			off += length
			if rnd.IntN(5) == 0 {
				off += 8192 // a hole
			}
		}
		if i%7 == 0 && pieces > 1 {
			verdict, damage = "damaged", [][]any{{512, extents[0][1] + 512, length - 512, "failed"}}
		}
		lines = append(lines, map[string]any{"path": fmt.Sprintf("folder %d/file %d", i%9, i), "size": off, "extents": extents, "verdict": verdict, "damage": damage,
			"modified": "2019-04-02T09:12:44.5Z"})
	}
	writeResult(tb, result, size, lines)
	return image, result
}

// A run that is killed at any moment is taken up by the next, and ends with
// the same folder as one that was left alone. FILEASSAY_TOOLS=1 kills a
// hundred runs, otherwise ten; each folder is left alone after a few kills.
func TestKilled(t *testing.T) {
	const perFolder = 4
	dir := scratch(t)
	image, result := many(t, dir, 600)
	// run reports whether it was killed before it came to its end: some time after its start or, with begun, after a part
	// of its folder stands there.
	run := func(to string, after time.Duration, begun bool) bool {
		c := exec.Command(os.Args[0])
		c.Env = append(os.Environ(), asExtract+"="+image+"\n"+result+"\n"+to)
		var said bytes.Buffer
		c.Stderr = &said
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		ended := make(chan struct{})
		go func() {
			for begun && !partial(to) {
				select {
				case <-ended:
					return
				case <-time.After(time.Millisecond):
				}
			}
			select {
			case <-ended:
			case <-time.After(after):
				c.Process.Kill()
			}
		}()
		err := c.Wait()
		close(ended)
		if err == nil {
			return false
		}
		if s, ok := c.ProcessState.Sys().(syscall.WaitStatus); ok && s.Signaled() {
			return true
		}
		if _, serr := os.Stat(filepath.Join(to, "bagit.txt")); serr != nil || !strings.Contains(said.String(), "holds a finished delivery") {
			t.Fatalf("%v: %s", err, &said)
		}
		return false // the one before it was killed after all was done
	}
	const alone = time.Hour
	began := time.Now()
	run(filepath.Join(dir, "whole"), alone, false)
	took := time.Since(began)
	want := tree(t, filepath.Join(dir, "whole"))
	kills := 10
	if testing.Short() {
		kills = 3
	}
	if os.Getenv("FILEASSAY_TOOLS") == "1" {
		kills = 100
	}
	rnd := rand.New(rand.NewPCG(uint64(kills), 3))
	killed, amid := 0, 0 // amid: when a part of the folder stood there
	for folder := 0; killed < kills || amid == 0; folder++ {
		if folder > 20*kills {
			t.Fatalf("only %d runs could be killed before their end, %d of them amid their work", killed, amid)
		}
		to := filepath.Join(dir, fmt.Sprint("to", folder))
		for i := range perFolder {
			if !run(to, time.Duration(rnd.Int64N(int64(took))), i%2 == 1) {
				break
			}
			killed++
			if partial(to) {
				amid++
			}
		}
		if run(to, alone, false) {
			t.Fatal("a run that was left alone was killed")
		}
		if d := cmp.Diff(want, tree(t, to)); d != "" {
			t.Fatalf("after %d kills: %s", killed, d)
		}
		os.RemoveAll(to)
	}
	t.Logf("%d runs were killed, %d of them amid their work", killed, amid)
}

// partial reports whether a delivery that was begun and not ended stands in the folder to.
func partial(to string) bool {
	_, err := os.Stat(filepath.Join(to, "data.partial"))
	return err == nil
}

// What a run that was cut off left behind is trusted only as far as it is
// proved.
func TestTakenUp(t *testing.T) {
	image, result := verified(t, "v01-ntfs-4k")
	dir := scratch(t)
	whole := filepath.Join(dir, "whole")
	o := both(image, result, whole)
	if _, err := delivery.Run(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	want := tree(t, whole)
	to := filepath.Join(dir, "cut")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	cut := both(image, result, to)
	cut.Progress = func(p delivery.Progress) {
		if p.Files > 500 {
			cancel()
		}
	}
	if _, err := delivery.Run(ctx, cut); !errors.Is(err, context.Canceled) {
		t.Fatalf("not cut off: %v", err)
	}
	// a finished file changes, another loses its end, one that is not known comes
	var done []string
	filepath.WalkDir(filepath.Join(to, "data.partial"), func(p string, e fs.DirEntry, err error) error {
		if st, serr := os.Stat(p); err == nil && serr == nil && st.Mode().IsRegular() && st.Size() > 100 {
			done = append(done, p)
		}
		return err
	})
	if len(done) < 10 {
		t.Fatalf("%d files were done", len(done))
	}
	b, err := os.ReadFile(done[3])
	if err != nil {
		t.Fatal(err)
	}
	b[50] ^= 1
	old := time.Unix(1e9, 0) // of a file that is kept
	if err := errors.Join(os.WriteFile(done[3], b, 0o644), os.Truncate(done[7], 99), os.Chtimes(done[5], old, old)); err != nil {
		t.Fatal(err)
	}
	stray := filepath.Join(to, "data.partial", "intact", "notes.txt")
	if err := os.WriteFile(stray, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	var out *files.OutputError
	if _, err := delivery.Run(t.Context(), both(image, result, to)); !errors.As(err, &out) || !strings.Contains(err.Error(), "notes.txt") {
		t.Fatalf("a stray file is not told of: %v", err)
	}
	if err := os.Remove(stray); err != nil {
		t.Fatal(err)
	}
	other := both(image, result, to)
	other.Filler = []byte{1}
	if _, err := delivery.Run(t.Context(), other); !errors.As(err, &out) || !strings.Contains(err.Error(), "asked for otherwise") {
		t.Fatalf("other arguments go on with it: %v", err)
	}
	rest, err := delivery.Run(t.Context(), both(image, result, to))
	if err != nil {
		t.Fatal(err)
	}
	if rest.Kept < 100 {
		t.Errorf("only %d files were kept", rest.Kept)
	}
	if d := cmp.Diff(want, tree(t, to)); d != "" {
		t.Error(d)
	}
	if st, err := os.Stat(strings.Replace(done[5], "data.partial", "data", 1)); err != nil || st.ModTime().Equal(old) {
		t.Errorf("%v: a file that is kept has a time of its own", err)
	}
	if _, err := delivery.Run(t.Context(), both(image, result, to)); !errors.As(err, &out) {
		t.Errorf("a finished delivery is begun again: %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "full"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := delivery.Run(t.Context(), both(image, result, dir)); !errors.As(err, &out) || !strings.Contains(err.Error(), "not empty") {
		t.Errorf("a folder with files in it: %v", err)
	}
}

// The same delivery in any number of threads.
func TestThreads(t *testing.T) {
	image, result := verified(t, "v01-ntfs-4k")
	var want map[string]string
	for _, n := range []int{1, 2, 5} {
		o := both(image, result, filepath.Join(scratch(t), "to"))
		o.Threads = n
		if _, err := delivery.Run(t.Context(), o); err != nil {
			t.Fatal(err)
		}
		got := tree(t, o.To)
		if want != nil {
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("%d threads: %s", n, d)
			}
		}
		want = got
	}
}

// An image that is not the one of the result is refused.
func TestOtherImage(t *testing.T) {
	image, res := verified(t, "v01-ntfs-4k")
	b, err := os.ReadFile(image)
	if err != nil {
		t.Fatal(err)
	}
	dir := scratch(t)
	for name, change := range map[string]func([]byte) []byte{
		"longer": func(b []byte) []byte { return append(b, make([]byte, 512)...) },
		"boot":   func(b []byte) []byte { b[100]++; return b },
	} {
		other := filepath.Join(dir, name)
		if err := os.WriteFile(other, change(bytes.Clone(b)), 0o644); err != nil {
			t.Fatal(err)
		}
		to := filepath.Join(dir, "to-"+name)
		_, err := delivery.Run(t.Context(), both(other, res, to))
		var in *files.InputError
		if !errors.As(err, &in) || !errors.Is(err, result.ErrOtherImage) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := os.Stat(to); err == nil {
			t.Errorf("%s: a folder was made", name)
		}
	}
}

// writeResult writes a result of an image of size bytes. What lies where another
// file is damaged is damaged too.
func writeResult(tb testing.TB, path string, size int64, lines []map[string]any) {
	tb.Helper()
	m := resulttest.Made{Image: result.Image{Path: "x", Size: size}, Volumes: []result.Volume{{Length: size, Filesystem: "ext4",
		Listing: result.Listing{Complete: true}, Proof: &result.Proof{}}}}
	var plain []*result.File
	for i, l := range lines {
		f := fileOf(tb, l)
		f.ID = uint64(i)
		m.Files = append(m.Files, f)
		if f.Stored == "" && !slices.ContainsFunc(f.Damage, func(d result.Damage) bool { return d.Image < 0 }) {
			plain = append(plain, f)
		}
	}
	m.Fill()
	for _, f := range plain {
		f.Damage, f.Bytes, f.Verdict = nil, result.NullBytes{}, ""
	}
	m.Write(tb, path)
}

// fileOf is a file of the fields of its line: one of 5 bytes, where they do not
// tell.
func fileOf(tb testing.TB, line map[string]any) *result.File {
	tb.Helper()
	f := &result.File{Size: resulttest.Num(5), Extents: [][3]int64{{0, 512, 5}}}
	for name, v := range line {
		switch name {
		case "path":
			f.Path = v.(string)
		case "kind":
			f.Kind = v.(string)
		case "target":
			f.Target = v.(string)
		case "stored":
			f.Stored = v.(string)
		case "modified":
			f.Modified = v.(string)
		case "executable":
			f.Runs = v.(bool)
		case "verdict":
			f.Verdict = result.Verdict(v.(string))
		case "extents":
			f.Extents = v.([][3]int64)
		case "size":
			switch n := v.(type) {
			case int:
				f.Size = resulttest.Num(int64(n))
			case int64:
				f.Size = &n
			}
		case "damage":
			for _, d := range v.([][]any) {
				f.Damage = append(f.Damage, result.Damage{Offset: whole(d[0]), Image: whole(d[1]), Length: whole(d[2]), What: d[3].(string)})
			}
		case "packing":
			p := v.(map[string]any)
			f.Packing = result.Packing{Method: p["method"].(string), Unit: whole(p["unit"]), Units: p["units"].([][]int64)}
		default:
			tb.Fatalf("field %q", name)
		}
	}
	return f
}

// whole is a number of a line; -1 for null.
func whole(v any) int64 {
	switch n := v.(type) {
	case int:
		return int64(n)
	case int64:
		return n
	}
	return -1
}

// Nothing that a result can say reaches out of the folder, and every line ends
// as a file or in the list of what was left out.
func TestHostileResult(t *testing.T) {
	dir := scratch(t)
	image, result := filepath.Join(dir, "in", "image"), filepath.Join(dir, "in", "result.jsonl")
	if err := os.Mkdir(filepath.Dir(image), 0o755); err != nil {
		t.Fatal(err)
	}
	img := bytes.Repeat([]byte("words of a file. "), 1000)
	if err := os.WriteFile(image, img, 0o644); err != nil {
		t.Fatal(err)
	}
	long := strings.Repeat("deep/", 2000)
	var lines []map[string]any
	for _, p := range []string{"../../escaped", "/etc/escaped", "a/../../escaped", "CON", "con.txt", "dir/NUL", "COM1", "x\x00y", "a\nb", "100%", "..", ".", "/", "//", "a//b",
		"end.", "end ", `back\slash`, "C:/escaped", "C:escaped", `\\server\share\escaped`, "file:stream", long + "f", strings.Repeat("n", 5000), "\u202etxt.exe", "data", "bagit.txt", "a", "a/b", "A/B", "?/3/x"} {
		lines = append(lines, map[string]any{"path": p})
	}
	for i := range 10000 {
		b := []byte("photograph.jpg")
		for k := range b {
			if i>>k&1 == 1 && b[k] >= 'a' {
				b[k] -= 'a' - 'A'
			}
		}
		lines = append(lines, map[string]any{"path": "same/" + string(b)})
	}
	lines = append(lines,
		map[string]any{"path": "huge hole", "size": int64(1) << 62, "extents": [][3]int64{}},
		map[string]any{"path": "huge damage", "verdict": "damaged", "size": int64(1) << 62, "damage": [][]any{{5, nil, int64(1)<<62 - 5, "unlocated"}}},
		map[string]any{"path": "no packing", "stored": "compressed", "extents": [][3]int64{{0, 0, 4096}}},
		map[string]any{"path": "packing", "size": 4096, "stored": "compressed", "extents": [][3]int64{{0, 0, 512}}, "packing": map[string]any{"method": "lznt1", "unit": 1 << 50, "units": [][]int64{{0, 512}}}},
		map[string]any{"path": "unknown", "size": 5, "stored": "compressed", "extents": [][3]int64{{0, 0, 5}}, "packing": map[string]any{"method": "none", "unit": 5, "units": [][]int64{{0, 5}}}},
		map[string]any{"path": "no lznt1", "size": 4096, "stored": "compressed", "extents": [][3]int64{{0, 0, 512}}, "packing": map[string]any{"method": "lznt1", "unit": 65536, "units": [][]int64{{0, 512}}}},
		map[string]any{"path": "link out", "kind": "link", "target": "../../../escaped", "extents": [][3]int64{}},
		map[string]any{"path": "link abs", "kind": "link", "target": "/etc/passwd", "extents": [][3]int64{}},
		map[string]any{"path": "link in", "kind": "link", "target": "same/photograph.jpg", "extents": [][3]int64{}},
	)
	writeResult(t, result, int64(len(img)), lines)
	to := filepath.Join(dir, "out", "to")
	out, err := delivery.Run(t.Context(), both(image, result, to))
	if err != nil {
		t.Fatal(err)
	}
	if n := out.Files + out.LeftOut + out.Links; n != int64(len(lines)) {
		t.Errorf("%d files, %d left out and %d links, of %d lines", out.Files, out.LeftOut, out.Links, len(lines))
	}
	if out.Links != 1 || out.LeftOut < 8 || out.Files < 10030 {
		t.Errorf("%+v", out)
	}
	checkBag(t, to)
	for _, where := range []string{dir, filepath.Join(dir, "out")} {
		entries, err := os.ReadDir(where)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			if e.Name() != "in" && e.Name() != "out" && e.Name() != "to" {
				t.Errorf("%s stands outside the delivery", filepath.Join(where, e.Name()))
			}
		}
	}
	folded := map[string]string{}
	for p := range tree(t, to) {
		low := strings.ToLower(p)
		if folded[low] != "" {
			t.Errorf("%s and %s are one on many targets", p, folded[low])
		}
		folded[low] = p
		for name := range strings.SplitSeq(filepath.ToSlash(p), "/") {
			if len(name) > 255 || strings.ContainsAny(name, ":*?\"<>|\\") || strings.HasSuffix(name, " ") || len(name) > 1 && strings.HasSuffix(name, ".") {
				t.Errorf("%q is not safe", name)
			}
		}
	}
	rep, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: to, Result: result, Image: image})
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range rep.Findings {
		if i < 5 && !f.Note {
			t.Errorf("audit: %+v", f)
		}
	}
}

// A result that names impossible places is refused before anything is made.
func TestImpossibleResult(t *testing.T) {
	dir := scratch(t)
	image, made := filepath.Join(dir, "image"), filepath.Join(dir, "result.jsonl")
	if err := os.WriteFile(image, make([]byte, 4096), 0o644); err != nil {
		t.Fatal(err)
	}
	for name, line := range map[string]map[string]any{
		"negative":     {"path": "a", "size": -7},
		"past the end": {"path": "a", "extents": [][3]int64{{0, int64(1) << 40, 5}}},
		"overflow":     {"path": "a", "extents": [][3]int64{{1<<63 - 1, 1<<63 - 1, 1<<63 - 1}}},
		"below":        {"path": "a", "extents": [][3]int64{{-5, -5, 5}}},
		"overlap":      {"path": "a", "size": 10, "extents": [][3]int64{{0, 0, 8}, {2, 512, 8}, {4, 0, 1}}},
		"no name":      {"path": ""},
	} {
		writeResult(t, made, 4096, []map[string]any{line})
		to := filepath.Join(dir, "to")
		_, err := delivery.Run(t.Context(), both(image, made, to))
		if in := (*files.InputError)(nil); !errors.As(err, &in) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := os.Stat(to); err == nil {
			t.Errorf("%s: a folder was made", name)
		}
	}
}

// Of the old permissions a program keeps that it is one.
func TestExecutable(t *testing.T) {
	dir := scratch(t)
	image, result, to := filepath.Join(dir, "image"), filepath.Join(dir, "result.jsonl"), filepath.Join(dir, "to")
	if err := os.WriteFile(image, make([]byte, 4096), 0o644); err != nil {
		t.Fatal(err)
	}
	writeResult(t, result, 4096, []map[string]any{{"path": "tool.sh", "executable": true}, {"path": "letter.txt"}})
	if _, err := delivery.Run(t.Context(), both(image, result, to)); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]fs.FileMode{"tool.sh": 0o100, "letter.txt": 0} {
		st, err := os.Stat(filepath.Join(to, "data", "intact", "volume-1", name))
		if err != nil {
			t.Fatal(err)
		}
		if got := st.Mode() & 0o100; runtime.GOOS != "windows" && got != want {
			t.Errorf("%s has mode %v", name, st.Mode())
		}
	}
}
