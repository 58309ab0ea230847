package ownertest

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"

	"fileassay/extract/fixture"
)

// MiB is the unit in which the places of volumes are written here.
const MiB = 1 << 20

// Sector is the sector of all drives.
const Sector = 512

// Disk is a drive with what is true of it.
type Disk struct {
	Name  string
	Image []byte
	Truth
}

// Truth says what stands on a drive.
type Truth struct {
	Size    int64
	Volumes []Volume           // of now
	Former  []Volume           // that stood there before
	Patches map[string][]Patch // that make another state of the same drive, by name
}

// Volume is a volume that was formatted and filled.
type Volume struct {
	Start, Length int64
	Kind          string // as [Builder.Format] takes it
	Label         string // no other volume of the drive has it
	Cluster       int64  // bytes; 0 where the tool chose it
	Front         int64  // where what stands in front of it begins; 0 for nothing
	Files         []File

	// Alive says of a former volume that a copy of its first structure and what
	// that leads to are as they were: a reader that does not look for the
	// tenant of now may list it.
	Alive bool
}

// End is the first byte past the volume.
func (v *Volume) End() int64 { return v.Start + v.Length }

// File is a file of a volume.
type File struct {
	Path   string
	Size   int64
	SHA256 string
}

// Patch is bytes that stand at a place.
type Patch struct {
	At    int64
	Bytes []byte
}

// With is the disk with some of its patches applied.
func (d *Disk) With(names ...string) *Disk {
	out := *d
	out.Image = bytes.Clone(d.Image)
	for _, name := range names {
		list, ok := d.Patches[name]
		if !ok {
			panic("the disk " + d.Name + " has no patch " + name)
		}
		for _, p := range list {
			copy(out.Image[p.At:], p.Bytes)
		}
	}
	return &out
}

// Edited is the disk after a change of its bytes.
func (d *Disk) Edited(edit func(img []byte)) *Disk {
	out := d.With()
	edit(out.Image)
	return out
}

// Content is n bytes of which each 512 say where they belong.
func Content(label string, number, n int) []byte {
	b := make([]byte, 0, n+Sector)
	for chunk := 0; len(b) < n; chunk++ {
		line := fmt.Sprintf("%s file %03d chunk %06d\n", label, number, chunk)
		b = append(b, strings.Repeat(line, Sector/len(line)+1)[:Sector]...)
	}
	return b[:n]
}

func digest(b []byte) string {
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

// toolsWanted reports whether tests may use the system's own tools.
func toolsWanted() bool { return os.Getenv("FILEASSAY_TOOLS") == "1" }

// Load gives a drive by
// name: made by tools where FILEASSAY_TOOLS=1, else as it was packed. remake
// packs what the tools made.
func Load(tb testing.TB, name string, remake bool) *Disk {
	tb.Helper()
	folder := filepath.Join(fixture.Folder(tb), "..", "verify", "testdata", "owners")
	if toolsWanted() {
		i := slices.IndexFunc(disks, func(m maker) bool { return m.name == name })
		if i < 0 {
			tb.Fatalf("no disk has the name %s", name)
		}
		b := NewBuilder(tb, name, disks[i].size)
		disks[i].make(b)
		b.finish()
		if remake {
			b.Disk.pack(tb, folder)
		}
		return b.Disk
	}
	d := &Disk{Name: name, Image: unpack(tb, filepath.Join(folder, name+".img.zst"))}
	if err := json.Unmarshal(unpack(tb, filepath.Join(folder, name+".truth.json.zst")), &d.Truth); err != nil {
		tb.Fatalf("truth of %s: %v", name, err)
	}
	return d
}

// dictionary is what every NTFS volume holds and nothing packs well: the table of
// upper case, most of which is every number in turn.
func dictionary() []byte {
	b := make([]byte, 0, 2<<16)
	for n := range 1 << 16 {
		b = binary.LittleEndian.AppendUint16(b, uint16(n))
	}
	return b
}

func unpack(tb testing.TB, file string) []byte {
	tb.Helper()
	packed, err := os.ReadFile(file)
	if err != nil {
		tb.Fatal(err)
	}
	z, err := zstd.NewReader(nil, zstd.WithDecoderDictRaw(1, dictionary()), zstd.WithDecoderMaxWindow(64<<20))
	if err != nil {
		tb.Fatal(err)
	}
	defer z.Close()
	b, err := z.DecodeAll(packed, nil)
	if err != nil {
		tb.Fatalf("%s: %v", file, err)
	}
	return b
}

func (d *Disk) pack(tb testing.TB, folder string) {
	tb.Helper()
	truth, err := json.Marshal(&d.Truth)
	if err != nil {
		tb.Fatal(err)
	}
	z, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedBestCompression), zstd.WithWindowSize(64<<20), zstd.WithEncoderDictRaw(1, dictionary()))
	if err != nil {
		tb.Fatal(err)
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		tb.Fatal(err)
	}
	for name, b := range map[string][]byte{d.Name + ".img.zst": d.Image, d.Name + ".truth.json.zst": truth} {
		if err := os.WriteFile(filepath.Join(folder, name), z.EncodeAll(b, nil), 0o644); err != nil {
			tb.Fatal(err)
		}
	}
}
