package ntfs

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"fileassay/extract"
)

// madeVolume is a volume that mkntfs formats and ntfs-3g fills by write, which
// returns the content of what it wrote.
func madeVolume(t *testing.T, format []string, write func(folder string) map[string][]byte) (img []byte, want map[string][]byte) {
	t.Helper()
	dir := t.TempDir()
	path, folder := filepath.Join(dir, "image"), filepath.Join(dir, "mounted")
	run := func(name string, args ...string) {
		t.Helper()
		c := exec.Command(name, args...)
		c.Env = append(os.Environ(), "PATH="+os.Getenv("PATH")+":/usr/sbin:/sbin")
		if out, err := c.CombinedOutput(); err != nil {
			t.Fatalf("%s %q: %v\n%s", name, args, err, out)
		}
	}
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	check(os.Mkdir(folder, 0o700))
	check(os.WriteFile(path, nil, 0o600))
	check(os.Truncate(path, 32<<20))
	run("mkntfs", append(format, "-q", "-F", "-f", "-p", "0", "-H", "255", "-S", "63", path)...)
	run("ntfs-3g", "-o", "compression,efs_raw,streams_interface=windows", path, folder)
	func() {
		defer run("umount", folder)
		want = write(folder)
	}()
	img, err := os.ReadFile(path)
	check(err)
	return img, want
}

// A volume as its driver writes it, with all sorts of files, contradicts itself
// nowhere, and what its content is elsewhere of, or not known, is not proved.
func TestMadeVolumes(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	points := map[string]uint32{"dedup": tagDedup, "hsm": tagHSM, "cloud": tagCloud | 0x3000, "container": 0x80000018, "stranger": 0x80001234}
	for _, format := range [][]string{{"-c", "4096", "-s", "512"}, {"-c", "512", "-s", "512"}, {"-c", "4096", "-s", "4096"}, {"-c", "65536", "-s", "512"}} {
		t.Run(strings.Join(format, " "), func(t *testing.T) {
			img, want := madeVolume(t, format, func(folder string) map[string][]byte {
				rnd := rand.New(rand.NewPCG(3, 4))
				noise := func(n int) []byte {
					b := make([]byte, n)
					for i := range b {
						b[i] = byte(rnd.Uint32())
					}
					return b
				}
				want := map[string][]byte{}
				check := func(err error) {
					if err != nil {
						t.Fatal(err)
					}
				}
				write := func(name string, b []byte) {
					check(os.WriteFile(filepath.Join(folder, name), b, 0o644))
					want[name] = b
				}
				set := func(name, attr string, value []byte) {
					check(syscall.Setxattr(filepath.Join(folder, name), attr, value, 0))
				}
				check(os.Mkdir(filepath.Join(folder, "Tray"), 0o755))
				for i := range 60 {
					write(fmt.Sprintf("Tray/sheet %d", i), noise(rnd.IntN(9000)))
				}
				for i := range 20 { // sparse, and longer or shorter than first written
					name := fmt.Sprintf("Tray/sparse %d", i)
					b := make([]byte, 1<<19)
					f, err := os.Create(filepath.Join(folder, name))
					check(err)
					for range i {
						at, part := rnd.IntN(1<<18), noise(1+rnd.IntN(9000))
						copy(b[at:], part)
						_, err = f.WriteAt(part, int64(at))
						check(err)
					}
					b = b[:1+rnd.IntN(len(b))]
					check(f.Truncate(int64(len(b))))
					check(f.Close())
					want[name] = b
				}
				var pieces [3][]byte // extents by turns, so that the records do not hold them
				var open [3]*os.File
				for i := range open {
					f, err := os.Create(filepath.Join(folder, fmt.Sprintf("Tray/pieces %d", i)))
					check(err)
					open[i] = f
				}
				for range 300 {
					for i := range open {
						part := noise(4096)
						_, err := open[i].Write(part)
						check(err)
						pieces[i] = append(pieces[i], part...)
					}
				}
				for i := range open {
					check(open[i].Close())
					want[fmt.Sprintf("Tray/pieces %d", i)] = pieces[i]
				}
				for i := range 40 {
					name := fmt.Sprintf("Tray/a further name of the first sheet, %d", i)
					check(os.Link(filepath.Join(folder, "Tray/sheet 0"), filepath.Join(folder, name)))
					want[name] = want["Tray/sheet 0"]
					write(fmt.Sprintf("Tray/sheet 1:side %d", i), noise(10+60*i))
				}
				strewn, b := filepath.Join(folder, "Tray/strewn"), make([]byte, 179<<17+4096) // with holes, in several records
				f, err := os.Create(strewn)
				check(err)
				for i := range 180 {
					part := noise(4096)
					copy(b[i<<17:], part)
					_, err = f.WriteAt(part, int64(i)<<17)
					check(err)
				}
				check(f.Close())
				want["Tray/strewn"] = b
				check(os.Mkdir(filepath.Join(folder, "Packed"), 0o755))
				set("Packed", "system.ntfs_attrib_be", binary.BigEndian.AppendUint32(nil, 0x810))
				for i := range 10 {
					write(fmt.Sprintf("Packed/sheet %d", i), append(bytes.Repeat([]byte("meadow "), rnd.IntN(20000)), noise(rnd.IntN(90000))...))
				}
				for name, tag := range points {
					check(os.WriteFile(filepath.Join(folder, name), nil, 0o644))
					check(os.Truncate(filepath.Join(folder, name), 100000))
					set(name, "system.ntfs_reparse_data", reparse(tag, make([]byte, 16)))
				}
				check(os.WriteFile(filepath.Join(folder, "offline"), nil, 0o644))
				check(os.Truncate(filepath.Join(folder, "offline"), 100000))
				set("offline", "system.ntfs_attrib_be", binary.BigEndian.AppendUint32(nil, fileFlagOffline))
				secret := append(noise(2*4096), 0, 0) // as a backup holds it: how many bytes too many there are stands last
				write("secret", secret)
				want["secret"] = secret[:2*4096]
				set("secret", "system.ntfs_efsinfo", append(binary.LittleEndian.AppendUint32(nil, 600), noise(596)...))
				check(os.Symlink("Tray/sheet 1", filepath.Join(folder, "link")))
				for i := 30; i < 50; i++ {
					check(os.Remove(filepath.Join(folder, fmt.Sprintf("Tray/sheet %d", i))))
					delete(want, fmt.Sprintf("Tray/sheet %d", i))
				}
				return want
			})
			l := list(t, img)
			if !l.Complete || len(l.Listing.Why) > 0 {
				t.Errorf("%+v", l.Listing)
			}
			for name, b := range want {
				f := l.file(t, name)
				if !l.proved(name) || f.Size != int64(len(b)) {
					t.Errorf("%s: %+v", name, f)
				} else if f.Stored == extract.StoredPlain {
					l.holds(t, img, name, b)
				}
			}
			for _, name := range append(slices.Collect(maps.Keys(points)), "offline") {
				if f := l.file(t, name); l.proved(name) || f.Stored != extract.StoredElsewhere {
					t.Errorf("%+v", f)
				}
			}
			if f := l.file(t, "secret"); f.Stored != extract.StoredEncrypted {
				t.Errorf("%+v", f)
			}
		})
	}
}

