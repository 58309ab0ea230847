package verify_test

import (
	"bytes"
	"encoding/binary"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/verify"
	"fileassay/verify/ownertest"
	"fileassay/verify/result"
	"fileassay/verify/truthtest"
)

// These tests are about drives that had other tenants before. What holds of all
// results is in ownertest: no file is intact that is not the one of now, no list
// is called complete that lacks something of now, every unread byte is counted
// once, nothing is listed twice, and no volume of now is missed without a word.

const (
	sect = ownertest.Sector
	mib  = ownertest.MiB
)

var remake = flag.Bool("remake", false, "make the drives of testdata/owners anew, where FILEASSAY_TOOLS=1")

// owned is a drive as a case has it.
type owned struct {
	name   string
	drive  *ownertest.Disk
	unread []imap.Range

	open       []int // volumes of now that are listed with all their files
	intact     []int // of which every file is intact, and the list complete
	doubted    []int // in whose place no file is intact
	named      []int // that are listed or named
	rivals     []int // former volumes that are listed or named
	incomplete bool  // the list as a whole
	complete   bool
	either     bool // or the doubted volumes are listed as complete
	also       func(t *testing.T, s *ownertest.Seen)
}

func failed(start, length int64) imap.Range {
	return imap.Range{Start: start, Length: length, State: imap.Failed}
}

// look runs verify over a drive of which some ranges, in order, were not read.
func look(t testing.TB, d *ownertest.Disk, whole []byte, unread []imap.Range) *ownertest.Seen {
	t.Helper()
	o := shell(t, d, unread)
	if _, err := verify.RunThrough(t.Context(), o, bytes.NewReader(d.Image)); err != nil {
		t.Fatalf("verify: %v", err)
	}
	return &ownertest.Seen{Drive: d, Whole: whole, Unread: unread, Result: truthtest.Read(t, o.Result)}
}

// shell is an image file of the drive's size, and its map. What the file holds is
// given beside it.
func shell(t testing.TB, d *ownertest.Disk, unread []imap.Range) verify.Options {
	t.Helper()
	dir := t.TempDir()
	o := verify.Options{Image: filepath.Join(dir, "drive.img"), Map: filepath.Join(dir, "map.csv"), Result: filepath.Join(dir, "result.jsonl")}
	write(t, o.Image, "")
	if err := os.Truncate(o.Image, d.Size); err != nil {
		t.Fatal(err)
	}
	truthtest.WriteMap(t, o.Map, d.Size, unread)
	return o
}

// check runs a case and holds it to what is wanted and to the facts.
func (c owned) check(t *testing.T, whole *ownertest.Disk) {
	t.Helper()
	t.Run(c.name, func(t *testing.T) {
		t.Helper()
		s := look(t, c.drive, whole.Image, c.unread)
		for _, f := range s.Faults() {
			t.Errorf("%s: %s", f.Class, f.Text)
		}
		for _, i := range slices.Concat(c.open, c.intact) {
			v := &c.drive.Volumes[i]
			r := s.Lists(v)
			if r == nil {
				t.Errorf("%s %q at %d is not listed", v.Kind, v.Label, v.Start)
				continue
			}
			files := map[string]*result.File{}
			for k := range s.Result.Files {
				if f := &s.Result.Files[k]; f.Volume == r.Volume {
					files[filepath.Base(f.Path)] = f
				}
			}
			strict := slices.Contains(c.intact, i)
			for _, f := range v.Files {
				if g := files[f.Path]; g == nil || strict && g.Verdict != result.Intact {
					t.Errorf("%s %q at %d: %s is not listed, or not as intact: %+v", v.Kind, v.Label, v.Start, f.Path, g)
					break
				}
			}
			if strict && !r.Listing.Complete {
				t.Errorf("%s %q at %d: the list is not complete: %q", v.Kind, v.Label, v.Start, r.Listing.Why)
			}
		}
		if c.either {
			r := s.Lists(&c.drive.Volumes[c.doubted[0]])
			if r != nil && r.Listing.Complete {
				c.doubted, c.rivals, c.incomplete = nil, nil, false
			}
		}
		for _, i := range c.doubted {
			v := &c.drive.Volumes[i]
			for k := range s.Result.Files {
				f := &s.Result.Files[k]
				r := &s.Result.Volumes[f.Volume-1]
				if f.Verdict == result.Intact && r.Start < v.End() && v.Start < r.Start+r.Length {
					t.Errorf("%s of the %s volume at %d is intact, in the place of %s %q", f.Path, r.Filesystem, r.Start, v.Kind, v.Label)
					break
				}
			}
		}
		for _, i := range c.named {
			if v := &c.drive.Volumes[i]; !s.Names(v) {
				t.Errorf("%s %q at %d is neither listed nor named", v.Kind, v.Label, v.Start)
			}
		}
		for _, i := range c.rivals {
			if v := &c.drive.Former[i]; !s.Names(v) {
				t.Errorf("the former %s %q at %d is neither listed nor named", v.Kind, v.Label, v.Start)
			}
		}
		if c.incomplete && s.Result.Summary.ListingComplete {
			t.Error("the list is called complete")
		}
		if c.complete && !s.Result.Summary.ListingComplete {
			t.Errorf("the list is not complete: %q", s.Result.Image.Missing)
		}
		if c.also != nil {
			c.also(t, s)
		}
		if t.Failed() {
			t.Logf("table %s, notes %q, missing %q", s.Result.Image.Table, s.Result.Image.Notes, s.Result.Image.Missing)
			for _, v := range s.Result.Volumes {
				t.Logf("%+v %q %s at %d of %d, found by %s: %d intact, complete %v %q, notes %q", v.Volume, v.Label, v.Filesystem, v.Start, v.Length, v.Found,
					v.Files.Intact, v.Listing.Complete, v.Listing.Why, v.Notes)
			}
		}
	})
}

