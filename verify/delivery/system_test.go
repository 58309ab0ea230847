package delivery_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"fileassay/extract/imap"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/verify"
	"fileassay/verify/delivery"
	"fileassay/verify/truthtest"
)

// register is the content of the files in extract/unpack/testdata.
func register() []byte {
	var b bytes.Buffer
	for i := 0; b.Len() < 100000; i++ {
		fmt.Fprintf(&b, "entry %d of the register, shelf %d\n", i, i*7919%601)
	}
	return b.Bytes()[:100000]
}

// Files that Windows compresses come out unpacked, and damaged in whole chunks
// only.
func TestSystemCompression(t *testing.T) {
	want := register()
	for algorithm, packed := range map[uint32]string{0: "xpress-4096", 1: "lzx-32768", 2: "xpress-8192", 3: "xpress-16384"} {
		stored, err := os.ReadFile(filepath.Join("..", "..", "extract", "unpack", "testdata", "register."+packed))
		if err != nil {
			t.Fatal(err)
		}
		var point []byte // WOF_EXTERNAL_INFO and FILE_PROVIDER_EXTERNAL_INFO_V1 of the Windows SDK
		for _, w := range []uint32{0x80000017, 16, 1, 2, 1, algorithm} {
			point = binary.LittleEndian.AppendUint32(point, w)
		}
		v := ntfsimage.New(ntfsimage.Params{Clusters: 600})
		const size = 100000
		v.Add(ntfsimage.File{Names: []ntfsimage.Name{{Parent: ntfsimage.Root, Text: "register.txt", Space: ntfsimage.Win32}}, Flags: 0x400, Reparse: point,
			Streams: []ntfsimage.Stream{{Runs: []ntfsimage.Run{{LCN: -1, Length: (size + 4095) / 4096}}, Size: size, Init: -1, Flags: 0x8000},
				{Name: "WofCompressedData", Data: stored, Pieces: 3}}})
		v.Finish()
		dir := scratch(t)
		image, m, result := filepath.Join(dir, "image"), filepath.Join(dir, "map.csv"), filepath.Join(dir, "result.jsonl")
		if err := os.WriteFile(image, v.Image, 0o644); err != nil {
			t.Fatal(err)
		}
		// one sector in the middle of the stored bytes
		at := int64(bytes.Index(v.Image, stored[4096:4096+256])) + 512
		for name, unread := range map[string][]imap.Range{"intact": nil, "damaged": {{Start: at, Length: 512, State: imap.Failed}}} {
			truthtest.WriteMap(t, m, int64(len(v.Image)), unread)
			if _, err := verify.Run(t.Context(), verify.Options{Image: image, Map: m, Result: result, Force: true}); err != nil {
				t.Fatal(err)
			}
			to := filepath.Join(dir, name)
			if _, err := delivery.Run(t.Context(), both(image, result, to)); err != nil {
				t.Fatal(err)
			}
			got, err := os.ReadFile(filepath.Join(to, "data", name, "volume-1", "register.txt"))
			if err != nil {
				t.Fatalf("%s: %v", packed, err)
			}
			missing := 0
			for _, row := range rowsOf(t, filepath.Join(to, "missing.csv")) {
				var off, n int
				if _, err := fmt.Sscan(row[1]+" "+row[2], &off, &n); err != nil {
					t.Fatal(err)
				}
				missing += n
				if !bytes.Equal(got[off:off+n], make([]byte, n)) {
					t.Errorf("%s: what is missing is not zeros", packed)
				}
				copy(got[off:off+n], want[off:])
			}
			if !bytes.Equal(got, want) {
				t.Errorf("%s, %s: other content", packed, name)
			}
			if name == "damaged" && (missing == 0 || missing > 2*32768) {
				t.Errorf("%s: %d bytes are missing", packed, missing)
			}
			rep, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: to, Result: result, Image: image})
			if err != nil || !rep.Clean() {
				t.Errorf("%s, %s: %v, %+v", packed, name, err, rep)
			}
		}
	}
}
