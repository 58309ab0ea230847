package volume

import (
	"slices"
	"testing"

	"fileassay/extract/ranges"
)

// Chains that do not end as they should: each drive of logicalDisk is found, by
// the chain or by itself, and it is said why.
func TestBrokenChains(t *testing.T) {
	drive := func(start uint32) bootEntry { return bootEntry{Type: 0x83, Start: start, Sectors: 1024} }
	last := bootEntry{Type: 0x0B, Start: 63, Sectors: 512}
	link := func(to uint32) bootEntry { return bootEntry{Type: 5, Start: to - 4096, Sectors: 2048} }
	for _, tt := range []struct {
		name  string
		harm  func(d []byte)
		holes []unread
		chain []int64 // sectors of the drives that the chain gives
		note  []string
	}{
		{
			name: "out of disk order, the last record unread",
			harm: func(d []byte) {
				putMBR(d, 4096*sec, drive(64), link(8192))
				putMBR(d, 8192*sec, last, link(6144))
				putMBR(d, 6144*sec, drive(64))
			},
			holes: []unread{{6144 * sec, sec}},
			chain: []int64{4160, 8255},
			note:  []string{"2 logical drives found, chain unreadable at sector 6144", "not read"},
		},
		{
			name:  "a link back",
			harm:  func(d []byte) { putMBR(d, 6144*sec, drive(64), link(4096)) },
			chain: []int64{4160, 6208},
			note:  []string{"returns to sector 4096", "after 2 logical drives"},
		},
		{
			name:  "a link to itself",
			harm:  func(d []byte) { putMBR(d, 4096*sec, drive(64), link(4096)) },
			chain: []int64{4160},
			note:  []string{"returns to sector 4096", "after 1 logical drive"},
		},
		{
			name: "a second link",
			harm: func(d []byte) {
				putMBR(d, 4096*sec, drive(64), link(6144), link(8192))
				putMBR(d, 6144*sec, drive(64))
			},
			chain: []int64{4160, 6208, 8255},
			note:  []string{"sector 4096 links to two further records", "second is in sector 8192"},
		},
		{
			name: "a second link to no record",
			harm: func(d []byte) {
				putMBR(d, 4096*sec, drive(64), link(6144), link(7999))
				putMBR(d, 6144*sec, drive(64))
			},
			chain: []int64{4160, 6208},
			note:  []string{"second link to sector 7999 leads to no record"},
		},
		{
			name: "a second link out of the container",
			harm: func(d []byte) {
				putMBR(d, 4096*sec, drive(64), link(6144), link(1<<30))
				putMBR(d, 6144*sec, drive(64))
			},
			chain: []int64{4160, 6208},
			note:  []string{"second, sector 1073741824, lies outside"},
		},
		{
			name:  "a record without entries",
			harm:  func(d []byte) { putMBR(d, 6144*sec) },
			chain: []int64{4160},
			note:  []string{"sector 6144 has no entries", "after 1 logical drive"},
		},
		{
			name:  "the first record without entries",
			harm:  func(d []byte) { putMBR(d, 4096*sec) },
			chain: nil,
			note:  []string{"sector 4096 has no entries", "after 0 logical drives"},
		},
		{
			name: "a link outside, from a chain out of order",
			harm: func(d []byte) {
				putMBR(d, 4096*sec, drive(64), link(8192))
				putMBR(d, 8192*sec, last, link(1<<30))
			},
			chain: []int64{4160, 8255},
			note:  []string{"points from sector 8192", "outside its extended partition"},
		},
		{
			name:  "a link without a length",
			harm:  func(d []byte) { putMBR(d, 6144*sec, drive(64), bootEntry{Type: 5, Start: 4096}) },
			chain: []int64{4160, 6208},
			note:  []string{"entry 2 of the extended boot record at sector 6144 has no length"},
		},
		{
			name:  "a drive without a length",
			harm:  func(d []byte) { putMBR(d, 6144*sec, bootEntry{Type: 7, Start: 64}, link(8192)) },
			chain: []int64{4160, 8255},
			note:  []string{"entry 1 of the extended boot record at sector 6144 has no length"},
		},
		{
			name:  "a record read as zeros",
			harm:  func(d []byte) { clear(d[6144*sec : 6145*sec]) },
			chain: []int64{4160},
			note:  []string{"chain unreadable at sector 6144", "55 AA"},
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			disk := logicalDisk()
			tt.harm(disk)
			r := reader(t, disk, sec, tt.holes...)
			l := mustFind(t, r)
			for _, at := range []int64{2048, 4160, 6208, 8255} {
				n := 0
				for _, v := range l.Volumes {
					if v.Start == at*sec && v.Filesystem == "toy" {
						n++
					}
				}
				if n != 1 {
					t.Errorf("the volume at sector %d is found %d times: %v", at, n, briefs(l))
				}
			}
			if !hasNote(l, tt.note...) {
				t.Errorf("no note with %q in %q", tt.note, l.Notes)
			}
			boot := readBootSector(r, "master boot record", 0)
			tab := readMBR(r, &boot, sec)
			var got []int64
			for _, p := range tab.partitions {
				if p.Logical {
					got = append(got, p.Start/sec)
				}
			}
			if !slices.Equal(got, tt.chain) {
				t.Errorf("the chain gives %v, want %v", got, tt.chain)
			}
			// what it leaves dark is all of the container but the drives and records
			var dark ranges.Set
			for _, d := range tab.dark {
				dark.Add(d.Start, d.Len())
			}
			for _, at := range []int64{4097, 5500, 7900, 12287} {
				if dark.Covered(at*sec, sec) == 0 {
					t.Errorf("sector %d is not searched: %v", at, tab.dark)
				}
			}
			for _, at := range tt.chain {
				if dark.Touches(at*sec, 512*sec) {
					t.Errorf("the drive at sector %d is searched: %v", at, tab.dark)
				}
			}
		})
	}
}

