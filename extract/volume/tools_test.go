package volume

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// toolsWanted reports whether tests may use the system's own tools. Where they
// may, a missing one is a failure.
func toolsWanted() bool { return os.Getenv("FILEASSAY_TOOLS") == "1" }

func tool(t *testing.T, stdin, name string, args ...string) []byte {
	t.Helper()
	c := exec.Command(name, args...)
	c.Stdin = strings.NewReader(stdin)
	var errs strings.Builder
	c.Stderr = &errs
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s%s", name, strings.Join(args, " "), err, out, errs.String())
	}
	return out
}

// stated is a table as sfdisk states it.
type stated struct {
	PartitionTable struct {
		Partitions []struct {
			Node        string
			Start, Size int64
			Type, Name  string
		}
	}
}

// compare holds our reading of a drive file against sfdisk's.
func compare(t *testing.T, path string, holes ...imap.Range) {
	t.Helper()
	var want stated
	if err := json.Unmarshal(tool(t, "", "sfdisk", "--json", path), &want); err != nil {
		t.Fatal(err)
	}
	size, err := image.Size(path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := image.Open(path, imap.All(size).With(holes), image.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	l, err := newPlaces(r, extract.Options{}, toyKinds()).find(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	type part struct {
		Number      string
		Start, Size int64
		Type, Name  string
	}
	var theirs, ours []part
	for _, p := range want.PartitionTable.Partitions {
		theirs = append(theirs, part{strings.TrimPrefix(p.Node, path), p.Start, p.Size, strings.ToUpper(p.Type), p.Name})
	}
	for _, p := range l.Partitions {
		code := strings.TrimLeft(strings.TrimPrefix(p.TypeCode, "0x"), "0")
		if p.GUID != "" {
			code = p.TypeCode
		}
		ours = append(ours, part{string(rune('0' + p.Number)), p.Start / sec, p.Length / sec, code, p.Name})
	}
	slices.SortFunc(theirs, func(a, b part) int { return int(a.Start - b.Start) })
	if d := cmp.Diff(theirs, ours); d != "" {
		t.Errorf("partitions (-sfdisk +ours):\n%s\nnotes %q", d, l.Notes)
	}
}

func TestTablesOfOtherTools(t *testing.T) {
	if !toolsWanted() {
		return
	}
	blank := func() string {
		path := filepath.Join(t.TempDir(), "drive")
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Truncate(path, 64<<20); err != nil {
			t.Fatal(err)
		}
		return path
	}
	t.Run("sfdisk mbr", func(t *testing.T) {
		path := blank()
		tool(t, "label: dos\nstart=2048,size=8192,type=7,bootable\nstart=10240,size=100000,type=f\nsize=4096,type=83\nsize=8192,type=c\nsize=2048,type=82\nsize=1024,type=7\n", "sfdisk", path)
		compare(t, path)
	})
	t.Run("sfdisk gpt", func(t *testing.T) {
		path := blank()
		tool(t, "label: gpt\nsize=8192,type=uefi,name=\"boot\"\nsize=20000,type=linux,name=\"Räume & Wege\"\nsize=4096,type=swap\n", "sfdisk", path)
		compare(t, path)
		compare(t, path, imap.Range{Start: sec, Length: 33 * sec, State: imap.Failed})
	})
	t.Run("sgdisk gpt", func(t *testing.T) {
		path := blank()
		tool(t, "", "sgdisk", "--clear", "--set-alignment=64", "--new=1:0:+8M", "--typecode=1:0700", "--change-name=1:plates",
			"--new=4:0:+10M", "--typecode=4:AF00", "--new=3:0:0", "--typecode=3:8300", path)
		compare(t, path)
		compare(t, path, imap.Range{Start: 0, Length: 34 * sec, State: imap.Failed})
		compare(t, path, imap.Range{Start: 64<<20 - 33*sec, Length: 33 * sec, State: imap.Failed})
	})
	t.Run("sgdisk of 256 entries", func(t *testing.T) {
		path := blank()
		tool(t, "", "sgdisk", "--clear", "--resize-table=256", "--new=1:0:+8M", path)
		compare(t, path)
	})
}
