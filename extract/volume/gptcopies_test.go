package volume

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/diskfs/go-diskfs/partition/gpt"
	"github.com/google/go-cmp/cmp"

	"fileassay/extract/image"
)

const (
	tableSectors = 4096 // of the drives of these tests
	backupAt     = tableSectors - 33
	backupHeader = tableSectors - 1
)

// gptOf is a drive with a GPT of entries of the given sectors, by number, and a
// toy volume in each.
func gptOf(t testing.TB, entries map[int][2]uint64) []byte {
	t.Helper()
	disk := make([]byte, tableSectors*sec)
	tab := gpt.Table{
		LogicalSectorSize: sec, PhysicalSectorSize: sec, ProtectiveMBR: true,
		GUID: "6F2C9E04-9C5B-4B0E-8B4E-6B0C6B7C0F11",
	}
	for i := 1; i <= 128; i++ {
		e, ok := entries[i]
		if !ok {
			continue
		}
		tab.Partitions = append(tab.Partitions, &gpt.Partition{
			Index: i, Start: e[0], End: e[1], Type: gpt.MicrosoftBasicData, Name: "plates", GUID: fmt.Sprintf("823D37C6-7A42-49AA-BC71-%012X", e[0]),
		})
	}
	if err := tab.Write(&memory{disk: disk}, int64(len(disk))); err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		putToy(disk, int64(e[0])*sec, int64(e[1]-e[0]+1)*sec)
	}
	return disk
}

// The former table and the present one: entry 1 is in both, 2 was moved, 3 was
// deleted, 5 is new.
var (
	formerEntries  = map[int][2]uint64{1: {256, 767}, 2: {1024, 1535}, 3: {1600, 1799}}
	presentEntries = map[int][2]uint64{1: {256, 767}, 2: {2048, 2559}, 5: {3000, 3199}}
)

// staleBackup is a drive whose present table was written to the primary alone.
func staleBackup(t testing.TB) []byte {
	disk := gptOf(t, presentEntries)
	copy(disk[backupAt*sec:], gptOf(t, formerEntries)[backupAt*sec:])
	return disk
}

// told is what a table says, in short: its entries, with "?" after those in
// doubt, then those of its rivals, and whether something vouches for it.
func told(t *testing.T, r *image.Reader) string {
	t.Helper()
	boot := readBootSector(r, "master boot record", 0)
	tab := readGPT(r, &boot)
	if tab == nil {
		return "none"
	}
	if dark := len(tab.dark) == 1 && tab.dark[0] == wholeDrive(r)[0]; dark == tab.vouched {
		t.Errorf("vouched %v, dark %v", tab.vouched, tab.dark)
	}
	var out []string
	for _, list := range [][]Partition{tab.partitions, tab.rivals} {
		for _, p := range list {
			s := fmt.Sprintf("%d:%d", p.Number, p.Start/sec)
			if p.Doubt != "" {
				s += "?"
			}
			out = append(out, s)
		}
		out = append(out, "|")
	}
	if tab.vouched {
		out = append(out, "vouched")
	}
	return strings.TrimSpace(strings.Join(out, " "))
}

func noise(seed uint64, b []byte) {
	rnd := rand.New(rand.NewPCG(seed, 7))
	for i := range b {
		b[i] = byte(rnd.Uint32())
	}
}

