package volume

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const sec = 512

// hasNote reports whether a note holds all the words.
func hasNote(l *Layout, words ...string) bool {
	return slices.ContainsFunc(l.Notes, func(n string) bool {
		return !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(n, w) })
	})
}

// logicalDisk has one primary partition and an extended one with three logical
// drives, all of the toy filesystem. Sectors: EBRs at 4096, 6144, 8192.
func logicalDisk() []byte {
	disk := make([]byte, 12288*sec)
	putMBR(disk, 0,
		bootEntry{Status: 0x80, Type: 0x07, Start: 2048, Sectors: 2048},
		bootEntry{Type: 0x0F, Start: 4096, Sectors: 8192})
	// a logical drive counts from its own record, a link from the container
	putMBR(disk, 4096*sec, bootEntry{Type: 0x83, Start: 64, Sectors: 1024}, bootEntry{Type: 0x05, Start: 2048, Sectors: 2048})
	putMBR(disk, 6144*sec, bootEntry{Type: 0x83, Start: 64, Sectors: 1024}, bootEntry{Type: 0x05, Start: 4096, Sectors: 2048})
	putMBR(disk, 8192*sec, bootEntry{Type: 0x0B, Start: 63, Sectors: 512})
	putToy(disk, 2048*sec, 2048*sec)
	putToy(disk, (4096+64)*sec, 1024*sec)
	putToy(disk, (6144+64)*sec, 1024*sec)
	putToy(disk, (8192+63)*sec, 512*sec)
	return disk
}

func TestLogicalDrives(t *testing.T) {
	primary := brief{2048 * sec, 2048 * sec, "toy", "MBR partition 1"}
	five := brief{4160 * sec, 1024 * sec, "toy", "logical drive 5"}
	six := brief{6208 * sec, 1024 * sec, "toy", "logical drive 6"}
	seven := brief{8255 * sec, 512 * sec, "toy", "logical drive 7"}
	found := func(b brief, how string) brief { b.Found = how; return b }
	for _, tt := range []struct {
		name  string
		holes []unread
		harm  func(disk []byte)
		want  []brief
		notes [][]string
	}{
		{name: "healthy", want: []brief{primary, five, six, seven}},
		{
			name: "second record unread", holes: []unread{{6144 * sec, sec}},
			want: []brief{primary, five,
				found(six, "boot sector at offset 3178496 (no table)"),
				found(seven, "boot sector at offset 4226560 (no table)")},
			notes: [][]string{{"1 logical drive found, chain unreadable at sector 6144", "not read"}},
		},
		{
			name: "first record unread", holes: []unread{{4096 * sec, sec}},
			want: []brief{primary,
				found(five, "boot sector at offset 2129920 (no table)"),
				found(six, "boot sector at offset 3178496 (no table)"),
				found(seven, "boot sector at offset 4226560 (no table)")},
			notes: [][]string{{"0 logical drives found, chain unreadable at sector 4096"}},
		},
		{
			name: "boot sectors of a partition and a logical drive unread", holes: []unread{{2048 * sec, sec}, {6208 * sec, sec}},
			want: []brief{primary, five, six, seven},
		},
		{
			name: "loop",
			harm: func(d []byte) {
				putMBR(d, 8192*sec, bootEntry{Type: 0x0B, Start: 63, Sectors: 512}, bootEntry{Type: 5, Start: 2048, Sectors: 9})
			},
			want:  []brief{primary, five, six, seven},
			notes: [][]string{{"returns to sector 6144", "after 3 logical drives"}},
		},
		{
			name: "loop to the container's own record",
			harm: func(d []byte) {
				putMBR(d, 8192*sec, bootEntry{Type: 0x0B, Start: 63, Sectors: 512}, bootEntry{Type: 5, Start: 0, Sectors: 9})
			},
			want:  []brief{primary, five, six, seven},
			notes: [][]string{{"returns to sector 4096"}},
		},
		{
			name:  "record without signature",
			harm:  func(d []byte) { d[8192*sec+510] = 0 },
			want:  []brief{primary, five, six, found(seven, "boot sector at offset 4226560 (no table)")},
			notes: [][]string{{"2 logical drives found, chain unreadable at sector 8192", "55 AA"}},
		},
		{
			name: "link past the container",
			harm: func(d []byte) {
				putMBR(d, 8192*sec, bootEntry{Type: 0x0B, Start: 63, Sectors: 512}, bootEntry{Type: 5, Start: 1 << 30, Sectors: 9})
			},
			want:  []brief{primary, five, six, seven},
			notes: [][]string{{"outside its extended partition"}},
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			disk := logicalDisk()
			if tt.harm != nil {
				tt.harm(disk)
			}
			l := mustFind(t, reader(t, disk, 512, tt.holes...))
			if l.Scheme != SchemeMBR {
				t.Errorf("scheme %q", l.Scheme)
			}
			if d := cmp.Diff(tt.want, briefs(l)); d != "" {
				t.Errorf("volumes (-want +got):\n%s", d)
			}
			for _, words := range tt.notes {
				if !hasNote(l, words...) {
					t.Errorf("no note with %q in %q", words, l.Notes)
				}
			}
			if len(tt.notes) == 0 && len(l.Notes) > 0 {
				t.Errorf("notes on a healthy table: %q", l.Notes)
			}
		})
	}
}

// An entry that names a volume and no place leaves the list open.
func TestEntryWithoutPlace(t *testing.T) {
	disk := make([]byte, 8*mib)
	putMBR(disk, 0, bootEntry{Type: 0x83, Start: 2048, Sectors: 4096}, bootEntry{Type: 0x07, Start: 8192})
	putToy(disk, mib, 2*mib)
	if l := mustFind(t, reader(t, disk, sec)); len(l.Missing) == 0 || len(l.Volumes) != 1 {
		t.Errorf("missing %q, %v", l.Missing, briefs(l))
	}
}
