package ext

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"
)

// made makes a volume with mke2fs, fills it through the kernel's driver and
// gives its path.
func made(t testing.TB, size string, args []string, options string, fill func(dir string)) string {
	t.Helper()
	img := filepath.Join(t.TempDir(), "volume")
	tool(t, "truncate", "-s", size, img)
	kind := "ext4"
	if len(args) > 1 && args[0] == "-t" {
		kind, args = args[1], args[2:]
	}
	tool(t, "mke2fs", append([]string{"-q", "-F", "-t", kind}, append(args, img)...)...)
	dir, done := mounted(t, img, options)
	defer done()
	fill(dir)
	return img
}

func write(t testing.TB, path string, b []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
}

func data(places []extract.Piece) []extract.Extent {
	var out []extract.Extent
	for _, x := range places {
		if x.Kind == extract.Data {
			out = append(out, extract.Extent{Offset: x.Offset, Image: x.Image, Length: x.Length})
		}
	}
	return join(out)
}

// TestEncrypted holds a volume that the kernel encrypted (its own option for
// tests, which makes a key of its own) against what the kernel lists of it
// without that key: inode, kind, size, time, and where the content lies.
func TestEncrypted(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	img := made(t, "32M", []string{"-O", "encrypt"}, "loop,test_dummy_encryption=v2", func(dir string) {
		for i := range 40 {
			write(t, filepath.Join(dir, fmt.Sprintf("Letters/year %d/to the owner of plot %d.txt", i%3, i)), bytes.Repeat([]byte{byte(i)}, i*i*40))
		}
		if err := os.Symlink("year 1", filepath.Join(dir, "Letters/last")); err != nil {
			t.Fatal(err)
		}
		if err := os.Link(filepath.Join(dir, "Letters/year 0/to the owner of plot 3.txt"), filepath.Join(dir, "Letters/third")); err != nil {
			t.Fatal(err)
		}
	})
	b, err := os.ReadFile(img)
	if err != nil {
		t.Fatal(err)
	}
	r := reader(t, b)
	v, files := walk(t, r, extract.Options{})
	if l := v.listing; !l.Complete || l.UnclaimedBytes != 0 {
		t.Errorf("listing %+v", l)
	}
	names := map[uint64]int{}
	by := map[uint64]*extract.File{}
	for _, f := range files {
		names[f.ID]++
		by[f.ID] = f
	}
	// with the key the kernel tells where the content lies
	dir, done := mounted(t, img, "loop,ro,test_dummy_encryption=v2")
	err = filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		st, err := d.Info()
		if err != nil {
			return err
		}
		f := by[st.Sys().(*syscall.Stat_t).Ino]
		if f == nil {
			t.Errorf("%s is missing", p)
			return nil
		}
		if diff := cmp.Diff(kernelExtents(t, p, f.Size), data(f.Pieces)); diff != "" {
			t.Errorf("%s (-kernel +here):\n%s", p, diff)
		}
		return nil
	})
	done()
	if err != nil {
		t.Fatal(err)
	}
	dir, done = mounted(t, img, "loop,ro")
	defer done()
	count := 0
	err = filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || p == dir {
			return err
		}
		st, err := d.Info()
		if err != nil {
			return err
		}
		count++
		number := st.Sys().(*syscall.Stat_t).Ino
		names[number]--
		f := by[number]
		rel, _ := filepath.Rel(dir, p)
		deep := strings.HasPrefix(rel, "Letters/")
		switch {
		case f == nil:
			t.Errorf("inode %d is missing", number)
		case d.IsDir():
			if f.Kind != extract.KindFolder || deep && !strings.Contains(strings.Join(f.Why, "\n"), "encrypted") {
				t.Errorf("%s: %+v", rel, f)
			}
		case d.Type()&fs.ModeSymlink != 0:
			if f.Kind != extract.KindLink || f.Stored != extract.StoredEncrypted || f.Target != "" {
				t.Errorf("%s: %+v", rel, f)
			}
		default:
			if f.Kind != extract.KindFile || f.Stored != extract.StoredEncrypted || f.Size != st.Size() || !f.Modified.Equal(st.ModTime()) {
				t.Errorf("%s: %+v", rel, f)
			}
		}
		if strings.Count(rel, "/") > 0 && f != nil && f.NameBytes == nil && len(filepath.Base(f.Path)) < 16 {
			t.Errorf("%s: its name %q is not an encrypted one", rel, f.Path)
		}
		return nil
	})
	if err != nil || count < 45 {
		t.Errorf("%d entries, %v", count, err)
	}
	for n, k := range names {
		if k != 0 {
			t.Errorf("inode %d has %d names more here than for the kernel", n, k)
		}
	}
}

