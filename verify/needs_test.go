package verify_test

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract/fixture"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
	"fileassay/verify/result"
	"fileassay/verify/truthtest"
)

// targeted is an imaging that reads only what is wanted.
type targeted struct {
	d      *truthtest.Drive
	sector int64
	volume int64 // where the volume begins
	wanted string
	read   ranges.Set
	barred ranges.Set // cannot be read
	passes int

	tables, content int64            // bytes read of partition tables, of files
	structures      [][]ranges.Range // what each need of the volume brought
}

// take reads whole sectors, and returns those that were new.
func (g *targeted) take(start, length int64) []ranges.Range {
	from := start / g.sector * g.sector
	end := min((start+length+g.sector-1)/g.sector*g.sector, int64(len(g.d.Fixture.Image)))
	var known ranges.Set
	for _, set := range []*ranges.Set{&g.read, &g.barred} {
		for s := range set.Within(from, end-from) {
			known.Add(s.Start, s.End-s.Start)
		}
	}
	known.Add(end, g.sector)
	var fresh []ranges.Range
	pos := from
	for s := range known.All() {
		if s.Start > pos {
			fresh = append(fresh, ranges.Range{Start: pos, End: s.Start})
			g.read.Add(pos, s.Start-pos)
		}
		pos = s.End
	}
	return fresh
}

// lawful holds the state of the imaging to the law: that what stands in the
// unread sectors, which are nearly all, changes nothing.
func (g *targeted) lawful(t *testing.T) {
	t.Helper()
	unread := g.without(nil)
	want := g.d.Verify(t, unread, 1).Raw
	rnd := rand.New(rand.NewPCG(uint64(g.passes), 1))
	for _, fill := range truthtest.Fills {
		g.d.Fill(t, unread, func(img []byte) { truthtest.Fill(img, g.d.Fixture.Image, unread, fill, rnd) })
		if got := g.d.Verify(t, unread, 3).Raw; !bytes.Equal(want, got) {
			t.Errorf("%s: pass %d: the result with %s in the unread sectors differs: %s", g.wanted, g.passes, fill, firstDifference(want, got))
		}
	}
	g.d.Fill(t, nil, func([]byte) {})
}

// run reads from the first sector on until nothing is needed, and returns the
// verdicts then.
func (g *targeted) run(t *testing.T, law bool) map[string]result.Verdict {
	t.Helper()
	g.take(0, g.sector)
	for {
		if g.passes++; law && (g.passes == 2 || g.passes == 6) {
			g.lawful(t)
		}
		r, more := g.pass(t)
		if !more {
			return g.verdicts(r)
		}
		if g.passes == 200 {
			t.Fatalf("%s: still not done after %d passes", g.wanted, g.passes)
		}
	}
}

// needed reports whether a structure that was read leads to what is wanted:
// whether without it some verdict is another, or would have been, had it not
// been read.
func (g *targeted) needed(t *testing.T, s []ranges.Range, got map[string]result.Verdict) bool {
	t.Helper()
	if !maps.Equal(got, g.verdicts(g.d.Verify(t, g.without(s), 2))) {
		return true
	}
	again := &targeted{d: g.d, sector: g.sector, volume: g.volume, wanted: g.wanted}
	for _, x := range s {
		again.barred.Add(x.Start, x.End-x.Start)
	}
	return !maps.Equal(got, again.run(t, false))
}

func bytesOf(list []ranges.Range) int64 {
	var n int64
	for _, s := range list {
		n += s.End - s.Start
	}
	return n
}

// without is the map of what was not read, and of what is left out besides.
func (g *targeted) without(drop []ranges.Range) []imap.Range {
	var unread ranges.Set
	pos := int64(0)
	for s := range g.read.All() {
		unread.Add(pos, s.Start-pos)
		pos = s.End
	}
	unread.Add(pos, int64(len(g.d.Fixture.Image))-pos)
	for _, s := range drop {
		unread.Add(s.Start, s.End-s.Start)
	}
	var out []imap.Range
	for s := range unread.All() {
		out = append(out, imap.Range{Start: s.Start, Length: s.End - s.Start, State: imap.Skipped})
	}
	return out
}

// leads reports whether an entry is the wanted folder, is in it, or is a
// folder on the way to it.
func (g *targeted) leads(name string) bool {
	return name == g.wanted || strings.HasPrefix(name, g.wanted+"/") || strings.HasPrefix(g.wanted, name+"/")
}

// verdicts are those of what leads to the wanted files, and of these; of the
// root, which is not listed, the names in it.
func (g *targeted) verdicts(r *truthtest.Result) map[string]result.Verdict {
	out := map[string]result.Verdict{}
	for _, v := range r.Volumes {
		for _, f := range r.Files {
			if v.Start == g.volume && f.Volume == v.Volume && g.leads(f.Path) {
				out[f.Path] = f.Verdict
			} else if v.Start == g.volume && f.Volume == v.Volume && !strings.Contains(f.Path, "/") {
				out[f.Path] = "named"
			}
		}
	}
	return out
}

