package lawtest

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// Made says how a volume is made by tools of the system: how it is formatted,
// and how it is mounted, or that mtools write it. In the words, IMAGE and FOLDER
// stand for the image and the folder that it is mounted at.
type Made struct {
	Name      string
	Megabytes int64
	Format    []string
	Mount     []string // nil: mtools
}

// RunMade is [Run] over volumes that other programs make and fill, where
// FILEASSAY_TOOLS=1. That a tool is missing is a failure; to mount needs root.
func RunMade(t *testing.T, r Reader, list ...Made) {
	t.Helper()
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	for i, m := range list {
		Run(t, r, m.image(t, uint64(i)), 12)
	}
}

// image makes the volume, with its state at an earlier time: files are written,
// some are deleted, and others are written in their room.
func (m Made) image(t *testing.T, seed uint64) Image {
	t.Helper()
	dir := t.TempDir()
	w := &writer{t: t, m: m, image: filepath.Join(dir, "image"), folder: filepath.Join(dir, "mounted"), rnd: rand.New(rand.NewPCG(seed, 5)), truth: map[string]string{}}
	for _, err := range []error{os.Mkdir(w.folder, 0o700), os.WriteFile(w.image, nil, 0o600), os.Truncate(w.image, m.Megabytes<<20)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	w.run(m.Format)
	w.mounted(func() {
		for i := range 9 {
			w.mkdir(fmt.Sprintf("Plot %d", i))
		}
		w.fill("first", 150, 9000)
		w.remove(50)
		w.fill("large", 8, 300_000)
	})
	older := w.bytes()
	w.mounted(func() {
		w.remove(20)
		w.fill("second", 60, 20_000)
		w.fill("late", 4, 400_000)
		w.remove(10)
	})
	return Image{Name: m.Name, Volume: w.bytes(), Truth: w.truth, Older: older, Varies: true}
}

// writer fills a volume.
type writer struct {
	t             *testing.T
	m             Made
	image, folder string
	rnd           *rand.Rand
	truth         map[string]string
	folders       []string
}

func (w *writer) run(words []string) {
	w.t.Helper()
	words = slices.Clone(words)
	for i := range words {
		words[i] = strings.NewReplacer("IMAGE", w.image, "FOLDER", w.folder).Replace(words[i])
	}
	c := exec.Command(words[0], words[1:]...)
	c.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1", "LC_ALL=C.UTF-8", "PATH="+os.Getenv("PATH")+":/usr/sbin:/sbin")
	if out, err := c.CombinedOutput(); err != nil {
		w.t.Fatalf("%q: %v\n%s", words, err, out)
	}
}

func (w *writer) mounted(do func()) {
	w.t.Helper()
	if w.m.Mount != nil {
		w.run(w.m.Mount)
		defer w.run([]string{"umount", "FOLDER"})
	}
	do()
}

func (w *writer) bytes() []byte {
	w.t.Helper()
	b, err := os.ReadFile(w.image)
	if err != nil {
		w.t.Fatal(err)
	}
	return b
}

func (w *writer) mkdir(name string) {
	w.t.Helper()
	w.folders = append(w.folders, name)
	if w.m.Mount == nil {
		w.run([]string{"mmd", "-i", "IMAGE", "::" + name})
	} else if err := os.Mkdir(filepath.Join(w.folder, name), 0o755); err != nil {
		w.t.Fatal(err)
	}
}

func (w *writer) fill(tag string, n, most int) {
	w.t.Helper()
	for i := range n {
		name := fmt.Sprintf("%s/%s sheet %d of the meadow.obs", w.folders[w.rnd.IntN(len(w.folders))], tag, i)
		b := make([]byte, w.rnd.IntN(w.rnd.IntN(most)+1))
		for k := range b {
			b[k] = byte(w.rnd.Uint32())
		}
		path := filepath.Join(w.folder, name)
		if w.m.Mount == nil {
			path = w.image + ".file"
		}
		if err := os.WriteFile(path, b, 0o644); err != nil {
			w.t.Fatal(err)
		}
		if w.m.Mount == nil {
			w.run([]string{"mcopy", "-i", "IMAGE", path, "::" + name})
		}
		sum := sha256.Sum256(b)
		w.truth[name] = hex.EncodeToString(sum[:])
	}
}

// remove deletes n files.
func (w *writer) remove(n int) {
	w.t.Helper()
	var names []string
	for name := range w.truth {
		names = append(names, name)
	}
	slices.Sort(names)
	w.rnd.Shuffle(len(names), func(i, k int) { names[i], names[k] = names[k], names[i] })
	for _, name := range names[:min(n, len(names))] {
		if w.m.Mount == nil {
			w.run([]string{"mdel", "-i", "IMAGE", "::" + name})
		} else if err := os.Remove(filepath.Join(w.folder, name)); err != nil {
			w.t.Fatal(err)
		}
		delete(w.truth, name)
	}
}
