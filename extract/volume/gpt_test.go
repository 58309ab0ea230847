package volume

import (
	"encoding/binary"
	"hash/crc32"
	"io"
	"io/fs"
	"strings"
	"testing"

	"github.com/diskfs/go-diskfs/backend"
	"github.com/diskfs/go-diskfs/partition/gpt"
	"github.com/google/go-cmp/cmp"
)

// memory is a disk that go-diskfs writes tables to.
type memory struct {
	backend.File
	disk []byte
}

func (m *memory) WriteAt(p []byte, off int64) (int, error) { return copy(m.disk[off:], p), nil }
func (m *memory) Stat() (fs.FileInfo, error)               { return imageInfo{int64(len(m.disk))}, nil }
func (m *memory) ReadAt(p []byte, off int64) (int, error) {
	if off >= int64(len(m.disk)) {
		return 0, io.EOF
	}
	return copy(p, m.disk[off:]), nil
}

// gptDisk is a drive of 64 Ki sectors with two partitions of the toy
// filesystem. go-diskfs, not our own code, writes the table.
func gptDisk(t testing.TB, unit int64) []byte {
	t.Helper()
	disk := make([]byte, 4096*unit)
	tab := gpt.Table{
		LogicalSectorSize: int(unit), PhysicalSectorSize: int(unit), ProtectiveMBR: true,
		GUID: "6F2C9E04-9C5B-4B0E-8B4E-6B0C6B7C0F11",
		Partitions: []*gpt.Partition{
			{Index: 1, Start: 256, End: 1279, Type: gpt.MicrosoftBasicData, Name: "Räume", GUID: "823D37C6-7A42-49AA-BC71-9D7DDB628ABC"},
			{Index: 3, Start: 2048, End: 2559, Type: gpt.LinuxFilesystem, Name: "herbarium", GUID: "7BCBCEB9-A4A5-46F1-8ABE-700FF780E4C5"},
		},
	}
	if err := tab.Write(&memory{disk: disk}, int64(len(disk))); err != nil {
		t.Fatal(err)
	}
	putToy(disk, 256*unit, 1024*unit)
	putToy(disk, 2048*unit, 512*unit)
	return disk
}

// seal makes the checksums of the header at a place, and of its array, hold.
func seal(disk []byte, at, unit int64) {
	h := disk[at : at+unit]
	le := binary.LittleEndian
	lba, n := int64(le.Uint64(h[72:])), int64(le.Uint32(h[80:]))*int64(le.Uint32(h[84:]))
	if a := lba * unit; a+n <= int64(len(disk)) {
		le.PutUint32(h[88:], crc32.ChecksumIEEE(disk[a:a+n]))
	}
	le.PutUint32(h[16:], 0)
	le.PutUint32(h[16:], crc32.ChecksumIEEE(h[:le.Uint32(h[12:])]))
}

func gptWant(unit int64) []brief {
	return []brief{
		{256 * unit, 1024 * unit, "toy", "GPT entry 1"},
		{2048 * unit, 512 * unit, "toy", "GPT entry 3"},
	}
}

// UEFI Specification 2.10, section 5.3.2: the checksum is the CRC-32 whose
// check value over "123456789" is CBF43926.
func TestChecksum(t *testing.T) {
	if got := crc32.ChecksumIEEE([]byte("123456789")); got != 0xCBF43926 {
		t.Errorf("CRC-32 of the check string is %08X", got)
	}
}

// UEFI Specification 2.10, section 5.3.3: the EFI system partition's type, and
// its bytes on disk by appendix A.
func TestGUID(t *testing.T) {
	g := guid{0x28, 0x73, 0x2A, 0xC1, 0x1F, 0xF8, 0xD2, 0x11, 0xBA, 0x4B, 0x00, 0xA0, 0xC9, 0x3E, 0xC9, 0x3B}
	if got, want := g.String(), "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got := gptType(g.String()).name; got != "EFI system" {
		t.Errorf("its name is %q", got)
	}
}

