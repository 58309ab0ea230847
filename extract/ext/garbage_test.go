package ext

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// view is what is listed of a volume that is opened as package volume does.
type view struct {
	v     *Volume
	files []*extract.File
	list  extract.Listing
}

func openAny(t testing.TB, r *image.Reader) (o view, err error) {
	t.Helper()
	o.v, err = Open(t.Context(), r, 0, 0, extract.Options{})
	if no := (*extract.NotVolumeError)(nil); errors.As(err, &no) {
		o.v, err = OpenRemains(t.Context(), r, 0, 0, extract.Options{})
	}
	if err != nil {
		return o, err
	}
	s, err := o.v.Walk(t.Context(), func(f *extract.File) error { o.files = append(o.files, f); return nil })
	if err != nil {
		t.Fatal(err)
	}
	o.list = s.Listing
	return o, nil
}

// paths are those of all entries, with the numbers of those that have no name.
func (o *view) paths() map[string]bool {
	out := map[string]bool{}
	for _, f := range o.files {
		out[f.Path] = true
	}
	return out
}

// whole are the lines of files that are proved.
func (o *view) whole(r *image.Reader) (out []string) {
	for _, l := range lines(r, o.files) {
		if !strings.HasPrefix(l, "/") && !strings.HasPrefix(l, "->") && !strings.HasPrefix(l, "not whole") {
			out = append(out, l)
		}
	}
	return out
}

// garbage is what may have been read in the place of a structure.
var garbage = []struct {
	name string
	put  func(place, volume []byte)
}{
	{"zeros", func(b, _ []byte) { clear(b) }},
	{"noise", func(b, _ []byte) {
		rnd := rand.New(rand.NewPCG(17, 6))
		for i := range b {
			b[i] = byte(rnd.Uint32())
		}
	}},
	{"what stands behind it", func(b, volume []byte) {
		at := cap(volume) - cap(b)
		copy(b, slices.Clone(volume[min(at+len(b), len(volume)-len(b)):]))
	}},
	{"the superblock", func(b, volume []byte) { copy(b, slices.Clone(volume[superblockAt:superblockAt+superblockSize])) }},
}

// A structure that leads to all others and was read as garbage costs no more than the
// same one unread: the volume opens, all is listed that is then, and what is no longer
// proved is so for a contradiction that is said. What is proved is true.
func TestGarbage(t *testing.T) {
	for _, c := range volumes {
		whole := unpack(t, c.name)
		v, _ := walk(t, reader(t, whole), walkAll)
		root := v.readInode(rootInode)
		d := &v.groups.list[0]
		desc, _ := descBlock(&v.sb, 0, 0)
		block, off := v.recordPlace(rootInode)
		rows := []struct {
			name      string
			at, bytes int64
		}{
			{"superblock", superblockAt, superblockSize},
			{"half of the superblock", superblockAt, 512},
			{"superblock and group descriptors", superblockAt, int64(desc+1)*v.bs - superblockAt},
			{"group descriptors", int64(desc) * v.bs, v.bs},
			{"first block of inodes", int64(d.InodeTable) * v.bs, v.bs},
			{"inode bitmap", int64(d.InodeBitmap) * v.bs, v.bs},
			{"root folder's inode", (int64(block)*v.bs + off) &^ 511, 512},
		}
		if first, ok := firstBlock(root.Flags, root.Block[:]); ok {
			rows = append(rows, struct {
				name      string
				at, bytes int64
			}{"root folder's first block", int64(first) * v.bs, v.bs})
		}
		truth := map[string]bool{}
		for _, l := range sums(t, c.name) {
			truth[l] = true
		}
		for _, row := range rows {
			r := reader(t, whole, imap.Range{Start: row.at, Length: row.bytes, State: imap.Failed})
			less, err := openAny(t, r)
			opens := err == nil
			proved := less.whole(r)
			for _, g := range garbage {
				what := fmt.Sprintf("%s, %s: %s", c.name, row.name, g.name)
				img := slices.Clone(whole)
				g.put(img[row.at:row.at+row.bytes], img)
				r := reader(t, img)
				got, err := openAny(t, r)
				if err != nil {
					if opens {
						t.Errorf("%s: %v", what, err)
					}
					continue
				}
				listed := got.paths()
				for p := range less.paths() {
					if !listed[p] && !strings.HasPrefix(p, "?/") {
						t.Errorf("%s: %q is not listed, and is with the place unread", what, p)
						break
					}
				}
				now := got.whole(r)
				for _, l := range now {
					if !truth[l] && !strings.Contains(l, " ?/") {
						t.Errorf("%s: proved, and not so: %s", what, l)
						break
					}
				}
				if said := strings.Join(slices.Concat(got.v.Info().Doubt, got.list.Why), "\n"); len(now) < len(proved) && !strings.Contains(said, "another volume may") &&
					!strings.Contains(said, "claimed more than once") && !strings.Contains(said, "another kind") && !strings.Contains(said, "fail their checks") {
					t.Errorf("%s: %d files are proved, %d with the place unread: %q", what, len(now), len(proved), said)
				}
			}
		}
	}
}

