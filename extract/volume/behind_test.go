package volume

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// lvmSum is the checksum of LVM2: CRC-32 from its own seed, without inversions.
func lvmSum(b []byte) uint32 { return ^crc32.Update(^uint32(0xf597a6cf), crc32.IEEETable, b) }

// physical writes metadata of LVM2 to the start of a drive, as lvm2's
// lib/format_text/layout.h tells: extents of 1 MiB, the first at first. Each volume is
// its extents, in order; areas are where its metadata areas begin, of 64 KiB each.
func physical(drive []byte, first int64, areas []int64, volumes ...[]int) {
	var b strings.Builder
	fmt.Fprintf(&b, "g { seqno = 5 extent_size = 2048 physical_volumes { pv0 { id = \"%s\" pe_start = %d pe_count = %d } } logical_volumes {", strings.Repeat("a", 32), first/512, (int64(len(drive))-first)/mib)
	for i, list := range volumes {
		fmt.Fprintf(&b, "lv%d { status = [\"VISIBLE\"] segment_count = %d", i, len(list))
		for k, extent := range list {
			fmt.Fprintf(&b, " segment%d { start_extent = %d extent_count = 1 type = \"striped\" stripe_count = 1 stripes = [\"pv0\", %d] }", k+1, k, extent)
		}
		b.WriteString("}\n")
	}
	b.WriteString("} }")
	le := binary.LittleEndian
	label := drive[512:1024]
	clear(label)
	copy(label, "LABELONE")
	le.PutUint64(label[8:], 1)
	le.PutUint32(label[20:], 32)
	copy(label[24:], "LVM2 001")
	copy(label[32:], bytes.Repeat([]byte{'a'}, 32))
	le.PutUint64(label[72:], mib) // of a data area: 0 ends their list
	for i, at := range areas {
		le.PutUint64(label[104+16*i:], uint64(at))
		le.PutUint64(label[112+16*i:], 64<<10)
		putArea(drive, at, b.String())
	}
	le.PutUint32(label[16:], lvmSum(label[20:]))
}

// putArea writes a metadata area with a text.
func putArea(drive []byte, at int64, text string) {
	le := binary.LittleEndian
	h := drive[at : at+512]
	clear(h)
	copy(h[4:], " LVM2 x[5A%r0N*>")
	le.PutUint32(h[20:], 1)
	le.PutUint64(h[24:], uint64(at))
	le.PutUint64(h[32:], 64<<10)
	le.PutUint64(h[40:], 512)
	le.PutUint64(h[48:], uint64(len(text)))
	le.PutUint32(h[56:], lvmSum([]byte(text)))
	le.PutUint32(h, lvmSum(h[4:]))
	copy(drive[at+512:], text)
}

// layout fills the extents of a volume with content.
func layout(drive []byte, first int64, extents []int, content []byte) {
	for i, e := range extents {
		copy(drive[first+int64(e)*mib:][:mib], piece(content, int64(i)*mib, mib))
	}
}

// mirror is a drive with array metadata 1.2 and content at 1 MiB.
func mirror(content []byte) []byte {
	d := make([]byte, len(content)+2*mib)
	copy(d[mib:], content)
	copy(d[4096:], mdSuper(4096, 1, mib/512, uint64(len(content)/512)))
	return d
}