func checkAll(t *testing.T, whole *ownertest.Disk, list ...owned) {
	t.Helper()
	for i, c := range list {
		if testing.Short() && len(list) > 2 && i%3 != 0 { // the others run without -short
			continue
		}
		if c.drive == nil {
			c.drive = whole
		}
		c.check(t, whole)
	}
}

// upTo are the numbers below n.
func upTo(n int) []int {
	var out []int
	for i := range n {
		out = append(out, i)
	}
	return out
}

// The places of a GPT.
const (
	gptHeader  = 1 * sect
	gptEntries = 2 * sect
)

func backupEntries(d *ownertest.Disk) int64 { return d.Size - 33*sect }
func backupHeader(d *ownertest.Disk) int64  { return d.Size - sect }

// A drive without former tenants loses nothing.
func TestOwnersClean(t *testing.T) {
	for name, primaries := range map[string][]owned{
		"clean-gpt": {
			{name: "ext4", intact: upTo(4), complete: true},
			{name: "FAT16", intact: []int{0, 2, 3}, incomplete: true},
			{name: "NTFS", intact: upTo(4), complete: true},
			{name: "exFAT", intact: upTo(4), complete: true},
		},
		"clean-mbr": {
			{name: "NTFS", intact: upTo(6), complete: true},
			{name: "FAT32", intact: upTo(6), complete: true},
			{name: "ext4", intact: upTo(6), complete: true},
			{name: "FAT16 in a logical drive", intact: []int{0, 1, 2, 4, 5}, incomplete: true},
			{name: "NTFS in a logical drive", intact: upTo(6), complete: true},
			{name: "ext2", intact: []int{0, 1, 2, 3, 4}, incomplete: true},
		},
	} {
		t.Run(name, func(t *testing.T) {
			d := ownertest.Load(t, name, *remake)
			all := upTo(len(d.Volumes))
			checkAll(t, d,
				owned{name: "all read", intact: all, complete: true},
				owned{name: "sector 0", unread: []imap.Range{failed(0, sect)}, intact: all, complete: name == "clean-gpt"},
			)
			for i, c := range primaries {
				c.name += " primary"
				c.unread = []imap.Range{ownertest.Primary(&d.Volumes[i])}
				checkAll(t, d, c)
			}
			if name == "clean-gpt" {
				checkAll(t, d,
					owned{name: "primary table", unread: []imap.Range{failed(0, 34*sect)}, intact: all, complete: true},
					owned{name: "primary entries", unread: []imap.Range{failed(gptEntries, sect)}, intact: all, complete: true},
					owned{name: "backup table", unread: []imap.Range{failed(backupEntries(d), 33*sect)}, intact: all, complete: true})
			}
		})
	}
}

