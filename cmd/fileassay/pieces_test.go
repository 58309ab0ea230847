package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/verify"
	"fileassay/verify/result"
)

const mib = 1 << 20

// A segment of a logical volume: MiB of it that lie at a MiB of the physical
// volume, 0 for one on another drive.
type segment struct{ from, count, at int64 }

// physical is a physical volume of LVM2 with one logical volume, made after
// lib/format_text/layout.h of lvm2.
func physical(vol []byte, size int64, segments ...segment) []byte {
	le := binary.LittleEndian
	sum := func(b []byte) uint32 { return ^crc32.Update(^uint32(0xf597a6cf), crc32.IEEETable, b) }
	drive := make([]byte, size)
	label := drive[512:1024]
	copy(label, "LABELONE")
	le.PutUint64(label[8:], 1)
	le.PutUint32(label[20:], 32)
	copy(label[24:], "LVM2 001")
	copy(label[32:], strings.Repeat("a", 32))
	le.PutUint64(label[64:], uint64(size))
	le.PutUint64(label[72:], mib) // the data area; then the metadata area
	le.PutUint64(label[104:], 4096)
	le.PutUint64(label[112:], mib-4096)
	le.PutUint32(label[16:], sum(label[20:]))
	var text strings.Builder
	fmt.Fprintf(&text, "yard { id = \"x\" seqno = 3 extent_size = 2048 physical_volumes { pv0 { id = %q pe_start = 2048 } pv1 { id = \"b\" pe_start = 2048 } }\n", strings.Repeat("a", 32))
	fmt.Fprintf(&text, "logical_volumes { shed { id = \"y\" status = [\"READ\", \"WRITE\", \"VISIBLE\"] segment_count = %d\n", len(segments))
	for i, s := range segments {
		pv, at := "pv0", s.at-1
		if s.at == 0 {
			pv, at = "pv1", 0
		} else {
			copy(drive[s.at*mib:], vol[s.from*mib:(s.from+s.count)*mib])
		}
		fmt.Fprintf(&text, "segment%d { start_extent = %d extent_count = %d type = \"striped\" stripe_count = 1 stripes = [%q, %d] }\n", i+1, s.from, s.count, pv, at)
	}
	text.WriteString("} } }\n")
	area := drive[4096:4608]
	copy(area[4:], " LVM2 x[5A%r0N*>")
	le.PutUint32(area[20:], 1)
	le.PutUint64(area[24:], 4096)
	le.PutUint64(area[32:], mib-4096)
	le.PutUint64(area[40:], 512)
	le.PutUint64(area[48:], uint64(text.Len()))
	le.PutUint32(area[56:], sum([]byte(text.String())))
	le.PutUint32(area, sum(area[4:]))
	copy(drive[4608:], text.String())
	return drive
}

// truth is what a fixture of ext holds: digests and sizes by path.
func truth(t *testing.T, name string) map[string]string {
	t.Helper()
	data, err := os.ReadFile("../../extract/ext/testdata/" + name + ".sums")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for l := range strings.Lines(string(data)) {
		if f := strings.SplitN(strings.TrimSuffix(l, "\n"), " ", 3); len(f) == 3 && len(f[0]) == 64 {
			out[f[2]] = f[0]
		}
	}
	return out
}

