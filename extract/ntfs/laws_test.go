package ntfs_test

import (
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"fileassay/extract/fixture"
	"fileassay/extract/lawtest"
	"fileassay/extract/ntfs"
)

var lawReader = lawtest.Reader{Name: "ntfs", Open: lawtest.Opener(ntfs.Open), Structures: structures}

// TestProperties tries what every reader holds to, and with FILEASSAY_TOOLS=1 on
// all volumes there are.
func TestProperties(t *testing.T) {
	for _, im := range lawtest.FixtureImages(t, fixture.Load(t, "ntfs3-kernel"), "ntfs") {
		lawtest.Run(t, lawReader, im, 5)
	}
	if !testing.Short() {
		for _, im := range lawtest.FixtureImages(t, fixture.Load(t, "v01-ntfs-4k"), "ntfs") {
			lawtest.Run(t, lawReader, im, 2)
		}
	}
	lawtest.RunFixtures(t, lawReader, "ntfs")
	mount := []string{"ntfs-3g", "IMAGE", "FOLDER"}
	lawtest.RunMade(t, lawReader,
		lawtest.Made{Name: "made-ntfs", Megabytes: 16, Format: []string{"mkntfs", "-q", "-F", "-f", "-c", "4096", "-s", "512", "-p", "0", "-H", "255", "-S", "63", "IMAGE"}, Mount: mount},
		lawtest.Made{Name: "made-ntfs-512", Megabytes: 16, Format: []string{"mkntfs", "-q", "-F", "-f", "-c", "512", "-s", "512", "-p", "0", "-H", "255", "-S", "63", "IMAGE"}, Mount: mount})
}

var le = binary.LittleEndian

// strip takes an update sequence away and mend puts it back (Linux-NTFS
// documentation, concepts/fixup.html).
func strip(b []byte) {
	at, n := int(le.Uint16(b[4:])), int(le.Uint16(b[6:]))
	for i := 1; i < n && i*512 <= len(b) && at+2*i+2 <= len(b); i++ {
		copy(b[i*512-2:i*512], b[at+2*i:])
	}
}

func mend(b []byte) {
	at, n := int(le.Uint16(b[4:])), int(le.Uint16(b[6:]))
	for i := 1; i < n && i*512 <= len(b) && at+2*i+2 <= len(b); i++ {
		copy(b[at+2*i:at+2*i+2], b[i*512-2:])
		copy(b[i*512-2:i*512], b[at:at+2])
	}
}

// volume is what must be known to find structures.
type volume struct {
	b                      []byte
	cluster, record, index int64
	out                    []lawtest.Structure
}

type run struct{ lcn, n int64 }

func structures(b []byte) []lawtest.Structure {
	v := &volume{b: b, cluster: int64(le.Uint16(b[11:])) * int64(b[13])}
	size := func(c int8) int64 {
		if c > 0 {
			return int64(c) * v.cluster
		}
		return 1 << -c
	}
	v.record, v.index = size(int8(b[0x40])), size(int8(b[0x44]))
	end := int64(len(b))/512*512 - 512
	if string(b[end+3:end+7]) != "NTFS" { // the copy stands in the sector past the volume's count
		end = int64(le.Uint64(b[0x28:])) * 512
	}
	v.out = append(v.out, lawtest.Structure{Kind: "boot sector", Length: 512, Copies: []int64{end}, Fields: lawtest.Fields(0, "bytes a sector", 11, 2, "sectors a cluster", 13, 1,
		"sectors", 0x28, 8, "file table", 0x30, 8, "mirror", 0x38, 8, "record size", 0x40, 1, "index block size", 0x44, 1)})
	mft := int64(le.Uint64(b[0x30:])) * v.cluster
	first := append([]byte(nil), b[mft:mft+v.record]...)
	strip(first)
	mirror := int64(le.Uint64(b[0x38:])) * v.cluster
	number := int64(0)
	for at := int64(le.Uint16(first[0x14:])); at+16 < v.record && le.Uint32(first[at:]) != 0xffffffff; at += int64(le.Uint32(first[at+4:])) {
		if le.Uint32(first[at:]) != 0x80 {
			continue
		}
		left := (int64(le.Uint64(first[at+0x38:])) + v.record - 1) / v.record
		runs, _ := v.runs(first, int(at))
		for _, r := range runs {
			for p := r.lcn * v.cluster; p+v.record <= (r.lcn+r.n)*v.cluster && left > 0; p += v.record {
				copies := []int64(nil)
				if number < 4 {
					copies = []int64{mirror + number*v.record}
				}
				v.fileRecord(number, p, copies)
				number, left = number+1, left-1
			}
		}
		break
	}
	return v.out
}

