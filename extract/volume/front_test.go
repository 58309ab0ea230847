package volume

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/mdraid"
	"fileassay/extract/ranges"
)

// made is an ext4 volume of size bytes with files in several folders, by mke2fs.
func made(t *testing.T, size int64, options ...string) []byte {
	t.Helper()
	dir := t.TempDir()
	for i := range 24 {
		sub := filepath.Join(dir, "tree", fmt.Sprintf("folder %d", i))
		if err := os.MkdirAll(sub, 0o755); err != nil {
			t.Fatal(err)
		}
		for k := range 4 {
			b := bytes.Repeat([]byte{byte(i), byte(k), 7, 9}, 60000)
			if err := os.WriteFile(filepath.Join(sub, fmt.Sprintf("file %d", k)), b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	path := filepath.Join(dir, "img")
	if err := os.WriteFile(path, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, size); err != nil {
		t.Fatal(err)
	}
	args := append([]string{"-q", "-F", "-t", "ext4", "-d", filepath.Join(dir, "tree")}, options...)
	if out, err := exec.Command("mke2fs", append(args, path)...).CombinedOutput(); err != nil {
		t.Fatalf("mke2fs: %v: %s", err, out)
	}
	img, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// stripes is how an array lies on its drives.
type stripes struct {
	chunk, drives int64
	parity        bool // RAID 5 in its usual layout, left-symmetric
}

// member is one drive of a striped array that holds a volume.
func (s stripes) member(vol []byte, number, size, dataAt int64) []byte {
	out := make([]byte, size)
	for k := int64(0); ; k++ {
		from, at := k*s.drives+number, dataAt+k*s.chunk
		if at+s.chunk > size {
			return out
		}
		if s.parity {
			place := (number - (s.drives - 1 - k%s.drives) + s.drives) % s.drives // md: parity moves down, data begins behind it
			if place == 0 {
				for d := range s.drives - 1 {
					for i, b := range piece(vol, (k*(s.drives-1)+d)*s.chunk, s.chunk) {
						out[at+int64(i)] ^= b
					}
				}
				continue
			}
			from = k*(s.drives-1) + place - 1
		}
		copy(out[at:at+s.chunk], piece(vol, from*s.chunk, s.chunk))
	}
}

// piece is n bytes of b from at, as far as it has them.
func piece(b []byte, at, n int64) []byte {
	at = min(at, int64(len(b)))
	return b[at:min(at+n, int64(len(b)))]
}

// proved counts the files of a drive that are listed without doubt, and the
// volumes whose lists are called complete.
func proved(t *testing.T, drive []byte, unread ...imap.Range) (files, complete int, notes string) {
	t.Helper()
	r := image.New(bytes.NewReader(drive), int64(len(drive)), imap.All(int64(len(drive))).With(unread), image.Options{})
	l, err := Find(t.Context(), r, extract.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range l.Volumes {
		fs, err := Open(t.Context(), r, &l.Volumes[i], extract.Options{})
		if err != nil {
			continue
		}
		survey, err := fs.Walk(t.Context(), func(f *extract.File) error {
			if f.Kind == extract.KindFile && !f.RecordUnread {
				files++
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if survey.Listing.Complete {
			complete++
		}
		notes += strings.Join(l.Volumes[i].Doubt, "; ")
	}
	return files, complete, notes
}

// A member of a striped array whose metadata was not read proves nothing,
// whichever version that is of, on a bare drive and in a partition.
func TestFront(t *testing.T) {
	if !toolsWanted() {
		return
	}
	const size = 48 * mib
	vol := made(t, 64*mib)
	for _, small := range []bool{false, true} {
		if small {
			vol = made(t, 40*mib, "-O", "^metadata_csum,^64bit", "-b", "1024")
		}
		for _, chunk := range []int64{4096, 64 << 10, 512 << 10, 4 << 20} {
			for _, version := range []string{"0.90", "1.0", "1.1", "1.2"} {
				for _, start := range []int64{0, mib} {
					for number := range int64(2) {
						dataAt := int64(0)
						at := map[string]int64{"0.90": size&^65535 - 65536, "1.0": size - 8192, "1.1": 0, "1.2": 4096}[version]
						if version > "1.0" {
							dataAt = mib
						}
						drive := append(make([]byte, start), stripes{chunk: chunk, drives: 2}.member(vol, number, size, dataAt)...)
						if start > 0 {
							putMBR(drive, 0, bootEntry{Type: 0x83, Start: uint32(start / 512), Sectors: uint32(size / 512)})
						}
						files, complete, _ := proved(t, drive, imap.Range{Start: start + at, Length: 4096, State: imap.Failed})
						if files > 0 || complete > 0 {
							t.Errorf("volume of %d, chunks of %d, version %s, partition at %d, drive %d: %d files are proved, %d lists complete", len(vol), chunk, version, start, number, files, complete)
						}
					}
				}
			}
		}
	}
}

// A volume that was made for its drive or partition loses nothing where the
// places of such metadata were not read.
func TestFrontCleared(t *testing.T) {
	if !toolsWanted() {
		return
	}
	vol := made(t, 48*mib)
	for _, start := range []int64{0, mib} {
		drive := append(make([]byte, start), vol...)
		if start > 0 {
			putMBR(drive, 0, bootEntry{Type: 0x83, Start: uint32(start / 512), Sectors: uint32(len(vol) / 512)})
		}
		end := int64(len(drive))
		if files, _, notes := proved(t, drive, imap.Range{Start: end - 128<<10, Length: 128 << 10, State: imap.Failed}); files != 96 {
			t.Errorf("volume at %d, its end unread: %d of 96 files are proved (%s)", start, files, notes)
		}
		if files, _, notes := proved(t, drive, imap.Range{Start: start + 4096, Length: 4096, State: imap.Failed}); files != 96 {
			t.Errorf("volume at %d, 4 KiB at 4096 unread: %d of 96 files are proved (%s)", start, files, notes)
		}
	}
}

// A partition of the type for arrays is listed where its metadata was not read.
func TestFrontListed(t *testing.T) {
	if !toolsWanted() {
		return
	}
	vol := made(t, 32*mib)
	drive := make([]byte, 40*mib)
	copy(drive[2*mib:], vol)
	putMBR(drive, 0, bootEntry{Type: 0xFD, Start: mib / 512, Sectors: uint32(38 * mib / 512)})
	r := image.New(bytes.NewReader(drive), int64(len(drive)), imap.All(int64(len(drive))).With([]imap.Range{{Start: mib + 4096, Length: 512, State: imap.Failed}}), image.Options{})
	l, err := Find(t.Context(), r, extract.Options{})
	if err != nil {
		t.Fatal(err)
	}
	v := l.Volumes[len(l.Volumes)-1] // the partition itself comes first
	if v.Filesystem != "ext4" || v.Start != 2*mib || v.Reason != "" || !strings.Contains(strings.Join(v.Doubt, "; "), "Linux md, version 1.2") || v.Needs[0].Start != mib+4096 {
		t.Errorf("%+v", l.Volumes)
	}
}

// Sectors that a mirror gave up on this drive are unread.
func TestGivenUp(t *testing.T) {
	ntfs := unpack(t, "../../cmd/fileassay/testdata/ferry.img.zst")[32768:]
	drive := make([]byte, 8*mib)
	copy(drive[mib:], ntfs)
	super := mdSuper(4096, 1, mib/512, 6*mib/512)
	le := binary.LittleEndian
	le.PutUint32(super[8:], 8) // MD_FEATURE_BAD_BLOCKS
	le.PutUint16(super[186:], 8)
	le.PutUint32(super[188:], 16)
	le.PutUint32(super[216:], 0)
	var sum uint64
	for i := 0; i < len(super); i += 4 {
		sum += uint64(le.Uint32(super[i:]))
	}
	le.PutUint32(super[216:], uint32(sum)+uint32(sum>>32))
	copy(drive[4096:], super)
	log := drive[4096+16*512:][:4096]
	for i := range log {
		log[i] = 0xFF
	}
	whole, _, _ := proved(t, drive)
	le.PutUint64(log, uint64((mib+512<<10)/512)<<10|1023)
	le.PutUint64(log[8:], uint64((mib+1<<20)/512)<<10|1023)
	r := image.New(bytes.NewReader(drive), int64(len(drive)), imap.All(int64(len(drive))), image.Options{})
	l, err := Find(t.Context(), r, extract.Options{})
	if err != nil || len(l.Volumes) != 1 {
		t.Fatalf("%v %+v", err, l)
	}
	if got := l.Volumes[0].bad; len(got) != 2 || got[0].Start != mib+512<<10 || got[0].Len() != 1023*512 {
		t.Errorf("given up: %+v", got)
	}
	if !strings.Contains(strings.Join(l.Notes, "\n"), "another one may be newer") {
		t.Errorf("notes: %q", l.Notes)
	}
	if files, complete, notes := proved(t, drive, imap.Range{Start: 4096 + 16*512, Length: 512, State: imap.Failed}); files > 0 || complete > 0 || whole == 0 || !strings.Contains(notes, "gave up") {
		t.Errorf("with the list unread %d files are proved, of %d: %s", files, whole, notes)
	}
}

// fatVolume is a FAT volume of size bytes with files in several folders, by
// mkfs.fat and mcopy.
func fatVolume(t *testing.T, size int64, width string) []byte {
	t.Helper()
	dir := t.TempDir()
	for i := range 24 {
		sub := filepath.Join(dir, "tree", fmt.Sprintf("folder %d", i))
		if err := os.MkdirAll(sub, 0o755); err != nil {
			t.Fatal(err)
		}
		for k := range 4 {
			if err := os.WriteFile(filepath.Join(sub, fmt.Sprintf("file %d", k)), bytes.Repeat([]byte{byte(i), byte(k), 7, 9}, 60000), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	path := filepath.Join(dir, "img")
	if err := os.WriteFile(path, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, size); err != nil {
		t.Fatal(err)
	}
	for _, cmd := range [][]string{{"mkfs.fat", "-F", width, path}, {"mcopy", "-s", "-i", path, filepath.Join(dir, "tree"), "::tree"}} {
		if out, err := exec.Command(cmd[0], cmd[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v: %s", cmd[0], err, out)
		}
	}
	img, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// The same of FAT, of arrays with parity and of three drives, and where the volume
// is just as long as its member.
func TestFrontFAT(t *testing.T) {
	if !toolsWanted() {
		return
	}
	for _, width := range []string{"16", "32"} {
		vol := fatVolume(t, 40*mib, width)
		for _, s := range []stripes{{64 << 10, 2, false}, {512 << 10, 2, false}, {512 << 10, 3, true}} {
			for _, size := range []int64{24 * mib, 40 * mib, 41 * mib} {
				for version, at := range map[string]int64{"1.0": size - 8192, "1.2": 4096} {
					dataAt := int64(0)
					if version == "1.2" {
						dataAt = mib
					}
					drive := s.member(vol, 0, size, dataAt)
					if files, complete, _ := proved(t, drive, imap.Range{Start: at, Length: 4096, State: imap.Failed}); files > 0 || complete > 0 {
						t.Errorf("FAT%s in %+v, version %s, %d bytes: %d files are proved, %d lists complete", width, s, version, size, files, complete)
					}
				}
			}
		}
	}
}

// A GPT clears the end of a drive only where it was made for that drive: one in an
// array names the end of the array.
func TestFrontGPT(t *testing.T) {
	disk := gptDisk(t, 512)
	for _, c := range []struct {
		name string
		size int64
		want int64
	}{
		{"its own drive", int64(len(disk)), int64(len(disk))},
		{"the first half of it", int64(len(disk)) / 2, int64(len(disk))},
	} {
		r := image.New(bytes.NewReader(disk[:c.size]), c.size, imap.All(c.size).With([]imap.Range{{Start: c.size - 8192, Length: 8192, State: imap.Failed}}), image.Options{})
		boot := readBootSector(r, "master boot record", 0)
		f := fronts{places: newPlaces(r, extract.Options{}, nil), l: &Layout{}, end: readGPT(r, &boot).end}
		_, _, open := mdraid.Find(r, 0, c.size)
		if len(open) == 0 || f.end != c.want {
			t.Fatalf("%s: end %d, open %v", c.name, f.end, open)
		}
		if got := f.tableMade(c.size, open[0]); got != (c.size == c.want) {
			t.Errorf("%s: the table clears the drive: %v", c.name, got)
		}
	}
}

// A table was made for the drive if what it names ends behind the place of an array's
// metadata, and nothing of it ends past the drive.
func TestTableMade(t *testing.T) {
	const drive = 48 << 20
	o := mdraid.Place{Range: ranges.Range{Start: drive - 8<<10}}
	for _, c := range []struct {
		name string
		end  int64 // that a GPT names
		ends []int64
		want bool
	}{
		{"a partition to the end", 0, []int64{drive}, true},
		{"a partition before the metadata", 0, []int64{drive - 64<<10}, false},
		{"one past the drive", 0, []int64{2 * drive}, false},
		{"one to the end of a member, one past it", 0, []int64{drive, 2 * drive}, false},
		{"a GPT of the drive", drive, []int64{drive / 2}, true},
		{"a GPT of an array", 2 * drive, []int64{drive / 2}, false},
	} {
		f := fronts{l: &Layout{}, end: c.end}
		for _, end := range c.ends {
			f.l.Partitions = append(f.l.Partitions, Partition{Start: 1 << 20, Length: end - 1<<20})
		}
		if got := f.tableMade(drive, o); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
