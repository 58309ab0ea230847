package delivery_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"

	"fileassay/verify/delivery"
)

// Files and folders without number are made with few descriptors, wherever
// their content lies.
func TestDescriptors(t *testing.T) {
	var old unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &old); err != nil {
		t.Fatal(err)
	}
	dir := scratch(t)
	const size, n = 16 << 20, 1500
	image, result := filepath.Join(dir, "image"), filepath.Join(dir, "result.jsonl")
	if err := os.WriteFile(image, make([]byte, size), 0o644); err != nil {
		t.Fatal(err)
	}
	var lines []map[string]any
	for i := range n { // each in a folder of its own; every other too large to wait in memory
		f := map[string]any{"path": fmt.Sprintf("folder %d/file", i), "size": 1024, "extents": [][3]int64{{0, int64(i) * 512, 512}, {512, size/2 + int64(i)*512, 512}}}
		if i%2 == 0 {
			f["size"], f["extents"] = 1<<20+512, [][3]int64{{0, int64(i) * 512, 512}, {1 << 20, size/2 + int64(i)*512, 512}}
		}
		lines = append(lines, f)
	}
	writeResult(t, result, size, lines)
	few := old
	few.Cur = 512
	if err := unix.Setrlimit(unix.RLIMIT_NOFILE, &few); err != nil {
		t.Fatal(err)
	}
	defer unix.Setrlimit(unix.RLIMIT_NOFILE, &old)
	out, err := delivery.Run(t.Context(), both(image, result, filepath.Join(dir, "to")))
	if err != nil {
		t.Fatal(err)
	}
	if out.Files != n {
		t.Errorf("%d files of %d", out.Files, n)
	}
	rep, err := delivery.Audit(t.Context(), delivery.AuditOptions{Folder: filepath.Join(dir, "to"), Result: result, Image: image})
	if err != nil || !rep.Clean() {
		t.Errorf("%v, %+v", err, rep)
	}
}