// runs decodes the runs of the attribute at, and gives the fields of them.
func (v *volume) runs(b []byte, at int) (out []run, fields []lawtest.Field) {
	lcn := int64(0)
	end := at + int(le.Uint32(b[at+4:]))
	for p := at + int(le.Uint16(b[at+0x20:])); p < min(end, len(b)) && b[p] != 0; {
		n, o := int(b[p]&15), int(b[p]>>4)
		if n == 0 || n > 8 || o > 8 || p+1+n+o > end {
			break
		}
		fields = append(fields, lawtest.Fields(p, "run head", 0, 1, "run length", 1, n)...)
		length := int64(0)
		for i := n - 1; i >= 0; i-- {
			length = length<<8 | int64(b[p+1+i])
		}
		if o > 0 {
			fields = append(fields, lawtest.Fields(p, "run place", 1+n, o)...)
			delta := int64(int8(b[p+n+o]))
			for i := o - 2; i >= 0; i-- {
				delta = delta<<8 | int64(b[p+1+n+i])
			}
			lcn += delta
			out = append(out, run{lcn, length})
		}
		p += 1 + n + o
	}
	return out, fields
}

func (v *volume) fileRecord(number, at int64, copies []int64) {
	if at < 0 || at+v.record > int64(len(v.b)) || string(v.b[at:at+4]) != "FILE" {
		return
	}
	b := append([]byte(nil), v.b[at:at+v.record]...)
	strip(b)
	s := lawtest.Structure{Kind: "file record", Number: number, At: at, Length: v.record, Copies: copies, Strip: strip, Mend: mend}
	content := sizes{}
	if s.Sound = content.sound; le.Uint16(b[0x16:])&1 == 0 {
		s.Kind, s.Sound = "free file record", nil
	}
	s.Fields = lawtest.Fields(0, "sequence number", 0x10, 2, "links", 0x12, 2, "first attribute", 0x14, 2, "flags", 0x16, 2, "used", 0x18, 4, "base record", 0x20, 6)
	for a := int(le.Uint16(b[0x14:])); a+0x18 < len(b) && le.Uint32(b[a:]) != 0xffffffff; {
		n := int(le.Uint32(b[a+4:]))
		if n < 0x18 || a+n > len(b) {
			break
		}
		s.Fields = append(s.Fields, lawtest.Fields(a, "attribute type", 0, 4, "attribute length", 4, 4, "attribute form", 8, 1, "attribute name length", 9, 1, "attribute flags", 12, 2)...)
		typ, own := le.Uint32(b[a:]), len(s.Fields)
		if b[a+8] == 0 {
			s.Fields = append(s.Fields, lawtest.Fields(a, "value length", 0x10, 4, "value place", 0x14, 2)...)
			if typ == 0x80 && number >= 16 {
				content.of(s.Fields[own:], a, uint64(v.cluster))
			}
			v.value(&s, typ, b, a+int(le.Uint16(b[a+0x14:])), int(le.Uint32(b[a+0x10:])))
		} else {
			s.Fields = append(s.Fields, lawtest.Fields(a, "first cluster", 0x10, 8, "last cluster", 0x18, 8, "runs", 0x20, 2, "compression unit", 0x22, 1, "allocated size", 0x28, 8, "size", 0x30, 8, "valid size", 0x38, 8)...)
			runs, fields := v.runs(b, a)
			s.Fields = append(s.Fields, fields...)
			if typ == 0xa0 || typ == 0x20 {
				for _, r := range runs {
					v.blocks(r)
				}
			}
			if typ == 0x80 && number >= 16 {
				content.of(s.Fields[own:], a, uint64(v.cluster))
			}
			if typ == 0xb0 || typ == 0x80 && number == 6 {
				for _, r := range runs {
					v.out = append(v.out, lawtest.Structure{Kind: "bitmap", Number: r.lcn, At: r.lcn * v.cluster, Length: r.n * v.cluster})
				}
			}
		}
		a += n
	}
	v.out = append(v.out, s)
}

// sizes are fields of content that may have other values as well, since nothing else
// says them, each with what those are: a size within the last cluster, or the last
// compression unit, of what is allocated, or within the last eight bytes of a value
// in a record; and how much of a size is valid. A folder states a size too, which
// drivers write later, and not under every name.
type sizes map[int]func(b []byte, value uint64) bool

// of takes the fields of the attribute at a.
func (s sizes) of(list []lawtest.Field, a int, cluster uint64) {
	up := func(n, unit uint64) uint64 { return (n + unit - 1) / unit }
	for _, f := range list {
		switch f.Name {
		case "size":
			s[f.At] = func(b []byte, size uint64) bool {
				unit := cluster
				if b[a+12] != 0 {
					unit *= 16
				}
				return size < 1<<62 && size >= le.Uint64(b[a+0x38:]) && up(size, unit) == up(le.Uint64(b[a+0x30:]), unit)
			}
		case "valid size":
			s[f.At] = func(b []byte, valid uint64) bool { return valid <= le.Uint64(b[a+0x30:]) }
		case "value length":
			s[f.At] = func(b []byte, n uint64) bool { return up(n, 8) == up(uint64(le.Uint32(b[a+0x10:])), 8) }
		}
	}
}

// sound is [lawtest.Structure.Sound] of a record.
func (s sizes) sound(f lawtest.Field, was, is []byte) bool {
	var value [8]byte
	copy(value[:], is[f.At:f.At+f.Size])
	other := s[f.At]
	return other != nil && other(was, le.Uint64(value[:]))
}