// Number 1: a backup of the table that is of another age than the primary.
func TestOwnersTableCopies(t *testing.T) {
	d := ownertest.Load(t, "stale-gpt", *remake)
	agree, older := d.With("agree"), d.With("older primary")
	// volumes: 0 stands in both tables; 1, 2 and 3 in that of now alone
	checkAll(t, d,
		owned{name: "copies agree", drive: agree, intact: upTo(4), complete: true},
		// the backup may be stale, and a former volume stands where no table that was read is sure to be current
		owned{name: "copies agree, primary unread", drive: agree, unread: []imap.Range{failed(0, 34*sect)}, open: upTo(4)},
		owned{name: "stale backup, all read", open: upTo(4), intact: []int{0}, rivals: []int{1}, incomplete: true},
		owned{name: "stale backup, a sector of entries unread", unread: []imap.Range{failed(gptEntries, sect)}, named: upTo(4), incomplete: true},
		owned{name: "stale backup, a sector without entries unread", unread: []imap.Range{failed(gptEntries+5*sect, sect)}, open: upTo(4), incomplete: true},
		owned{name: "stale backup, the last sector of entries unread", unread: []imap.Range{failed(gptEntries+31*sect, sect)}, open: upTo(4), incomplete: true},
		owned{name: "stale backup, primary header unread", unread: []imap.Range{failed(gptHeader, sect)}, named: upTo(4), incomplete: true},
		owned{name: "stale backup, sectors 0 and 1 unread", unread: []imap.Range{failed(0, 2*sect)}, named: upTo(4), incomplete: true},
		owned{name: "stale backup, primary unread", unread: []imap.Range{failed(0, 34*sect)}, named: upTo(4), incomplete: true},
		owned{name: "stale backup, primary read as zeros", drive: d.Edited(func(img []byte) { clear(img[sect : 34*sect]) }), named: upTo(4), incomplete: true},
		owned{name: "older primary, all read", drive: older, named: upTo(4), incomplete: true},
		owned{name: "older primary, a sector of its entries unread", drive: older, unread: []imap.Range{failed(gptEntries, sect)}, named: upTo(4), incomplete: true},
		owned{name: "older primary, a sector of the backup unread", drive: older, unread: []imap.Range{failed(backupEntries(d)+9*sect, sect)}, named: upTo(4), incomplete: true},
		owned{name: "older primary, backup header unread", drive: older, unread: []imap.Range{failed(backupHeader(d), sect)}, named: upTo(4), incomplete: true},
	)
}

// Number 2: sector 0 is unread.
func TestOwnersSectorZero(t *testing.T) {
	zero := []imap.Range{failed(0, sect)}
	for _, name := range []string{"bare-ntfs", "bare-ext"} {
		d := ownertest.Load(t, name, *remake)
		checkAll(t, d,
			owned{name: name + ", all read", intact: upTo(3), complete: true},
			owned{name: name, unread: zero, open: upTo(3), incomplete: true},
			owned{name: name + ", the first 4 KiB", unread: []imap.Range{failed(0, 4096)}, open: upTo(3), incomplete: true},
			owned{name: name + ", a table of zeros", drive: d.Edited(func(img []byte) { clear(img[:sect]) }), open: upTo(3), incomplete: true},
			owned{name: name + ", and an ext4 superblock", unread: []imap.Range{failed(0, sect), ownertest.Primary(&d.Volumes[0])}, named: upTo(3), open: []int{1, 2}, incomplete: true},
		)
	}
	// the table was read, and nothing in its partitions is known: the former volume must not win for that
	ext := ownertest.Load(t, "bare-ext", *remake)
	var heads []imap.Range
	for i := range ext.Volumes {
		heads = append(heads, failed(ext.Volumes[i].Start, 64<<10))
		heads = append(heads, ownertest.Copies(&ext.Volumes[i])...)
	}
	checkAll(t, ext, owned{name: "bare-ext, the table read and all heads unread", unread: heads, incomplete: true, doubted: upTo(3)})
	stale := ownertest.Load(t, "stale-gpt", *remake)
	mbr := stale.With("relabelled")
	checkAll(t, stale,
		owned{name: "relabelled, all read", drive: mbr, intact: upTo(4)},
		owned{name: "relabelled", drive: mbr, unread: zero, open: upTo(4), incomplete: true},
		owned{name: "relabelled, the whole head", drive: mbr, unread: []imap.Range{failed(0, 34*sect)}, open: upTo(4), incomplete: true},
	)
	fat := ownertest.Load(t, "bare-fat32", *remake)
	checkAll(t, fat,
		owned{name: "FAT32 over a GPT, all read", intact: upTo(1), complete: true},
		owned{name: "FAT32 over a GPT", unread: zero, open: upTo(1)},
		owned{name: "FAT32 over a GPT, a head of zeros", drive: fat.Edited(func(img []byte) { clear(img[:sect]) }), open: upTo(1)},
	)
}

// Number 3: a search finds a former volume that encloses those of now.
func TestOwnersEnclosed(t *testing.T) {
	d := ownertest.Load(t, "enclosed", *remake)
	checkAll(t, d,
		owned{name: "all read", intact: upTo(3), complete: true},
		owned{name: "the table unread", unread: []imap.Range{failed(0, sect)}, open: upTo(3), rivals: []int{0}, incomplete: true},
		owned{name: "the table zeros", drive: d.Edited(func(img []byte) { clear(img[:sect]) }), open: upTo(3), rivals: []int{0}, incomplete: true},
		owned{name: "the table and the former superblock unread", unread: []imap.Range{failed(0, sect), failed(1*mib+1024, 1024)}, open: upTo(3), incomplete: true},
		owned{name: "the table and a superblock unread", unread: []imap.Range{failed(0, sect), ownertest.Primary(&d.Volumes[0])}, open: []int{1, 2}, incomplete: true, doubted: []int{0}},
	)
}

