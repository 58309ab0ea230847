package volume

import (
	"encoding/binary"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// putAPM writes a driver descriptor and a map of the given entries.
func putAPM(disk []byte, unit int64, entries ...apmEntry) {
	copy(disk, driverSignature)
	binary.BigEndian.PutUint16(disk[2:], uint16(unit))
	for i, e := range entries {
		b := disk[int64(i+1)*unit:]
		copy(b, apmSignature)
		binary.BigEndian.PutUint32(b[4:], uint32(len(entries)))
		binary.BigEndian.PutUint32(b[8:], e.Start)
		binary.BigEndian.PutUint32(b[12:], e.Blocks)
		copy(b[16:48], e.Name)
		copy(b[48:80], e.Type)
	}
}

func apmDisk(unit int64) []byte {
	disk := make([]byte, 2048*unit)
	putAPM(disk, unit,
		apmEntry{Start: 1, Blocks: 63, Name: "Apple", Type: "Apple_partition_map"},
		apmEntry{Start: 64, Blocks: 512, Name: "herbarium", Type: "Apple_HFS"},
		apmEntry{Start: 576, Blocks: 1000, Name: "survey", Type: "Apple_HFSX"},
		apmEntry{Start: 1576, Blocks: 472, Type: "Apple_Free"})
	putToy(disk, 64*unit, 512*unit)
	putToy(disk, 576*unit, 1000*unit)
	return disk
}

func TestAPM(t *testing.T) {
	for _, unit := range []int64{512, 2048, 4096} {
		want := []brief{
			{64 * unit, 512 * unit, "toy", "Apple map entry 2"},
			{576 * unit, 1000 * unit, "toy", "Apple map entry 3"},
		}
		for _, holes := range [][]unread{nil, {{0, 512}}, {{0, unit}}} {
			l := mustFind(t, reader(t, apmDisk(unit), sec, holes...))
			if d := cmp.Diff(want, briefs(l)); d != "" || l.Scheme != SchemeAPM || l.SectorSize != unit {
				t.Errorf("unit %d, unread %v: scheme %q, unit %d, volumes (-want +got):\n%s", unit, holes, l.Scheme, l.SectorSize, d)
			}
		}
		// the entry of the second volume is unread: it is found by itself
		l := mustFind(t, reader(t, apmDisk(unit), sec, unread{3 * unit, sec}))
		if len(l.Volumes) != 2 || l.Volumes[1].Start != 576*unit || l.Volumes[1].Filesystem != "toy" {
			t.Errorf("unit %d, an entry unread: %v, notes %q", unit, briefs(l), l.Notes)
		}
	}
}

// A map whose entries contradict each other, or of which one makes no sense,
// does not account for the drive.
func TestAPMThatDisagrees(t *testing.T) {
	count := func(entry int64, n uint32) func([]byte) {
		return func(d []byte) { binary.BigEndian.PutUint32(d[entry*sec+4:], n) }
	}
	field := func(entry, at int64, v uint32) func([]byte) {
		return func(d []byte) { binary.BigEndian.PutUint32(d[entry*sec+at:], v) }
	}
	for _, tt := range []struct {
		name   string
		harm   []func([]byte)
		holes  []unread
		doubts []int // entries in doubt
		note   string
	}{
		{"the first says fewer", []func([]byte){count(1, 2)}, nil, []int{3, 4}, "disagree on their number; 4 are followed"},
		{"the first says more", []func([]byte){count(1, 9)}, nil, nil, "disagree on their number; 9 are followed"},
		{"another says fewer", []func([]byte){count(2, 3)}, nil, []int{4}, "disagree on their number"},
		{"the first says none", []func([]byte){count(1, 0)}, nil, nil, "entry 1 of the Apple partition map says that it has 0 entries, which cannot be"},
		{"the first says a million", []func([]byte){count(1, 1e6)}, nil, nil, "has 1000000 entries, which cannot be"},
		{"one says fewer than its own number", []func([]byte){count(4, 2)}, nil, nil, "entry 4 of the Apple partition map says that it has 2 entries"},
		{"all say a million", []func([]byte){count(1, 1e6), count(2, 1e6), count(3, 1e6), count(4, 1e6)}, nil, nil, "disagree on their number; 4 are followed"},
		{"the first says fewer, the last entry unread", []func([]byte){count(1, 2)}, []unread{{4 * sec, sec}}, []int{3}, "1 of 4 blocks"},
		{"an entry of no length", []func([]byte){field(3, 12, 0)}, nil, nil, "entry 3 of the Apple partition map makes no sense (block 576, 0 blocks)"},
		{"an entry at block 0", []func([]byte){field(3, 8, 0)}, nil, nil, "entry 3 of the Apple partition map makes no sense"},
		{"an entry past the drive", []func([]byte){field(3, 8, 1<<30)}, nil, nil, "entry 3 of the Apple partition map makes no sense"},
		{"an entry without a type", []func([]byte){func(d []byte) { clear(d[3*sec+48 : 3*sec+80]) }}, nil, nil, "entry 3 of the Apple partition map makes no sense"},
		{"an entry read as zeros", []func([]byte){func(d []byte) { clear(d[3*sec : 4*sec]) }}, nil, nil, "block 3 of the Apple partition map holds no entry"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			disk := apmDisk(sec)
			for _, h := range tt.harm {
				h(disk)
			}
			r := reader(t, disk, sec, tt.holes...)
			tab := readAPM(r)
			if tab == nil || len(tab.dark) != 1 || tab.dark[0] != wholeDrive(r)[0] {
				t.Fatalf("table %+v", tab)
			}
			var doubts []int
			for _, p := range tab.partitions {
				if p.Doubt != "" {
					doubts = append(doubts, p.Number)
				}
			}
			if d := cmp.Diff(tt.doubts, doubts); d != "" && len(tt.doubts)+len(doubts) > 0 {
				t.Errorf("entries in doubt (-want +got):\n%s", d)
			}
			l := mustFind(t, r)
			if !hasNote(l, tt.note) {
				t.Errorf("no note with %q in %q", tt.note, l.Notes)
			}
			for _, at := range []int64{64, 576} {
				n := 0
				for _, v := range l.Volumes {
					if v.Start == at*sec && v.Filesystem == "toy" {
						n++
					}
				}
				if n != 1 {
					t.Errorf("the volume at block %d is found %d times: %v, notes %q", at, n, briefs(l), l.Notes)
				}
			}
		})
	}
}

