package delivery_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract/imap"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/verify"
	"fileassay/verify/delivery"
)

// A volume whose names reach out of folders, are those of devices, or differ
// in case alone ten thousand times, is listed, delivered and audited; nothing
// comes to stand outside the delivery.
func TestHostileImage(t *testing.T) {
	const root, posix = 5, 0
	v := ntfsimage.New(ntfsimage.Params{Sector: 512, Cluster: 4096, Record: 1024, Index: 4096, Clusters: 6000, Records: 10200})
	file := func(parent uint64, name string) {
		v.Add(ntfsimage.File{Names: []ntfsimage.Name{{Parent: parent, Text: name, Space: posix}},
			Streams: []ntfsimage.Stream{{Data: ntfsimage.Content(7, 16), Resident: true}}})
	}
	names := []string{"../escaped", "../../escaped", "/etc/escaped", "..", "CON", "con.txt", "NUL", "COM1", "LPT9.dat", "x\x00y", "a\nb", "end.", "end ", `back\slash`, "C:escaped", "a:b",
		"\u202etxt.exe", "100%25", "bagit.txt", strings.Repeat("n", 255)}
	for _, n := range names {
		file(root, n)
	}
	up := v.AddFolder(root, "..")
	file(up, "escaped")
	device := v.AddFolder(root, "AUX")
	file(device, "inside")
	same := v.AddFolder(root, "same")
	const collide = 10000
	for i := range collide {
		b := []byte("photograph.jpg")
		for k := range b {
			if i>>k&1 == 1 && b[k] >= 'a' {
				b[k] -= 'a' - 'A'
			}
		}
		file(same, string(b))
	}
	v.Finish()

	dir := scratch(t)
	in, out := filepath.Join(dir, "in"), filepath.Join(dir, "out")
	for _, d := range []string{in, out} {
		if err := os.Mkdir(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	img, m, result, to := filepath.Join(in, "image"), filepath.Join(in, "map.csv"), filepath.Join(in, "result.jsonl"), filepath.Join(out, "to")
	if err := os.WriteFile(img, v.Image, 0o644); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := imap.All(int64(len(v.Image))).Write(&b); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(m, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	done, err := verify.Run(t.Context(), verify.Options{Image: img, Map: m, Result: result})
	if err != nil {
		t.Fatal(err)
	}
	want := int64(len(names) + 2 + collide)
	if done.Summary.Files.Intact != want {
		t.Fatalf("%+v, want %d intact", done.Summary.Files, want)
	}
	got, err := delivery.Run(t.Context(), both(img, result, to))
	if err != nil {
		t.Fatal(err)
	}
	if got.Files != want || got.LeftOut != 0 {
		t.Errorf("%d files delivered and %d left out, of %d", got.Files, got.LeftOut, want)
	}
	checkBag(t, to)
	for d, only := range map[string]string{dir: "in out", in: "image map.csv result.jsonl", out: "to"} {
		entries, err := os.ReadDir(d)
		if err != nil {
			t.Fatal(err)
		}
		var found []string
		for _, e := range entries {
			found = append(found, e.Name())
		}
		if strings.Join(found, " ") != only {
			t.Errorf("in %s stand %q, want %q", d, found, only)
		}
	}
	folded := map[string]string{}
	for p := range tree(t, to) {
		if low := strings.ToLower(p); folded[low] != "" {
			t.Errorf("%s and %s are one on many targets", p, folded[low])
		} else {
			folded[low] = p
		}
	}
}