// A volume of one group has no copy of its superblock: its descriptors and its root
// folder speak for it.
func TestOwnersOneGroup(t *testing.T) {
	d := ownertest.Load(t, "one-group", *remake)
	primaries := []imap.Range{ownertest.Primary(&d.Volumes[0]), ownertest.Primary(&d.Volumes[1])}
	checkAll(t, d,
		owned{name: "all read", intact: upTo(2), complete: true},
		owned{name: "both superblocks unread", unread: primaries, doubted: upTo(2), incomplete: true},
		owned{name: "and the table", unread: append([]imap.Range{failed(0, sect)}, primaries...), doubted: upTo(2), incomplete: true},
		owned{name: "both superblocks and the table zeros", drive: d.Edited(func(img []byte) {
			for _, r := range append([]imap.Range{failed(0, sect)}, primaries...) {
				clear(img[r.Start:r.End()])
			}
		}), doubted: upTo(2), incomplete: true},
	)
}

// chain are the records of the logical drives of clean-mbr, in the order of its
// chain, and where the extended partition begins.
func chain(img []byte) (extended int64, records []int64) {
	le := binary.LittleEndian
	extended = int64(le.Uint32(img[ownertest.Entry(0, 2)+8:])) * sect
	for at := extended; ; {
		records = append(records, at)
		e := img[ownertest.Entry(at, 1):]
		if e[4] == 0 {
			return extended, records
		}
		at = extended + int64(le.Uint32(e[8:]))*sect
	}
}

// link makes entry n of the record at one place point to the record at another.
func link(img []byte, extended, from int64, n int, to int64) {
	e := img[ownertest.Entry(from, n):][:16]
	clear(e)
	if to < 0 {
		return
	}
	e[4] = 5
	binary.LittleEndian.PutUint32(e[8:], uint32((to-extended)/sect))
	binary.LittleEndian.PutUint32(e[12:], uint32(8*mib/sect))
}

// Number 4: what the chain of logical drives leaves dark is searched.
func TestOwnersLogical(t *testing.T) {
	d := ownertest.Load(t, "clean-mbr", *remake)
	extended, rec := chain(d.Image)
	if len(rec) != 4 {
		t.Fatalf("the chain has %d records", len(rec))
	}
	all := upTo(6)
	disordered := d.Edited(func(img []byte) { // first, last, second, third
		link(img, extended, rec[0], 1, rec[3])
		link(img, extended, rec[3], 1, rec[1])
		link(img, extended, rec[2], 1, -1)
	})
	checkAll(t, d,
		owned{name: "a record unread", unread: []imap.Range{failed(rec[1], sect)}, open: all, incomplete: true},
		owned{name: "the first record unread", unread: []imap.Range{failed(rec[0], sect)}, open: all, incomplete: true},
		owned{name: "the last record unread", unread: []imap.Range{failed(rec[3], sect)}, open: all, incomplete: true},
		owned{name: "out of order, all read", drive: disordered, intact: all, complete: true},
		owned{name: "out of order, a record unread", drive: disordered, unread: []imap.Range{failed(rec[1], sect)}, open: all, incomplete: true},
		owned{name: "out of order, the last record unread", drive: disordered, unread: []imap.Range{failed(rec[3], sect)}, open: all, incomplete: true},
		owned{name: "out of order, the first record unread", drive: disordered, unread: []imap.Range{failed(rec[0], sect)}, open: all, incomplete: true},
		owned{name: "a link back", drive: d.Edited(func(img []byte) { link(img, extended, rec[1], 1, rec[0]) }), open: all, incomplete: true},
		owned{name: "a link to itself", drive: d.Edited(func(img []byte) { link(img, extended, rec[2], 1, rec[2]) }), open: all, incomplete: true},
		owned{name: "a second link", drive: d.Edited(func(img []byte) {
			link(img, extended, rec[1], 1, rec[3])
			link(img, extended, rec[1], 2, rec[2])
			link(img, extended, rec[2], 1, -1)
		}), open: all},
		owned{name: "a link past the extended partition", drive: d.Edited(func(img []byte) { link(img, extended, rec[1], 1, 79*mib+512) }), open: all, incomplete: true},
		owned{name: "a record without entries", drive: d.Edited(func(img []byte) { clear(img[rec[1]+446 : rec[1]+510]) }), open: all, incomplete: true},
		owned{name: "a first record without entries", drive: d.Edited(func(img []byte) { clear(img[rec[0]+446 : rec[0]+510]) }), open: all, incomplete: true},
		owned{name: "a record of zeros", drive: d.Edited(func(img []byte) { clear(img[rec[1] : rec[1]+sect]) }), open: all, incomplete: true},
	)
}

