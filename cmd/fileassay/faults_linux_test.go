package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/verify/truthtest"
)

// A loop device over a file that was cut short gives an error for what is gone:
// the image file itself fails, in places that the map calls read. With
// FILEASSAY_TOOLS=1, as root.
func TestImageFileFails(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	dir := t.TempDir()
	v := ntfsimage.New(ntfsimage.Params{Clusters: 3760})
	v.AddFile(ntfsimage.Root, "kept.tif", ntfsimage.Stream{Data: ntfsimage.Content(1, 3<<20), Runs: []ntfsimage.Run{{LCN: 1000, Length: 768}}})
	v.AddFile(ntfsimage.Root, "gone.tif", ntfsimage.Stream{Data: ntfsimage.Content(2, 250*4096), Runs: []ntfsimage.Run{{LCN: 3440, Length: 250}}})
	v.Finish()
	size := int64(len(v.Image))
	file, m := filepath.Join(dir, "drive.img"), filepath.Join(dir, "map.csv")
	if err := os.WriteFile(file, v.Image, 0o600); err != nil {
		t.Fatal(err)
	}
	truthtest.WriteMap(t, m, size, nil)
	tool := func(name string, args ...string) string {
		t.Helper()
		out, err := exec.Command(name, args...).CombinedOutput()
		if err != nil {
			t.Fatalf("%s %v: %v\n%s", name, args, err, out)
		}
		return strings.TrimSpace(string(out))
	}
	device := tool("losetup", "--find", "--show", "--read-only", file)
	defer tool("losetup", "--detach", device)
	run := func(want int, args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		ui := newUI(&out, &errs)
		root := newRoot(ui)
		root.SetArgs(args)
		if code := ui.exit(root.ExecuteContext(t.Context())); code != want {
			t.Fatalf("%v: exit %d, want %d\n%s%s", args, code, want, &out, &errs)
		}
		return out.String() + errs.String()
	}
	before, unseen, after := filepath.Join(dir, "before.jsonl"), filepath.Join(dir, "unseen.jsonl"), filepath.Join(dir, "after.jsonl")
	run(0, "verify", device, "--map", m, "-o", before, "--content=read")
	whole := filepath.Join(dir, "whole")

	// what is in memory of the device would be given still
	if err := os.Truncate(file, v.At(3680)); err != nil {
		t.Fatal(err)
	}
	tool("blockdev", "--flushbufs", device)

	// the commands of maps say that they could not look
	said := run(1, "map", "show", m, "--image", device)
	if !strings.Contains(said, "Warning: the image file itself did not give ") || !strings.Contains(said, "copy the image anew and run this again") || strings.Contains(said, "Nothing looked at") {
		t.Errorf("map show says nothing of errors of the image file:\n%s", said)
	}
	ours, made := filepath.Join(dir, "ours.txt"), filepath.Join(dir, "made.csv")
	list := fmt.Sprintf("0 %d read\n%d %d failed\n%d %d read\n", v.At(3000), v.At(3000), v.At(80), v.At(3080), size-v.At(3080))
	if err := os.WriteFile(ours, []byte(list), 0o600); err != nil {
		t.Fatal(err)
	}
	if said = run(1, "map", "learn", ours, "--image", device); !strings.Contains(said, "the image file itself did not give ") || !strings.Contains(said, ": sure") {
		t.Errorf("map learn says nothing of errors of the image file:\n%s", said)
	}
	said = run(1, "map", "from-filler", device, "--zeros", "--filler", "0x00", "-o", made)
	// how much lies beside the hole in one request of the system, is its affair
	apart := regexp.MustCompile(`(?s)\n(\d+) bytes more are failed because.* did not give (\d+) bytes, which the map calls failed`).FindStringSubmatch(said)
	if apart == nil || apart[1] != apart[2] {
		t.Errorf("map from-filler says nothing of errors of the image file:\n%s", said)
	}

	// the end of a drive is looked at, and what is found there is told; content is not
	said = run(1, "verify", device, "--map", m, "-o", unseen)
	if !strings.Contains(said, "Content was not read again: --content=read would.\n") || !strings.Contains(said, "intact         2 files") {
		t.Errorf("what was not read is not said:\n%s", said)
	}
	page := filepath.Join(dir, "page.html")
	said = run(1, "verify", device, "--map", m, "-o", after, "--content=read", "--html", page, "--for", "bench")
	html, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	for what, text := range map[string]string{"the summary": said, "the page": string(html)} {
		if !strings.Contains(text, fmt.Sprintf("could not be read: 40 KiB at offset %d (sector %d)", v.At(3680), v.At(3680)/512)) || !strings.Contains(text, "copy the image anew") {
			t.Errorf("%s does not say that the image fails:\n%.3000s", what, text)
		}
		if strings.Contains(strings.ReplaceAll(text, "not complete", ""), " complete") {
			t.Errorf("%s says that something is complete", what)
		}
	}
	if !strings.Contains(said, "intact         1 file ") || !strings.Contains(said, "damaged        1 file ") {
		t.Errorf("not one file intact and one damaged:\n%s", said)
	}

	to := filepath.Join(dir, "to")
	run(1, "extract", device, unseen, "--to", to)
	left, err := os.ReadFile(filepath.Join(to, "left-out.csv"))
	if err != nil || !strings.Contains(string(left), `gone.tif,"image file: `) || strings.Contains(string(left), "kept.tif") {
		t.Errorf("%v\n%s", err, left)
	}
	if got, err := os.ReadFile(filepath.Join(to, "data", "intact", "volume-1", "kept.tif")); err != nil || !bytes.Equal(got, ntfsimage.Content(1, 3<<20)) {
		t.Errorf("kept.tif is not what it was: %v", err)
	}
	if _, err := os.Stat(filepath.Join(to, "data", "intact", "volume-1", "gone.tif")); !os.IsNotExist(err) {
		t.Errorf("gone.tif is delivered: %v", err)
	}
	run(0, "audit", to, "--result", unseen, "--image", device)
	kept := filepath.Join(dir, "kept.img")
	if err := os.WriteFile(kept, v.Image, 0o600); err != nil {
		t.Fatal(err)
	}
	run(0, "extract", kept, before, "--to", whole)
	if said := run(1, "audit", whole, "--result", unseen, "--image", device); !strings.Contains(said, "not compared") {
		t.Errorf("an audit does not say what it could not compare:\n%s", said)
	}
	if said := run(1, "compare", before, unseen, "--image-before", kept); !strings.Contains(said, "no longer gives") {
		t.Errorf("a comparison does not say what it could not compare:\n%s", said)
	}
}