func TestStaleBackup(t *testing.T) {
	const (
		// what the copies disagree on when the primary's entries were read
		both = "1:256 2:2048? 5:3000? | 2:1024? 3:1600? |"
		// what the backup alone says, without anything read against it
		alone = "1:256 2:1024 3:1600 | |"
	)
	zero := func(from, to int64) func([]byte) { return func(d []byte) { clear(d[from*sec : to*sec]) } }
	garbage := func(from, to int64) func([]byte) { return func(d []byte) { noise(1, d[from*sec:to*sec]) } }
	for _, tt := range []struct {
		name  string
		holes []unread
		harm  func([]byte)
		want  string
	}{
		{name: "all read", want: both},
		{name: "sector 0 unread", holes: []unread{{0, sec}}, want: both},
		{name: "primary header unread", holes: []unread{{sec, sec}}, want: both},
		{name: "primary header zeros", harm: zero(1, 2), want: both},
		{name: "primary header noise", harm: garbage(1, 2), want: both},
		{name: "a sector of the array without entries unread", holes: []unread{{9 * sec, sec}}, want: both},
		{name: "header and a sector without entries unread", holes: []unread{{sec, sec}, {9 * sec, sec}}, want: both},
		// the header alone says that the backup is not its own
		{name: "array unread", holes: []unread{{2 * sec, 32 * sec}}, want: "1:256? 2:1024? 3:1600? | |"},
		{name: "array zeros", harm: zero(2, 34), want: "1:256? 2:1024? 3:1600? | |"},
		{name: "array noise", harm: garbage(2, 34), want: "1:256? 2:1024? 3:1600? | |"},
		{name: "first sector of the array unread", holes: []unread{{2 * sec, sec}}, want: "1:256? 2:1024? 3:1600? 5:3000? | |"},
		// nothing that was read contradicts the backup, and nothing shows that it is current
		{name: "primary unread", holes: []unread{{0, 34 * sec}}, want: alone},
		{name: "primary zeros", harm: zero(0, 34), want: alone},
		{name: "primary noise", harm: garbage(0, 34), want: alone},
		{name: "primary but zeros unread", holes: []unread{{sec, 3 * sec}}, want: alone},
		// what is left of the primary contradicts
		{name: "second sector alone read", holes: []unread{{sec, 2 * sec}, {4 * sec, 30 * sec}}, want: "1:256? 2:1024? 3:1600? 5:3000? | |"},
		{name: "noise in the first sector", holes: []unread{{sec, sec}}, harm: garbage(2, 3), want: "1:256? 2:1024? 3:1600? 5:3000? | |"},
		{name: "noise in another sector", holes: []unread{{sec, sec}}, harm: garbage(7, 9), want: both},
		// the backup's side
		{name: "backup header unread", holes: []unread{{backupHeader * sec, sec}}, want: both},
		{name: "backup header noise", harm: garbage(backupHeader, backupHeader+1), want: both},
		{name: "backup array unread", holes: []unread{{backupAt * sec, 32 * sec}}, want: "1:256? 2:2048? 5:3000? | |"},
		{name: "backup unread", holes: []unread{{backupAt * sec, 33 * sec}}, want: "1:256 2:2048 5:3000 | | vouched"},
		{name: "backup zeros", harm: zero(backupAt, tableSectors), want: "1:256 2:2048 5:3000 | | vouched"},
		{name: "both headers unread", holes: []unread{{sec, sec}, {backupHeader * sec, sec}}, want: both},
	} {
		t.Run(tt.name, func(t *testing.T) {
			disk := staleBackup(t)
			if tt.harm != nil {
				tt.harm(disk)
			}
			if got := told(t, reader(t, disk, sec, tt.holes...)); got != tt.want {
				t.Errorf("\n got %s\nwant %s", got, tt.want)
			}
		})
	}
}

// The backup is the newer one where an old primary was put back: what drivers
// follow is listed, and what only the backup names is not missed.
func TestStalePrimary(t *testing.T) {
	disk := gptOf(t, presentEntries)
	copy(disk[:34*sec], gptOf(t, formerEntries)[:34*sec])
	if got, want := told(t, reader(t, disk, sec)), "1:256 2:1024? 3:1600? | 2:2048? 5:3000? |"; got != want {
		t.Errorf("\n got %s\nwant %s", got, want)
	}
	r := reader(t, disk, sec)
	boot := readBootSector(r, "master boot record", 0)
	tab := readGPT(r, &boot)
	for _, p := range append(tab.partitions, tab.rivals...) {
		if p.Number == 1 {
			continue
		}
		l := Layout{Notes: tab.notes}
		if !strings.Contains(p.Doubt, "backup GPT in sector 4095") || !hasNote(&l, fmt.Sprintf("GPT entry %d: ", p.Number), p.Doubt) {
			t.Errorf("entry %d: doubt %q, notes %q", p.Number, p.Doubt, tab.notes)
		}
	}
	if tab.healthy || tab.structures[2].Health != "disagrees" {
		t.Errorf("healthy %v, structures %v", tab.healthy, tab.structures)
	}
}

