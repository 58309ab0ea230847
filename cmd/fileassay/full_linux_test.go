package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// TestFullDisk writes every kind of output to a disk that has no room for it:
// exit 4, one plain line, nothing left.
func TestFullDisk(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	b := newDay(t)
	disk := filepath.Join(b.dir, "disk")
	if err := os.Mkdir(disk, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("tmpfs", disk, "tmpfs", 0, "size=8k,nr_inodes=64"); err != nil {
		t.Fatalf("a small disk cannot be mounted: %v", err)
	}
	defer unix.Unmount(disk, unix.MNT_DETACH)
	for _, args := range []string{
		"verify ferry.img --map worn.csv -o disk/new.jsonl",
		"verify ferry.img --map worn.csv -o new.jsonl --html disk/new.html",
		"report full.jsonl --html disk/new.html",
		"report full.jsonl --csv disk/new.csv --html new.html --xlsx disk/new.xlsx",
		"reread full.jsonl --html disk/new.html",
		"compare full.jsonl kept.jsonl --html disk/new.html",
		"map convert many.csv -o disk/new.csv",
		"demo --to disk",
		"extract ferry.img full.jsonl --to disk/to",
	} {
		if strings.Contains(args, "many.csv") {
			b.write("many.csv", manyRanges())
		}
		before := b.files()
		c := b.command(strings.Fields(args)...)
		out, _ := c.CombinedOutput()
		said := string(out)
		if c.ProcessState.ExitCode() != exitOutput || strings.Count(said, "\n") != 1 || !strings.Contains(said, "make room") || strings.Contains(said, "no space left") {
			t.Errorf("%s: exit %d: %s", args, c.ProcessState.ExitCode(), said)
		}
		_ = os.RemoveAll(filepath.Join(disk, "to")) // an unfinished delivery stays, to be gone on with
		for name := range b.files() {
			if _, ok := before[name]; !ok {
				t.Errorf("%s left %s", args, name)
			}
		}
	}
}

func manyRanges() []byte {
	var s strings.Builder
	s.WriteString("start,length,state\n")
	for i := range 2000 {
		fmt.Fprintf(&s, "%d,512,failed\n", i*1024)
	}
	return []byte(s.String())
}

// TestLoopDevice holds the file behind a loop device to be an input of a run
// that reads the device.
func TestLoopDevice(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	b := newDay(t)
	out, err := exec.Command("losetup", "--find", "--show", "--read-only", filepath.Join(b.dir, "ferry.img")).Output()
	if err != nil {
		t.Fatalf("no loop device: %v", err)
	}
	dev := strings.TrimSpace(string(out))
	defer exec.Command("losetup", "--detach", dev).Run()
	if o := b.run(nil, "verify", dev, "--map", "all.csv", "-o", "ferry.img", "--force"); o.exit != exitOutput || !strings.Contains(o.stderr, "is one of the inputs") {
		t.Errorf("%+v", o)
	}
}
