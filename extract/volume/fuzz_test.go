package volume

import (
	"bytes"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

func FuzzBootRecord(f *testing.F) {
	for _, b := range realSectors(f, "herbarium-mbr") {
		f.Add(b)
	}
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		rec, ok := parseBootRecord(b)
		if ok && (len(b) < bootRecordSize || b[510] != 0x55) {
			t.Fatal("took a record without its signature")
		}
		if rec.sense(1<<20) == senseTable {
			n := 0
			for _, e := range rec.Entries {
				if e.used() && e.plausible(1<<20) {
					n++
				}
			}
			if n == 0 {
				t.Fatal("a table without an entry")
			}
		}
	})
}

func FuzzGPT(f *testing.F) {
	for _, b := range realSectors(f, "herbarium-gpt") {
		f.Add(b[:sec], b)
		f.Add(b[len(b)-sec:], b)
	}
	f.Fuzz(func(t *testing.T, header, array []byte) {
		h, ok := parseGPTHeader(header)
		if ok && h.Fault == "" && (!h.saneArray() || h.arrayBytes() > maxArrayBytes || int(h.HeaderSize) > len(header)) {
			t.Fatalf("took a header that asks for %d bytes", h.arrayBytes())
		}
		for len(array) > 0 {
			e, ok := parseGPTEntry(array)
			if ok != (len(array) >= gptEntrySize) {
				t.Fatal("took a short entry")
			}
			if e.plausible(1000) && (e.First >= 1000 || e.Last < e.First) {
				t.Fatal("an entry outside the drive is plausible")
			}
			array = array[min(len(array), gptEntrySize):]
		}
	})
}

// FuzzFind throws whole small drives at Find: hostile tables and chains end,
// and what is found lies on the drive and carries a reason where it cannot be
// listed.
func FuzzFind(f *testing.F) {
	mbr := realSectors(f, "herbarium-mbr")
	f.Add(append(bytes.Clone(mbr[0]), mbr[116736]...), uint64(0))
	f.Add(append(bytes.Clone(mbr[116736]), mbr[151552]...), uint64(2))
	gpt := realSectors(f, "herbarium-gpt")
	f.Add(append(bytes.Clone(gpt[0]), gpt[182239]...), uint64(1))
	loop := make([]byte, 16*sec)
	putMBR(loop, 0, bootEntry{Type: 5, Start: 1, Sectors: 15})
	putMBR(loop, sec, bootEntry{Type: 7, Start: 1, Sectors: 1}, bootEntry{Type: 5, Start: 2, Sectors: 1})
	putMBR(loop, 3*sec, bootEntry{Type: 7, Start: 1, Sectors: 1}, bootEntry{Type: 5, Start: 0, Sectors: 1})
	f.Add(loop, uint64(0))
	apm := make([]byte, 8*sec)
	putAPM(apm, sec, apmEntry{Start: 1, Blocks: 3, Name: "Apple", Type: "Apple_partition_map"}, apmEntry{Start: 4, Blocks: 2, Name: "disk", Type: "Apple_HFS"})
	f.Add(apm, uint64(0))
	f.Fuzz(func(t *testing.T, disk []byte, holes uint64) {
		if len(disk) == 0 || len(disk) > 1<<18 {
			return
		}
		var bad []imap.Range
		for i := range 64 {
			if holes>>i&1 == 1 && int64(i+1)*sec <= int64(len(disk)) {
				bad = append(bad, imap.Range{Start: int64(i) * sec, Length: sec, State: imap.Failed})
			}
		}
		r := image.New(bytes.NewReader(disk), int64(len(disk)), imap.All(int64(len(disk))).With(bad), image.Options{})
		l, err := newPlaces(r, extract.Options{}, toyKinds()).find(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range l.Volumes {
			if v.Start < 0 || v.Length < 0 || v.Start > maxOffset || v.Length > maxOffset {
				t.Fatalf("a volume of %d bytes at %d", v.Length, v.Start)
			}
			if (v.Reason == "") != (v.Filesystem == "toy") {
				t.Fatalf("volume %q, reason %q", v.Filesystem, v.Reason)
			}
		}
		if len(l.Volumes) == 0 && len(l.Partitions) == 0 {
			t.Fatal("silence")
		}
	})
}