// pass verifies and reads what is needed of the wanted folder, and reports
// whether there was anything.
func (g *targeted) pass(t *testing.T) (r *truthtest.Result, more bool) {
	t.Helper()
	r = g.d.Verify(t, g.without(nil), 2)
	need := func(list [][2]int64, into func([]ranges.Range)) {
		for _, n := range list {
			if fresh := g.take(n[0], n[1]); fresh != nil {
				into(fresh)
				more = true
			}
		}
	}
	table := func(fresh []ranges.Range) { g.tables += bytesOf(fresh) }
	structure := func(fresh []ranges.Range) { g.structures = append(g.structures, fresh) }
	content := func(fresh []ranges.Range) { g.content += bytesOf(fresh) }
	need(r.Image.Needs, table)
	for _, v := range r.Volumes {
		if v.Start != g.volume {
			continue
		}
		need(v.Needs, structure)
		for _, f := range r.Files {
			if f.Volume != v.Volume || !g.leads(f.Path) {
				continue
			}
			need(f.Needs, structure)
			if strings.HasPrefix(f.Path, g.wanted+"/") {
				need(g.damaged(&f), content)
			}
		}
	}
	return r, more
}

// damaged are the places of a file's damage; of content that is stored
// compressed those of all its stored bytes.
func (g *targeted) damaged(f *result.File) [][2]int64 {
	var out [][2]int64
	if len(f.Damage) > 0 && f.Stored == "compressed" {
		for _, e := range f.Extents {
			out = append(out, [2]int64{e[1], e[2]})
		}
		return out
	}
	for _, d := range f.Damage {
		if d.Image >= 0 {
			out = append(out, [2]int64{d.Image, d.Length})
		}
	}
	return out
}

// inFolders are the folders of a volume that directly hold files, in the order
// of the truth.
func inFolders(f *fixture.Fixture, volume int) []string {
	seen := map[string]bool{}
	var out []string
	for _, x := range f.Truth.Files {
		if dir := path.Dir(x.Path); x.Volume == volume && dir != "." && !strings.Contains(x.Path, ":") && !seen[dir] {
			seen[dir] = true
			out = append(out, dir)
		}
	}
	return out
}

// listable are the filesystems whose files are listed.
var listable = map[string]bool{"ntfs": true, "hfsplus": true, "fat12": true, "fat16": true, "fat32": true, "exfat": true, "ext2": true, "ext3": true, "ext4": true}

// From an image of which one sector was read the needs lead to every file of a
// folder, with little else read.
func TestNeedsLead(t *testing.T) {
	names, folder, large := fixtures, fixture.Folder(t), false
	if os.Getenv("FILEASSAY_TOOLS") == "1" { // the images are large: they are no part of the repository
		folder, large = filepath.Join(folder, "..", "..", "shared", "fixtures"), true
		list, err := filepath.Glob(filepath.Join(folder, "*.truth.json.zst"))
		if err != nil || len(list) == 0 {
			t.Fatalf("no images in %s: %v", folder, err)
		}
		names = nil
		for _, p := range list {
			names = append(names, strings.TrimSuffix(filepath.Base(p), ".truth.json.zst"))
		}
	}
	if testing.Short() {
		names = names[:1]
	}
	for _, name := range names {
		f := fixture.LoadFrom(t, folder, name)
		d := truthtest.NewDrive(t, f)
		for i, v := range f.Truth.Volumes {
			list := inFolders(f, i)
			if !listable[v.FS] || len(list) == 0 {
				continue
			}
			t.Run(fmt.Sprintf("%s/%d", name, i), func(t *testing.T) { leadTo(t, d, i, list[len(list)/2], !large) })
		}
	}
}

func leadTo(t *testing.T, d *truthtest.Drive, volume int, wanted string, law bool) {
	f := d.Fixture
	g := &targeted{d: d, sector: f.Truth.Sector, volume: f.Truth.Volumes[volume].Start, wanted: wanted}
	got := g.run(t, law)
	files := 0
	for _, x := range f.Truth.Files {
		if x.Volume != volume || !strings.HasPrefix(x.Path, wanted+"/") {
			continue
		}
		files++
		if got[x.Path] != result.Intact {
			t.Errorf("%s: %q", x.Path, got[x.Path])
		}
	}

	var structures, idle int64
	for _, s := range g.structures {
		structures += bytesOf(s)
		if !g.needed(t, s, got) {
			idle += bytesOf(s)
		}
	}
	total := g.read.Bytes()
	ratio := float64(total) / float64(total-idle)
	t.Logf("%q: %d files whole in %d passes; %d sectors read of %d: %d of files, %d of tables, %d of structures, of which %d lead nowhere: %.3f",
		wanted, files, g.passes, total/g.sector, int64(len(f.Image))/g.sector, g.content/g.sector, g.tables/g.sector, structures/g.sector, idle/g.sector, ratio)
	// where the metadata of an array may stand is asked for first, eight sectors each,
	// and what proves where the clusters of a FAT volume lie: both change no name here
	if ratio > 1.4 {
		t.Errorf("%q: %.3f times what leads there was read", wanted, ratio)
	}
}
