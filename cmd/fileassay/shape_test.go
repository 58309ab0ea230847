package main

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/verify"
	"fileassay/verify/result"
)

// lines are those of a result.
func (b *bench) lines(name string) [][]byte {
	b.Helper()
	return bytes.Split(bytes.TrimSuffix(b.read(name), []byte("\n")), []byte("\n"))
}

// verified verifies an image and returns the record of the image and the other
// lines of the result.
func (b *bench) verified(exit int, args ...string) (result.Image, [][]byte) {
	b.Helper()
	o := b.run([]string{"r.jsonl"}, append([]string{"verify", "--force", "-o", "r.jsonl"}, args...)...)
	if o.exit != exit {
		b.Fatalf("%v: exit %d, want %d: %s", args, o.exit, exit, o.stderr)
	}
	lines := b.lines("r.jsonl")
	var im result.Image
	decode(b.T, lines[0], &im)
	return im, lines[1:]
}

// files are the lines of files among lines of a result.
func (b *bench) decodeFiles(lines [][]byte) []result.File {
	b.Helper()
	var out []result.File
	for _, l := range lines {
		if bytes.HasPrefix(l, []byte(`{"type":"file"`)) {
			var f result.File
			decode(b.T, l, &f)
			out = append(out, f)
		}
	}
	return out
}

// split writes an image in parts of n bytes.
func (b *bench) split(data []byte, n int, name func(i int) string) {
	for i := 0; i*n < len(data); i++ {
		b.write(name(i), data[i*n:min((i+1)*n, len(data))])
	}
}

// An image in parts gives the result of the whole one, whatever the parts are
// called.
func TestSplitImage(t *testing.T) {
	for _, first := range []string{"pier.000", "pier.001", "pier.img.aa", "pier-00.img", "pier 1 of 5.raw"} {
		t.Run(first, func(t *testing.T) {
			b := newBench(t)
			image := b.read("ferry.img")
			im, want := b.verified(exitFound, "ferry.img", "--map", "worn.csv")
			b.split(image, 700_001, func(i int) string {
				switch first {
				case "pier.000":
					return fmt.Sprintf("pier.%03d", i)
				case "pier.001":
					return fmt.Sprintf("pier.%03d", i+1)
				case "pier.img.aa":
					return "pier.img.a" + string(rune('a'+i))
				case "pier-00.img":
					return fmt.Sprintf("pier-%02d.img", i)
				}
				return fmt.Sprintf("pier %d of 5.raw", i+1)
			})
			if first == "pier 1 of 5.raw" {
				// the last number in the name counts nothing here
				o := b.run(nil, "verify", first, "--map", "worn.csv", "-o", "s.jsonl")
				if o.exit != exitInput || !strings.Contains(o.stderr, "past the end of the image") {
					t.Errorf("%+v", o)
				}
				return
			}
			got, lines := b.verified(exitFound, first, "--map", "worn.csv")
			if d := cmp.Diff(want, lines); d != "" {
				t.Errorf("(-whole +parts):\n%s", d)
			}
			if got.Path != first || got.Parts == nil || got.Parts.Count != 5 || got.Parts.First != first || got.Parts.Short != nil {
				t.Errorf("%+v, parts %+v", got, got.Parts)
			}
			im.Path, im.Parts = got.Path, got.Parts
			if d := cmp.Diff(im, got); d != "" {
				t.Errorf("record of the image (-whole +parts):\n%s", d)
			}
		})
	}
}

