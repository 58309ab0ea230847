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
