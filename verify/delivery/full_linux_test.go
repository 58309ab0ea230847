package delivery_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"

	"fileassay/verify/delivery"
	"fileassay/verify/files"
)

// A target that is too small is told of before anything is copied; one that
// fills up in between leaves a folder that the next run goes on with.
func TestFullDisk(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	image, result := verified(t, "v01-ntfs-4k")
	whole := filepath.Join(t.TempDir(), "whole")
	if _, err := delivery.Run(t.Context(), both(image, result, whole)); err != nil {
		t.Fatal(err)
	}
	want := tree(t, whole)
	disk := t.TempDir()
	if err := unix.Mount("tmpfs", disk, "tmpfs", 0, "size=32m"); err != nil {
		t.Fatalf("a small disk cannot be mounted: %v", err)
	}
	defer unix.Unmount(disk, unix.MNT_DETACH)
	resize := func(size string) {
		t.Helper()
		if err := unix.Mount("tmpfs", disk, "tmpfs", unix.MS_REMOUNT, "size="+size); err != nil {
			t.Fatal(err)
		}
	}
	o := both(image, result, filepath.Join(disk, "to"))
	var out *files.OutputError
	if _, err := delivery.Run(t.Context(), o); !errors.As(err, &out) || !strings.Contains(err.Error(), "are needed and") {
		t.Fatalf("too small: %v", err)
	}
	resize("96m")
	// another fills the disk while the delivery is made
	hog := filepath.Join(disk, "hog")
	filled := false
	o.Progress = func(p delivery.Progress) {
		if !filled && p.Step == "copying" && p.Done > 8<<20 {
			filled = true
			f, err := os.Create(hog)
			if err != nil {
				return
			}
			buf := make([]byte, 1<<20)
			for {
				if _, err := f.Write(buf); err != nil {
					break
				}
			}
			f.Close()
		}
	}
	o.Threads = 1
	if _, err := delivery.Run(t.Context(), o); !errors.As(err, &out) || !strings.Contains(err.Error(), "the disk is full") {
		t.Fatalf("full: %v", err)
	}
	if err := os.Remove(hog); err != nil {
		t.Fatal(err)
	}
	o.Progress = nil
	if _, err := delivery.Run(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, tree(t, o.To)); d != "" {
		t.Error(d)
	}
}