// A folder whose inode was read as another's, as a file's, or as nothing keeps what
// is listed of its blocks where the inode is unread, and the list is not called
// complete.
func TestGarbageFolderInode(t *testing.T) {
	for _, name := range []string{"ext2-1k", "ext3-4k", "ext4-1k", "ext4-nocsum", "ext4-64k"} {
		whole := unpack(t, name)
		v, all := walk(t, reader(t, whole), walkAll)
		record := map[string][]byte{} // by path
		number := map[string]uint32{}
		img := slices.Clone(whole)
		for _, f := range all {
			block, off := v.recordPlace(uint32(f.ID))
			record[f.Path], number[f.Path] = img[int64(block)*v.bs+off:][:v.sb.InodeSize], uint32(f.ID)
		}
		mend := func(path string) {
			n, err := parseInode(&v.sb, number[path], record[path])
			if err == nil || !v.sb.metadataCsum() {
				return
			}
			covered, _, full := n.checksum()
			sum := crc32c(n.Seed, covered[:]...)
			record[path][0x7C], record[path][0x7D] = byte(sum), byte(sum>>8)
			if full {
				record[path][0x82], record[path][0x83] = byte(sum>>16), byte(sum>>24)
			}
		}
		const folder = "Counts"
		b := record[folder]
		at := int64(cap(img)-cap(b)) &^ 511
		less, err := openAny(t, reader(t, whole, imap.Range{Start: at, Length: 512, State: imap.Failed}))
		if err != nil {
			t.Fatal(err)
		}
		in := 0
		for _, f := range less.files {
			if strings.HasPrefix(f.Path, folder+"/") {
				in++
			}
		}
		if in < 2 {
			t.Fatalf("%s: %d entries of it are listed where its inode is unread", name, in)
		}
		for _, c := range []struct {
			what string
			put  func()
		}{
			{"nothing", func() { clear(b) }},
			{"ones", func() {
				for i := range b {
					b[i] = 0xFF
				}
			}},
			{"another folder's", func() { copy(b, record["Photos"]) }},
			{"a file's", func() { copy(b, record["Maps/tiny"]) }},
			{"a file's, its checksum mended", func() { copy(b, record["Maps/tiny"]); mend(folder) }},
			{"a file by its mode", func() { b[1] = b[1]&0x0F | modeFile>>8; mend(folder) }},
			{"a socket by its mode", func() { b[1] = b[1]&0x0F | modeSocket>>8; mend(folder) }},
			{"a folder without blocks", func() { clear(b[iBlockAt : iBlockAt+iBlockSize]); mend(folder) }},
		} {
			copy(img, whole)
			c.put()
			got, err := openAny(t, reader(t, img))
			if err != nil {
				t.Errorf("%s, %s: %v", name, c.what, err)
				continue
			}
			listed, missing := got.paths(), 0
			for p := range less.paths() {
				if !listed[p] && !strings.HasPrefix(p, "?/") {
					missing++
				}
			}
			if missing > 0 {
				t.Errorf("%s, %s: %d entries are not listed that are where the inode is unread", name, c.what, missing)
			}
			if got.list.Complete || len(got.list.Why) == 0 {
				t.Errorf("%s, %s: the list is called complete", name, c.what)
			}
		}
	}
}

// A file whose inode says that it is a socket is listed by its name, lost, and the
// list is not called complete.
func TestMistypedFile(t *testing.T) {
	img := unpack(t, "ext2-1k")
	v, all := walk(t, reader(t, img), walkAll)
	for _, f := range all {
		if f.Path == "Maps/tiny" {
			block, off := v.recordPlace(uint32(f.ID))
			b := img[int64(block)*v.bs+off:]
			b[1] = b[1]&0x0F | modeSocket>>8
		}
	}
	got, files := walk(t, reader(t, img), walkAll)
	i := slices.IndexFunc(files, func(f *extract.File) bool { return f.Path == "Maps/tiny" })
	if i < 0 || !files[i].NameOnly || got.listing.Complete {
		t.Errorf("listed at %d, complete %v: %q", i, got.listing.Complete, got.listing.Why)
	}
}