// What becomes of a made volume when a record's sector, or one of its table's bitmap,
// is read as zeros: a file is listed by its name, and none is wrongly intact.
func TestMadeZeroRecord(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	img, _ := madeVolume(t, []string{"-c", "4096", "-s", "512"}, func(folder string) map[string][]byte {
		want := map[string][]byte{}
		for i := range 50 {
			name, b := fmt.Sprintf("sheet %d", i), bytes.Repeat([]byte{byte(i)}, 5000)
			if err := os.WriteFile(filepath.Join(folder, name), b, 0o644); err != nil {
				t.Fatal(err)
			}
			want[name] = b
		}
		return want
	})
	l := list(t, img)
	n := l.file(t, "sheet 7").ID
	at := l.v.stream.place(int64(n) * l.v.recordSize)
	zeroed := bytes.Clone(img)
	clear(zeroed[at : at+l.v.recordSize])
	got := list(t, zeroed)
	if f := got.file(t, "sheet 7"); !f.NameOnly || f.Size != 5000 || got.Complete || got.UnreadRecords != 1 {
		t.Errorf("%+v, %+v", f, got.Listing)
	}
	zeroed = bytes.Clone(img) // the sector of the volume's bitmap in which the files' clusters stand
	bits := l.v.allocated.place(l.file(t, "sheet 7").Pieces[0].Image / l.v.cluster / 8)
	clear(zeroed[bits/512*512:][:512])
	got = list(t, zeroed)
	if f := got.file(t, "sheet 7"); got.proved("sheet 7") || got.Complete || !strings.Contains(strings.Join(f.Why, " "), "calls some of its clusters free") {
		t.Errorf("%+v, %+v", f, got.Listing)
	}
}
