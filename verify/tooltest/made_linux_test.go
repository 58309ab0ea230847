package tooltest

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf16"

	"golang.org/x/sys/unix"

	"fileassay/extract"
	"fileassay/verify/result"
)

// maker fills a mounted NTFS volume. The scenario, a glass works' office, is
// invented.
type maker struct {
	testing.TB
	root string
	rnd  *rand.Rand
}

func (m *maker) path(name string) string { return filepath.Join(m.root, name) }

func (m *maker) ok(err error) {
	m.Helper()
	if err != nil {
		m.Fatal(err)
	}
}

// content is n bytes that tell where they belong.
func (m *maker) content(name string, n int) []byte {
	var b bytes.Buffer
	for i := 0; b.Len() < n; i++ {
		fmt.Fprintf(&b, "%s %d %x\n", name, i, m.rnd.Uint64())
	}
	return b.Bytes()[:n]
}

// put writes a file, or a stream if the name has a colon, in one go.
func (m *maker) put(name string, n int) {
	m.Helper()
	m.ok(os.MkdirAll(filepath.Dir(m.path(name)), 0o755))
	m.ok(os.WriteFile(m.path(name), m.content(name, n), 0o644))
}

// fill makes every kind of file and name that the driver can write.
func (m *maker) fill(compressed bool) {
	// sizes about what fits into a record, a sector, a cluster
	for _, n := range []int{0, 1, 2, 100, 300, 400, 500, 600, 650, 700, 750, 800, 1023, 1024, 1025, 4095, 4096, 4097, 65535, 65536, 65537, 200000} {
		m.put(fmt.Sprintf("Sizes/%d bytes.dat", n), n)
	}
	for i, name := range []string{
		"Öfen und Häfen.txt", "стекло.csv", "ガラス.txt", "e\u0301 decomposed.txt", "🜂 fire.txt", "  leading.txt", "dots...", "UPPER.TXT", "upper2.txt",
		"percent%20.txt", "quote\".txt", "back\\slash.txt", "star*.txt", "a", strings.Repeat("long ", 50) + "name", strings.Repeat("ü", 120),
	} {
		m.put("Names/"+name, 40*i)
	}
	deep := "Deep"
	for i := range 40 {
		deep += fmt.Sprintf("/level %02d", i)
		m.put(deep+"/file.txt", 30*i)
	}
	for i := range 600 { // a folder whose index has more than one level
		m.put(fmt.Sprintf("Many/a name that is rather long, so that few fit into a block %04d.txt", i), i%97)
	}

	// second names, across folders too; enough of them for an attribute list
	m.put("Links/plain.txt", 5000)
	m.ok(os.MkdirAll(m.path("Links/other"), 0o755))
	for i := range 40 {
		m.ok(os.Link(m.path("Links/plain.txt"), m.path(fmt.Sprintf("Links/other/one more name of it, number %02d.txt", i))))
	}

	// streams, small and large, of files and of a folder
	m.put("Streams/file.txt", 20)
	for i := range 30 {
		m.put(fmt.Sprintf("Streams/file.txt:stream %02d", i), 60+i*i*i)
	}
	m.put("Streams/empty.txt", 0)
	m.put("Streams/empty.txt:größe", 9000)
	m.put("Streams/empty.txt:none", 0)

	// holes: at the end, in the middle, nothing but
	m.ok(os.MkdirAll(m.path("Sparse"), 0o755))
	for i, at := range []int64{1 << 20, 3 << 20, 777777} {
		f, err := os.Create(m.path(fmt.Sprintf("Sparse/holes %d.dat", i)))
		m.ok(err)
		_, err = f.WriteAt(m.content("head", 10000), 0)
		m.ok(err)
		_, err = f.WriteAt(m.content("middle", 10000), at)
		m.ok(err)
		m.ok(f.Truncate(2*at + 12345))
		m.ok(f.Close())
	}
	m.put("Sparse/nothing.dat", 0)
	m.ok(os.Truncate(m.path("Sparse/nothing.dat"), 1<<20))

	if compressed {
		m.ok(os.MkdirAll(m.path("Packed"), 0o755))
		m.ok(unix.Setxattr(m.path("Packed"), "system.ntfs_attrib", binary.LittleEndian.AppendUint32(nil, 0x810), 0))
		for _, n := range []int{10, 5000, 70000, 300000} {
			name := fmt.Sprintf("Packed/%d bytes.txt", n)
			m.ok(os.WriteFile(m.path(name), bytes.Repeat([]byte("sand, soda, lime. "), n/18+1)[:n], 0o644))
		}
	}

	// links: of the Linux subsystem, and a junction
	m.ok(os.MkdirAll(m.path("Pointers/junction"), 0o755))
	m.ok(os.Symlink("../Sizes", m.path("Pointers/link")))
	m.ok(unix.Setxattr(m.path("Pointers/junction"), "system.ntfs_reparse_data", junction(`C:\Sizes`), 0))

	m.fragment()
}