// A missing part is an error, or counts like the same bytes called skipped by
// the map.
func TestMissingPart(t *testing.T) {
	b := newBench(t)
	const n = 512 << 10
	b.split(b.read("ferry.img"), n, func(i int) string { return fmt.Sprintf("pier.%03d", i) })
	if err := os.Remove(filepath.Join(b.dir, "pier.004")); err != nil {
		t.Fatal(err)
	}
	b.write("pier.001", b.read("pier.001")[:n-1000])
	o := b.run(nil, "verify", "pier.000", "--map", "all.csv")
	for _, s := range []string{"pier.001 is short", "(and 1 more)", "--allow-missing-parts"} {
		if o.exit != exitInput || !strings.Contains(o.stderr, s) {
			t.Errorf("exit %d, should say %s: %s", o.exit, s, o.stderr)
		}
	}
	b.write("skipped.csv", fmt.Appendf(nil, "start,length,state\n0,%d,read\n%d,%d,read\n%d,%d,read\n", 2*n-1024, 2*n, 2*n, 5*n, ferrySize-5*n))
	_, want := b.verified(exitFound, "ferry.img", "--map", "skipped.csv")
	im, got := b.verified(exitFound, "pier.000", "--map", "all.csv", "--allow-missing-parts")
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-skipped +missing):\n%s", d)
	}
	if d := cmp.Diff([]result.Part{{Path: "pier.001", Start: n, Length: n, Held: n - 1000}, {Path: "pier.004", Start: 4 * n, Length: n}}, im.Parts.Short); d != "" {
		t.Errorf("short parts (-want +got):\n%s", d)
	}
	if im.Map.Skipped != n+1024 {
		t.Errorf("%d bytes are skipped", im.Map.Skipped)
	}
	golden(t, "layout-missing-parts.txt", b.run(nil, "layout", "pier.000", "--map", "all.csv", "--allow-missing-parts").stdout)
}

// A drive that begins inside the image is read as it is, and every offset of
// the result counts from the start of the image; so is a volume given by hand.
func TestOffset(t *testing.T) {
	b := newBench(t)
	const n = 3 * 512
	b.write("in.img", append(bytes.Repeat([]byte{0xa5}, n), b.read("ferry.img")...))
	b.write("in.csv", []byte(shiftedMap(t, worn, n)))
	_, lines := b.verified(exitFound, "ferry.img", "--map", "worn.csv")
	want := b.decodeFiles(lines)
	for i := range want {
		for j := range want[i].Extents {
			want[i].Extents[j][1] += n
		}
		for j, d := range want[i].Damage {
			if d.Image >= 0 {
				want[i].Damage[j].Image += n
			}
		}
		for j := range want[i].Patched {
			want[i].Patched[j][1] += n
		}
		for j := range want[i].Needs {
			want[i].Needs[j][0] += n
		}
	}
	im, lines := b.verified(exitFound, "in.img", "--map", "in.csv", "--offset", "0x600")
	if d := cmp.Diff(want, b.decodeFiles(lines)); d != "" {
		t.Errorf("--offset (-want +got):\n%s", d)
	}
	if im.Offset != n || im.Size != ferrySize+n {
		t.Errorf("%+v", im)
	}
	var v result.Volume
	decode(t, lines[0], &v)
	if v.Start != n+64*512 || v.Found != "MBR partition 1" {
		t.Errorf("volume at %d, %s", v.Start, v.Found)
	}
	golden(t, "layout-offset.txt", b.run(nil, "layout", "in.img", "--map", "in.csv", "--offset", fmt.Sprint(n)).stdout)

	_, lines = b.verified(exitFound, "in.img", "--map", "in.csv", "--volume-at", fmt.Sprint(n+64*512), "--filesystem", "ntfs")
	if d := cmp.Diff(want, b.decodeFiles(lines)); d != "" {
		t.Errorf("--volume-at (-want +got):\n%s", d)
	}
	// the first sector of the volume is unread: its end is found by the copy
	b.write("dark.csv", fmt.Appendf(nil, "start,length,state\n0,%d,read\n%d,%d,read\n", n+64*512, n+65*512, ferrySize-65*512))
	_, lines = b.verified(exitFound, "in.img", "--map", "dark.csv", "--volume-at", fmt.Sprint(n+64*512), "--filesystem", "ntfs")
	decode(t, lines[0], &v)
	if v.Length != (6144-64)*512 && v.Length != (6144-64)*512-512 {
		t.Errorf("the volume has %d bytes", v.Length)
	}
	o := b.run(nil, "verify", "in.img", "--map", "in.csv", "--volume-at", "512", "--filesystem", "fat")
	if o.exit != exitInput || !strings.Contains(o.stderr, "no fat volume at offset 512") {
		t.Errorf("%+v", o)
	}
}