// sameTree holds a volume against the files below a folder.
func sameTree(t *testing.T, img, dir string) {
	t.Helper()
	r := opened(t, img)
	v, files := walk(t, r, extract.Options{})
	if l := v.listing; !l.Complete || l.UnclaimedBytes != 0 || len(l.Why) > 0 {
		t.Errorf("listing %+v", l)
	}
	var got, want []string
	for _, f := range files {
		if f.Path != "lost+found" {
			got = append(got, line(r, f))
		}
	}
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		rel, _ := filepath.Rel(dir, p)
		switch {
		case err != nil || p == dir || rel == "lost+found":
		case d.IsDir():
			want = append(want, "/ "+rel)
		default:
			var b []byte
			if b, err = os.ReadFile(p); err == nil {
				want = append(want, fmt.Sprintf("%x %d %s", sha256.Sum256(b), len(b), rel))
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(got)
	slices.Sort(want)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("files (-there +here):\n%s", diff)
	}
}

// opened reads an image file that was read whole.
func opened(t testing.TB, path string) *image.Reader {
	t.Helper()
	size, err := image.Size(path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := image.Open(path, imap.All(size), image.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// TestCaseFolded lists folders that ignore case, whose indexes e2fsck makes
// from folded names. The kernel here may not know them, so mke2fs fills the
// volume and debugfs marks the folders (EXT4_CASEFOLD_FL).
func TestCaseFolded(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	src := t.TempDir()
	for i := range 900 {
		write(t, filepath.Join(src, fmt.Sprintf("Hedges/Blatt Nr. %03d über die Weißdorne.TXT", i)), []byte(fmt.Sprint("sheet ", i)))
	}
	write(t, filepath.Join(src, "Hedges/Inner/ÄRGER.txt"), []byte("one"))
	img := filepath.Join(t.TempDir(), "volume")
	tool(t, "truncate", "-s", "16M", img)
	tool(t, "mke2fs", "-q", "-F", "-t", "ext4", "-b", "1024", "-O", "casefold", "-E", "encoding=utf8", "-d", src, img)
	tool(t, "debugfs", "-w", "-R", `sif "/Hedges" flags 0x40080000`, img)
	tool(t, "debugfs", "-w", "-R", `sif "/Hedges/Inner" flags 0x40080000`, img)
	fsck(t, img)
	if out := tool(t, "debugfs", "-R", `stat "/Hedges"`, img); !strings.Contains(out, "Flags: 0x40081000") {
		t.Fatalf("the folder is not case-folded and indexed: %s", out)
	}
	sameTree(t, img, src)
}

// fsck checks a volume and rebuilds the indexes of its folders. It ends with 1
// where it changed something.
func fsck(t testing.TB, img string) {
	t.Helper()
	tool(t, "sh", "-c", `e2fsck -f -y -D "$0"; test $? -le 1`, img)
}

// TestAttributeInodes reads files whose attributes are so large that their
// values have inodes of their own, which count as the files' blocks, beside
// content in the inode and in blocks.
func TestAttributeInodes(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	img := made(t, "32M", []string{"-I", "512", "-O", "ea_inode,inline_data"}, "loop", func(dir string) {
		for i, size := range []int{0, 20, 100, 300, 5000, 200_000} {
			for k, value := range []int{0, 30, 3000, 60_000} {
				p := filepath.Join(dir, fmt.Sprintf("file %d with %d", i, k))
				write(t, p, bytes.Repeat([]byte{byte(16*i + k + 1)}, size))
				if value == 0 {
					continue
				}
				// half of them share a value, and so its inode
				if err := unix.Setxattr(p, "user.survey", bytes.Repeat([]byte{byte(i % 2)}, value), 0); err != nil {
					t.Fatal(err)
				}
			}
		}
	})
	dir, done := mounted(t, img, "loop,ro")
	defer done()
	r := opened(t, img)
	v, _ := walk(t, r, extract.Options{})
	values := 0
	for _, c := range v.chunks(false) {
		v.readChunk(c, func(_ uint32, rec *record) {
			if rec.state == recordLive && rec.Flags&inodeEAInode != 0 {
				values++
			}
		})
	}
	if values < 2 {
		t.Fatalf("%d values have inodes of their own", values)
	}
	sameTree(t, img, dir)
}

var indirectLevels2 = regexp.MustCompile(`Indirect levels: 2`)

// TestDeepIndex lists a folder whose index has three levels, whole and with
// the blocks of its index unread, which hold no names.
func TestDeepIndex(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	const count = 60_000
	img := made(t, "256M", []string{"-b", "1024", "-N", "70000", "-O", "large_dir", "-I", "128"}, "loop,noatime", func(dir string) {
		long := strings.Repeat("of the long northern hedge ", 9)
		for i := range count {
			write(t, filepath.Join(dir, fmt.Sprintf("Sheets/%06d %s", i, long)), nil)
		}
	})
	if out := tool(t, "debugfs", "-R", "htree_dump /Sheets", img); !indirectLevels2.MatchString(out[:min(len(out), 2000)]) {
		t.Fatalf("the index has not three levels: %s", out[:min(len(out), 2000)])
	}
	dir, done := mounted(t, img, "loop,ro")
	sameTree(t, img, dir)
	done()

	b, err := os.ReadFile(img)
	if err != nil {
		t.Fatal(err)
	}
	r := reader(t, b)
	v, files := walk(t, r, extract.Options{})
	i := slices.IndexFunc(files, func(f *extract.File) bool { return f.Path == "Sheets" })
	rec := v.readInode(uint32(files[i].ID))
	m := newMapper(v.layout).mapInode(&rec.inode)
	var unread []imap.Range
	for _, x := range m.Runs {
		for k := range x.Length {
			at := v.span(x.Physical+k, 1)
			if checkDirBlock(&v.sb, rec.Seed, b[at.Start:at.End]) == blockIndex {
				unread = append(unread, imap.Range{Start: at.Start, Length: v.bs, State: imap.Failed})
			}
		}
	}
	if len(unread) < 100 {
		t.Fatalf("%d blocks of index", len(unread))
	}
	v, files = walk(t, reader(t, b, unread...), extract.Options{})
	named := 0
	for _, f := range files {
		if strings.HasPrefix(f.Path, "Sheets/") && f.Kind == extract.KindFile && !f.NameOnly {
			named++
		}
	}
	if l := v.listing; named != count || l.Complete || l.UnnamedFiles != 0 {
		t.Errorf("%d of %d named with the index unread, listing %+v", named, count, l)
	}
}
