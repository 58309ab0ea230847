package volume

import "testing"

// What cannot be listed is named by the mark that its format publishes.
func TestWhatCannotBeListed(t *testing.T) {
	type mark struct {
		at   int64
		text string
	}
	for _, tt := range []struct {
		want    string
		noFiles bool
		marks   []mark
	}{
		{"luks", false, []mark{{0, "LUKS\xBA\xBE\x00\x02"}}},
		{"bitlocker", false, []mark{{3, "-FVE-FS-"}}},
		{"xfs", false, []mark{{0, "XFSB"}}},
		{"apfs", false, []mark{{32, "NXSB"}}},
		{"btrfs", false, []mark{{65536 + 64, "_BHRfS_M"}, {65536 + 48, "\x00\x00\x01"}}},
		{"btrfs", false, []mark{{64<<20 + 64, "_BHRfS_M"}, {64<<20 + 48, "\x00\x00\x00\x04"}}},
		{"refs", false, []mark{{3, "ReFS"}}},
		{"linux swap", true, []mark{{4086, "SWAPSPACE2"}}},
		{"linux swap", true, []mark{{65526, "SWAPSPACE2"}}},
		{"lvm2", false, []mark{{512, "LABELONE"}, {512 + 24, "LVM2 001"}}},
		{"linux md raid", false, []mark{{4096, "\xFC\x4E\x2B\xA9\x01"}}},
		{"linux md raid", false, []mark{{70<<20 - 8192, "\xFC\x4E\x2B\xA9\x01"}}},
		{"linux md raid", false, []mark{{70<<20 - 65536, "\xFC\x4E\x2B\xA9\x00"}}},
		{"core storage", false, []mark{{88, "CS"}, {8, "\x01\x00"}}},
		{"hfs", false, []mark{{1024, "BD"}, {1024 + 14, "\x00\x03"}}},
		{"iso9660", false, []mark{{32769, "CD001"}}},
		{"zfs", false, []mark{{128 << 10, "\x0C\xB1\xBA"}}},
		{"f2fs", false, []mark{{1024, "\x10\x20\xF5\xF2"}}},
		{"unknown", false, []mark{{512, "nobody knows"}}},
		{"empty", true, nil},
	} {
		disk := make([]byte, 80*mib)
		putMBR(disk, 0, bootEntry{Type: 0x83, Start: 2048, Sectors: 70 * 2048}, bootEntry{Type: 7, Start: 71 * 2048, Sectors: 2048})
		putToy(disk, 71*mib, mib)
		var holes []unread
		for _, m := range tt.marks {
			copy(disk[mib+m.at:], m.text)
			holes = append(holes, unread{(mib + m.at) / sec * sec, sec})
		}
		l := mustFind(t, reader(t, disk, sec))
		if v := l.Volumes[0]; v.Filesystem != tt.want || v.Reason == "" || v.NoFiles != tt.noFiles {
			t.Errorf("%s: named %q, reason %q, no files %v", tt.want, v.Filesystem, v.Reason, v.NoFiles)
		}
		if len(holes) == 0 || tt.want == "linux md raid" && tt.marks[0].at > 1<<20 || tt.marks[0].at > headSize {
			continue
		}
		l = mustFind(t, reader(t, disk, sec, holes...))
		if v := l.Volumes[0]; v.Filesystem != "unread" || v.Reason == "" || v.NoFiles {
			t.Errorf("%s, its mark unread: named %q, reason %q", tt.want, v.Filesystem, v.Reason)
		}
	}
}

// An MBR counts in the sectors of its drive, whatever the image was opened
// with.
func TestMBRUnits(t *testing.T) {
	for _, unit := range []int64{512, 4096} {
		disk := make([]byte, 4096*unit)
		putMBR(disk, 0, bootEntry{Type: 7, Start: 256, Sectors: 1024}, bootEntry{Type: 5, Start: 2048, Sectors: 1024})
		putMBR(disk, 2048*unit, bootEntry{Type: 7, Start: 8, Sectors: 512})
		putToy(disk, 256*unit, 1024*unit)
		putToy(disk, 2056*unit, 512*unit)
		for _, opened := range []int64{512, 4096} {
			for _, holes := range [][]unread{nil, {{256 * unit, 4096}, {2056 * unit, 4096}}} {
				l := mustFind(t, reader(t, disk, opened, holes...))
				if len(l.Volumes) != 2 || l.SectorSize != unit || l.Volumes[0].Start != 256*unit || l.Volumes[1].Start != 2056*unit || l.Volumes[1].Filesystem != "toy" {
					t.Errorf("unit %d opened as %d, unread %v: unit %d, %v", unit, opened, holes, l.SectorSize, briefs(l))
				}
			}
		}
	}
}