// A superblock of which the first half was read, and its copies, list no less than the
// copies alone.
func TestHalfSuperblock(t *testing.T) {
	for _, c := range volumes {
		img := unpack(t, c.name)
		none, err := openAny(t, reader(t, img, superUnread))
		half, err2 := openAny(t, reader(t, img, imap.Range{Start: superblockAt + 512, Length: 512, State: imap.Failed}))
		if err2 != nil && err == nil {
			t.Errorf("%s: %v", c.name, err2)
			continue
		}
		listed := half.paths()
		for p := range none.paths() {
			if !listed[p] && !strings.HasPrefix(p, "?/") {
				t.Errorf("%s: %q is not listed", c.name, p)
				break
			}
		}
	}
}

// A superblock that fails its checksum is gone by only where nothing else is, and proves
// nothing.
func TestFaultySuperblock(t *testing.T) {
	for _, name := range []string{"ext4-1k", "ext4-bigino"} {
		img := unpack(t, name)
		v, all := walk(t, reader(t, img), walkAll)
		img[superblockAt+0x78]++ // in the label
		r := reader(t, img)
		got, err := openAny(t, r)
		if err != nil || len(got.files) < len(all) {
			t.Fatalf("%s: %d of %d entries, %v", name, len(got.files), len(all), err)
		}
		if n, copies := len(got.whole(r)), len(v.sb.copyGroups()); n > 0 != (copies > 0) || got.list.Complete && copies == 0 {
			t.Errorf("%s: %d files are proved with %d copies; complete %v", name, n, copies, got.list.Complete)
		}
	}
}

// Of a volume of three groups without a superblock, without any group descriptor, or
// with neither the inodes of all groups are found. mke2fs makes it, where
// FILEASSAY_TOOLS=1.
func TestGroupsWithoutDescriptors(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	for _, args := range [][]string{
		{"-t", "ext3", "-b", "1024"},
		{"-t", "ext3", "-b", "1024", "-O", "^sparse_super,^resize_inode"},
		{"-t", "ext2", "-b", "1024", "-I", "128"},
		{"-t", "ext4", "-b", "1024"},
		{"-t", "ext4", "-b", "1024", "-O", "^flex_bg,^metadata_csum"},
	} {
		t.Run(strings.Join(args, " "), func(t *testing.T) {
			img := filepath.Join(t.TempDir(), "volume")
			tool(t, "truncate", "-s", "24M", img)
			tool(t, "mke2fs", append([]string{"-q", "-F"}, append(args, img)...)...)
			dir, done := mounted(t, img, "loop")
			for i := range 30 { // the driver spreads the root's folders over the groups
				for k := range 12 {
					write(t, filepath.Join(dir, fmt.Sprintf("box %02d", i), fmt.Sprintf("sheet %02d", k)), []byte(fmt.Sprintf("sheet %d of box %d", k, i)))
				}
			}
			done()
			b, err := os.ReadFile(img)
			if err != nil {
				t.Fatal(err)
			}
			v, all := walk(t, reader(t, b), walkAll)
			if n := len(v.groups.list); n != 3 {
				t.Fatalf("%d groups", n)
			}
			supers, descs := []imap.Range{superUnread}, []imap.Range{}
			for _, g := range append([]uint64{0}, v.sb.copyGroups()...) {
				if g > 0 {
					supers = append(supers, imap.Range{Start: v.sb.superOffset(g), Length: superblockSize, State: imap.Failed})
				}
				block, _ := descBlock(&v.sb, 0, g)
				descs = append(descs, imap.Range{Start: int64(block) * v.bs, Length: v.bs, State: imap.Failed})
			}
			for what, unread := range map[string][]imap.Range{"no superblock": supers, "no descriptors": descs, "neither": slices.Concat(supers, descs)} {
				got, err := openAny(t, reader(t, b, unread...))
				if err != nil {
					t.Errorf("%s: %v", what, err)
					continue
				}
				listed, missing := got.paths(), 0
				for _, f := range all {
					if f.Kind == extract.KindFile && !listed[f.Path] {
						missing++
					}
				}
				located := 0
				for _, f := range got.files {
					if f.Kind == extract.KindFile && !f.NameOnly && len(f.Pieces) > 0 {
						located++
					}
					if f.Kind == extract.KindFile && !f.NameOnly && !f.RecordUnread {
						t.Errorf("%s: %s is proved", what, f.Path)
						break
					}
				}
				if missing > 0 || located < 360 || got.list.Complete {
					t.Errorf("%s: %d files are missing, %d are located, complete %v; %q", what, missing, located, got.list.Complete, got.v.notes)
				}
			}
		})
	}
}