func TestGPT(t *testing.T) {
	const last = 4095 * sec // backup header
	put := func(at int64, v uint64) func([]byte) {
		return func(d []byte) { binary.LittleEndian.PutUint64(d[at:], v) }
	}
	for _, tt := range []struct {
		name  string
		holes []unread
		harm  func(disk []byte)
		notes []string // each of them stands in a note
		quiet bool     // no note at all
	}{
		{name: "healthy", quiet: true},
		{name: "primary header unread", holes: []unread{{sec, sec}}, notes: []string{"not read; the backup header in sector 4095 is used"}},
		{name: "MBR and primary unread", holes: []unread{{0, 34 * sec}}, notes: []string{"sector 0 was not read; the GPT is used", "backup header in sector 4095 is used"}},
		{name: "backup unread", holes: []unread{{last - 32*sec, 33 * sec}}, notes: []string{"no usable GPT backup header"}},
		{name: "MBR unread", holes: []unread{{0, sec}}, notes: []string{"sector 0 was not read; the GPT is used"}},
		{
			name: "primary header and backup array unread", holes: []unread{{sec, sec}, {last - 32*sec, 32 * sec}},
			notes: []string{"primary entries at sector 2 match the backup header"},
		},
		{
			name: "primary array and backup header unread", holes: []unread{{2 * sec, sec}, {last, sec}},
			notes: []string{"backup entries at sector 4063 are used"},
		},
		{
			name: "each array unread elsewhere", holes: []unread{{2 * sec, 4 * sec}, {last - 20*sec, sec}},
			notes: []string{"put together from both copies and match their checksum"},
		},
		{
			name: "both headers unread", holes: []unread{{sec, sec}, {last, sec}},
			notes: []string{"no header vouches for the GPT entries"},
		},
		{
			name: "primary array damaged", harm: func(d []byte) { d[2*sec+33] ^= 4 },
			notes: []string{"primary entries fail their checksum; the backup entries at sector 4063 are used"},
		},
		{
			name: "an entry damaged in both arrays", harm: func(d []byte) { d[2*sec+60] ^= 4; d[last-32*sec+61] ^= 4 },
			notes: []string{"no header vouches for the GPT entries"},
		},
		{
			name: "backup moved away from the end", harm: func(d []byte) {
				copy(d[3000*sec:], d[last-32*sec:last])
				copy(d[3032*sec:], d[last:])
				clear(d[last-32*sec:])
				put(3032*sec+24, 3032)(d)
				put(3032*sec+72, 3000)(d)
				seal(d, 3032*sec, sec)
				put(sec+32, 3032)(d)
				seal(d, sec, sec)
				d[2*sec] ^= 1 // so that the backup is needed
			},
			notes: []string{"backup entries at sector 3000 are used"},
		},
		{
			name: "header of a whole sector", harm: func(d []byte) { d[sec+12], d[sec+13], d[sec+400] = 0, 2, 7; seal(d, sec, sec) },
			quiet: true,
		},
		{
			name: "primary says another place", harm: func(d []byte) { put(sec+24, 2)(d); seal(d, sec, sec) },
			notes: []string{"it says that it stands in sector 2; the backup header"},
		},
		{
			name: "hostile count", harm: func(d []byte) { put(sec+80, 0x80_FFFFFFFF)(d); seal(d, sec, sec) },
			notes: []string{"it describes 4294967295 entries of 128 bytes; the backup"},
		},
		{
			name: "hostile entry size", harm: func(d []byte) { put(sec+80, 200<<32|128)(d); seal(d, sec, sec) },
			notes: []string{"it describes 128 entries of 200 bytes; the backup"},
		},
		{
			name: "array past the drive", harm: func(d []byte) { put(sec+72, 1<<60)(d); seal(d, sec, sec) },
			notes: []string{"places the entries in sector 1152921504606846976, past the end of the drive", "primary entries at sector 2 match the backup header"},
		},
		{
			name: "protective record overwritten with zeros", harm: func(d []byte) { clear(d[:sec]) },
			notes: []string{"sector 0 holds no protective MBR"},
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			disk := gptDisk(t, sec)
			if tt.harm != nil {
				tt.harm(disk)
			}
			l := mustFind(t, reader(t, disk, sec, tt.holes...))
			if l.Scheme != SchemeGPT || l.SectorSize != sec {
				t.Errorf("scheme %q, unit %d", l.Scheme, l.SectorSize)
			}
			if d := cmp.Diff(gptWant(sec), briefs(l)); d != "" {
				t.Errorf("volumes (-want +got):\n%s", d)
			}
			for _, n := range tt.notes {
				if !hasNote(l, n) {
					t.Errorf("no note with %q in %q", n, l.Notes)
				}
			}
			if tt.quiet && len(l.Notes) > 0 {
				t.Errorf("notes on a healthy table: %q", l.Notes)
			}
		})
	}
}

