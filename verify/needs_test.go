package verify_test

import (
	"fmt"
	"os"
	"path"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/verify"
	"fileassay/verify/truthtest"
	"fileassay/verify/truthtest/fixture"
)

// targeted is an imaging that reads only what is wanted.
type targeted struct {
	d          *truthtest.Drive
	sector     int64
	read       extract.Spans
	structures int64 // bytes read since a need named them
	content    int64 // bytes read since they are content of wanted files
	passes     int
}

// take reads sectors, and reports how many bytes were new.
func (g *targeted) take(start, length int64) int64 {
	from := start / g.sector * g.sector
	end := min((start+length+g.sector-1)/g.sector*g.sector, int64(len(g.d.Fixture.Image)))
	before := g.read.Covered(from, end-from)
	g.read.Add(from, end-from)
	return end - from - before
}

// unread is the map of what was not read.
func (g *targeted) unread() []imap.Range {
	var out []imap.Range
	pos := int64(0)
	add := func(end int64) {
		if end > pos {
			out = append(out, imap.Range{Start: pos, Length: end - pos, State: imap.Skipped})
		}
	}
	for s := range g.read.All() {
		add(s.Start)
		pos = s.End
	}
	add(int64(len(g.d.Fixture.Image)))
	return out
}

// leads reports whether an entry is the wanted folder, is in it, or is a
// folder on the way to it.
func leads(name, wanted string) bool {
	return name == wanted || strings.HasPrefix(name, wanted+"/") || strings.HasPrefix(wanted, name+"/")
}

// loop verifies and reads what is needed of the wanted folder of a volume,
// until nothing is.
func (g *targeted) loop(t *testing.T, volumeStart int64, wanted string) *truthtest.Result {
	t.Helper()
	for g.passes = 1; ; g.passes++ {
		r := g.d.Verify(t, g.unread(), 2)
		var structures, content int64
		need := func(list [][2]int64) {
			for _, n := range list {
				structures += g.take(n[0], n[1])
			}
		}
		need(r.Image.Needs)
		number := 0
		for _, v := range r.Volumes {
			if v.Start == volumeStart {
				number = v.Volume
				need(v.Needs)
			}
		}
		for _, f := range r.Files {
			if f.Volume != number || !leads(f.Path, wanted) {
				continue
			}
			need(f.Needs)
			if strings.HasPrefix(f.Path, wanted+"/") {
				for _, d := range f.Damage {
					if d.Image >= 0 {
						content += g.takeDamage(&f, d.Offset, d.Image, d.Length)
					}
				}
			}
		}
		g.structures += structures
		g.content += content
		if structures+content == 0 {
			return r
		}
		if g.passes == 200 {
			t.Fatalf("%s: still not done after %d passes", wanted, g.passes)
		}
	}
}

// takeDamage reads a damaged range; of content that is stored compressed all
// stored bytes of the file.
func (g *targeted) takeDamage(f *verify.FileRecord, off, at, n int64) int64 {
	if f.Stored != "compressed" {
		return g.take(at, n)
	}
	var sum int64
	for _, e := range f.Extents {
		sum += g.take(e[1], e[2])
	}
	return sum
}

// wantedFolders are the folders of a volume that directly hold files, by how
// many.
func wantedFolders(f *fixture.Fixture, volume int) []string {
	count := map[string]int{}
	var out []string
	for _, x := range f.Truth.Files {
		if dir := path.Dir(x.Path); x.Volume == volume && dir != "." && !strings.Contains(x.Path, ":") {
			if count[dir]++; count[dir] == 1 {
				out = append(out, dir)
			}
		}
	}
	return out
}

// From an image of which one sector was read the needs lead to every file of a
// folder, with little else read.
func TestNeedsLead(t *testing.T) {
	names := fixtures
	var dir string
	if os.Getenv("FILEASSAY_TOOLS") == "1" {
		dir = filepath.Join(fixture.Folder(t), "..", "..", "shared", "fixtures")
		list, err := filepath.Glob(filepath.Join(dir, "*.truth.json.zst"))
		if err != nil || len(list) == 0 {
			t.Fatalf("no fixtures in %s: %v", dir, err)
		}
		names = nil
		for _, p := range list {
			names = append(names, strings.TrimSuffix(filepath.Base(p), ".truth.json.zst"))
		}
	}
	for _, name := range names {
		f := load(t, dir, name)
		for i, v := range f.Truth.Volumes {
			if !listable[v.FS] {
				continue
			}
			folders := wantedFolders(f, i)
			if len(folders) == 0 {
				continue
			}
			t.Run(fmt.Sprintf("%s/%d", name, i), func(t *testing.T) {
				leadTo(t, f, i, folders[len(folders)/2])
			})
		}
	}
}

// listable are the filesystems of fixtures whose needs are told.
var listable = map[string]bool{"ntfs": true, "hfsplus": true, "hfsx": true}

func load(t *testing.T, dir, name string) *fixture.Fixture {
	if dir == "" {
		return fixture.Load(t, name)
	}
	return fixture.LoadFrom(t, dir, name)
}

func leadTo(t *testing.T, f *fixture.Fixture, volume int, wanted string) {
	g := &targeted{d: truthtest.NewDrive(t, f), sector: f.Truth.Sector}
	g.take(0, g.sector)
	r := g.loop(t, f.Truth.Volumes[volume].Start, wanted)
	verdicts := map[string]verify.Verdict{}
	why := map[string][]string{}
	for _, x := range r.Files {
		verdicts[x.Path], why[x.Path] = x.Verdict, x.Why
	}
	files := 0
	var stored extract.Spans // sectors of the files, by the truth
	for _, x := range f.Truth.Files {
		if x.Volume != volume || !strings.HasPrefix(x.Path, wanted+"/") {
			continue
		}
		files++
		for _, run := range x.Runs {
			from := run[1] / g.sector * g.sector
			stored.Add(from, (run[1]+run[2]+g.sector-1)/g.sector*g.sector-from)
		}
		if v := verdicts[x.Path]; v != verify.Intact {
			t.Errorf("%s: %q %q", x.Path, v, why[x.Path])
		}
	}
	total := g.read.Bytes() / g.sector
	t.Logf("%q: %d files, %d passes; %d sectors read: %d of files, %d of structures (%.3f of the files' own %d and the structures); of %d on the drive",
		wanted, files, g.passes, total, g.content/g.sector, g.structures/g.sector,
		float64(total)/float64((stored.Bytes()+g.structures)/g.sector+1), stored.Bytes()/g.sector, int64(len(f.Image))/g.sector)
}
