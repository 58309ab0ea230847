package ext

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract"

	"golang.org/x/sys/unix"
)

// oddities fills a folder with all that a driver can make and that looks
// unlike a plain file.
func oddities(t *testing.T, dir string) {
	t.Helper()
	rnd := rand.New(rand.NewPCG(7, 7))
	noise := func(n int) []byte {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rnd.Uint32())
		}
		return b
	}
	ok := func(err error) {
		t.Helper()
		if err != nil && !errors.Is(err, unix.EOPNOTSUPP) { // block maps cannot all of it
			t.Fatal(err)
		}
	}
	change := func(name string, do func(f *os.File) error) {
		t.Helper()
		f, err := os.OpenFile(filepath.Join(dir, name), os.O_RDWR|os.O_CREATE, 0o644)
		if err != nil {
			t.Fatal(err)
		}
		ok(do(f))
		ok(f.Sync())
		ok(f.Close())
	}
	reserve := func(mode uint32, at, n int64) func(f *os.File) error {
		return func(f *os.File) error { return unix.Fallocate(int(f.Fd()), mode, at, n) }
	}
	for i := range 60 {
		write(t, filepath.Join(dir, fmt.Sprintf("Plots/%d/count %d.obs", i%7, i)), noise(rnd.IntN(1<<rnd.IntN(18))))
	}
	for _, name := range []string{"reserved behind", "reserved", "punched", "collapsed", "zeroed", "cut", "grown", "cut and reserved"} {
		write(t, filepath.Join(dir, name), noise(600_000))
	}
	change("reserved behind", reserve(unix.FALLOC_FL_KEEP_SIZE, 600_000, 900_000))
	change("reserved", reserve(0, 700_000, 300_000))
	change("only reserved", reserve(unix.FALLOC_FL_KEEP_SIZE, 0, 200_000))
	change("punched", reserve(unix.FALLOC_FL_PUNCH_HOLE|unix.FALLOC_FL_KEEP_SIZE, 5000, 300_001))
	change("punched", reserve(unix.FALLOC_FL_PUNCH_HOLE|unix.FALLOC_FL_KEEP_SIZE, 0, 65536))
	if f, err := os.OpenFile(filepath.Join(dir, "collapsed"), os.O_RDWR, 0); err == nil {
		_ = unix.Fallocate(int(f.Fd()), unix.FALLOC_FL_COLLAPSE_RANGE, 65536, 65536) // not where clusters are larger
		f.Close()
	}
	change("zeroed", reserve(unix.FALLOC_FL_ZERO_RANGE, 3000, 400_000))
	change("zeroed", reserve(unix.FALLOC_FL_ZERO_RANGE|unix.FALLOC_FL_KEEP_SIZE, 500_000, 400_000))
	change("cut", func(f *os.File) error { return f.Truncate(123_456) })
	change("cut", func(f *os.File) error { return f.Truncate(65_536) })
	change("cut and reserved", reserve(unix.FALLOC_FL_KEEP_SIZE, 500_000, 500_000))
	change("cut and reserved", func(f *os.File) error { return f.Truncate(70_000) })
	change("grown", func(f *os.File) error { return f.Truncate(9_000_000) })
	change("only hole", func(f *os.File) error { return f.Truncate(1 << 30) })
	change("far", func(f *os.File) error {
		for _, at := range []int64{0, 70_000, 5 << 20, 1 << 30, 3 << 30} {
			if _, err := f.WriteAt(noise(5000), at); err != nil {
				return err
			}
		}
		return nil
	})
	change("strewn", func(f *os.File) error { // a tree of several levels
		for i := range int64(900) {
			if _, err := f.WriteAt(noise(700), i*131072); err != nil {
				return err
			}
			if i%300 == 0 {
				ok(f.Sync())
			}
		}
		return nil
	})
	change("strewn", func(f *os.File) error { return f.Truncate(700*131072 + 5) })
	change("strewn", reserve(unix.FALLOC_FL_PUNCH_HOLE|unix.FALLOC_FL_KEEP_SIZE, 100*131072, 300*131072))
	for _, n := range []int{1, 59, 60, 61, 300, 900} {
		ok(os.Symlink(strings.Repeat("x", n), filepath.Join(dir, fmt.Sprintf("link %d", n))))
	}
	for i := range 5 {
		ok(os.Link(filepath.Join(dir, "grown"), filepath.Join(dir, fmt.Sprintf("Plots/%d/grown", i))))
	}
	ok(unix.Mkfifo(filepath.Join(dir, "fifo"), 0o600))
	ok(unix.Mknod(filepath.Join(dir, "device"), unix.S_IFBLK|0o600, 0x701))
	ok(unix.Mknod(filepath.Join(dir, "socket"), unix.S_IFSOCK|0o600, 0))
	for i := range 1500 {
		write(t, filepath.Join(dir, fmt.Sprintf("Many/a long name of the sheet with the number %d", i)), nil)
	}
	for i := range 40 {
		ok(os.MkdirAll(filepath.Join(dir, fmt.Sprintf("Deep/%d/below", i)), 0o755))
	}
	for i, n := range []int{10, 100, 700, 2000, 3500} {
		for _, kind := range []string{"file", "folder", "link"} {
			p := filepath.Join(dir, fmt.Sprintf("with attributes %s %d", kind, i))
			switch kind {
			case "file":
				write(t, p, noise(40*i*i))
			case "folder":
				ok(os.Mkdir(p, 0o755))
			default:
				ok(os.Symlink(strings.Repeat("y", 20*(i+1)), p))
			}
			name := "user.survey"
			if kind == "link" {
				name = "trusted.survey"
			}
			_ = unix.Lsetxattr(p, name, bytes.Repeat([]byte{7}, n), 0) // not where there is no room for it
		}
	}
	for i := range 600 {
		ok(os.Remove(filepath.Join(dir, fmt.Sprintf("Many/a long name of the sheet with the number %d", 2*i))))
	}
}