// UEFI Specification 2.10, section 5.3.2: a header whose checksum does not hold
// is not used, the backup is, and "Software must report whenever it restores
// a GPT".
func TestEveryByteOfTheHeaderCounts(t *testing.T) {
	for at := range int64(92) {
		disk := gptDisk(t, sec)
		disk[sec+at] ^= 0x10
		l := mustFind(t, reader(t, disk, sec))
		if d := cmp.Diff(gptWant(sec), briefs(l)); d != "" {
			t.Errorf("byte %d: volumes (-want +got):\n%s", at, d)
		}
		if !hasNote(l, "the backup header in sector 4095 is used") {
			t.Errorf("byte %d: the use of the backup is not said: %q", at, l.Notes)
		}
	}
}

// An entry that was read in neither copy may name a volume, which is then found
// by its own boot sector.
func TestEntryUnreadInBothArrays(t *testing.T) {
	disk := gptDisk(t, sec)
	l := mustFind(t, reader(t, disk, sec, unread{2 * sec, sec}, unread{4063 * sec, sec}))
	want := []brief{
		{256 * sec, 1024 * sec, "toy", "boot sector at offset 131072 (no table)"},
		{2048 * sec, 512 * sec, "toy", "boot sector at offset 1048576 (no table)"},
	}
	if d := cmp.Diff(want, briefs(l)); d != "" {
		t.Errorf("volumes (-want +got):\n%s", d)
	}
}

func TestGPTUnits(t *testing.T) {
	for _, unit := range []int64{512, 4096} {
		for _, opened := range []int64{512, 4096} {
			for _, holes := range [][]unread{nil, {{0, 2 * 4096}}} {
				l := mustFind(t, reader(t, gptDisk(t, unit), opened, holes...))
				if d := cmp.Diff(gptWant(unit), briefs(l)); d != "" || l.SectorSize != unit {
					t.Errorf("unit %d opened as %d, holes %v: unit %d, volumes (-want +got):\n%s", unit, opened, holes, l.SectorSize, d)
				}
			}
		}
	}
}

// Every state of the two copies' sectors gives the volumes, whatever stands in
// the unread ones.
func TestGPTHealth(t *testing.T) {
	l := mustFind(t, reader(t, gptDisk(t, sec), sec, unread{sec, sec}, unread{3 * sec, sec}))
	var got []string
	for _, s := range l.Structures {
		got = append(got, s.Name+": "+string(s.Health))
	}
	want := []string{"master boot record: read", "GPT primary header: unread", "GPT primary entries: partly read", "GPT backup header: read", "GPT backup entries: read"}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("structures (-want +got):\n%s", d)
	}
}

func TestHybrid(t *testing.T) {
	disk := gptDisk(t, sec)
	putMBR(disk, 0, bootEntry{Type: 0xEE, Start: 1, Sectors: 255},
		bootEntry{Type: 0x07, Start: 256, Sectors: 1024}, bootEntry{Type: 0x0C, Start: 3000, Sectors: 128})
	putToy(disk, 3000*sec, 128*sec)
	l := mustFind(t, reader(t, disk, sec))
	want := append(gptWant(sec), brief{3000 * sec, 128 * sec, "toy", "MBR partition 3"})
	if d := cmp.Diff(want, briefs(l)); d != "" || l.Scheme != SchemeHybrid {
		t.Errorf("scheme %q, volumes (-want +got):\n%s", l.Scheme, d)
	}
	if !hasNote(l, "MBR partition 3", "hybrid") {
		t.Errorf("notes %q", l.Notes)
	}
}

// A drive that was partitioned anew with an MBR still carries its old GPT.
func TestResidualGPT(t *testing.T) {
	disk := gptDisk(t, sec)
	putMBR(disk, 0, bootEntry{Type: 0x07, Start: 64, Sectors: 3000})
	putToy(disk, 64*sec, 3000*sec)
	l := mustFind(t, reader(t, disk, sec))
	want := []brief{{64 * sec, 3000 * sec, "toy", "MBR partition 1"}}
	if d := cmp.Diff(want, briefs(l)); d != "" || l.Scheme != SchemeMBR || !hasNote(l, "a GPT is left aside") {
		t.Errorf("scheme %q, notes %q, volumes (-want +got):\n%s", l.Scheme, l.Notes, d)
	}
}