// value adds the fields of a resident value.
func (v *volume) value(s *lawtest.Structure, typ uint32, b []byte, at, n int) {
	if at+n > len(b) {
		return
	}
	switch {
	case typ == 0x10 && n >= 0x24:
		s.Fields = append(s.Fields, lawtest.Fields(at, "file attributes", 0x20, 4)...)
	case typ == 0x20:
		for p := at; p+0x1a <= at+n; p += max(int(le.Uint16(b[p+4:])), 0x1a) {
			s.Fields = append(s.Fields, lawtest.Fields(p, "list type", 0, 4, "list length", 4, 2, "list first cluster", 8, 8, "list record", 16, 6)...)
		}
	case typ == 0x30 && n >= 0x42:
		s.Fields = append(s.Fields, lawtest.Fields(at, "name parent", 0, 6, "name length", 0x40, 1, "name space", 0x41, 1, "name letter", 0x42, 2)...)
	case typ == 0x90 && n >= 0x20:
		s.Fields = append(s.Fields, lawtest.Fields(at, "index flags", 0x1c, 1, "index used", 0x14, 4, "first entry", 0x10, 4)...)
		s.Fields = append(s.Fields, entries(b, at+0x10+int(le.Uint32(b[at+0x10:])), at+n)...)
	case typ == 0xc0 && n >= 8:
		s.Fields = append(s.Fields, lawtest.Fields(at, "reparse tag", 0, 4)...)
	}
}

func entries(b []byte, at, end int) (out []lawtest.Field) {
	for at+16 <= min(end, len(b)) {
		n := int(le.Uint16(b[at+8:]))
		if n < 16 || at+n > len(b) {
			break
		}
		out = append(out, lawtest.Fields(at, "entry record", 0, 6, "entry length", 8, 2, "entry key length", 10, 2, "entry flags", 12, 2)...)
		if n >= 0x52 {
			out = append(out, lawtest.Fields(at, "entry parent", 16, 6, "entry name letter", 0x52, 2)...)
		}
		if le.Uint16(b[at+12:])&2 != 0 {
			break
		}
		at += n
	}
	return out
}

func (v *volume) blocks(r run) {
	for at := r.lcn * v.cluster; at+v.index <= min((r.lcn+r.n)*v.cluster, int64(len(v.b))); at += v.index {
		if at < 0 || string(v.b[at:at+4]) != "INDX" {
			continue
		}
		b := append([]byte(nil), v.b[at:at+v.index]...)
		strip(b)
		s := lawtest.Structure{Kind: "index block", Number: at / 512, At: at, Length: v.index, Strip: strip, Mend: mend}
		s.Fields = append(lawtest.Fields(0, "block number", 16, 8, "first entry", 0x18, 4, "index used", 0x1c, 4, "index flags", 0x24, 1),
			entries(b, 0x18+int(le.Uint32(b[0x18:])), len(b))...)
		v.out = append(v.out, s)
	}
}

// TestSoundEdits has another implementation read files after edits that are called
// sound: it finds nothing, and reads as much as the record says.
func TestSoundEdits(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	all := 0
	for _, name := range []string{"ntfs3-kernel", "v01-ntfs-4k"} {
		for _, im := range lawtest.FixtureImages(t, fixture.Load(t, name), "ntfs") {
			at := map[int64]lawtest.Structure{}
			for _, s := range structures(im.Volume) {
				if s.Kind == "file record" {
					at[s.Number] = s
				}
			}
			img := filepath.Join(t.TempDir(), "volume")
			all += lawtest.SoundEdits(lawReader, im, lawtest.Times(t, 10), func(edit string, volume []byte) {
				if err := os.WriteFile(img, volume, 0o600); err != nil {
					t.Fatal(err)
				}
				if out, err := exec.Command("ntfsfix", "-n", img).CombinedOutput(); err != nil {
					t.Errorf("%s after %s: %v\n%s", name, edit, err, out)
				}
				var number int64
				if _, err := fmt.Sscanf(edit, "file_record:%d/", &number); err != nil {
					t.Fatal(edit)
				}
				s := at[number]
				b := append([]byte(nil), volume[s.At:s.At+s.Length]...)
				strip(b)
				for a := int(le.Uint16(b[0x14:])); le.Uint32(b[a:]) != 0xffffffff; a += int(le.Uint32(b[a+4:])) {
					if le.Uint32(b[a:]) != 0x80 || b[a+9] != 0 {
						continue
					}
					want := int64(le.Uint32(b[a+0x10:]))
					if b[a+8] != 0 {
						want = int64(le.Uint64(b[a+0x30:]))
					}
					out, err := exec.Command("ntfscat", "-q", "-f", "-i", fmt.Sprint(number), img).Output()
					if err != nil || int64(len(out)) != want {
						t.Errorf("%s after %s: %d bytes, not %d: %v", name, edit, len(out), want, err)
					}
				}
			})
		}
	}
	if all < 20 {
		t.Errorf("only %d edits were found", all)
	}
}
