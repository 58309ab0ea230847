package ownertest

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Builder makes a drive with the tools of the system. One that is missing fails
// the test.
type Builder struct {
	*Disk
	tb  testing.TB
	dir string
	n   int       // volumes that were made
	was [][]Patch // of each former volume, what it is found by: its copies, then its root
}

// NewBuilder begins with a drive of zeros.
func NewBuilder(tb testing.TB, name string, size int64) *Builder {
	tb.Helper()
	return &Builder{Disk: &Disk{Name: name, Image: make([]byte, size), Truth: Truth{Size: size, Patches: map[string][]Patch{}}}, tb: tb, dir: tb.TempDir()}
}

func (b *Builder) ok(err error) {
	b.tb.Helper()
	if err != nil {
		b.tb.Fatal(err)
	}
}

func (b *Builder) tool(stdin, name string, args ...string) {
	b.tb.Helper()
	c := exec.Command(name, args...)
	c.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1", "LC_ALL=C.UTF-8", "PATH="+os.Getenv("PATH")+":/usr/sbin:/sbin")
	c.Stdin = strings.NewReader(stdin)
	if out, err := c.CombinedOutput(); err != nil {
		b.tb.Fatalf("%s %q: %v\n%s", name, args, err, out)
	}
}

// on lets tools work on a part of the drive, as a file.
func (b *Builder) on(start, length int64, work func(path string)) {
	b.tb.Helper()
	path := filepath.Join(b.dir, "part")
	f, err := os.Create(path)
	b.ok(err)
	b.ok(f.Truncate(length))
	const block = 64 << 10
	var zero [block]byte
	for at := int64(0); at < length; at += block {
		part := b.Image[start+at : start+min(at+block, length)]
		if !bytes.Equal(part, zero[:len(part)]) {
			_, err := f.WriteAt(part, at)
			b.ok(err)
		}
	}
	b.ok(f.Close())
	work(path)
	f, err = os.Open(path)
	b.ok(err)
	defer f.Close()
	n, err := f.ReadAt(b.Image[start:start+length], 0)
	if int64(n) < length {
		b.tb.Fatalf("%d bytes of %d: %v", n, length, err)
	}
	b.ok(os.Remove(path))
}

// Part is an entry of a table; places in bytes.
type Part struct {
	Start, Length int64
	Type          string // as the tool takes it
	GUID          string // of a GPT entry; "" to draw one
	Logical       bool   // of an MBR
}

// End is the first byte past the entry.
func (p Part) End() int64 { return p.Start + p.Length }

// GPT writes a table and its backup with sgdisk.
func (b *Builder) GPT(parts ...Part) {
	b.tb.Helper()
	b.on(0, b.Size, func(path string) {
		args := []string{"--mbrtogpt", "--clear", "--set-alignment=1"}
		for i, p := range parts {
			n := strconv.Itoa(i + 1)
			args = append(args, fmt.Sprintf("--new=%s:%d:%d", n, p.Start/Sector, p.End()/Sector-1))
			if p.Type != "" {
				args = append(args, "--typecode="+n+":"+p.Type)
			}
			if p.GUID != "" {
				args = append(args, "--partition-guid="+n+":"+p.GUID)
			}
		}
		b.tool("", "sgdisk", append(args, path)...)
	})
}

// MBR writes a table with sfdisk, which leaves what stood there before as it
// is. Logical drives have their record a sector before them.
func (b *Builder) MBR(parts ...Part) {
	b.tb.Helper()
	b.sfdisk("dos", parts)
}

// OtherGPT writes a table and its backup with sfdisk, which is quicker; types are
// those of [Builder.GPT].
func (b *Builder) OtherGPT(parts ...Part) {
	b.tb.Helper()
	var list []Part
	for _, p := range parts {
		p.Type = map[string]string{linux: "0FC63DAF-8483-4772-8E79-3D69D8477DE4", basic: "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"}[p.Type]
		list = append(list, p)
	}
	b.sfdisk("gpt", list)
}

func (b *Builder) sfdisk(label string, parts []Part) {
	b.tb.Helper()
	b.on(0, b.Size, func(path string) {
		s := "label: " + label + "\nunit: sectors\n\n"
		n, logical := 0, 5
		for _, p := range parts {
			n++
			number := n
			if p.Logical {
				number = logical
				logical++
			}
			s += fmt.Sprintf("%s%d : start=%d, size=%d, type=%s\n", path, number, p.Start/Sector, p.Length/Sector, p.Type)
		}
		b.tool(s, "sfdisk", "--quiet", "--force", "--no-reread", "--no-tell-kernel", "--wipe", "never", "--wipe-partitions", "never", path)
	})
}

// Patch keeps what do changes of the drive under a name, and takes it back.
func (b *Builder) Patch(name string, do func()) {
	b.tb.Helper()
	before := bytes.Clone(b.Image)
	do()
	b.Patches[name] = diff(before, b.Image)
	copy(b.Image, before)
}