// Number 5: a volume is empty only where every sector says so.
func TestOwnersEmpty(t *testing.T) {
	d := ownertest.Load(t, "clean-mbr", *remake)
	fat := d.Volumes[1]
	head := func(n int64) *ownertest.Disk {
		return d.Edited(func(img []byte) { clear(img[fat.Start : fat.Start+n]) })
	}
	bare := ownertest.Load(t, "bare-fat32", *remake)
	checkAll(t, d,
		owned{name: "the first 256 KiB zeros", drive: head(256 << 10), incomplete: true, intact: []int{0, 2, 3, 4, 5}},
		owned{name: "the first mebibyte zeros", drive: head(1 * mib), incomplete: true, intact: []int{0, 2, 3, 4, 5}},
		owned{name: "a few sectors in the middle unread", drive: d.Edited(func(img []byte) { clear(img[fat.Start:fat.End()]) }),
			unread: []imap.Range{failed(fat.Start+20*mib+3*sect, 2*sect)}, incomplete: true, intact: []int{0, 2, 3, 4, 5}},
		owned{name: "the head unread, the rest zeros", drive: d.Edited(func(img []byte) { clear(img[fat.Start:fat.End()]) }),
			unread: []imap.Range{failed(fat.Start, 8*sect)}, incomplete: true, intact: []int{0, 2, 3, 4, 5}},
	)
	few := ownertest.Load(t, "sparse", *remake)
	checkAll(t, few,
		owned{name: "three files", drive: few.Edited(func(img []byte) { clear(img[1*mib : 1*mib+256<<10]) }), incomplete: true},
		owned{name: "three files, the head zeros to the files", drive: few.Edited(func(img []byte) { clear(img[1*mib : bytes.Index(img, []byte("OWNER01 file"))]) }), incomplete: true})
	checkAll(t, bare,
		owned{name: "a bare one", drive: bare.Edited(func(img []byte) { clear(img[:256<<10]) }), incomplete: true})
}

// Number 6: the type of a partition is a hint.
func TestOwnersTypes(t *testing.T) {
	d := ownertest.Load(t, "clean-mbr", *remake)
	_, rec := chain(d.Image)
	typed := func(to byte) *ownertest.Disk {
		return d.Edited(func(img []byte) {
			img[ownertest.Entry(0, 0)+4] = to // NTFS
			img[ownertest.Entry(rec[0], 0)+4] = to
			img[ownertest.Entry(rec[3], 0)+4] = to // ext2
		})
	}
	super := ownertest.Primary(&d.Volumes[5])
	swap := typed(0x82)
	boot, copies := ownertest.Primary(&d.Volumes[0]), ownertest.Copies(&d.Volumes[0])
	for _, tt := range []struct {
		name string
		d    *ownertest.Disk
	}{{"swap", swap}, {"FAT16", typed(6)}, {"Linux", typed(0x83)}, {"a RAID", typed(0xfd)}, {"LVM", typed(0x8e)}, {"an unknown type", typed(0xda)}} {
		checkAll(t, d,
			owned{name: tt.name + ", all read", drive: tt.d, intact: upTo(6)},
			owned{name: tt.name + ", an ext4 superblock unread", drive: tt.d, unread: []imap.Range{ownertest.Primary(&d.Volumes[2])}, intact: upTo(6)},
			owned{name: tt.name + ", an ext2 superblock unread", drive: tt.d, unread: []imap.Range{ownertest.Primary(&d.Volumes[5])}, incomplete: true},
			owned{name: tt.name + ", an ext2 superblock zeros", drive: tt.d.Edited(func(img []byte) { clear(img[super.Start:super.End()]) }), incomplete: true},
			owned{name: tt.name + ", the head of ext2 unread", drive: tt.d, unread: []imap.Range{failed(d.Volumes[5].Start, 1*mib)}, incomplete: true},
			owned{name: tt.name + ", NTFS boot sector and copy unread", drive: tt.d, unread: []imap.Range{boot, copies[0]}, incomplete: true},
			owned{name: tt.name + ", NTFS boot sector and copy zeros", drive: tt.d.Edited(func(img []byte) {
				clear(img[boot.Start:boot.End()])
				clear(img[copies[0].Start:copies[0].End()])
			}), incomplete: true},
		)
	}
}

