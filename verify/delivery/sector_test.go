package delivery

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/extract/unpack"
	"fileassay/verify"
	"fileassay/verify/result"
	"fileassay/verify/truthtest"
)

// produce makes the content of a file by its line, from what r gives.
func produce(f *result.File, r *image.Reader) ([]byte, error) {
	c, err := contentOf(f)
	if err != nil {
		return nil, err
	}
	if len(c.missing) > 0 {
		return nil, errors.New("a part is missing")
	}
	out := make([]byte, c.size)
	for _, p := range c.parts {
		if _, err := r.ReadAt(out[p.off:p.off+p.length], p.image); err != nil {
			return nil, err
		}
	}
	for i := range c.units {
		u := &c.units[i]
		src, err := u.read(r)
		if err != nil {
			return nil, err
		}
		b := make([]byte, u.whole)
		if err := unpack.Unit(c.method, b, src); err != nil {
			return nil, err
		}
		copy(out[u.off:u.end()], b)
	}
	return out, nil
}

// systemFile is a file of which the system keeps the content compressed, in
// chunks of 4096 bytes, in a stream.
func systemFile(name string, size int64, stored []byte) ntfsimage.File {
	var point []byte // WOF_EXTERNAL_INFO and FILE_PROVIDER_EXTERNAL_INFO_V1 of the Windows SDK
	for _, w := range []uint32{0x80000017, 16, 1, 2, 1, 0} {
		point = binary.LittleEndian.AppendUint32(point, w)
	}
	return ntfsimage.File{Names: []ntfsimage.Name{{Parent: ntfsimage.Root, Text: name, Space: ntfsimage.Win32}}, Flags: 0x400, Reparse: point,
		Streams: []ntfsimage.Stream{{Runs: []ntfsimage.Run{{LCN: -1, Length: (size + 4095) / 4096}}, Size: size, Init: -1, Flags: 0x8000},
			{Name: "WofCompressedData", Data: stored}}}
}

// Whatever single sector is unread, what is called intact comes out of what is
// read, to the last byte: of files that need a table of chunks, a reparse point,
// further records, compression units.
func TestEverySector(t *testing.T) {
	var register bytes.Buffer // as in extract/unpack/testdata
	for i := 0; register.Len() < 100000; i++ {
		fmt.Fprintf(&register, "entry %d of the register, shelf %d\n", i, i*7919%601)
	}
	text := register.Bytes()[:100000]
	stored, err := os.ReadFile(filepath.Join("..", "..", "extract", "unpack", "testdata", "register.xpress-4096"))
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]byte{"system": text, "system, list": text, "system, small": text[:300], "units": bytes.Repeat([]byte("a"), 2*65536-7), "plain": text[:3000]}
	v := ntfsimage.New(ntfsimage.Params{Clusters: 600})
	f := systemFile("system", int64(len(text)), stored)
	f.Streams[1].Pieces = 3
	v.Add(f)
	f = systemFile("system, list", int64(len(text)), stored)
	f.DataOut, f.ListOut, f.RunsPerRecord, f.Streams[1].Pieces = true, true, 1, 3
	v.Add(f)
	f = systemFile("system, small", 300, text[:300]) // a chunk that would not shrink
	f.Streams[1].Resident = true
	v.Add(f)
	v.AddFile(ntfsimage.Root, "plain", ntfsimage.Stream{Data: text[:3000]})
	lcn := v.Alloc(2)
	v.Use(lcn, 2)
	v.AddFile(ntfsimage.Root, "units", ntfsimage.Stream{Size: 2*65536 - 7, Flags: 1, Unit: 4,
		Runs: []ntfsimage.Run{{LCN: lcn, Length: 1}, {LCN: -1, Length: 15}, {LCN: lcn + 1, Length: 1}, {LCN: -1, Length: 15}}})
	for i := range int64(2) { // chunks of LZNT1: a literal and a reference one back
		copy(v.Image[v.At(lcn+i):], bytes.Repeat([]byte{0x03, 0xb0, 0x02, 'a', 0xfc, 0x0f}, 16))
	}
	v.Finish()
	dir := t.TempDir()
	if d, err := os.MkdirTemp("/dev/shm", "fileassay-test-"); err == nil {
		dir = d
		t.Cleanup(func() { os.RemoveAll(d) })
	}
	name, m, out := filepath.Join(dir, "image"), filepath.Join(dir, "map.csv"), filepath.Join(dir, "result.jsonl")
	if err := os.WriteFile(name, v.Image, 0o644); err != nil {
		t.Fatal(err)
	}
	size := int64(len(v.Image))
	tried := 0
	hurt := map[string]int{}
	for at := int64(-512); at < size; at += 512 {
		var unread []imap.Range
		if at >= 0 {
			if bytes.Equal(v.Image[at:at+512], make([]byte, 512)) {
				continue
			}
			unread = []imap.Range{{Start: at, Length: 512, State: imap.Failed}}
		}
		tried++
		truthtest.WriteMap(t, m, size, unread)
		if _, err := verify.Run(t.Context(), verify.Options{Image: name, Map: m, Result: out, Force: true}); err != nil {
			t.Fatal(err)
		}
		r := image.New(bytes.NewReader(v.Image), size, imap.All(size).With(unread), image.Options{})
		res, err := result.Open(out)
		if err != nil {
			t.Fatal(err)
		}
		for f, err := range res.Files() {
			if err != nil {
				t.Fatal(err)
			}
			if f.Verdict != result.Intact {
				hurt[f.Path]++
				continue
			}
			if content, ok := want[f.Path]; ok {
				if got, err := produce(f, r); err != nil || !bytes.Equal(got, content) {
					t.Errorf("byte %d unread: %s is called intact: %v", at, f.Path, err)
				}
			}
		}
		if at < 0 && len(hurt) > 0 {
			t.Fatalf("all read, and damaged: %v", hurt)
		}
		res.Close()
	}
	t.Logf("%d sectors, %v", tried, hurt)
	for path := range want {
		if hurt[path] < 2 {
			t.Errorf("%d sectors hurt %s", hurt[path], path)
		}
	}
}