// A drive that was formatted whole still carries the backup of its old GPT.
func TestBareOverGPT(t *testing.T) {
	disk := gptDisk(t, sec)
	putToy(disk, 0, int64(len(disk))-512)
	l := mustFind(t, reader(t, disk, sec))
	want := []brief{{0, int64(len(disk)), "toy", "bare volume"}}
	if d := cmp.Diff(want, briefs(l)); d != "" || l.Scheme != SchemeNone || !hasNote(l, "a GPT of 2 entries is left aside") {
		t.Errorf("scheme %q, notes %q, volumes (-want +got):\n%s", l.Scheme, l.Notes, d)
	}
}

func TestGPTBadPlaces(t *testing.T) {
	disk := gptDisk(t, sec)
	entry := func(i int64, first, last uint64) {
		b := disk[2*sec+128*i:]
		copy(b, disk[2*sec:2*sec+16])
		binary.LittleEndian.PutUint64(b[32:], first)
		binary.LittleEndian.PutUint64(b[40:], last)
	}
	entry(4, 300, 400)      // inside the first
	entry(5, 9000, 10000)   // past the drive
	entry(6, 500, 499)      // ends before it begins
	entry(7, 1<<63, 1<<63)  // nowhere
	entry(8, 2600, 1000000) // reaches past the drive
	seal(disk, sec, sec)
	l := mustFind(t, reader(t, disk, sec))
	for _, n := range []string{
		"GPT entry 5 begins at offset 153600 inside GPT entry 1", "GPT entry 6: begins at offset 4608000, past the end of the drive",
		"GPT entry 7: ends in sector 499", "GPT entry 8: lies at sectors 9223372036854775808", "GPT entry 9: reaches to offset 512000512, past the end of the drive",
	} {
		if !hasNote(l, n) {
			t.Errorf("no note %q in:\n%s", n, strings.Join(l.Notes, "\n"))
		}
	}
	if d := cmp.Diff(gptWant(sec)[0], briefs(l)[0]); d != "" {
		t.Errorf("first volume (-want +got):\n%s", d)
	}
}

// Where nothing of a GPT was read but the record that says there is one, the
// volumes are found by themselves, and so are those of a drive whose tables
// are all unread.
func TestGPTGone(t *testing.T) {
	want := []brief{
		{256 * sec, 1024 * sec, "toy", "boot sector at offset 131072 (no table)"},
		{2048 * sec, 512 * sec, "toy", "boot sector at offset 1048576 (no table)"},
	}
	for _, tt := range []struct {
		holes []unread
		note  string
	}{
		{[]unread{{sec, 33 * sec}, {4063 * sec, 33 * sec}}, "the protective MBR says that the drive has a GPT"},
		{[]unread{{0, 34 * sec}, {4063 * sec, 33 * sec}}, "the partition table in sector 0 was not read"},
	} {
		l := mustFind(t, reader(t, gptDisk(t, sec), sec, tt.holes...))
		if d := cmp.Diff(want, briefs(l)); d != "" || l.Scheme != SchemeUnknown || !hasNote(l, tt.note) {
			t.Errorf("scheme %q, notes %q, volumes (-want +got):\n%s", l.Scheme, l.Notes, d)
		}
	}
}

// A drive whose table names nothing, and on which nothing is found, is told of
// as a whole.
func TestNothingToTellOf(t *testing.T) {
	for _, tt := range []struct {
		name  string
		build func(d []byte)
		note  string
	}{
		{"protective record alone", func(d []byte) { clear(d[sec:]) }, "no entries of it could be used"},
		{"a GPT without entries", func(d []byte) {
			clear(d[2*sec : 34*sec])
			clear(d[256*sec : 4095*sec])
			seal(d, sec, sec)
			seal(d, 4095*sec, sec)
		}, "the GPT has no partitions"},
	} {
		disk := gptDisk(t, sec)
		tt.build(disk)
		l := mustFind(t, reader(t, disk, sec))
		if len(l.Volumes) != 1 || l.Volumes[0].Found != "whole drive" || l.Volumes[0].Reason == "" || !hasNote(l, tt.note) {
			t.Errorf("%s: %v, notes %q", tt.name, briefs(l), l.Notes)
		}
	}
}