// extracted are the digests of the files of a delivery, by path in the volume.
func (b *bench) extracted(dir string) map[string]string {
	b.Helper()
	out := map[string]string{}
	top := filepath.Join(b.dir, dir, "data", "intact", "volume-1")
	err := filepath.WalkDir(top, func(path string, e fs.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		name, err := filepath.Rel(top, path)
		sum := sha256.Sum256(data)
		out[filepath.ToSlash(name)] = hex.EncodeToString(sum[:])
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	return out
}

// A logical volume in three pieces, none in its place, is listed, extracted,
// audited, read again and compared as one in one piece is, and every place that is
// told is one of the image.
func TestPieces(t *testing.T) {
	vol := unpack(t, "../../extract/ext/testdata/ext4-1k.img.zst")
	drive := physical(vol, 17*mib, segment{0, 5, 12}, segment{5, 3, 2}, segment{8, 4, 6})
	// place is where a byte of the volume lies in the image
	place := func(off int64) int64 {
		switch {
		case off < 5*mib:
			return off + 12*mib
		case off < 8*mib:
			return off - 3*mib
		}
		return off - 2*mib
	}
	b := &bench{t, t.TempDir()}
	b.write("drive.img", drive)
	b.write("plain.img", vol)
	plain, lines := b.verified(0, "plain.img", "--assume-read")
	whole := b.decodeFiles(lines)
	if len(whole) < 100 {
		t.Fatalf("%d files in %+v", len(whole), plain)
	}
	im, lines := b.verified(0, "drive.img", "--assume-read")
	files := b.decodeFiles(lines)
	for i := range whole {
		w, f := &whole[i], &files[i]
		if f.Path != w.Path || f.Verdict != w.Verdict || *f.Size != *w.Size {
			t.Fatalf("%+v, in one piece %+v", f, w)
		}
		for _, e := range f.Extents {
			n := e[2]
			if n > 0 && !bytes.Equal(drive[e[1]:e[1]+n], b.content(vol, w, e[0], n)) {
				t.Errorf("%s: other bytes at %v", f.Path, e)
			}
		}
	}
	if len(files) != len(whole) || len(im.Missing) > 0 {
		t.Fatalf("%d files of %d, missing %v", len(files), len(whole), im.Missing)
	}
	var v result.Volume
	decode(t, lines[0], &v)
	if want := (result.Pieces{{5 * mib, 2 * mib, 3 * mib}, {8 * mib, 6 * mib, 4 * mib}, {0, 12 * mib, 5 * mib}}); v.Start != 12*mib || v.Length != 12*mib || cmp.Diff(want, v.Pieces) != "" {
		t.Errorf("the volume is %+v", v)
	}
	for _, s := range v.Structures {
		if s.Start != nil && (*s.Start < 2*mib || *s.Start+s.Length > 17*mib) {
			t.Errorf("structure %+v", s)
		}
	}
	b.command("extract", "drive.img", "r.jsonl", "--to", "out", "--quiet").Run()
	if d := cmp.Diff(truth(t, "ext4-1k"), b.extracted("out")); d != "" {
		t.Errorf("extracted (-want +got):\n%s", d)
	}
	if o := b.run(nil, "audit", "out", "--result", "r.jsonl", "--image", "drive.img"); o.exit != 0 {
		t.Errorf("audit: %+v", o)
	}
	if o := b.run(nil, "layout", "drive.img", "--assume-read"); o.exit != 0 || !strings.Contains(o.stdout, "put together from 3 pieces") {
		t.Errorf("layout: %+v", o)
	}

	// a sector of content costs its file, one of a table's what stands there
	var hurt *result.File
	for i := range whole {
		if f := &whole[i]; len(f.Extents) > 0 && f.Extents[0][1] > 8*mib && f.Extents[0][2] >= 1024 && f.Kind == "file" {
			hurt = f
			break
		}
	}
	if hurt == nil {
		t.Fatal("no file lies in the third piece")
	}
	at := place(hurt.Extents[0][1] + 512)
	table := int64(0)
	for _, s := range b.structures("plain.img") {
		if s.Name == "inode tables" {
			table = place(*s.Start)
		}
	}
	for _, c := range []struct {
		name   string
		sector int64
	}{{"content", at}, {"inode table", table}, {"superblock", place(1024)}} {
		b.write("map.csv", []byte(fmt.Sprintf("start,length,state\n0,%d,read\n%d,512,failed\n%d,%d,read\n", c.sector, c.sector, c.sector+512, int64(len(drive))-c.sector-512)))
		o := b.run([]string{"h.jsonl"}, "verify", "drive.img", "--map", "map.csv", "--force", "--result", "h.jsonl", "--quiet")
		if o.exit != 1 && (o.exit != 0 || c.name != "superblock") { // of that there are copies
			t.Fatalf("%s: %+v", c.name, o)
		}
		var damaged, asked []string
		lines := b.lines("h.jsonl")
		for _, f := range b.decodeFiles(lines) {
			if f.Verdict != result.Intact {
				damaged = append(damaged, f.Path)
				for _, d := range f.Damage {
					if d.Image >= 0 && (d.Image != at || d.Length != 512) {
						t.Errorf("%s: damage %+v, want one at %d", c.name, d, at)
					}
				}
			}
			for _, n := range f.Needs {
				asked = append(asked, fmt.Sprint(n))
			}
		}
		if c.name == "content" && !slices.Equal(damaged, []string{hurt.Path}) {
			t.Errorf("damaged are %v, want %s", damaged, hurt.Path)
		}
		decode(t, lines[1], &v)
		for _, n := range v.Needs {
			asked = append(asked, fmt.Sprint(n))
		}
		if c.name != "content" && !slices.Contains(asked, fmt.Sprint([2]int64{c.sector, 512})) {
			t.Errorf("%s: asked for are %v, want %d", c.name, asked, c.sector)
		}
		if o := b.run([]string{"list.csv"}, "reread", "h.jsonl", "--list", "list.csv", "--force", "--quiet"); o.exit != 0 || !strings.Contains(string(b.read("list.csv")), fmt.Sprintf("%d,512,failed", c.sector)) {
			t.Errorf("%s: reread %+v\n%s", c.name, o, b.read("list.csv"))
		}
		if o := b.run(nil, "compare", "h.jsonl", "r.jsonl"); o.exit > 1 {
			t.Errorf("%s: compare %+v", c.name, o)
		}
	}
	// content that changed between two passes is told
	changed := bytes.Clone(drive)
	changed[at] ^= 1
	changed[place(12*mib-1)] ^= 1 // in use by nothing
	b.write("changed.img", changed)
	b.run([]string{"c.jsonl"}, "verify", "changed.img", "--assume-read", "--force", "--result", "c.jsonl", "--quiet")
	o := b.run(nil, "compare", "r.jsonl", "c.jsonl", "--content", "--json")
	if !strings.Contains(o.stdout, filepath.Base(hurt.Path)) || !strings.Contains(o.stdout, `"free": 1,`) || strings.Contains(o.stdout, `"outside": 1`) {
		t.Errorf("compare by content: %+v", o)
	}

	// what lies on another drive is not there, all else is
	b.write("part.img", physical(vol, 17*mib, segment{0, 5, 12}, segment{5, 3, 2}, segment{8, 4, 0}))
	_, lines = b.verified(1, "part.img", "--assume-read")
	intact, gone := 0, 0
	for i, f := range b.decodeFiles(lines) {
		far := false
		for _, e := range whole[i].Extents {
			far = far || e[1]+e[2] > 8*mib
		}
		switch {
		case f.Path == whole[i].Path && f.Verdict == result.Intact && !far:
			intact++
		case f.Verdict == result.Intact:
			t.Errorf("intact, with a part on another drive: %+v", f)
		default:
			gone++
		}
	}
	if intact < 20 || gone == 0 {
		t.Errorf("%d intact, %d not", intact, gone)
	}
}

// content are n bytes of a file's content from off, by the line of it in one piece.
func (b *bench) content(vol []byte, f *result.File, off, n int64) []byte {
	for _, e := range f.Extents {
		if e[0] <= off && off+n <= e[0]+e[2] {
			return vol[e[1]+off-e[0]:][:n]
		}
	}
	b.Fatalf("%s has no extent of %d bytes at %d", f.Path, n, off)
	return nil
}

// structures are those of the first volume of an image that was read as a whole.
func (b *bench) structures(image string) []result.Structure {
	b.Helper()
	var rec verify.LayoutRecord
	o := b.run(nil, "layout", image, "--assume-read", "--json")
	decode(b.T, []byte(o.stdout), &rec)
	return rec.Volumes[0].Structures
}

// Where metadata in front of a volume was not read, it is read first.
func TestFrontFirst(t *testing.T) {
	vol := unpack(t, "../../extract/ext/testdata/ext4-1k.img.zst")
	logical := physical(vol, 14*mib, segment{0, 12, 2})
	member := make([]byte, 14*mib) // of an array, by the type of its partition
	copy(member[446:], []byte{0, 0, 0, 0, 0xFD, 0, 0, 0, 0, 8, 0, 0, 0, 0x68, 0, 0})
	member[510], member[511] = 0x55, 0xAA
	copy(member[2*mib:], vol)
	b := &bench{t, t.TempDir()}
	for _, c := range []struct {
		name  string
		drive []byte
		front int64
		exit  int // with all read: a partition of an array that holds none is not complete
	}{{"label of LVM2", logical, 512, 0}, {"metadata of md", member, mib + 4096, 1}} {
		b.write("drive.img", c.drive)
		_, lines := b.verified(c.exit, "drive.img", "--assume-read")
		var hurt *result.File // that is large, and worth most
		for _, f := range b.decodeFiles(lines) {
			if len(f.Extents) > 0 && f.Kind == "file" && (hurt == nil || *f.Size > *hurt.Size) {
				hurt = &f
			}
		}
		at := hurt.Extents[0][1]
		b.write("map.csv", fmt.Appendf(nil, "start,length,state\n0,%d,read\n%d,512,failed\n%d,%d,read\n%d,512,failed\n%d,%d,read\n",
			c.front, c.front, c.front+512, at-c.front-512, at, at+512, int64(len(c.drive))-at-512))
		im, lines := b.verified(1, "drive.img", "--map", "map.csv")
		for _, f := range b.decodeFiles(lines) {
			if f.Verdict == result.Intact {
				t.Fatalf("%s: intact: %+v, %+v", c.name, f, im)
			}
		}
		o := b.run([]string{"list.csv"}, "reread", "r.jsonl", "--list", "list.csv", "--force", "--quiet")
		var order []string
		for l := range strings.Lines(string(b.read("list.csv"))) {
			if strings.HasSuffix(l, ",failed\n") {
				order = append(order, strings.TrimSpace(l))
			}
		}
		if o.exit != 0 || len(order) < 2 || order[0] != fmt.Sprintf("%d,512,failed", c.front) {
			t.Errorf("%s: read again are %v, want %d first", c.name, order, c.front)
		}
	}
}