// junction is the data of a reparse point that leads to a folder
// [MS-FSCC 2.1.2.5].
func junction(target string) []byte {
	units := func(s string) []byte {
		var b []byte
		for _, u := range utf16.Encode([]rune(s)) {
			b = binary.LittleEndian.AppendUint16(b, u)
		}
		return b
	}
	system, people := units(`\??\`+target), units(target)
	var b []byte
	for _, n := range []int{0, len(system), len(system) + 2, len(people)} {
		b = binary.LittleEndian.AppendUint16(b, uint16(n))
	}
	b = append(append(b, system...), 0, 0)
	b = append(append(b, people...), 0, 0)
	head := binary.LittleEndian.AppendUint32(nil, 0xa0000003)
	head = binary.LittleEndian.AppendUint16(head, uint16(len(b)))
	return append(append(head, 0, 0), b...)
}

// fragment writes files in turns, a little each, and deletes others between,
// so that files and folders lie in many pieces.
func (m *maker) fragment() {
	m.ok(os.MkdirAll(m.path("Turns"), 0o755))
	for round := range 60 {
		for i := range 12 {
			f, err := os.OpenFile(m.path(fmt.Sprintf("Turns/%02d.log", i)), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
			m.ok(err)
			_, err = f.Write(m.content("turn", 1+m.rnd.IntN(9000)))
			m.ok(err)
			m.ok(f.Close())
		}
		m.put(fmt.Sprintf("Turns/short-lived %02d", round), m.rnd.IntN(40000))
		if round%3 == 2 {
			m.ok(os.Remove(m.path(fmt.Sprintf("Turns/short-lived %02d", round-1))))
		}
	}
}

func TestMadeVolumes(t *testing.T) {
	if !toolsWanted() {
		return
	}
	for _, c := range []struct {
		cluster, sector, megabytes int
	}{
		{512, 512, 48}, {1024, 512, 48}, {2048, 512, 48}, {4096, 512, 64}, {16384, 512, 128}, {65536, 512, 256}, {4096, 4096, 64},
	} {
		t.Run(fmt.Sprintf("clusters of %d sectors of %d", c.cluster, c.sector), func(t *testing.T) {
			volume := filepath.Join(t.TempDir(), "volume")
			if err := os.WriteFile(volume, nil, 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.Truncate(volume, int64(c.megabytes)<<20); err != nil {
				t.Fatal(err)
			}
			tool(t, "mkntfs", "-q", "-F", "-Q", "-L", "GLASS", "-p", "0", "-H", "255", "-S", "63",
				"-s", fmt.Sprint(c.sector), "-c", fmt.Sprint(c.cluster), volume)
			compressed := c.cluster <= 4096 // the format's own limit
			root, unmount := mount(t, volume, "special_files=wsl")
			(&maker{t, root, rand.New(rand.NewPCG(uint64(c.cluster), uint64(c.sector)))}).fill(compressed)
			unmount()

			volumes := verified(t, volume)
			if len(volumes) != 1 {
				t.Fatalf("%d NTFS volumes", len(volumes))
			}
			l := volumes[0]
			if l.Cluster != int64(c.cluster) || l.Label != "GLASS" {
				t.Errorf("clusters of %d, label %q", l.Cluster, l.Label)
			}
			compareDriver(t, volume, volume, l)
			compareRuns(t, volume, l)
			holdKinds(t, l, compressed)
		})
	}
}

// holdKinds holds what the driver does not tell: targets of links, and which
// content is stored compressed.
func holdKinds(t *testing.T, l listed, compressed bool) {
	t.Helper()
	targets := map[string]string{"Pointers/link": "../Sizes", "Pointers/junction": `C:\Sizes`}
	packed, fragments := 0, 0
	var turns result.File
	for _, f := range l.files {
		if want, ok := targets[f.Path]; ok {
			delete(targets, f.Path)
			if f.Kind != string(extract.KindLink) || f.Target != want {
				t.Errorf("%s is a %s to %q, want a link to %q", f.Path, f.Kind, f.Target, want)
			}
		}
		switch f.Stored {
		case "compressed":
			packed++
			if !strings.HasPrefix(f.Path, "Packed/") {
				t.Errorf("%s is no compressed file", f.Path)
			}
		case "":
		default:
			t.Errorf("%s is stored %s", f.Path, f.Stored)
		}
		if len(f.Extents) > fragments {
			fragments, turns = len(f.Extents), f
		}
	}
	if len(targets) > 0 {
		t.Errorf("not listed: %v", targets)
	}
	if compressed && packed < 3 {
		t.Errorf("%d compressed files", packed)
	}
	if fragments < 4 {
		t.Errorf("the volume is hardly fragmented: %d extents of %s", fragments, turns.Path)
	}
}