// Number 7: partitions that overlap.
func TestOwnersOverlap(t *testing.T) {
	d := ownertest.Load(t, "overlap", *remake)
	over := d.With("overlap")
	fat := d.Volumes[1]
	same := over.Edited(func(img []byte) { // a third entry that begins where the second does
		e := ownertest.Entry(0, 1)
		copy(img[e+16:e+32], img[e:e+16])
		binary.LittleEndian.PutUint32(img[e+16+12:], uint32(12*mib/sect))
	})
	end := []imap.Range{failed(fat.End()-3*mib, 4096)}
	checkAll(t, d,
		owned{name: "all read", drive: over, named: upTo(2), incomplete: true},
		owned{name: "a file of both unread", drive: over, unread: []imap.Range{failed(12*mib, 64<<10)}, named: upTo(2), incomplete: true},
		owned{name: "the second boot sector unread", drive: over, unread: []imap.Range{failed(fat.Start, sect)}, incomplete: true},
		owned{name: "the first superblock unread", drive: over, unread: []imap.Range{failed(1*mib+1024, 1024)}, incomplete: true},
		owned{name: "one start, two lengths", drive: same, named: upTo(2), incomplete: true},
		owned{name: "one start, two lengths, content unread", drive: same, unread: []imap.Range{failed(fat.Start+2*mib, 64<<10)}, named: upTo(2), incomplete: true},
		owned{name: "one start, two lengths, the boot sector unread", drive: same, unread: []imap.Range{failed(fat.Start, sect)}, incomplete: true},
		owned{name: "one start, two lengths, the longer tail unread", drive: same, unread: end, named: upTo(2), incomplete: true},
	)
}

// Number 8: an Apple map that contradicts itself.
func TestOwnersAppleMap(t *testing.T) {
	d := ownertest.Load(t, "apple", *remake)
	be := binary.BigEndian
	edit := func(f func(img []byte)) *ownertest.Disk { return d.Edited(f) }
	checkAll(t, d,
		owned{name: "all read", intact: upTo(3), complete: true},
		owned{name: "sector 0 unread", unread: []imap.Range{failed(0, sect)}, intact: upTo(3)},
		owned{name: "an entry unread", unread: []imap.Range{failed(3*sect, sect)}, open: upTo(3)},
		owned{name: "the first entry says two", drive: edit(func(img []byte) { be.PutUint32(img[sect+4:], 2) }), open: upTo(3), incomplete: true},
		owned{name: "all entries but one say two", drive: edit(func(img []byte) {
			for i := 1; i < 4; i++ {
				be.PutUint32(img[i*sect+4:], 2)
			}
		}), open: upTo(3), incomplete: true},
		owned{name: "the last entry says nine", drive: edit(func(img []byte) { be.PutUint32(img[4*sect+4:], 9) }), open: upTo(3), incomplete: true},
		owned{name: "an entry of length 0", drive: edit(func(img []byte) { be.PutUint32(img[3*sect+12:], 0) }), open: upTo(3), incomplete: true},
		owned{name: "the last entry of length 0", drive: edit(func(img []byte) { be.PutUint32(img[4*sect+12:], 0) }), open: upTo(3), incomplete: true},
		owned{name: "an entry of zeros", drive: edit(func(img []byte) { clear(img[3*sect : 4*sect]) }), open: upTo(3), incomplete: true},
	)
}

// Number 8: a volume inside another's file is content.
func TestOwnersNested(t *testing.T) {
	d := ownertest.Load(t, "nested", *remake)
	host := &d.Volumes[0]
	boot, copies := ownertest.Primary(host), ownertest.Copies(host)
	zeros := func(r ...imap.Range) *ownertest.Disk {
		return d.Edited(func(img []byte) {
			for _, r := range r {
				clear(img[r.Start:r.End()])
			}
		})
	}
	alone := d.Edited(func(img []byte) {
		clear(img[ownertest.Entry(0, 1):][:16])
		clear(img[d.Volumes[1].Start:d.Volumes[1].End()])
	})
	alone.Volumes = alone.Volumes[:1]
	table := failed(0, sect)
	checkAll(t, d,
		owned{name: "all read", intact: upTo(2), complete: true},
		owned{name: "boot sector and copy zeros", drive: zeros(boot, copies[0]), intact: []int{1}, incomplete: true, doubted: []int{0}},
		owned{name: "boot sector and copy zeros of the only partition", drive: alone.Edited(func(img []byte) {
			clear(img[boot.Start:boot.End()])
			clear(img[copies[0].Start:copies[0].End()])
		}), incomplete: true, doubted: []int{0}},
		owned{name: "boot sector and copy unread", unread: []imap.Range{boot, copies[0]}, intact: []int{1}, incomplete: true, doubted: []int{0}},
		owned{name: "sector 0 unread", unread: []imap.Range{table}, open: upTo(2)},
		owned{name: "sector 0 zeros", drive: zeros(table), open: upTo(2)},
		owned{name: "sector 0 and boot sector unread", unread: []imap.Range{table, boot}, open: upTo(2)},
		owned{name: "sector 0 unread, boot sector zeros", drive: zeros(boot), unread: []imap.Range{table}, open: upTo(2)},
		owned{name: "sector 0, boot sector and copy unread", unread: []imap.Range{table, boot, copies[0]}, open: []int{1}, incomplete: true},
	)
}