// Copies that agree vouch for each other as far as they were read: what is
// proved needs the primary's header or all of its entries.
func TestCopiesThatAgree(t *testing.T) {
	const proved, open = "1:256 2:2048 5:3000 | | vouched", "1:256 2:2048 5:3000 | |"
	for _, tt := range []struct {
		name  string
		holes []unread
		want  string
	}{
		{"all read", nil, proved},
		{"primary header unread", []unread{{sec, sec}}, proved},
		{"primary array unread", []unread{{2 * sec, 32 * sec}}, proved},
		{"each array partly", []unread{{2 * sec, sec}, {(backupAt + 1) * sec, 4 * sec}}, proved},
		{"primary array and backup header unread", []unread{{2 * sec, sec}, {backupHeader * sec, sec}}, proved},
		{"backup unread", []unread{{backupAt * sec, 33 * sec}}, proved},
		{"primary header and some entries unread", []unread{{sec, 2 * sec}}, open},
		{"primary unread", []unread{{sec, 33 * sec}}, open},
		{"headers unread", []unread{{sec, sec}, {backupHeader * sec, sec}}, open},
		{"first entries unread in both", []unread{{2 * sec, sec}, {backupAt * sec, sec}}, "5:3000 | |"},
	} {
		if got := told(t, reader(t, gptOf(t, presentEntries), sec, tt.holes...)); got != tt.want {
			t.Errorf("%s:\n got %s\nwant %s", tt.name, got, tt.want)
		}
	}
}

// A header is used where it was read itself, though not the rest of its sector.
func TestHeaderPartlyRead(t *testing.T) {
	for _, tt := range []struct {
		hole unread
		good bool
	}{
		{unread{4096 + sec, 7 * sec}, true},
		{unread{4096, sec}, false},
	} {
		r := reader(t, gptDisk(t, 4096), sec, tt.hole)
		boot := readBootSector(r, "master boot record", 0)
		l := Layout{Notes: readGPT(r, &boot).notes}
		if hasNote(&l, "GPT primary header in sector 1: its sector was not read") == tt.good {
			t.Errorf("unread %v: notes %q", tt.hole, l.Notes)
		}
	}
}

// Headers that differ in more than their places are those of two tables,
// though these name the same places.
func TestHeadersThatDisagree(t *testing.T) {
	for _, tt := range []struct {
		name string
		harm func(d []byte)
	}{
		{"disk GUID", func(d []byte) { d[backupHeader*sec+56] ^= 1 }},
		{"first usable sector", func(d []byte) { d[backupHeader*sec+40] ^= 1 }},
		{"last usable sector", func(d []byte) { d[backupHeader*sec+48] ^= 1 }},
		{"where the primary stands", func(d []byte) { d[backupHeader*sec+32] ^= 2 }},
		{"a name", func(d []byte) { d[backupAt*sec+56] ^= 1 }},
		{"the order of entries", func(d []byte) {
			e := append([]byte{}, d[backupAt*sec:backupAt*sec+128]...)
			copy(d[backupAt*sec:], d[backupAt*sec+128:backupAt*sec+256])
			copy(d[backupAt*sec+128:], e)
		}},
	} {
		disk := gptOf(t, presentEntries)
		tt.harm(disk)
		seal(disk, backupHeader*sec, sec)
		if got, want := told(t, reader(t, disk, sec)), "1:256 2:2048 5:3000 | |"; got != want {
			t.Errorf("%s:\n got %s\nwant %s", tt.name, got, want)
		}
	}
}

// Of several backups none is taken for the only one where the primary's header
// does not say which is its own.
func TestTwoBackups(t *testing.T) {
	disk := gptOf(t, presentEntries)
	former := gptOf(t, formerEntries)
	// the former drive ended 40 sectors before
	at := int64(backupHeader - 40)
	copy(disk[(at-32)*sec:], former[backupAt*sec:backupHeader*sec])
	header := disk[at*sec : (at+1)*sec]
	copy(header, former[backupHeader*sec:])
	for off, v := range map[int]int64{24: at, 72: at - 32} {
		header[off], header[off+1] = byte(v), byte(v>>8)
	}
	seal(disk, at*sec, sec)
	for _, tt := range []struct {
		holes []unread
		want  string
	}{
		{nil, "1:256 2:2048 5:3000 | | vouched"},
		{[]unread{{0, 34 * sec}}, "1:256 2:2048? 5:3000? | 2:1024? 3:1600? |"},
	} {
		if got := told(t, reader(t, disk, sec, tt.holes...)); got != tt.want {
			t.Errorf("unread %v:\n got %s\nwant %s", tt.holes, got, tt.want)
		}
	}
}