// TestSound holds that nothing is doubted on volumes that are as their drivers
// left them, whatever features they have, and on those that were in use when
// the power went.
func TestSound(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	volumes := []struct {
		name, size, mount string
		args              []string
	}{
		{"ext2", "64M", "loop", []string{"-t", "ext2", "-b", "1024"}},
		{"ext2 of revision 0", "64M", "loop", []string{"-t", "ext2", "-b", "1024", "-r", "0"}},
		{"ext3", "64M", "loop", []string{"-t", "ext3", "-b", "4096"}},
		{"ext3 of 1 KiB", "64M", "loop", []string{"-t", "ext3", "-b", "1024"}},
		{"ext4 of 1 KiB", "64M", "loop", []string{"-b", "1024"}},
		{"ext4", "600M", "loop", nil},
		{"lazy groups", "3G", "loop", []string{"-E", "lazy_itable_init=1"}},
		{"group checksums alone", "600M", "loop", []string{"-O", "^metadata_csum,uninit_bg", "-b", "1024"}},
		{"without checksums", "300M", "loop", []string{"-O", "^metadata_csum,^uninit_bg,^64bit"}},
		{"large clusters", "300M", "loop", []string{"-O", "bigalloc", "-C", "65536"}},
		{"large clusters of 1 KiB", "300M", "loop", []string{"-O", "bigalloc", "-b", "1024", "-C", "8192"}},
		{"in the inode", "100M", "loop", []string{"-O", "inline_data", "-I", "512"}},
		{"attributes in inodes", "100M", "loop", []string{"-O", "ea_inode,inline_data", "-I", "256"}},
		{"attributes in inodes, large clusters", "100M", "loop", []string{"-O", "ea_inode,bigalloc", "-I", "256"}},
		{"list of orphans in a file", "100M", "loop", []string{"-O", "orphan_file"}},
		{"groups of descriptors", "300M", "loop", []string{"-O", "meta_bg,^resize_inode", "-b", "1024"}},
		{"two copies", "300M", "loop", []string{"-O", "sparse_super2,^resize_inode", "-b", "1024"}},
		{"no flex", "300M", "loop", []string{"-O", "^flex_bg,^resize_inode"}},
		{"mmp", "100M", "loop", []string{"-O", "mmp"}},
		{"large files and folders", "100M", "loop", []string{"-O", "large_dir,verity"}},
		{"inodes of 128 bytes", "64M", "loop", []string{"-I", "128", "-b", "2048"}},
		{"encrypted", "64M", "loop,test_dummy_encryption=v2", []string{"-O", "encrypt"}},
		{"data in the journal", "64M", "loop,data=journal", nil},
		{"no delayed allocation", "64M", "loop,nodelalloc", []string{"-b", "1024"}},
		{"no kinds of files", "64M", "loop", []string{"-O", "^filetype"}},
	}
	for _, x := range volumes {
		t.Run(x.name, func(t *testing.T) {
			var open []*os.File
			var live string
			img := made(t, x.size, x.args, x.mount, func(dir string) {
				oddities(t, dir)
				// files that are open without a name, and one that is being cut
				for i := range 4 {
					p := filepath.Join(dir, fmt.Sprintf("open %d", i))
					write(t, p, bytes.Repeat([]byte{1}, 90_000*i))
					f, err := os.Open(p)
					if err != nil {
						t.Fatal(err)
					}
					open = append(open, f)
					if err := os.Remove(p); err != nil {
						t.Fatal(err)
					}
				}
				unix.Sync()
				live = filepath.Join(t.TempDir(), "live")
				loop := strings.TrimSpace(tool(t, "findmnt", "-n", "-o", "SOURCE", dir))
				tool(t, "sh", "-c", `sync; blockdev --flushbufs "$0"; cp --sparse=always "$0" "$1"`, loop, live)
				for _, f := range open {
					f.Close()
				}
			})
			undoubted(t, "clean", img)
			if x.args == nil || x.args[0] != "-t" || x.args[1] != "ext2" {
				undoubted(t, "in use", live)
			}
		})
	}
}