// shiftedMap is a map of ranges that begin n bytes later, with all before read.
func shiftedMap(t *testing.T, text string, n int64) string {
	t.Helper()
	var out strings.Builder
	for line := range strings.Lines(text) {
		var start, length int64
		var state string
		if k, _ := fmt.Sscanf(strings.ReplaceAll(line, ",", " "), "%d %d %s", &start, &length, &state); k != 3 {
			out.WriteString(line)
			continue
		}
		if start == 0 {
			length += n
		} else {
			start += n
		}
		fmt.Fprintf(&out, "%d,%d,%s\n", start, length, state)
	}
	return out.String()
}

// A table in sectors of another size than the image is opened with, as a
// bridge leaves it behind, and an image with sectors of 4096 bytes throughout,
// give the files of the plain one.
func TestSectorSizes(t *testing.T) {
	b := newBench(t)
	_, lines := b.verified(exitClean, "ferry.img", "--map", "all.csv")
	want := b.decodeFiles(lines)
	image := b.read("ferry.img")
	entry := image[446:462]
	binary.LittleEndian.PutUint32(entry[8:], 64/8)
	binary.LittleEndian.PutUint32(entry[12:], (6144-64)/8)
	b.write("4k.img", image)
	for _, args := range [][]string{
		{"4k.img", "--sector", "512"},     // table in 4096, image in 512
		{"ferry.img", "--sector", "4096"}, // the reverse
		{"4k.img", "--sector", "4096"},
	} {
		im, lines := b.verified(exitClean, append(args, "--map", "all.csv")...)
		if d := cmp.Diff(want, b.decodeFiles(lines)); d != "" {
			t.Errorf("%v (-plain +got):\n%s", args, d)
		}
		other := args[0] == "4k.img" != (args[2] == "4096")
		if told := strings.Contains(strings.Join(im.Notes, "\n"), "counts in sectors of"); told != other {
			t.Errorf("%v: notes %q", args, im.Notes)
		}
	}
}

