package ntfsimage

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Volumes that are built here are volumes to another implementation too: it
// finds every file with its content. Run with FILEASSAY_TOOLS=1; needs the
// ntfs-3g utilities.
func TestOtherImplementation(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	run := func(t *testing.T, name string, args ...string) []byte {
		t.Helper()
		var out, errs bytes.Buffer
		c := exec.Command(name, args...)
		c.Stdout, c.Stderr = &out, &errs
		if err := c.Run(); err != nil {
			t.Fatalf("%s %q: %v\n%s%s", name, args, err, out.Bytes(), errs.Bytes())
		}
		return out.Bytes()
	}
	for _, p := range []Params{
		{Cluster: 512, Clusters: 16000},
		{Cluster: 1024, Clusters: 8000},
		{Cluster: 4096, Clusters: 2000},
		{Cluster: 4096, Clusters: 2000, Record: 4096},
		{Cluster: 4096, Clusters: 2000, Sector: 4096, Record: 4096},
		{Cluster: 512, Clusters: 16000, Fragments: 6, RunsPerRecord: 2, Records: 96},
		{Cluster: 64 << 10, Clusters: 100},
	} {
		t.Run(fmt.Sprintf("cluster %d, sector %d, record %d, fragments %d", p.Cluster, p.Sector, p.Record, p.Fragments), func(t *testing.T) {
			p.ForTools, p.Label = true, "Herbarium"
			v := New(p)
			want := map[string][]byte{}
			folder := v.AddFolder(Root, "Tray")
			add := func(name string, s Stream, f File) {
				f.Names = []Name{{Parent: folder, Text: name, Space: Win32}}
				f.Streams = []Stream{s}
				want["/Tray/"+name] = s.Data
				v.Add(f)
			}
			for i := range 24 {
				add(fmt.Sprintf("specimen %02d in the tray.txt", i), Stream{Data: Content(uint64(i), 100), Resident: true}, File{})
			}
			add("pieces", Stream{Data: Content(50, 3*p.Cluster-9), Pieces: 3}, File{})
			add("split", Stream{Data: Content(51, 6*p.Cluster-9), Pieces: 6}, File{RunsPerRecord: 2})
			add("list outside", Stream{Data: Content(52, 6*p.Cluster-9), Pieces: 6}, File{RunsPerRecord: 2, ListOut: true})
			v.Finish()
			path := filepath.Join(t.TempDir(), "volume.img")
			if err := os.WriteFile(path, v.Image, 0o600); err != nil {
				t.Fatal(err)
			}
			run(t, "ntfsinfo", "-m", path)
			run(t, "ntfsfix", "-n", path)
			names := string(run(t, "ntfsls", "-p", "/Tray", path))
			for name, data := range want {
				if !strings.Contains(names, strings.TrimPrefix(name, "/Tray/")+"\n") {
					t.Errorf("%s is not in the folder: %q", name, names)
				}
				if got := run(t, "ntfscat", path, name); !bytes.Equal(got, data) {
					t.Errorf("%s: %d bytes, not the %d written", name, len(got), len(data))
				}
			}
		})
	}
}
