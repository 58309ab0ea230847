package fat

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// tool runs one of the exFAT utilities: that it is missing is a failure.
func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	c := exec.Command(name, args...)
	c.Env = append(os.Environ(), "PATH="+os.Getenv("PATH")+":/usr/sbin:/sbin")
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// toolVolumes are volumes as files, by name: some built here, and one as
// mkfs.exfat makes it.
func toolVolumes(t *testing.T) map[string]string {
	t.Helper()
	dir := t.TempDir()
	out := map[string]string{}
	for _, c := range []struct{ sector, cluster uint8 }{{9, 3}, {9, 0}, {9, 8}, {12, 0}, {12, 3}} {
		v := buildExFAT(t, 4000, c.sector, c.cluster)
		// dump.exfat takes the first three slots for label, bitmap and up-case table
		slots := v.Read(v.cluster(v.RootCluster), 2*32)
		label := make([]byte, 32)
		copy(label, "\x83\x05F\x00I\x00E\x00L\x00D\x00")
		v.root.at = 0
		v.slot(&v.root, label)
		v.slot(&v.root, slots[:32])
		v.slot(&v.root, slots[32:])
		f := v.sub(&v.root, "sheets", 100)
		v.mark(200, 201)
		v.put(f, exfatEntry{name: "Betula pendula, élevé à Genève.tif", flags: flagContiguous, first: 200, size: 2 * uint64(v.ClusterSize)})
		v.chain(210, 220)
		v.put(f, exfatEntry{name: "carex.txt", first: 210, size: uint64(v.ClusterSize) + 1})
		v.sub(f, "inner", 300)
		v.put(&v.root, exfatEntry{name: "empty"})
		name := fmt.Sprintf("sectors of %d, clusters of %d", v.SectorSize, v.ClusterSize)
		out[name] = filepath.Join(dir, name)
		if err := os.WriteFile(out[name], v.Read(0, int(v.Size)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	made := filepath.Join(dir, "made")
	if err := os.WriteFile(made, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(made, 24<<20); err != nil {
		t.Fatal(err)
	}
	tool(t, "mkfs.exfat", "-c", "8K", "-L", "FIELD", made)
	out["mkfs.exfat"] = made
	return out
}

// TestFsck has fsck.exfat judge the volumes: checksums, hashes and bitmap are
// then not only this package's opinion. It also counts the same folders and
// files. It runs where FILEASSAY_TOOLS is 1.
func TestFsck(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	counts := regexp.MustCompile(`clean\. directories (\d+), files (\d+)`)
	for name, path := range toolVolumes(t) {
		m := counts.FindStringSubmatch(tool(t, "fsck.exfat", "-n", path))
		if m == nil {
			t.Errorf("%s: fsck.exfat does not call it clean", name)
			continue
		}
		v := openFile(t, path)
		folders, files := 1, 0 // the root is a folder for fsck.exfat
		_, err := v.Walk(t.Context(), func(f *extract.File) error {
			switch f.Kind {
			case extract.KindFolder:
				folders++
			default:
				files++
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if got := [2]string{strconv.Itoa(folders), strconv.Itoa(files)}; got != [2]string{m[1], m[2]} {
			t.Errorf("%s: folders and files %v, fsck.exfat counts %v", name, got, m[1:])
		}
	}
}

// TestDump holds the places of the volume's structures, and how much of it is
// free, against what dump.exfat says of them. Of single files it says nothing.
// It runs where FILEASSAY_TOOLS is 1.
func TestDump(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	field := regexp.MustCompile(`(?m)^([A-Z][^:\n]*):[ \t]*(\S+)$`)
	for name, path := range toolVolumes(t) {
		said := map[string]int64{}
		for _, m := range field.FindAllStringSubmatch(tool(t, "dump.exfat", path), -1) {
			if n, err := strconv.ParseInt(m[2], 10, 64); err == nil {
				said[m[1]] = n
			}
		}
		v := openFile(t, path)
		survey, err := v.Walk(t.Context(), func(*extract.File) error { return nil })
		if err != nil {
			t.Fatal(err)
		}
		places := map[string]extract.Structure{}
		for _, s := range survey.Structures {
			places[s.Name] = s
		}
		cluster := func(s extract.Structure) int64 {
			c, ok := v.layout.of(s.Image)
			if !ok {
				t.Errorf("%s: %s at %d lies in no cluster", name, s.Name, s.Image)
			}
			return int64(c)
		}
		free, sector := int64(0), v.layout.format.(*exfatFormat).boot.SectorSize
		err = survey.Space(t.Context(), func(_, n int64, use extract.Use) error {
			if use == extract.UseFree {
				free += n
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]int64{
			"Volume Length(sectors)":              v.layout.length / sector,
			"FAT Offset(sector offset)":           places["allocation table 1"].Image / sector,
			"FAT Length(sectors)":                 places["allocation table 1"].Length / sector,
			"Cluster Heap Offset (sector offset)": v.layout.heap / sector,
			"Cluster Count":                       int64(v.layout.clusters),
			"Root Cluster (cluster offset)":       cluster(places["root folder"]),
			"Bitmap start cluster":                cluster(places["allocation bitmap"]),
			"Upcase table start cluster":          cluster(places["up-case table"]),
			"Upcase table size":                   places["up-case table"].Length,
			"Cluster size":                        v.layout.cluster,
			"Total Clusters":                      int64(v.layout.clusters),
			"Free Clusters":                       free / v.layout.cluster,
		}
		want := map[string]int64{}
		for k := range got {
			want[k] = said[k]
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-dump.exfat +here):\n%s", name, diff)
		}
	}
}

func openFile(t *testing.T, path string) *Volume {
	t.Helper()
	size, err := image.Size(path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := image.Open(path, imap.All(size), image.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	v, err := OpenExFAT(t.Context(), r, 0, size, extract.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return v
}