// The head map shows in the result: each head's bytes by state, and the heads
// that serve the unread places of each file.
func TestHeads(t *testing.T) {
	b := newBench(t)
	const zone = 48 << 10 // of one head, in turns of four
	var text strings.Builder
	text.WriteString("start,length,head\n")
	const served = ferrySize - 100*512 // the last sectors have no known head
	for at := int64(0); at < served; at += zone {
		fmt.Fprintf(&text, "%d,%#x,%d\n", at, min(zone, served-at), at/zone%4)
	}
	b.write("heads.csv", []byte(text.String()))
	im, lines := b.verified(exitFound, "ferry.img", "--map", "worn.csv", "--heads", "heads.csv")

	if im.Heads == nil || len(im.Heads.Heads) != 4 || im.Heads.Path != "heads.csv" || len(im.Heads.SHA256) != 64 {
		t.Fatalf("%+v", im.Heads)
	}
	sum := im.Heads.Others
	for _, h := range im.Heads.Heads {
		sum.Read += h.Read
		sum.Doubtful += h.Doubtful
		sum.Failed += h.Failed
		sum.Skipped += h.Skipped
	}
	m := im.Map
	if sum != (result.ByteStates{Read: m.Read, Doubtful: m.Doubtful, Failed: m.Failed, Skipped: m.Skipped}) || im.Heads.Others.Total() != 100*512 {
		t.Errorf("heads add up to %+v, the map is %+v", sum, m)
	}
	if h := im.Heads.Heads[2]; h.Failed != 1024 { // 116736 is in the third zone
		t.Errorf("head 2: %+v", h)
	}

	files, alone := [4]int64{}, [4]int64{}
	hurt := 0
	for _, f := range b.decodeFiles(lines) {
		seen := map[int]bool{}
		unlocated := false
		for _, d := range f.Damage {
			if d.Image < 0 {
				unlocated = true
				continue
			}
			for i := d.Image; i < d.Image+d.Length; i += 512 {
				seen[int(i/zone%4)] = true
			}
		}
		var want []int
		for h := range 4 {
			if seen[h] {
				want = append(want, h)
				files[h]++
				if len(seen) == 1 && !unlocated {
					alone[h]++
				}
			}
		}
		if len(want) > 0 {
			hurt++
		}
		if d := cmp.Diff(want, f.Heads); d != "" {
			t.Errorf("%s (-want +got):\n%s", f.Path, d)
		}
	}
	if hurt < 3 {
		t.Errorf("only %d files wait for a head", hurt)
	}
	var s result.Summary
	decode(t, lines[len(lines)-1], &s)
	for h := range 4 {
		if s.Heads[h] != (result.HeadFiles{Head: h, Files: files[h], Alone: alone[h]}) {
			t.Errorf("%+v, want %d files, %d alone", s.Heads[h], files[h], alone[h])
		}
	}
	golden(t, "verify-heads.txt", b.run([]string{"r.jsonl"}, "verify", "ferry.img", "--map", "worn.csv", "--heads", "heads.csv", "-o", "r.jsonl", "--force").stdout)

	// nothing else of the result changes
	_, plain := b.verified(exitFound, "ferry.img", "--map", "worn.csv")
	without := b.decodeFiles(plain)
	for i, f := range b.decodeFiles(lines) {
		f.Heads = nil
		p := without[i]
		if d := cmp.Diff(p, f); d != "" {
			t.Errorf("(-without +with a head map):\n%s", d)
		}
	}
}

// A packed image is refused with the command to unpack it; what stands in a
// sector that was not read tells nothing about the image.
func TestPackedImage(t *testing.T) {
	b := newBench(t)
	var packed bytes.Buffer
	w := gzip.NewWriter(&packed)
	image := b.read("ferry.img")
	if _, err := w.Write(image); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	b.write("ferry.img.gz", packed.Bytes())
	b.write("ferry.img.zst", unpackedFile(t, "testdata/ferry.img.zst"))
	for name, says := range map[string]string{"ferry.img.gz": "gzip -dc ferry.img.gz > ferry.img", "ferry.img.zst": "zstd -dc ferry.img.zst > ferry.img"} {
		for _, claim := range [][]string{{"--map", "all.csv"}, {"--assume-read"}} {
			o := b.run(nil, append([]string{"layout", name}, claim...)...)
			if o.exit != exitInput || !strings.Contains(o.stderr, says) {
				t.Errorf("%s %v: %+v", name, claim, o)
			}
		}
	}
	copy(image, "\x1f\x8b\x08\x08")
	b.write("worn.img", image)
	b.write("first.csv", fmt.Appendf(nil, "start,length,state\n0,512,failed\n512,%d,read\n", ferrySize-512))
	_, got := b.verified(exitClean, "worn.img", "--map", "first.csv")
	_, want := b.verified(exitClean, "ferry.img", "--map", "first.csv")
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("a filler in an unread sector shows (-want +got):\n%s", d)
	}
}

