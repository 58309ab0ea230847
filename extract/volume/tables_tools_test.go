package volume

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// toolDrive is a drive file that tools write tables to.
type toolDrive struct {
	t    *testing.T
	path string
}

func newToolDrive(t *testing.T) toolDrive {
	d := toolDrive{t, filepath.Join(t.TempDir(), "drive")}
	if err := os.WriteFile(d.path, make([]byte, 64<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d toolDrive) bytes() []byte {
	d.t.Helper()
	b, err := os.ReadFile(d.path)
	if err != nil {
		d.t.Fatal(err)
	}
	return b
}

func (d toolDrive) write(b []byte) {
	d.t.Helper()
	if err := os.WriteFile(d.path, b, 0o600); err != nil {
		d.t.Fatal(err)
	}
}

// starts are the first sectors of the partitions as sfdisk states them, without
// containers.
func (d toolDrive) starts() []int64 {
	d.t.Helper()
	var s stated
	if err := json.Unmarshal(tool(d.t, "", "sfdisk", "--json", d.path), &s); err != nil {
		d.t.Fatal(err)
	}
	var out []int64
	for _, p := range s.PartitionTable.Partitions {
		if p.Type != "f" && p.Type != "5" {
			out = append(out, p.Start)
		}
	}
	slices.Sort(out)
	return out
}

// format puts a toy volume into the megabyte at each sector.
func format(disk []byte, starts []int64) {
	for _, at := range starts {
		putToy(disk, at*sec, 1<<20)
	}
}

// missed are the sectors where no toy volume was found.
func missed(l *Layout, starts []int64) []int64 {
	return slices.DeleteFunc(slices.Clone(starts), func(at int64) bool {
		return slices.ContainsFunc(l.Volumes, func(v Volume) bool { return v.Filesystem == "toy" && v.Start == at*sec })
	})
}

// A GPT of sgdisk that was written anew, then given back the backup of before.
func TestStaleBackupOfSgdisk(t *testing.T) {
	if !toolsWanted() {
		return
	}
	d := newToolDrive(t)
	tool(t, "", "sgdisk", "--clear", "--new=1:2048:+1M", "--new=2:8192:+1M", "--new=3:20480:+1M", d.path)
	former, disk := d.starts(), d.bytes()
	backup := bytes.Clone(disk[len(disk)-33*sec:])
	format(disk, former)
	d.write(disk)
	tool(t, "", "sgdisk", "--delete=2", "--delete=3", "--new=2:12288:+1M", "--new=5:40960:+1M", d.path)
	present := d.starts()
	disk = d.bytes()
	format(disk, present)
	copy(disk[len(disk)-33*sec:], backup)
	for _, hole := range append([]unread{{}}, func() (out []unread) {
		for at := range int64(34) {
			out = append(out, unread{at * sec, sec})
		}
		return out
	}()...) {
		var holes []unread
		if hole.length > 0 {
			holes = []unread{hole}
		}
		r := reader(t, disk, sec, holes...)
		boot := readBootSector(r, "master boot record", 0)
		tab := readGPT(r, &boot)
		if tab.vouched || len(tab.dark) == 0 {
			t.Errorf("unread %v: the copies disagree, and the table stands", holes)
		}
		for _, p := range append(tab.partitions, tab.rivals...) {
			if p.Doubt == "" && p.Start != 2048*sec {
				t.Errorf("unread %v: entry %d at sector %d stands", holes, p.Number, p.Start/sec)
			}
		}
		if m := missed(mustFind(t, r), present); len(m) > 0 {
			t.Errorf("unread %v: missed the volumes at %v", holes, m)
		}
	}
	// and the same backup, with nothing of the primary
	tab := readGPT(reader(t, disk, sec, unread{0, 34 * sec}), &bootSector{})
	if tab.vouched || len(tab.dark) == 0 {
		t.Error("the backup stands alone, and the table stands")
	}
}

// Logical drives that sfdisk added before others: the chain is out of disk
// order.
func TestChainOfSfdisk(t *testing.T) {
	if !toolsWanted() {
		return
	}
	d := newToolDrive(t)
	tool(t, "label: dos\nstart=2048,size=100000,type=f\n", "sfdisk", d.path)
	l := mustFind(t, reader(t, d.bytes(), sec))
	if len(l.Missing) > 0 {
		t.Errorf("an extended partition without drives: missing %q", l.Missing)
	}
	tool(t, "start=60000,size=8192,type=83\n", "sfdisk", "--append", d.path)
	tool(t, "start=10000,size=8192,type=83\n", "sfdisk", "--append", d.path)
	tool(t, "start=30000,size=8192,type=83\n", "sfdisk", "--append", d.path)
	starts, disk := d.starts(), d.bytes()
	if len(starts) != 3 {
		t.Fatalf("drives at %v", starts)
	}
	format(disk, starts)
	r := reader(t, disk, sec)
	boot := readBootSector(r, "master boot record", 0)
	tab := readMBR(r, &boot, sec)
	if len(tab.dark) > 0 || len(tab.notes) > 0 {
		t.Errorf("healthy: dark %v, notes %q", tab.dark, tab.notes)
	}
	if m := missed(mustFind(t, r), starts); len(m) > 0 {
		t.Errorf("healthy: missed the drives at %v", m)
	}
	records := tab.structures[1:]
	if len(records) < 3 {
		t.Fatalf("records %v", records)
	}
	for _, rec := range records {
		for _, zero := range []bool{false, true} {
			harmed := bytes.Clone(disk)
			var holes []unread
			if zero {
				clear(harmed[rec.Image : rec.Image+sec])
			} else {
				holes = []unread{{rec.Image, sec}}
			}
			if m := missed(mustFind(t, reader(t, harmed, sec, holes...)), starts); len(m) > 0 {
				t.Errorf("record at sector %d, zeros %v: missed the drives at %v", rec.Image/sec, zero, m)
			}
		}
	}
}