// diff are the sectors in which two states differ, as they are in the second.
func diff(before, after []byte) []Patch {
	var out []Patch
	for at := 0; at < len(after); at += Sector {
		a, z := before[at:at+Sector], after[at:at+Sector]
		if bytes.Equal(a, z) {
			continue
		}
		if n := len(out); n > 0 && out[n-1].At+int64(len(out[n-1].Bytes)) == int64(at) {
			out[n-1].Bytes = append(out[n-1].Bytes, z...)
			continue
		}
		out = append(out, Patch{int64(at), bytes.Clone(z)})
	}
	return out
}

// Retire makes former tenants of the volumes of now.
func (b *Builder) Retire() {
	for i := range b.Volumes {
		v := &b.Volumes[i]
		var list []Patch
		_, copies := own(v)
		for _, p := range append(copies, b.root(v)) {
			list = append(list, Patch{p[0], bytes.Clone(b.Image[p[0] : p[0]+p[1]])})
		}
		b.was = append(b.was, list)
	}
	b.Former = append(b.Former, b.Volumes...)
	b.Volumes = nil
}

// root is where the record of a volume's root folder stands, or its table.
func (b *Builder) root(v *Volume) [2]int64 {
	le := binary.LittleEndian
	img := b.Image[v.Start:v.End()]
	switch family(v.Kind) {
	case "ntfs":
		return [2]int64{v.Start + int64(le.Uint64(img[48:]))*v.Cluster, 64 << 10}
	case "ext":
		descriptors := max(2048, v.Cluster)
		return [2]int64{v.Start + int64(le.Uint32(img[descriptors+8:]))*v.Cluster, 12 * 256}
	}
	return [2]int64{v.Start, Sector}
}

// finish says which former volumes outlasted what came later.
func (b *Builder) finish() {
	same := func(p Patch) bool { return bytes.Equal(b.Image[p.At:p.At+int64(len(p.Bytes))], p.Bytes) }
	for i, list := range b.was {
		n := len(list) - 1
		b.Former[i].Alive = same(list[n]) && (n == 0 || slices.ContainsFunc(list[:n], same))
	}
}

// Format formats a place and fills the volume with files of the given sizes. It
// is a volume of now. The kinds are "ext2-1k", "ext4-1k" and "ext4-4k" by the
// size of blocks, "ext4-g" with small groups, "fat16", "fat16-2k", "fat32",
// "ntfs" and "exfat", which stays without files.
func (b *Builder) Format(start, length int64, kind string, sizes ...int) {
	b.tb.Helper()
	b.n++
	v := Volume{Start: start, Length: length, Kind: kind, Label: fmt.Sprintf("OWNER%02d", b.n)}
	folder := filepath.Join(b.dir, v.Label)
	b.ok(os.Mkdir(folder, 0o755))
	var paths []string
	if kind == "exfat" {
		sizes = nil // no tool fills one that is not mounted
	}
	for i, size := range sizes {
		name := fmt.Sprintf("SHEET%03d.DAT", i)
		path := filepath.Join(folder, name)
		c := Content(v.Label, i, size)
		b.ok(os.WriteFile(path, c, 0o644))
		v.Files = append(v.Files, File{name, int64(size), digest(c)})
		paths = append(paths, path)
	}
	b.on(start, length, func(image string) {
		switch kind {
		case "ext4-1k", "ext4-4k", "ext2-1k", "ext4-g":
			args := []string{"-q", "-F", "-E", "nodiscard", "-L", v.Label, "-d", folder, "-t", kind[:4]}
			v.Cluster = 1024
			if strings.HasSuffix(kind, "4k") {
				v.Cluster = 4096
			}
			if kind == "ext4-g" { // groups of 2 MiB: a small volume has backups
				args = append(args, "-g", "2048", "-O", "^has_journal")
			}
			b.tool("", "mke2fs", append(args, "-b", strconv.FormatInt(v.Cluster, 10), image)...)
		case "fat16", "fat32", "fat16-2k":
			v.Cluster = 512
			if strings.HasSuffix(kind, "2k") {
				v.Cluster = 2048
			}
			b.tool("", "mkfs.fat", "-F", kind[3:5], "-s", strconv.FormatInt(v.Cluster/Sector, 10), "-n", v.Label, image)
			if len(paths) > 0 {
				b.tool("", "mcopy", append(append([]string{"-i", image}, paths...), "::")...)
			}
		case "ntfs":
			v.Cluster = 4096
			b.tool("", "mkntfs", "-q", "-F", "-Q", "-c", "4096", "-s", "512", "-p", strconv.FormatInt(start/Sector, 10), "-H", "255", "-S", "63", "-L", v.Label, image)
			for i, p := range paths {
				b.tool("", "ntfscp", "-q", image, p, v.Files[i].Path)
			}
		case "exfat":
			b.tool("", "mkfs.exfat", "-L", v.Label, image)
		default:
			b.tb.Fatalf("no kind %q", kind)
		}
	})
	b.ok(os.RemoveAll(folder))
	b.Volumes = append(b.Volumes, v)
}
