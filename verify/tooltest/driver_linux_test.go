package tooltest

import (
	"crypto/sha256"
	"encoding/hex"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"

	"fileassay/extract"
	"fileassay/verify/result"
)

// entry is what both sides say of a name on a volume.
type entry struct {
	ID       uint64 // number of its file record
	Kind     string
	Size     int64
	SHA256   string // of plain content; "" for all else
	Modified string
}

// driverEntries reads every name of a mounted volume, streams too.
func driverEntries(t *testing.T, root string) map[string]entry {
	t.Helper()
	out := map[string]entry{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || path == root {
			return err
		}
		info, err := os.Lstat(path)
		if err != nil {
			return err
		}
		name, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		name = shown(name)
		e := entry{ID: info.Sys().(*syscall.Stat_t).Ino, Modified: info.ModTime().UTC().Format(time.RFC3339Nano)}
		switch {
		case d.IsDir():
			e.Kind = string(extract.KindFolder)
		case info.Mode()&fs.ModeSymlink != 0:
			e.Kind = string(extract.KindLink)
		default:
			e.Kind = string(extract.KindFile)
			e.Size, e.SHA256 = hashed(t, path)
		}
		out[name] = e
		for _, s := range streams(t, path) {
			e := entry{ID: e.ID, Kind: string(extract.KindStream), Modified: e.Modified}
			e.Size, e.SHA256 = hashed(t, path+":"+s)
			out[name+":"+shown(s)] = e
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// shown is a path as a result shows it: names that are not valid or hostile
// are escaped. The driver gives unpaired surrogates as bytes of their own.
func shown(path string) string {
	var names []string
	for name := range strings.SplitSeq(path, "/") {
		n, _ := extract.NameFromBytes([]byte(name))
		names = append(names, n)
	}
	return strings.Join(names, "/")
}

func hashed(t *testing.T, path string) (int64, string) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.Copy(h, f)
	if err != nil {
		t.Fatal(err)
	}
	return n, hex.EncodeToString(h.Sum(nil))
}

// streams lists the named streams of a file, as the driver states them in an
// extended attribute.
func streams(t *testing.T, path string) []string {
	t.Helper()
	buf := make([]byte, 1<<16)
	n, err := unix.Lgetxattr(path, "ntfs.streams.list", buf)
	if err == unix.ENODATA || err == unix.EOPNOTSUPP {
		return nil
	}
	if err != nil {
		t.Fatalf("streams of %s: %v", path, err)
	}
	return strings.FieldsFunc(string(buf[:n]), func(r rune) bool { return r == 0 })
}

// ourEntries is the same as our result states it, with digests of what lies at
// our extents in the image.
func ourEntries(t *testing.T, image string, l listed) map[string]entry {
	t.Helper()
	f, err := os.Open(image)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out := map[string]entry{}
	for i := range l.files {
		r := &l.files[i]
		if _, twice := out[r.Path]; twice {
			t.Errorf("%s is listed twice", r.Path)
		}
		if r.Size == nil || r.Verdict != result.Intact {
			t.Errorf("%s is %s with every sector read: %v", r.Path, r.Verdict, r.Why)
			continue
		}
		e := entry{ID: r.ID, Kind: r.Kind, Size: *r.Size, Modified: r.Modified}
		if r.Kind == string(extract.KindFile) || r.Kind == string(extract.KindStream) {
			switch r.Stored {
			case "":
				e.SHA256, err = digest(f, r)
			case "compressed":
				e.SHA256, err = digestUnits(f, r, 16*l.Cluster) // the format's own size of a unit
			}
			if err != nil {
				t.Errorf("%s: %v", r.Path, err)
			}
		}
		out[r.Path] = e
	}
	return out
}

// compareDriver holds our list of a volume against the driver's. image is the
// file that our result speaks of, volume the same volume in a file of its own.
// It tells how many names, streams and contents were compared.
func compareDriver(t *testing.T, image, volume string, l listed) {
	t.Helper()
	root, unmount := mount(t, volume, "ro")
	theirs := driverEntries(t, root)
	unmount()
	ours := ourEntries(t, image, l)
	compared := map[string]int{}
	for name, o := range ours {
		d, ok := theirs[name]
		if !ok {
			continue
		}
		switch {
		case o.SHA256 != "":
			compared["by content"]++
		case o.Kind == d.Kind:
			d.SHA256 = "" // stored transformed: the size alone
		}
		compared[o.Kind]++
		theirs[name] = d
	}
	if d := cmp.Diff(theirs, ours); d != "" {
		if len(d) > 5000 {
			d = d[:5000] + "..."
		}
		t.Errorf("names and contents (-driver +ours):\n%s", d)
	}
	if !l.Listing.Complete || l.Listing.UnclaimedBytes != 0 {
		t.Errorf("a healthy volume's listing: %+v", l.Listing)
	}
	t.Logf("compared: %v", compared)
}

// ownFile copies a volume out of its image into a file of its own, where it is
// not alone in it.
func ownFile(t *testing.T, image string, l listed) string {
	t.Helper()
	f, err := os.Open(image)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	path := filepath.Join(t.TempDir(), "volume")
	out, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	if _, err := io.Copy(out, io.NewSectionReader(f, l.Start, l.Length)); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestFixtures(t *testing.T) {
	if !toolsWanted() {
		return
	}
	for _, name := range []string{"v01-ntfs-4k", "ntfs3-kernel", "v13-mbr-disk", "v14-gpt-disk"} {
		t.Run(name, func(t *testing.T) {
			image := fixture(t, name)
			volumes := verified(t, image)
			if len(volumes) != 1 {
				t.Fatalf("%d NTFS volumes", len(volumes))
			}
			volume := ownFile(t, image, volumes[0])
			compareDriver(t, image, volume, volumes[0])
			compareRuns(t, volume, volumes[0])
		})
	}
}