// A drive of a second link that lies over one that drivers follow is a rival.
func TestSecondLinkOverADrive(t *testing.T) {
	disk := logicalDisk()
	putMBR(disk, 4096*sec, bootEntry{Type: 0x83, Start: 64, Sectors: 1024}, bootEntry{Type: 5, Start: 2048, Sectors: 1}, bootEntry{Type: 5, Start: 3000, Sectors: 1})
	putMBR(disk, 7096*sec, bootEntry{Type: 0x83, Start: 63, Sectors: 1400})
	r := reader(t, disk, sec)
	boot := readBootSector(r, "master boot record", 0)
	tab := readMBR(r, &boot, sec)
	if len(tab.rivals) != 1 || tab.rivals[0].Start != 7159*sec || tab.rivals[0].Doubt == "" || tab.rivals[0].Number != 8 {
		t.Errorf("rivals %+v", tab.rivals)
	}
	if len(tab.partitions) != 5 {
		t.Errorf("partitions %+v", tab.partitions)
	}
}

// A chain that ends as it should leaves nothing dark: the free space behind its
// last drive is free.
func TestWholeChainIsNotDark(t *testing.T) {
	r := reader(t, logicalDisk(), sec)
	boot := readBootSector(r, "master boot record", 0)
	if tab := readMBR(r, &boot, sec); len(tab.dark) != 0 || len(tab.notes) != 0 {
		t.Errorf("dark %v, notes %q", tab.dark, tab.notes)
	}
}

// Records that all link twice to each other end.
func TestManyLinks(t *testing.T) {
	const records = 5000
	disk := make([]byte, (records+8)*sec)
	putMBR(disk, 0, bootEntry{Type: 5, Start: 1, Sectors: records})
	for i := range uint32(records) {
		putMBR(disk, int64(i+1)*sec, bootEntry{Type: 7, Start: 1, Sectors: 1},
			bootEntry{Type: 5, Start: (i*7 + 1) % records, Sectors: 1}, bootEntry{Type: 5, Start: (i*11 + 2) % records, Sectors: 1},
			bootEntry{Type: 5, Start: (i*13 + 3) % records, Sectors: 1})
	}
	r := reader(t, disk, sec)
	boot := readBootSector(r, "master boot record", 0)
	tab := readMBR(r, &boot, sec)
	if len(tab.partitions) > maxLogical+1 || len(tab.dark) == 0 {
		t.Errorf("%d partitions, %d dark ranges", len(tab.partitions), len(tab.dark))
	}
	l := Layout{Notes: tab.notes}
	if len(l.Notes) > 10 || !hasNote(&l, "second links") {
		t.Errorf("%d notes, the first %q", len(l.Notes), l.Notes[:min(len(l.Notes), 9)])
	}
}