// TestSoundCopied is TestSound for volumes that mke2fs fills itself, with features
// that not every kernel mounts.
func TestSoundCopied(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	src := t.TempDir()
	oddities(t, src)
	tool(t, "sh", "-c", `rm -rf "$0"/with*[34] "$0"/"link 900"`, src) // what mke2fs has no room for
	for _, args := range [][]string{
		{"-O", "quota,project", "-E", "quotatype=usrquota:grpquota:prjquota"},
		{"-O", "casefold", "-E", "encoding=utf8"},
		{"-O", "bigalloc", "-C", "32768"},
		{"-O", "inline_data", "-b", "1024"},
		{"-b", "65536"},
		{"-O", "stable_inodes,metadata_csum_seed", "-b", "2048"},
		{"-t", "ext3"},
	} {
		img := filepath.Join(t.TempDir(), "volume")
		tool(t, "truncate", "-s", "400M", img)
		kind := "ext4"
		if args[0] == "-t" {
			kind, args = args[1], args[2:]
		}
		tool(t, "mke2fs", append(append([]string{"-q", "-F", "-t", kind}, args...), "-d", src, img)...)
		undoubted(t, fmt.Sprint(args), img)
	}
}

// undoubted reports what is doubted of a volume that was read whole.
func undoubted(t *testing.T, what, img string) {
	t.Helper()
	v, files := walk(t, opened(t, img), extract.Options{})
	for _, why := range v.listing.Why {
		if !strings.Contains(why, "were being deleted") {
			t.Errorf("%s: %s", what, why)
		}
	}
	if l := v.listing; !l.Complete || l.UnclaimedBytes != 0 || len(files) < 1000 {
		t.Errorf("%s: %d files, listing %+v", what, len(files), l)
	}
	told := 0
	for _, f := range files {
		bad := f.RecordUnread || f.EntriesUnread || f.NameOnly
		for _, p := range f.Pieces {
			bad = bad || p.Kind == extract.Unlocated
		}
		if told++; bad && told < 2000 {
			t.Errorf("%s: %q is doubted: %q", what, f.Path, f.Why)
		}
	}
}

// TestManyFolders lists a folder that holds more folders than its inode counts.
func TestManyFolders(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	img := made(t, "700M", []string{"-b", "1024", "-N", "80000", "-I", "128"}, "loop,noatime", func(dir string) {
		for i := range 65_100 {
			if err := os.MkdirAll(filepath.Join(dir, fmt.Sprintf("all/%d", i)), 0o755); err != nil {
				t.Fatal(err)
			}
		}
	})
	undoubted(t, "clean", img)
}