// The volumes of the present table are found, whatever sector of its primary is
// not read, though the backup names others.
func TestStaleBackupMissesNothing(t *testing.T) {
	disk := staleBackup(t)
	for at := range int64(34) {
		l := mustFind(t, reader(t, disk, sec, unread{at * sec, sec}))
		for n, e := range presentEntries {
			found := false
			for _, v := range l.Volumes {
				found = found || v.Filesystem == "toy" && v.Start == int64(e[0])*sec
			}
			if !found {
				t.Errorf("sector %d unread: entry %d is missed: %v", at, n, briefs(l))
			}
		}
	}
}

// Whatever became of the sectors of both copies, a table that something vouches
// for is the present one, and an entry that the primary was read to contradict
// does not stand.
func TestCopiesAtRandom(t *testing.T) {
	rnd := rand.New(rand.NewPCG(16, 1))
	clean := staleBackup(t)
	tables := []int64{1, 2, 3, 9, backupAt, backupAt + 1, backupAt + 7, backupHeader}
	for range 3000 {
		disk := append([]byte{}, clean...)
		var holes []unread
		states := map[int64]int{}
		for _, at := range tables {
			s := disk[at*sec : (at+1)*sec]
			states[at] = rnd.IntN(5)
			switch states[at] {
			case 0:
				holes = append(holes, unread{at * sec, sec})
				noise(rnd.Uint64(), s)
			case 1:
				clear(s)
			case 2:
				noise(rnd.Uint64(), s)
			}
		}
		got := told(t, reader(t, disk, sec, holes...))
		if strings.Contains(got, "vouched") && got != "1:256 2:2048 5:3000 | | vouched" {
			t.Fatalf("%v: vouched for %s", states, got)
		}
		followed, _, _ := strings.Cut(got, "|")
		if states[2] > 2 && (strings.Contains(followed, "2:1024") || strings.Contains(got+" ", "3:1600 ")) {
			t.Fatalf("%v: the primary's entries were read, and there stands %s", states, got)
		}
		if states[1] > 2 && states[backupHeader] > 2 && strings.Contains(got+" ", "2:1024 ") {
			t.Fatalf("%v: the headers disagree, and there stands %s", states, got)
		}
	}
}

// A table of any number of entries over each other, and copies of other
// shapes, cost no more than sorting them.
func TestManyEntriesThatDisagree(t *testing.T) {
	const count = 32768
	g := gptReader{unit: sec}
	slots := func(shift uint64) []gptSlot {
		list := make([]gptSlot, count)
		for i := range list {
			list[i] = gptSlot{gptEntry{Type: guid{1}, First: uint64(i) + shift, Last: 1 << 40}, true}
		}
		return list
	}
	f := followed{g: &g, slots: slots(1), doubts: map[int]string{}}
	f.against(slots(7), &gptCopy{}, true)
	if len(f.doubts) != 6 || len(f.rivals) != 6 || !f.differ {
		t.Errorf("%d doubts, %d rivals", len(f.doubts), len(f.rivals))
	}
	f.against(slots(1<<30), &gptCopy{}, true)
	if len(f.rivals) != maxPartitions || f.left == 0 {
		t.Errorf("%d rivals are held, %d left aside", len(f.rivals), f.left)
	}
}

func TestPlacesOver(t *testing.T) {
	slot := func(first, last uint64) gptSlot {
		return gptSlot{gptEntry{Type: guid{1}, First: first, Last: last}, true}
	}
	x := placesOf([]gptSlot{slot(10, 100), slot(20, 30), slot(40, 45), {}, slot(200, 210)})
	for _, tt := range []struct {
		first, last uint64
		over        int
		has         bool
	}{
		{1, 9, 0, false}, {1, 10, 1, false}, {50, 60, 1, false}, {20, 30, 1, true}, {101, 199, 0, false}, {100, 200, 5, false}, {205, 300, 5, false}, {211, 300, 0, false},
	} {
		s := slot(tt.first, tt.last)
		p, ok := x.over(&s)
		if ok != (tt.over > 0) || ok && p.number != tt.over || x.has(&s) != tt.has {
			t.Errorf("%d to %d: over %d, %v; has %v", tt.first, tt.last, p.number, ok, x.has(&s))
		}
	}
	var got []int
	for _, p := range x.list {
		got = append(got, p.number)
	}
	if d := cmp.Diff([]int{1, 2, 3, 5}, got); d != "" {
		t.Error(d)
	}
}