// Number 9: the last part of a sector, shorter than the filler, is not read.
func TestOwnersFillerAtTheEnd(t *testing.T) {
	filler := []byte("NOT READ BY THE DRIVE")
	for _, rest := range []int{1, 5, len(filler) - 1, len(filler), len(filler) + 1, 100} {
		for _, prefix := range []bool{true, false} {
			rnd := rand.NewChaCha8([32]byte{9})
			img := make([]byte, 64*sect+rest)
			_, _ = rnd.Read(img)
			for _, at := range []int{3 * sect, 4 * sect, 64 * sect} {
				part := img[at:min(at+sect, len(img))]
				copy(part, bytes.Repeat(filler, sect/len(filler)+1))
			}
			dir := t.TempDir()
			path := filepath.Join(dir, "drive.img")
			write(t, path, string(img))
			r, err := image.Open(path, imap.All(int64(len(img))), image.Options{})
			if err != nil {
				t.Fatal(err)
			}
			m, err := imap.FillerSearch{Filler: filler, Prefix: prefix, State: imap.Failed}.Run(t.Context(), r, int64(len(img)), extract.Options{})
			r.Close()
			if err != nil {
				t.Fatal(err)
			}
			var unread int64
			for rg := range m.Ranges() {
				if rg.State != imap.Read {
					unread += rg.Length
				}
			}
			if want := int64(2*sect + rest); unread != want {
				t.Errorf("%d bytes of filler at the end, prefix %v: %d bytes are unread, not %d", rest, prefix, unread, want)
			}
		}
	}
}

// starts are what is unread of a volume's start.
func starts(v *ownertest.Volume) map[string]imap.Range {
	return map[string]imap.Range{"sector 0": failed(v.Start, sect), "bytes 1024 to 2047": failed(v.Start+1024, 1024), "the first 4 KiB": failed(v.Start, 4096)}
}

// Rivals: partitions that were formatted twice.
func TestOwnersRivals(t *testing.T) {
	for _, name := range []string{"rivals-ext", "rivals-ntfs", "rivals-fat32"} {
		d := ownertest.Load(t, name, *remake)
		all := upTo(len(d.Volumes))
		checkAll(t, d, owned{name: name + ", all read", intact: all, complete: true})
		for i := range d.Volumes {
			v := &d.Volumes[i]
			if !d.Former[i].Alive {
				t.Errorf("nothing is left of the former %s in the place of %s", d.Former[i].Kind, v.Kind)
			}
			p := ownertest.Primary(v)
			for what, u := range starts(v) {
				others := slices.DeleteFunc(slices.Clone(all), func(k int) bool { return k == i })
				c := owned{name: d.Former[i].Kind + " then " + v.Kind + ", " + what, unread: []imap.Range{u}}
				switch {
				case u.Start >= p.End() || p.Start >= u.End():
					c.intact = all // the first structure of now was read, and refutes the other
				default:
					c.intact, c.doubted, c.incomplete, c.rivals = others, []int{i}, true, []int{i}
				}
				if slices.ContainsFunc(ownertest.Copies(v), func(p imap.Range) bool { return p.Start >= u.End() }) {
					c.named = []int{i}
				}
				// what was read of the volume of now where NTFS writes its boot code
				// refutes NTFS: then the other may be proved
				c.either = c.doubted != nil && d.Former[i].Kind == "ntfs" && (v.Kind == "exfat" || u.Length < 4096)
				checkAll(t, d, c)
				if c.doubted != nil {
					c.name += " read as zeros"
					c.unread = nil
					c.drive = d.Edited(func(img []byte) { clear(img[u.Start:u.End()]) })
					checkAll(t, d, c)
				}
			}
		}
	}
}

// A rival that other structures refute costs nothing: none of its own was left
// unread where they stand.
func TestOwnersRefuted(t *testing.T) {
	for _, name := range []string{"rivals-ext", "rivals-ntfs", "rivals-fat32"} {
		d := ownertest.Load(t, name, *remake)
		for i := range d.Volumes {
			// a sector in the middle of the volume, far from structures
			v := &d.Volumes[i]
			checkAll(t, d, owned{name: "the middle of " + v.Kind, unread: []imap.Range{failed(v.Start+v.Length*3/4+8*sect, sect)}, intact: upTo(len(d.Volumes)), complete: true})
		}
	}
}

