package fat

import (
	"context"
	"encoding/binary"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
)

// TestType pins the counts of clusters at which the types begin: 4085 and
// 65525 (Overview, "FAT Type Determination"), and that no text in the boot
// sector matters.
func TestType(t *testing.T) {
	for _, c := range []struct {
		clusters uint32
		build    width // of the parameter block
		want     string
	}{
		{1, width12, "fat12"}, {4084, width12, "fat12"},
		{4085, width16, "fat16"}, {65524, width16, "fat16"},
		{65525, width28, "fat32"}, {1 << 20, width28, "fat32"},
		// a FAT32 parameter block has no other root, whatever the count
		{5000, width28, "fat32"},
	} {
		for _, text := range []string{"FAT12   ", "FAT16   ", "FAT32   "} {
			b := bootBytes(shape{width: c.build, clusters: c.clusters})
			copy(b[54:], text)
			copy(b[82:], text)
			s, err := parseFATBoot(b)
			if err != nil || s.kind() != c.want || s.Clusters != c.clusters {
				t.Errorf("%d clusters, %q: %s of %d clusters (%v), want %s", c.clusters, text, s.kind(), s.Clusters, err, c.want)
			}
		}
	}
}

func TestParseBootRefuses(t *testing.T) {
	le := binary.LittleEndian
	for _, c := range []struct {
		name string
		edit func(b []byte)
	}{
		{"no signature", func(b []byte) { b[510] = 0 }},
		{"sector of 500 bytes", func(b []byte) { le.PutUint16(b[11:], 500) }},
		{"sector of 8192 bytes", func(b []byte) { le.PutUint16(b[11:], 8192) }},
		{"cluster of 3 sectors", func(b []byte) { b[13] = 3 }},
		{"no tables", func(b []byte) { b[16] = 0 }},
		{"no reserved sectors", func(b []byte) { le.PutUint16(b[14:], 0) }},
		{"media byte", func(b []byte) { b[21] = 0x12 }},
		{"tables larger than the volume", func(b []byte) { le.PutUint16(b[22:], 60000) }},
		{"no root", func(b []byte) { le.PutUint16(b[17:], 0) }},
	} {
		b := bootBytes(shape{width: width16, clusters: 5000})
		c.edit(b)
		if _, err := parseFATBoot(b); !errors.Is(err, errNoFATBoot) {
			t.Errorf("%s: %v, want an error that says so", c.name, err)
		}
	}
}

func TestSniff(t *testing.T) {
	v := build(t, shape{width: width28, clusters: 70000})
	for _, signature := range []byte{0, 0x28, 0x29} { // offset 66: whether a serial number follows
		id := ""
		if signature != 0 {
			id = "87654321"
		}
		v.Write(66, []byte{signature, 0x21, 0x43, 0x65, 0x87})
		want := []extract.Candidate{
			{Start: 1 << 20, Length: v.length(), Filesystem: "fat32", From: "boot sector", At: 1 << 20, ID: id},
			{Start: 1<<20 - 6*512, Length: v.length(), Filesystem: "fat32", From: "backup boot sector", At: 1 << 20, ID: id},
		}
		if diff := cmp.Diff(want, Sniff(v.Read(0, 4096), 1<<20)); diff != "" {
			t.Error(diff)
		}
	}
	v = build(t, shape{width: width16, clusters: 5000})
	v.Write(38, []byte{0x29, 0x21, 0x43, 0x65, 0x87})
	if got := Sniff(v.Read(0, 4096), 1<<20); len(got) != 1 || got[0].ID != "87654321" {
		t.Errorf("%+v", got)
	}
	if got := Sniff(v.Read(0, 100), 0); got != nil {
		t.Errorf("a window of 100 bytes speaks for %v", got)
	}
}

// TestBackupBoot opens FAT32 by the copy of its boot sector, and nowhere else.
func TestBackupBoot(t *testing.T) {
	for _, sector := range []int64{512, 1024, 2048, 4096} {
		v := build(t, shape{width: width28, clusters: 70000, sector: sector})
		v.file(&v.root, "HERBAR~1TXT", "herbarium sheets.txt", 700, 9, 7)
		whole, _ := list(t, v)
		v.Lose(0, 512)
		part, _ := list(t, v)
		if diff := cmp.Diff(whole, part); diff != "" {
			t.Errorf("sectors of %d: without the boot sector: %s", sector, diff)
		}
		// the copy is no boot sector of a volume that begins with it, nor is
		// the boot sector a copy
		var none *extract.NotVolumeError
		if _, err := Open(context.Background(), v.Reader(), 6*sector, 0, extract.Options{}); !errors.As(err, &none) {
			t.Errorf("sectors of %d: a volume at its copy: %v", sector, err)
		}
	}
}

func TestCodepageOption(t *testing.T) {
	v := build(t, shape{width: width16, clusters: 5000})
	if _, err := Open(context.Background(), v.Reader(), 0, 0, extract.Options{Codepage: "1"}); err == nil || CheckCodepage("1") == nil {
		t.Error("an unknown code page is taken")
	}
}

func FuzzBoot(f *testing.F) {
	for _, s := range []shape{{width: width12, clusters: 100}, {width: width16, clusters: 9000, spc: 8}, {width: width28, clusters: 70000, sector: 4096}} {
		f.Add(bootBytes(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := parseFATBoot(b)
		if err != nil {
			return
		}
		end := s.HeapSector*s.SectorSize + int64(s.Clusters)*s.ClusterSize
		if s.Clusters > 0x0FFFFFF5 || end > s.length() || s.tableAt(s.Tables) > s.HeapSector*s.SectorSize {
			t.Fatalf("clusters end at %d of %d bytes", end, s.length())
		}
		for _, c := range Sniff(b, 1<<40) {
			if c.Start < 0 || c.Length <= 0 {
				t.Fatalf("speaks for %+v", c)
			}
		}
	})
}