// Free space of no length is none, and takes nothing from the map.
func TestAPMFreeOfNoLength(t *testing.T) {
	disk := apmDisk(sec)
	binary.BigEndian.PutUint32(disk[4*sec+12:], 0)
	if tab := readAPM(reader(t, disk, sec)); tab == nil || len(tab.dark) != 0 {
		t.Errorf("table %+v", tab)
	}
}

// A backup of a GPT is old where an Apple map stands in the place of its primary.
func TestAPMOverGPT(t *testing.T) {
	disk := apmDisk(512)
	want := briefs(mustFind(t, reader(t, disk, sec)))
	gpt := gptDisk(t, sec)
	tail := int64(len(gpt)) - 33*sec
	copy(disk[int64(len(disk))-33*sec:], gpt[tail:])
	le := binary.LittleEndian
	header := disk[len(disk)-sec:]
	le.PutUint64(header[24:], uint64(len(disk)/sec-1))
	le.PutUint64(header[72:], uint64(len(disk)/sec-33))
	seal(disk, int64(len(disk)-sec), sec)
	l := mustFind(t, reader(t, disk, sec))
	if l.Scheme != SchemeAPM || cmp.Diff(want, briefs(l)) != "" {
		t.Errorf("%s: %v, want %v; notes %q", l.Scheme, briefs(l), want, l.Notes)
	}
}

func FuzzAPM(f *testing.F) {
	f.Add(apmDisk(512)[512:1024])
	f.Fuzz(func(t *testing.T, b []byte) {
		e, ok := parseAPMEntry(b)
		if !ok {
			return
		}
		if p := e.partition(1, 4096); p.Start < 0 || p.Length < 0 || p.End() < 0 {
			t.Fatalf("partition of %d bytes at %d", p.Length, p.Start)
		}
	})
}