func unpackedFile(t *testing.T, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// Holes of the image file are told by layout, and change no result.
func TestSparseImage(t *testing.T) {
	b := newBench(t)
	image := b.read("ferry.img")
	f, err := os.Create(filepath.Join(b.dir, "sparse.img"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const step = 64 << 10
	holes := int64(0)
	for at := 0; at < len(image); at += step {
		if part := image[at : at+step]; bytes.Count(part, []byte{0}) < step {
			if _, err := f.WriteAt(part, int64(at)); err != nil {
				t.Fatal(err)
			}
		} else {
			holes += step
		}
	}
	if err := f.Truncate(int64(len(image))); err != nil {
		t.Fatal(err)
	}
	if holes == 0 {
		t.Fatal("the image has no empty places")
	}
	_, want := b.verified(exitFound, "ferry.img", "--map", "worn.csv")
	_, got := b.verified(exitFound, "sparse.img", "--map", "worn.csv")
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-whole +sparse):\n%s", d)
	}
	var l verify.LayoutRecord
	if err := json.Unmarshal([]byte(b.run(nil, "layout", "sparse.img", "--map", "worn.csv", "--json").stdout), &l); err != nil {
		t.Fatal(err)
	}
	if l.Holes == nil {
		t.Log("this filesystem or system tells of no holes") // as told in TestHoles of extract/image
		return
	}
	if l.Holes.Bytes > holes || l.Holes.Bytes < holes/2 || l.Holes.Read > l.Holes.Bytes {
		t.Errorf("%+v, %d bytes were left out", l.Holes, holes)
	}
	if text := b.run(nil, "layout", "sparse.img", "--map", "worn.csv").stdout; !strings.Contains(text, "the image file is sparse: ") {
		t.Errorf("layout says nothing of holes:\n%s", text)
	}
}

// The options that point into the image are refused where they cannot be
// meant.
func TestShapeRefused(t *testing.T) {
	b := newBench(t)
	b.write("bad.csv", []byte("start,length,head\n0,1024,0\n512,512,1\n"))
	b.write("long.csv", []byte("start,length,head\n0,3145729,0\n"))
	b.write("pier.001", make([]byte, 1024))
	b.write("pier.002", make([]byte, 1024))
	for _, c := range []struct {
		exit int
		says string
		args []string
	}{
		{exitUsage, "--offset", []string{"--offset", "x"}},
		{exitUsage, "multiple of 512", []string{"--offset", "100"}},
		{exitUsage, "--offset", []string{"--offset=-512"}},
		{exitInput, "past the end", []string{"--offset", "3145728"}},
		{exitUsage, "--filesystem", []string{"--volume-at", "512"}},
		{exitUsage, "--volume-at", []string{"--filesystem", "ntfs"}},
		{exitUsage, "ntfs, fat", []string{"--volume-at", "512", "--filesystem", "floppy"}},
		{exitUsage, "exclude", []string{"--volume-at", "512", "--filesystem", "ntfs", "--offset", "512"}},
		{exitUsage, "--volume-at", []string{"--volume-at", "0x", "--filesystem", "ntfs"}},
		{exitInput, "not in the image", []string{"--volume-at", "0x1000000", "--filesystem", "ntfs"}},
		{exitInput, "line 3", []string{"--heads", "bad.csv"}},
		{exitInput, "--drive-size", []string{"--heads", "long.csv"}},
		{exitInput, "head map", []string{"--heads", "none.csv"}},
	} {
		o := b.run(nil, append([]string{"verify", "ferry.img", "--map", "all.csv"}, c.args...)...)
		if o.exit != c.exit || !strings.Contains(o.stderr, c.says) {
			t.Errorf("%v: exit %d, want %d and %q: %s", c.args, o.exit, c.exit, c.says, o.stderr)
		}
	}
	// no output takes the place of a part or of the head map
	for _, name := range []string{"pier.002", "bad.csv"} {
		args := []string{"verify", "pier.001", "--assume-read", "--force", "-o", name}
		if name == "bad.csv" {
			b.write("bad.csv", []byte("start,length,head\n"))
			args = append(args, "--heads", name)
		}
		if o := b.run(nil, args...); o.exit != exitOutput || !strings.Contains(o.stderr, "one of the inputs") {
			t.Errorf("%s: %+v", name, o)
		}
	}
	if o := b.run(nil, "verify", "pier.002", "--assume-read"); o.exit != exitInput || !strings.Contains(o.stderr, "pier.001") || !strings.Contains(o.stderr, "--whole") {
		t.Errorf("%+v", o)
	}
}
