package delivery_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/verify"
	"fileassay/verify/delivery"
	"fileassay/verify/sheet"
	"fileassay/verify/truthtest"
)

// same is n chunks of LZNT1, each of 4096 times the byte c [MS-XCA 2.5]: a
// literal and a reference one back, over all that is left.
func same(n int, c byte) []byte {
	return bytes.Repeat([]byte{0x03, 0xb0, 0x02, c, 0xfc, 0x0f}, n)
}

// packedVolume is a volume with files that are kept compressed in units of 16
// clusters, and what they hold; nil of those that cannot be unpacked.
func packedVolume() (*ntfsimage.Volume, map[string][]byte) {
	v := ntfsimage.New(ntfsimage.Params{Clusters: 2000, ForTools: true})
	want := map[string][]byte{}
	add := func(name string, size, valid int64, content []byte, units ...[]byte) {
		var runs []ntfsimage.Run
		for range units {
			lcn := v.Alloc(1)
			v.Use(lcn, 1)
			runs = append(runs, ntfsimage.Run{LCN: lcn, Length: 1}, ntfsimage.Run{LCN: -1, Length: 15})
		}
		v.AddFile(ntfsimage.Root, name, ntfsimage.Stream{Size: size, Init: valid, Flags: 1, Unit: 4, Runs: runs})
		for i, u := range units {
			copy(v.Image[v.At(runs[2*i].LCN):], u)
		}
		want[name] = content
	}
	const unit = 65536
	rep := bytes.Repeat
	add("whole", 2*unit, 0, slices.Concat(rep([]byte("a"), unit), rep([]byte("b"), unit)), same(16, 'a'), same(16, 'b'))
	// the last unit holds more than the file
	add("past the end", unit+100, 0, slices.Concat(rep([]byte("a"), unit), rep([]byte("b"), 100)), same(16, 'a'), same(16, 'b'))
	add("chunk past the end", unit+100, 0, slices.Concat(rep([]byte("a"), unit), rep([]byte("b"), 100)), same(16, 'a'), same(1, 'b'))
	// a unit holds more than the valid bytes
	add("old bytes", 2*unit, 10000, slices.Concat(rep([]byte("a"), 10000), make([]byte, 2*unit-10000)), same(16, 'a'), same(16, 'b'))
	add("early end", unit, 0, slices.Concat(rep([]byte("a"), 3*4096), make([]byte, unit-3*4096)), same(3, 'a'))
	add("no unit", unit, 0, nil, make([]byte, 4096))
	add("=other bytes", unit, 0, nil, []byte("no chunk begins so"))
	return v.Finish(), want
}

// Units come out as the system gives them: to the end of the file and of the
// valid bytes. Those that hold none are left out. An audit of other people's
// copies says of such a file that it cannot tell, and goes on.
func TestUnits(t *testing.T) {
	v, want := packedVolume()
	dir := scratch(t)
	image, m, result := filepath.Join(dir, "image"), filepath.Join(dir, "map.csv"), filepath.Join(dir, "result.jsonl")
	if err := os.WriteFile(image, v.Image, 0o644); err != nil {
		t.Fatal(err)
	}
	truthtest.WriteMap(t, m, int64(len(v.Image)), nil)
	if _, err := verify.Run(t.Context(), verify.Options{Image: image, Map: m, Result: result}); err != nil {
		t.Fatal(err)
	}
	to, copies := filepath.Join(dir, "out"), filepath.Join(dir, "copies")
	if _, err := delivery.Run(t.Context(), both(image, result, to)); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(copies, 0o755); err != nil {
		t.Fatal(err)
	}
	var left, doubted []string
	for _, row := range rowsOf(t, filepath.Join(to, "left-out.csv")) {
		left = append(left, strings.TrimPrefix(row[2], "'")) // that keeps a name from being a formula
		if strings.HasPrefix(row[2], "=") {
			t.Errorf("%q would be a formula", row[2])
		}
	}
	slices.Sort(left)
	if b, err := os.ReadFile(filepath.Join(to, "left-out.csv")); err != nil || !bytes.HasPrefix(b, []byte(sheet.Mark)) {
		t.Errorf("left-out.csv does not say that it is UTF-8: %v", err)
	}
	for name, content := range want {
		got, err := os.ReadFile(filepath.Join(to, "data", "intact", "volume-1", name))
		switch {
		case content == nil:
			if err == nil {
				t.Errorf("%s is delivered", name)
			}
			doubted = append(doubted, name)
			content = make([]byte, 65536)
		case !bytes.Equal(got, content):
			t.Errorf("%s: other content, %v", name, err)
		case os.Getenv("FILEASSAY_TOOLS") == "1": // another implementation gives the same
			if out, err := exec.Command("ntfscat", image, "/"+name).Output(); err != nil || !bytes.Equal(out, content) {
				t.Errorf("%s: ntfscat gives other content, %v", name, err)
			}
		}
		if err := os.WriteFile(filepath.Join(copies, name), content, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	slices.Sort(doubted)
	if !slices.Equal(left, doubted) {
		t.Errorf("left out are %q, should be %q", left, doubted)
	}
	if rep, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: to, Result: result, Image: image}); err != nil || !rep.Clean() {
		t.Errorf("%v, %+v", err, rep)
	}
	rep, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: copies, Result: result, Image: image})
	if err != nil {
		t.Fatal(err)
	}
	var found []string
	for _, f := range rep.Findings {
		found = append(found, f.Path)
		if !strings.Contains(f.Why, "is no compressed content") {
			t.Errorf("%+v", f)
		}
	}
	if !slices.Equal(found, doubted) || rep.Files != int64(len(want)) {
		t.Errorf("%d files, findings about %q", rep.Files, found)
	}
}
