package ntfs

import (
	"testing"

	"fileassay/extract/fixture"
	"fileassay/extract/ntfs/ntfsimage"
)

func bootBytes(edit func(b []byte)) []byte {
	b := make([]byte, 512)
	copy(b, "\xeb\x52\x90NTFS    ")
	le.PutUint16(b[bootSectorSize:], 512)
	b[bootClusterSectors] = 8
	le.PutUint64(b[bootTotalSectors:], 1<<30)
	le.PutUint64(b[bootMFT:], 4)
	le.PutUint64(b[bootMFTMirror:], 5)
	b[bootRecordSize], b[bootIndexSize] = 0xf6, 1
	b[bootSignature], b[bootSignature+1] = 0x55, 0xaa
	edit(b)
	return b
}

// Sizes as the Linux-NTFS documentation encodes them, files/boot.html: records
// and index blocks in clusters where positive, else 2^-n bytes (F6 is 1024);
// clusters over 64 KiB as a power of two that is subtracted from 256 (common
// practice, no source).
func TestBootSectorSizes(t *testing.T) {
	for _, tt := range []struct {
		sector                int
		perCluster, rec, ix   byte
		cluster, record, indx int64 // cluster 0 is: not believed
	}{
		{512, 8, 0xf6, 1, 4096, 1024, 4096},
		{512, 8, 0xf4, 0xf4, 4096, 4096, 4096},
		{512, 1, 2, 8, 512, 1024, 4096},
		{512, 2, 1, 4, 1024, 1024, 4096},
		{512, 4, 0xf6, 2, 2048, 1024, 4096},
		{512, 128, 0xf6, 0xf4, 64 << 10, 1024, 4096},
		{512, 0xf8, 0xf6, 0xf4, 128 << 10, 1024, 4096},
		{512, 0xf7, 0xf6, 0xf4, 256 << 10, 1024, 4096},
		{512, 0xf6, 0xf6, 0xf4, 512 << 10, 1024, 4096},
		{512, 0xf5, 0xf6, 0xf4, 1 << 20, 1024, 4096},
		{512, 0xf4, 0xf6, 0xf4, 2 << 20, 1024, 4096},
		{256, 1, 0xf6, 0xf4, 256, 1024, 4096},
		{1024, 4, 0xf6, 1, 4096, 1024, 4096},
		{2048, 2, 0xf6, 1, 4096, 1024, 4096},
		{4096, 1, 1, 1, 4096, 4096, 4096},
		{4096, 16, 0xf4, 0xf4, 64 << 10, 4096, 4096},
		{4096, 0xf7, 0xf4, 0xf4, 2 << 20, 4096, 4096},

		{512, 0xf3, 0xf6, 0xf4, 0, 0, 0}, // 4 MiB
		{512, 0, 0xf6, 1, 0, 0, 0},       // no cluster
		{512, 3, 0xf6, 1, 0, 0, 0},       // 1536 bytes
		{512, 0x81, 0xf6, 1, 0, 0, 0},    // a shift of 127
		{128, 8, 0xf6, 1, 0, 0, 0},       // sectors too small
		{8192, 1, 0xf6, 1, 0, 0, 0},      // and too large
		{520, 8, 0xf6, 1, 0, 0, 0},       // and odd
		{512, 8, 0, 1, 0, 0, 0},          // no record
		{512, 8, 0xf8, 1, 0, 0, 0},       // 256 bytes: less than a stride
		{512, 8, 0x80, 1, 0, 0, 0},       // 2^128
		{512, 8, 0xe1, 1, 0, 0, 0},       // 2 GiB
		{512, 8, 16, 1, 0, 0, 0},         // 64 KiB: more than 64 strides
		{512, 8, 3, 1, 0, 0, 0},          // 12 KiB
		{512, 8, 0xf6, 0, 0, 0, 0},       // no index block
		{512, 0xf4, 0xf6, 0x7f, 0, 0, 0}, // 254 MiB
		{512, 128, 0xf6, 1, 0, 0, 0},     // index blocks of 64 KiB
	} {
		b := bootBytes(func(b []byte) {
			le.PutUint16(b[bootSectorSize:], uint16(tt.sector))
			b[bootClusterSectors], b[bootRecordSize], b[bootIndexSize] = tt.perCluster, tt.rec, tt.ix
		})
		s, err := parseBootSector(b)
		if tt.cluster == 0 {
			if err == nil {
				t.Errorf("%+v: believed as %+v", tt, s)
			}
			continue
		}
		if err != nil || s.ClusterSize != tt.cluster || s.RecordSize != tt.record || s.IndexSize != tt.indx || s.SectorSize != int64(tt.sector) {
			t.Errorf("%+v: %+v, error %v", tt, s, err)
		}
	}
}

func TestBootSectorHostile(t *testing.T) {
	for name, edit := range map[string]func(b []byte){
		"another's name":        func(b []byte) { copy(b[3:], "EXFAT   ") },
		"no signature":          func(b []byte) { b[510] = 0 },
		"no sectors":            func(b []byte) { clear(b[bootTotalSectors : bootTotalSectors+8]) },
		"more than any drive":   func(b []byte) { b[bootTotalSectors+7] = 0xff },
		"overflow":              func(b []byte) { le.PutUint64(b[bootTotalSectors:], 1<<53) },
		"table past the end":    func(b []byte) { le.PutUint64(b[bootMFT:], 1<<27) },
		"table at minus one":    func(b []byte) { le.PutUint64(b[bootMFT:], 1<<64-1) },
		"mirror past the end":   func(b []byte) { le.PutUint64(b[bootMFTMirror:], 1<<60) },
		"less than one cluster": func(b []byte) { le.PutUint64(b[bootTotalSectors:], 7) },
	} {
		if s, err := parseBootSector(bootBytes(edit)); err == nil {
			t.Errorf("%s: believed as %+v", name, s)
		}
	}
	if _, err := parseBootSector(bootBytes(func([]byte) {})[:511]); err == nil {
		t.Error("511 bytes are believed")
	}
}

func FuzzBootSector(f *testing.F) {
	for _, name := range []string{"v01-ntfs-4k", "ntfs3-kernel"} {
		f.Add(fixture.Load(f, name).Image[:512])
	}
	f.Add(ntfsimage.New(ntfsimage.Params{Cluster: 2 << 20, Clusters: 8}).Finish().Image[:512])
	f.Add(bootBytes(func([]byte) {}))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := parseBootSector(b)
		if err != nil {
			return
		}
		if s.length() <= 0 || s.clusters() <= 0 || s.MFT >= s.clusters() || s.MFTMirror >= s.clusters() || s.MFT < 0 || s.MFTMirror < 0 ||
			s.RecordSize < 512 || s.RecordSize > maxRecordSize || s.IndexSize < 512 || s.IndexSize > maxIndexSize ||
			s.clusters() > 0 && s.ClusterSize > s.length() {
			t.Fatalf("believed: %+v", s)
		}
	})
}
