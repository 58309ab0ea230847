package tooltest

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"
	"golang.org/x/sys/unix"
)

// toolsWanted reports whether tests may use the system's own tools.
func toolsWanted() bool { return os.Getenv("FILEASSAY_TOOLS") == "1" }

// tool runs a program and returns what it prints.
func tool(t testing.TB, name string, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	c := exec.Command(name, args...)
	c.Stdout, c.Stderr = &out, &errs
	if err := c.Run(); err != nil {
		t.Fatalf("%s %s: %v\n%s%s", name, strings.Join(args, " "), err, &out, &errs)
	}
	return out.String()
}

// mount mounts an NTFS volume file with ntfs-3g and returns the folder, and a
// function that ends the mount and waits for the driver to let go.
func mount(t testing.TB, volume, options string) (string, func()) {
	t.Helper()
	dir := t.TempDir()
	var said bytes.Buffer
	driver := exec.Command("ntfs-3g", "-o", "no_detach,streams_interface=windows,"+options, volume, dir)
	driver.Stdout, driver.Stderr = &said, &said
	if err := driver.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- driver.Wait() }()
	open := true
	unmount := func() {
		t.Helper()
		if !open {
			return
		}
		open = false
		if err := unix.Unmount(dir, 0); err != nil {
			driver.Process.Kill()
			t.Errorf("unmount %s: %v", dir, err)
		}
		<-ended
	}
	for wait := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		var s unix.Statfs_t
		if err := unix.Statfs(dir, &s); err == nil && s.Type == unix.FUSE_SUPER_MAGIC {
			break
		}
		select {
		case err := <-ended:
			t.Fatalf("ntfs-3g %s: %v\n%s", volume, err, &said)
		default:
		}
		if time.Now().After(wait) {
			driver.Process.Kill()
			t.Fatalf("ntfs-3g %s did not mount in time", volume)
		}
	}
	t.Cleanup(unmount)
	return dir, unmount
}

// fixture unpacks a fixture image into a temporary folder. Those that the
// project holds stand in testdata; the others beside the project.
func fixture(t *testing.T, name string) string {
	t.Helper()
	packed, err := os.Open("../../testdata/" + name + ".img.zst")
	if os.IsNotExist(err) {
		packed, err = os.Open("../../../shared/fixtures/" + name + ".img.zst")
	}
	if err != nil {
		t.Fatal(err)
	}
	defer packed.Close()
	d, err := zstd.NewReader(packed)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	path := filepath.Join(t.TempDir(), name+".img")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.WriteTo(f); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}
