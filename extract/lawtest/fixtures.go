package lawtest

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fileassay/extract/fixture"
)

// FixtureImages are the volumes of a fixture that have one of the given
// filesystems, each as an image of its own.
func FixtureImages(tb testing.TB, f *fixture.Fixture, filesystems ...string) []Image {
	tb.Helper()
	var out []Image
	for i, v := range f.Truth.Volumes {
		if !slices.Contains(filesystems, v.FS) {
			continue
		}
		im := Image{Name: f.Name, Volume: f.Image[v.Start : v.Start+v.Length], Truth: map[string]string{}}
		if len(f.Truth.Volumes) > 1 {
			im.Name += "-" + v.FS
		}
		for _, file := range f.Truth.Files {
			if file.Volume == i && file.PathBytes == "" && file.SHA256 != "" {
				im.Truth[file.Path] = file.SHA256
			}
		}
		out = append(out, im)
	}
	return out
}

// RunFixtures is [Run] over all volumes of the given filesystems in the folder
// of fixtures beside the repository, where FILEASSAY_TOOLS=1.
func RunFixtures(t *testing.T, r Reader, filesystems ...string) {
	t.Helper()
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	folder := filepath.Join(filepath.Dir(fixture.Folder(t)), "..", "shared", "fixtures")
	list, err := filepath.Glob(filepath.Join(folder, "*.truth.json.zst"))
	if err != nil || len(list) == 0 {
		t.Fatalf("no fixtures in %s (%v)", folder, err)
	}
	found := 0
	for _, path := range list {
		name := strings.TrimSuffix(filepath.Base(path), ".truth.json.zst")
		for _, im := range FixtureImages(t, fixture.LoadFrom(t, folder, name), filesystems...) {
			found++
			Run(t, r, im, 12)
		}
	}
	if found == 0 {
		t.Fatalf("no fixture has any of %q", filesystems)
	}
}
