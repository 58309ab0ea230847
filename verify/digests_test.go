package verify_test

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fileassay/extract/fixture"
	"fileassay/verify/truthtest"
)

var update = flag.Bool("update", false, "rewrite the digests of results")

const digestsFile = "testdata/results.sha256"

// TestDigests holds the results of all images of ../shared/fixtures, under every
// kind of damage, to what they were: code that is moved must not change them. A
// change that is meant is recorded with -update, and the record shows how many
// results it touches. The first line of a result, with paths and versions, does
// not count.
func TestDigests(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		t.Skip("the images are no part of the repository: FILEASSAY_TOOLS=1 reads them beside it")
	}
	folder := filepath.Join(fixture.Folder(t), "..", "..", "shared", "fixtures")
	list, err := filepath.Glob(filepath.Join(folder, "*.truth.json.zst"))
	if err != nil || len(list) == 0 {
		t.Fatalf("no images in %s: %v", folder, err)
	}
	slices.Sort(list)
	var now []string
	for _, p := range list {
		name := strings.TrimSuffix(filepath.Base(p), ".truth.json.zst")
		f := fixture.LoadFrom(t, folder, name)
		d := truthtest.NewDrive(t, f)
		for _, p := range truthtest.Profiles() {
			unread := p.Unread(f, rand.New(rand.NewPCG(1, 1)))
			r := d.Verify(t, unread, 2)
			_, rest, _ := bytes.Cut(r.Raw, []byte("\n"))
			now = append(now, fmt.Sprintf("%x  %s, %s", sha256.Sum256(rest), name, p.Name))
		}
	}
	if *update {
		if err := os.WriteFile(digestsFile, []byte(strings.Join(now, "\n")+"\n"), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	was := map[string]bool{}
	in, err := os.Open(digestsFile)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	for s := bufio.NewScanner(in); s.Scan(); {
		was[s.Text()] = true
	}
	for _, line := range now {
		if !was[line] {
			t.Errorf("another result than before: %s", line)
		}
	}
	if len(was) != len(now) {
		t.Errorf("%d results, %d are recorded", len(now), len(was))
	}
}
