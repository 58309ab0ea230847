package verify_test

import (
	"os"
	"path/filepath"
	"testing"

	"fileassay/verify"
	"fileassay/verify/demo"
	"fileassay/verify/result"
)

// All that is unread is told of, also what lies behind a filesystem that is
// smaller than what it lies in.
func TestUnreadBehindFilesystem(t *testing.T) {
	dir := t.TempDir()
	image, _, err := demo.Write(t.Context(), nil, dir, false)
	if err != nil {
		t.Fatal(err)
	}
	all, err := os.ReadFile(image)
	if err != nil {
		t.Fatal(err)
	}
	copy(all, all[len(all)-512:]) // the boot sector, which the demo's imaging did not read, from its copy
	if err := os.WriteFile(image, all, 0o600); err != nil {
		t.Fatal(err)
	}
	imap := filepath.Join(dir, "own.csv")
	if err := os.WriteFile(imap, []byte("start,length,state\n0,4194304,read\n4194304,512,failed\n4194816,8388096,read\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, size := range []int64{0, 1 << 30} {
		out, err := verify.Run(t.Context(), verify.Options{Image: image, Map: imap, DriveSize: size, Result: filepath.Join(dir, "r.jsonl"), Force: true})
		if err != nil {
			t.Fatal(err)
		}
		r, err := result.Open(out.Result) // the places stand in the result alone
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		m := out.Image.Map
		if got, want := out.Summary.Unread.Total(), m.Doubtful+m.Failed+m.Skipped; got != want {
			t.Errorf("drive of %d bytes: of %d unread bytes %d are told of", size, want, got)
		}
		var placed int64
		for p, err := range r.Places() {
			if err != nil {
				t.Fatal(err)
			}
			placed += p.Length
		}
		if placed != out.Summary.Unread.Total() {
			t.Errorf("drive of %d bytes: %d unread bytes have a place, %d are told of", size, placed, out.Summary.Unread.Total())
		}
		if size > 0 && out.Summary.Unread.Outside.Skipped < size-16<<20 {
			t.Errorf("outside the volume %d bytes are unread: %+v", out.Summary.Unread.Outside.Skipped, out.Summary.Unread)
		}
	}
}
