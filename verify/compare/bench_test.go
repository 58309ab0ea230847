package compare

import (
	"bytes"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"fileassay/extract/fixture"
)

// BenchmarkContent compares two images of half a gibibyte, and with
// FILEASSAY_TOOLS=1 says how long that takes against what cmp -l, or cmp where
// both hold the same, takes for the same two files, which are in memory by
// then. In the worst case every other sector differs, behind the volume.
func BenchmarkContent(b *testing.B) {
	f := fixture.Load(b, "ntfs3-kernel")
	image := make([]byte, 512<<20)
	rnd := rand.NewChaCha8([32]byte{9})
	rnd.Read(image)
	copy(image, f.Image)
	other := bytes.Clone(image)
	b.Run("same", func(b *testing.B) { content(b, image, other, 0) })
	for at := len(f.Image); at < len(other); at += 1024 {
		other[at] ^= 1
	}
	b.Run("worst", func(b *testing.B) { content(b, image, other, int64(len(other)-len(f.Image))/1024) })
}

func content(b *testing.B, image, other []byte, differ int64) {
	dir := b.TempDir()
	x, y := pass{image, nil}.verified(b, dir, "before"), pass{other, nil}.verified(b, dir, "after")
	c, err := Results(x, y, nil)
	if err != nil {
		b.Fatal(err)
	}
	args := []string{filepath.Join(dir, "before.img"), filepath.Join(dir, "after.img")}
	if differ > 0 {
		args = append([]string{"-l"}, args...)
	}
	var took time.Duration
	b.SetBytes(2 * int64(len(image)))
	for b.Loop() {
		if os.Getenv("FILEASSAY_TOOLS") == "1" {
			b.StopTimer()
			began := time.Now()
			cmd := exec.Command("cmp", args...)
			cmd.Stdout = io.Discard // by a pipe: for the null device cmp stops at the first difference
			if err := cmd.Run(); (err == nil) != (differ == 0) {
				b.Fatalf("cmp: %v", err)
			}
			took += time.Since(began)
			b.StartTimer()
		}
		if err := Content(b.Context(), c, x, y, ContentOptions{}); err != nil {
			b.Fatal(err)
		}
	}
	if c.Content.Differ != differ || c.Content.Compared != int64(len(image))/512 {
		b.Fatalf("%+v", c.Content)
	}
	if took > 0 {
		b.ReportMetric(float64(b.Elapsed())/float64(took), "times-cmp")
	}
}
