package delivery_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/verify/delivery"
	"fileassay/verify/files"
)

// yard is a small image with its result: three files of one size, one that is
// fragmented with a hole, one that is damaged, one that is lost, and a link.
func yard(t *testing.T) (dir, image, result string) {
	t.Helper()
	dir = scratch(t)
	image, result = filepath.Join(dir, "image"), filepath.Join(dir, "result.jsonl")
	img := make([]byte, 64<<10)
	for i := range img {
		img[i] = byte(i*7 + i/512*13 + i>>9)
	}
	if err := os.WriteFile(image, img, 0o644); err != nil {
		t.Fatal(err)
	}
	plain := func(path string, at int64) map[string]any {
		return map[string]any{"path": path, "size": 2048, "extents": [][3]int64{{0, at, 2048}}, "modified": "2019-04-02T09:12:44Z"}
	}
	writeResult(t, result, int64(len(img)), []map[string]any{
		plain("books/one.txt", 0), plain("books/two.txt", 4096), plain("books/50%.txt", 8192),
		{"path": "long.bin", "size": 5000, "extents": [][3]int64{{0, 20480, 1024}, {4096, 16384, 904}}},
		{"path": "torn.bin", "size": 2048, "verdict": "damaged", "extents": [][3]int64{{0, 30720, 2048}}, "damage": [][]any{{512, 31232, 512, "failed"}}},
		{"path": "gone.bin", "size": 512, "verdict": "lost", "extents": [][3]int64{{0, 40960, 512}}, "damage": [][]any{{0, 40960, 512, "failed"}}},
		{"path": "to one", "kind": "link", "target": "books/one.txt", "extents": [][3]int64{}},
	})
	return dir, image, result
}

func TestAudit(t *testing.T) {
	dir, image, result := yard(t)
	clean := filepath.Join(dir, "clean")
	if _, err := delivery.Run(t.Context(), both(image, result, clean)); err != nil {
		t.Fatal(err)
	}
	checkBag(t, clean)
	const (
		one  = "data/intact/volume-1/books/one.txt"
		two  = "data/intact/volume-1/books/two.txt"
		long = "data/intact/volume-1/long.bin"
		torn = "data/damaged/volume-1/torn.bin"
		link = "data/intact/volume-1/to one"
	)
	edit := func(path string, change func(b []byte) []byte) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) {
			p := filepath.Join(dir, path)
			b, err := os.ReadFile(p)
			if err == nil {
				err = os.WriteFile(p, change(b), 0o644)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	type found struct{ Path, What string }
	const tags, oxum = "tagmanifest-sha256.txt", "bag-info.txt"
	for _, c := range []struct {
		name             string
		change           func(t *testing.T, dir string)
		manifest, images []found // by the manifest alone; what the image tells besides
	}{
		{"nothing", func(*testing.T, string) {}, nil, nil},
		{"missing", func(t *testing.T, dir string) { os.Remove(filepath.Join(dir, two)) },
			[]found{{oxum, "bag"}, {two, "missing"}}, nil},
		{"extra", func(t *testing.T, dir string) { os.WriteFile(filepath.Join(dir, "data/new"), nil, 0o644) },
			[]found{{oxum, "bag"}, {"data/new", "extra"}}, nil},
		{"changed", edit(two, func(b []byte) []byte { b[700]++; return b }),
			[]found{{two, "changed"}}, []found{{two, "wrong content"}}},
		{"cut", edit(long, func(b []byte) []byte { return b[:4000] }),
			[]found{{oxum, "bag"}, {long, "changed"}}, []found{{long, "wrong length"}}},
		{"filler", edit(long, func(b []byte) []byte { copy(b[4096:4608], bytes.Repeat([]byte("BAD!"), 128)); return b }),
			[]found{{long, "changed"}}, []found{{long, "filler inside"}}},
		{"hole", edit(long, func(b []byte) []byte { b[2000] = 'x'; return b }),
			[]found{{long, "changed"}}, []found{{long, "wrong content"}}},
		{"other filler", edit(torn, func(b []byte) []byte { b[600] = 'x'; return b }),
			[]found{{torn, "changed"}}, []found{{torn, "filler inside"}}},
		{"other file", func(t *testing.T, dir string) {
			b, err := os.ReadFile(filepath.Join(dir, one))
			if err == nil {
				err = os.WriteFile(filepath.Join(dir, two), b, 0o644)
			}
			if err != nil {
				t.Fatal(err)
			}
		}, []found{{two, "changed"}}, []found{{two, "wrong content"}, {two, "wrong file"}}},
		{"tag file", edit("missing.csv", func(b []byte) []byte { return append(b, 'x') }),
			[]found{{"missing.csv", "changed"}}, nil},
		{"manifest", edit("manifest-sha256.txt", func(b []byte) []byte { return b[bytes.IndexByte(b, '\n')+1:] }),
			[]found{{torn, "extra"}, {"manifest-sha256.txt", "changed"}}, nil},
		{"declaration", edit("bagit.txt", func(b []byte) []byte { return append(b, '\n') }),
			[]found{{"bagit.txt", "bag"}, {"bagit.txt", "changed"}}, nil},
		{"no tag manifest", func(t *testing.T, dir string) { os.Remove(filepath.Join(dir, tags)) },
			[]found{{oxum, "extra"}, {"bagit.txt", "extra"}, {"left-out.csv", "extra"}, {"manifest-sha256.txt", "extra"}, {"marks.csv", "extra"},
				{"missing.csv", "extra"}, {"renamed.csv", "extra"}, {tags, "bag"}}, nil},
		{"link", func(t *testing.T, dir string) {
			os.Remove(filepath.Join(dir, link))
			os.Symlink("books/two.txt", filepath.Join(dir, link))
		}, []found{{link, "changed"}}, nil},
		{"link out", func(t *testing.T, dir string) {
			os.Remove(filepath.Join(dir, link))
			os.Symlink("/etc/passwd", filepath.Join(dir, link))
		}, []found{{oxum, "bag"}, {link, "extra"}, {link, "missing"}}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			to := filepath.Join(scratch(t), "to")
			copyFolder(t, clean, to)
			c.change(t, to)
			audit := func(o delivery.AuditOptions) (list []found) {
				t.Helper()
				rep, err := delivery.Audit(t.Context(), o)
				if err != nil {
					t.Fatal(err)
				}
				for _, f := range rep.Findings {
					if n := len(list); n == 0 || list[n-1] != (found{f.Path, f.What}) {
						list = append(list, found{f.Path, f.What})
					}
				}
				return list
			}
			if d := cmp.Diff(c.manifest, audit(delivery.AuditOptions{Folder: to})); d != "" {
				t.Errorf("by the manifest: %s", d)
			}
			all := audit(delivery.AuditOptions{Folder: to, Result: result, Image: image})
			for _, want := range append(c.manifest[:len(c.manifest):len(c.manifest)], c.images...) {
				seen := false
				for _, f := range all {
					seen = seen || f == want
				}
				if !seen {
					t.Errorf("by the image: %v is not found: %v", want, all)
				}
			}
			if c.manifest == nil && len(all) > 0 {
				t.Errorf("by the image: %v", all)
			}
		})
	}
}