// Metadata may stand in whatever a layer gives, at any depth, and where a person
// says that a volume begins.
func TestBehind(t *testing.T) {
	ntfs := unpack(t, "../../cmd/fileassay/testdata/ferry.img.zst")[32768:]
	ntfs = append(ntfs, make([]byte, -len(ntfs)&(mib-1))...)
	n := len(ntfs) / mib
	one, shuffled := make([]int, n), make([]int, n)
	for i := range n {
		one[i], shuffled[i] = i+1, 2*n-2*i
	}
	group := func(lists ...[]int) []byte {
		d := make([]byte, mib*(3*n+4))
		physical(d, mib, []int64{4096}, lists...)
		for _, l := range lists {
			layout(d, mib, l, ntfs)
		}
		return d
	}
	// one of two with stripes begins like the whole; its metadata stands at the end
	striped := stripes{chunk: 64 << 10, drives: 2}.member(ntfs, 0, int64(n+1)*mib, 0)
	end := (int64(len(striped))/512 - 16) &^ 7 * 512
	copy(striped[end:], mdSuper(end, 0, 0, uint64(n*mib/512)))
	logical := func(extents []int) []byte {
		d := make([]byte, mib*(3*n+4))
		physical(d, mib, []int64{4096}, extents)
		layout(d, mib, extents, striped)
		return d
	}
	first := append(slices.Clone(one), n+5)
	wiped := group(shuffled)
	clear(wiped[512:1024])
	twin := group(one)
	physical(twin, mib, []int64{4096}, one, []int{n, n + 1})
	over := make([]byte, mib*(3*n+4))
	physical(over, 0, []int64{4096}, append([]int{1, 2, 0}, shuffled[3:]...))
	keep := bytes.Clone(over[:mib])
	layout(over, 0, append([]int{1, 2, 0}, shuffled[3:]...), ntfs)
	copy(over, keep[:8192])
	past := group(one)
	physical(past[:mib*(n/2)], mib, []int64{4096}, one)
	nested := mirror(striped)
	twoEnds := slices.Concat(striped, make([]byte, mib)) // a mirror at whose end stands the other's metadata
	outer := (int64(len(twoEnds))/512 - 16) &^ 7 * 512
	copy(twoEnds[outer:], mdSuper(outer, 1, 0, uint64(len(striped)/512)))
	tabled := append(stripes{chunk: 64 << 10, drives: 2}.member(slices.Concat(make([]byte, mib), ntfs), 0, int64(n+1)*mib, 0), make([]byte, mib)...)
	tail := (int64(len(tabled))/512 - 16) &^ 7 * 512
	copy(tabled[mib:], ntfs[:mib])
	copy(tabled[tail:], mdSuper(tail, 0, 0, uint64((n+1)*mib/512)))
	putMBR(tabled, 0, bootEntry{Type: 0x07, Start: 2048, Sectors: uint32(n * mib / 512)})
	pool := group(shuffled)
	pool = append(pool, make([]byte, mib)...)
	copy(pool[mib+int64(shuffled[0])*mib:], ntfs[:mib])
	putMBR(pool, 0, bootEntry{Type: 0x07, Start: uint32(2048 * (1 + shuffled[0])), Sectors: uint32(n * mib / 512)})
	for _, c := range []struct {
		name  string
		drive []byte
		at    int64 // where a person says that it begins; 0 where it is found
		holes []unread
		doubt string // "" where it is proved, "-" where it is not listed
	}{
		{"a logical volume", group(one), 0, nil, ""},
		{"a logical volume in pieces", group(shuffled), 0, nil, ""},
		{"in a mirror", mirror(group(shuffled)), 0, nil, ""},
		{"its end unread", group(one), 0, []unread{{int64(n)*mib + mib, 4096}}, ""},
		{"in a mirror, given by hand", mirror(group(one)), 3 * mib, nil, ""},
		{"in pieces in a mirror, given by hand", mirror(group(shuffled)), mib + mib + int64(shuffled[0])*mib, nil, "not in one piece"},
		{"stripes in a logical volume, their metadata unread", logical(first), 0, []unread{{int64(first[n]+1-n)*mib + end, 4096}}, "Linux md, version 1.0"},
		{"stripes in a logical volume, their metadata read", logical(first), 0, nil, "-"},
		{"stripes in a mirror, their metadata unread", nested, 0, []unread{{mib + end, 4096}}, "Linux md, version 1.0"},
		{"stripes in a mirror, given by hand", nested, mib, nil, "RAID 0 of 2 drives"},
		{"stripes in a mirror, both with metadata at the end", twoEnds, 0, nil, "-"},
		{"two logical volumes in one place", twin, 0, nil, "lv1 too"},
		{"over a metadata area", over, 0, nil, "lies over the label"},
		{"past the extents", past, 0, nil, "extents past the"},
		{"stripes with a table in them, their metadata read", tabled, 0, nil, "RAID 0 of 2 drives"},
		{"a table on a physical volume", pool, 0, nil, "is a physical volume of LVM2"},
		{"the label wiped", wiped, 0, nil, "label is unread or damaged"},
		{"the label unread", group(shuffled), 0, []unread{{512, 512}}, "label is unread or damaged"},
	} {
		r := reader(t, c.drive, 512, c.holes...)
		var l *Layout
		var err error
		if c.at > 0 {
			l, err = At(t.Context(), r, c.at, "ntfs", extract.Options{})
		} else {
			l, err = Find(t.Context(), r, extract.Options{})
		}
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		i := slices.IndexFunc(l.Volumes, func(v Volume) bool { return v.Filesystem == "ntfs" && v.Reason == "" })
		if (i < 0) != (c.doubt == "-") {
			t.Errorf("%s: %+v", c.name, l.Volumes)
		}
		if i < 0 {
			continue
		}
		v := &l.Volumes[i]
		if told := strings.Join(v.Doubt, "; "); (told != "") != (c.doubt != "") || !strings.Contains(told, c.doubt) || c.doubt != "" && c.holes != nil && !slices.ContainsFunc(v.Needs, func(n ranges.Range) bool {
			return n.Start <= c.holes[0].start && c.holes[0].start < n.End
		}) {
			t.Errorf("%s: doubt %q, want %q; needs %v", c.name, told, c.doubt, v.Needs)
		}
		fs, err := Open(t.Context(), r, v, extract.Options{})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		proved := 0
		survey, err := fs.Walk(t.Context(), func(f *extract.File) error {
			if !f.RecordUnread {
				proved++
			}
			return nil
		})
		if err != nil || (proved > 0) != (c.doubt == "") || survey.Listing.Complete && c.doubt != "" {
			t.Errorf("%s: %d proved, complete %v, %v", c.name, proved, survey.Listing.Complete, err)
		}
	}
}

// What holds itself ends, and what overlaps is bounded.
func TestBehindEnds(t *testing.T) {
	drive := make([]byte, 8*mib)
	all := []int{0, 1, 2, 3, 4, 5, 6, 7}
	physical(drive, 0, []int64{4096}, slices.Repeat([][]int{all}, 40)...)
	l := mustFind(t, reader(t, drive, 512))
	if len(l.Volumes) > 3*maxOverlap || !strings.Contains(strings.Join(l.Missing, "\n"), "the others are left aside") {
		t.Errorf("%d volumes, missing %q", len(l.Volumes), l.Missing)
	}
	copy(drive[4096:], mdSuper(4096, 1, 0, 8*mib/512))
	if l = mustFind(t, reader(t, drive, 512)); len(l.Volumes) != 1 || !strings.Contains(l.Volumes[0].Reason, "over the metadata itself") {
		t.Errorf("%+v", l.Volumes)
	}
}