// Group descriptors that were read and fail their check against a superblock
// taken from a copy are a contradiction.
func TestOwnersDescriptors(t *testing.T) {
	d := ownertest.Load(t, "clean-gpt", *remake)
	other := ownertest.Load(t, "clean-mbr", *remake)
	v, w := &d.Volumes[0], &other.Volumes[2]
	foreign := d.Edited(func(img []byte) { copy(img[v.Start+2048:v.Start+2048+1024], other.Image[w.Start+2048:]) })
	super := []imap.Range{ownertest.Primary(v)}
	checkAll(t, d,
		owned{name: "those of another volume", drive: foreign, unread: super, doubted: []int{0}, incomplete: true, intact: []int{1, 2, 3}})
	r := ownertest.Load(t, "rivals-ext", *remake)
	checkAll(t, r,
		owned{name: "those of the volume of now", unread: []imap.Range{ownertest.Primary(&r.Volumes[0])}, doubted: []int{0}, incomplete: true, intact: []int{1}})
}

// A volume larger than its partition.
func TestOwnersTooLarge(t *testing.T) {
	d := ownertest.Load(t, "too-large", *remake)
	first, second := &d.Volumes[0], &d.Volumes[1]
	for _, c := range []owned{
		{name: "all read", intact: []int{1}, incomplete: true},
		{name: "its superblock unread", unread: []imap.Range{ownertest.Primary(first)}, intact: []int{1}, incomplete: true},
		{name: "the second boot sector unread", unread: []imap.Range{ownertest.Primary(second)}, incomplete: true},
		{name: "the table unread", unread: []imap.Range{failed(0, sect)}, incomplete: true, named: upTo(2)},
	} {
		c.also = func(t *testing.T, s *ownertest.Seen) {
			for _, f := range s.Result.Files {
				r := s.Result.Volumes[f.Volume-1]
				for _, e := range f.Extents {
					if r.Start == first.Start && f.Verdict == result.Intact && e[1]+e[2] > second.Start {
						t.Errorf("%s is intact, and reaches %d, past the partition", f.Path, e[1]+e[2])
					}
				}
			}
		}
		checkAll(t, d, c)
	}
}

// A partition a little larger or smaller than its volume still opens by the
// copies.
func TestOwnersLittleDifference(t *testing.T) {
	d := ownertest.Load(t, "clean-mbr", *remake)
	_, rec := chain(d.Image)
	length := map[int]int64{0: ownertest.Entry(0, 0), 1: ownertest.Entry(0, 1), 2: ownertest.Entry(rec[0], 0), 4: ownertest.Entry(rec[2], 0)}
	for i, entry := range length {
		v := &d.Volumes[i]
		for _, by := range []int64{-8, -1, 1, 8, 63} {
			if i > 1 && by > 0 { // the record of the next logical drive stands there
				continue
			}
			other := d.Edited(func(img []byte) {
				binary.LittleEndian.PutUint32(img[entry+12:], uint32(v.Length/sect+by))
			})
			name := fmt.Sprintf("%s at %d in a partition of %+d sectors", v.Kind, v.Start, by)
			checkAll(t, d,
				owned{name: name + ", all read", drive: other, open: []int{i}},
				owned{name: name + ", primary unread", drive: other, unread: []imap.Range{ownertest.Primary(v)}, open: []int{i}})
		}
	}
}

// The unit of an MBR needs two facts that do not depend on each other.
func TestOwnersUnit(t *testing.T) {
	d := ownertest.Load(t, "member", *remake)
	md := failed(1*mib+4096, 4096)
	for name, unread := range map[string][]imap.Range{
		"the RAID's superblock unread":          {md},
		"and that of the second volume":         {md, ownertest.Primary(&d.Volumes[1])},
		"the head of both":                      {failed(1*mib, 64<<10), failed(14*mib, 64<<10)},
		"the second volume's superblock unread": {ownertest.Primary(&d.Volumes[1])},
	} {
		checkAll(t, d, owned{name: name, unread: unread, incomplete: len(unread) > 1})
		l, err := verify.LayoutThrough(t.Context(), shell(t, d, unread), bytes.NewReader(d.Image))
		if err != nil {
			t.Fatal(err)
		}
		var got []int64
		for _, p := range l.Partitions {
			got = append(got, p.Start)
		}
		if !slices.Equal(got, []int64{1 * mib, 14 * mib}) {
			t.Errorf("%s: partitions begin at %v", name, got)
		}
	}
}
