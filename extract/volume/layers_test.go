package volume

import (
	"bytes"
	"context"
	"encoding/binary"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

func unpack(t *testing.T, path string) []byte {
	t.Helper()
	packed, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	d, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	img, err := d.DecodeAll(packed, nil)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// mdSuper is metadata of version 1 at a place of the drive, as the Linux
// kernel's include/uapi/linux/raid/md_p.h lays it out, of an array of two
// drives.
func mdSuper(at int64, level uint32, dataOffset, dataSectors uint64) []byte {
	le := binary.LittleEndian
	b := make([]byte, 256+4)
	le.PutUint32(b[0:], 0xA92B4EFC)
	le.PutUint32(b[4:], 1)
	copy(b[16:], "sixteen bytes id")
	copy(b[32:], "ferry:0")
	le.PutUint32(b[72:], level)
	le.PutUint64(b[80:], dataSectors)
	le.PutUint32(b[92:], 2)
	le.PutUint64(b[128:], dataOffset)
	le.PutUint64(b[136:], dataSectors)
	le.PutUint64(b[144:], uint64(at/512))
	copy(b[168:], "sixteen bytes dv")
	le.PutUint64(b[200:], 17)
	le.PutUint32(b[220:], 2) // roles
	le.PutUint16(b[256:], 0)
	le.PutUint16(b[258:], 1)
	var sum uint64 // md_p.h: the sum of all words with this one zero, folded
	for i := 0; i < len(b); i += 4 {
		sum += uint64(le.Uint32(b[i:]))
	}
	le.PutUint32(b[216:], uint32(sum)+uint32(sum>>32))
	return b
}

// TestLayers puts an NTFS volume behind the metadata of logical volumes and of
// arrays.
func TestLayers(t *testing.T) {
	ntfs := unpack(t, "../../cmd/fileassay/testdata/ferry.img.zst")[32768:] // its one partition, to the end
	group, ext := unpack(t, "../lvm/testdata/office.img.zst"), unpack(t, "../ext/testdata/ext4-1k.img.zst")
	copy(group[mib:], ntfs) // the logical volume "first" begins there, says pvdisplay (../lvm/testdata/make.sh)
	copy(group[26*mib:], ext[copy(group[13*mib:23*mib], ext):])
	drive := func(size, dataAt, superAt int64, level uint32) []byte {
		d := make([]byte, size)
		copy(d[dataAt:], ntfs)
		copy(d[superAt:], mdSuper(superAt, level, uint64(dataAt/512), uint64((size-dataAt)/512-32)))
		return d
	}
	const size = 8 * mib
	end := int64(size-8192) &^ 4095
	mirrored := make([]byte, mib+len(group)+mib)
	copy(mirrored[mib:], group)
	copy(mirrored[4096:], mdSuper(4096, 1, mib/512, uint64(len(group)/512)))
	for _, c := range []struct {
		name  string
		drive []byte
		want  []Volume // Found and Reason are parts of what must be there
	}{
		{"logical volumes", group, []Volume{
			{Start: mib, Filesystem: "ntfs", Found: "office/first"},
			{Start: 13 * mib, Filesystem: "ext4", Found: "office/second in bare volume, put together from 2 pieces"},
			{Start: 23 * mib, Filesystem: "empty", Found: "office/third", Reason: "zero"}}},
		{"mirror, metadata 1.2", drive(size, mib, 4096, 1), []Volume{{Start: mib, Filesystem: "ntfs", Found: "mirror (Linux md array, metadata 1.2)"}}},
		{"mirror, metadata 1.0", drive(size, 0, end, 1), []Volume{{Start: 0, Filesystem: "ntfs", Found: "mirror (Linux md array, metadata 1.0)"}}},
		{"stripes, metadata 1.2", drive(size, mib, 4096, 0), []Volume{{Start: 0, Filesystem: "linux md raid", Reason: "RAID 0 of 2 drives"}}},
		// it opens as NTFS, but half of its places are on another drive
		{"stripes, metadata 1.0", drive(size, 0, end, 0), []Volume{{Start: 0, Filesystem: "linux md raid", Reason: "RAID 0 of 2 drives"}}},
		{"logical volumes in a mirror", mirrored, []Volume{
			{Start: 2 * mib, Filesystem: "ntfs", Found: "office/first"},
			{Start: 14 * mib, Filesystem: "ext4", Found: "2 pieces"},
			{Start: 24 * mib, Filesystem: "empty", Found: "office/third", Reason: "zero"}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := image.New(bytes.NewReader(c.drive), int64(len(c.drive)), imap.All(int64(len(c.drive))), image.Options{})
			l, err := Find(context.Background(), r, extract.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if len(l.Volumes) != len(c.want) {
				t.Fatalf("%d volumes, want %d: %+v", len(l.Volumes), len(c.want), l.Volumes)
			}
			for i, w := range c.want {
				v := l.Volumes[i]
				if v.Start != w.Start || v.Filesystem != w.Filesystem || !strings.Contains(v.Found, w.Found) ||
					!strings.Contains(v.Reason, w.Reason) || (v.Reason == "") != (w.Reason == "") {
					t.Errorf("volume %d is %+v, want %+v", i+1, v, w)
				}
				if v.Pieces == nil {
					continue
				}
				fs, err := Open(t.Context(), r, &l.Volumes[i], extract.Options{})
				if err != nil {
					t.Fatal(err)
				}
				survey, err := fs.Walk(t.Context(), func(f *extract.File) error {
					if f.RecordUnread {
						t.Errorf("not proved: %+v", f)
					}
					return nil
				})
				if err != nil || !survey.Listing.Complete {
					t.Errorf("%v, %+v", err, survey)
				}
			}
		})
	}
}

// Metadata whose place is known and that was not read is asked for, also where
// nothing behind it is known.
func TestLayersNeed(t *testing.T) {
	group := unpack(t, "../lvm/testdata/office.img.zst")
	mirror := make([]byte, 8*mib)
	copy(mirror[4096:], mdSuper(4096, 1, mib/512, 6*mib/512))
	binary.LittleEndian.PutUint32(mirror[4096+220:], 384) // so many roles that it takes two sectors
	for _, c := range []struct {
		name       string
		drive      []byte
		unread     imap.Range
		filesystem string
		reason     string
		want       [][2]int64
	}{
		{"the header of a metadata area", group, imap.Range{Start: 4096, Length: 1024, State: imap.Failed},
			lvmMember, "no copy of the metadata was read", [][2]int64{{4096, 512}}},
		{"the end of an array's metadata", mirror, imap.Range{Start: 4096 + 512, Length: 512, State: imap.Failed},
			mdMember, "pool", [][2]int64{{4096 + 512, 512}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := imap.All(int64(len(c.drive))).With([]imap.Range{c.unread})
			r := image.New(bytes.NewReader(c.drive), int64(len(c.drive)), m, image.Options{})
			l, err := Find(context.Background(), r, extract.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if len(l.Volumes) != 1 || l.Volumes[0].Filesystem != c.filesystem || !strings.Contains(l.Volumes[0].Reason, c.reason) {
				t.Fatalf("%+v, want one %s", l.Volumes, c.filesystem)
			}
			if d := cmp.Diff(c.want, unreadNeeds(r, l)); d != "" {
				t.Errorf("needs (-want +got):\n%s", d)
			}
		})
	}
}