// Any folder of files, under folders of its own, can be held to the image.
func TestAuditTree(t *testing.T) {
	dir, image, result := yard(t)
	img, err := os.ReadFile(image)
	if err != nil {
		t.Fatal(err)
	}
	tree := filepath.Join(dir, "tree")
	put := func(path string, b []byte) {
		t.Helper()
		p := filepath.Join(tree, path)
		if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o755), os.WriteFile(p, b, 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	put("Partition 1/books/one.txt", img[:2048])
	put("Partition 1/books/two.txt", img[8192:8192+2048])                                     // another's content
	put("Partition 1/books/50%.txt", append(bytes.Clone(img[8192:8192+1024]), img[:1000]...)) // short, and its end is wrong
	put("Partition 1/torn.bin", img[30720:30720+2048])
	put("Partition 1/gone.bin", make([]byte, 512))
	put("Partition 1/thumbs.db", []byte("x"))
	rep, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: tree, Result: result, Image: image})
	if err != nil {
		t.Fatal(err)
	}
	want := []delivery.Finding{
		{Path: "Partition 1/books/50%.txt", What: "wrong content", Why: "2 of 4 sectors differ from what the drive gave, the first at byte 1024"},
		{Path: "Partition 1/books/50%.txt", What: "wrong length", Why: "has 2024 bytes, should have 2048"},
		{Path: "Partition 1/books/two.txt", What: "wrong content", Why: "4 of 4 sectors differ from what the drive gave, the first at byte 0"},
		{Path: "Partition 1/books/two.txt", What: "wrong file", Why: "holds the content of books/50%.txt"},
		{Path: "Partition 1/gone.bin", What: "filler inside", Why: "the drive gave no byte of gone.bin"},
		{Path: "Partition 1/thumbs.db", What: "extra", Why: "no file of the result has such a path"},
		{Path: "Partition 1/torn.bin", What: "filler inside", Why: "512 of its 2048 bytes the drive did not give"},
		{Path: "long.bin", What: "missing", Why: "is intact in the result, and not in the folder"},
	}
	if d := cmp.Diff(want, rep.Findings); d != "" {
		t.Error(d)
	}
	var in *files.InputError
	if _, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: tree}); !errors.As(err, &in) {
		t.Errorf("a folder that is no bag, and nothing to hold it to: %v", err)
	}
	if _, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: tree, Image: image}); !errors.As(err, &in) {
		t.Errorf("an image without a result: %v", err)
	}
	if _, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: filepath.Join(dir, "none")}); !errors.As(err, &in) {
		t.Errorf("no folder: %v", err)
	}
}
