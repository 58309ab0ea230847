// Package resulttest makes results for tests: whole and consistent ones of a few
// files, or the text of one to be spoilt.
package resulttest

import (
	"bufio"
	"bytes"
	"cmp"
	"io"
	"iter"
	"maps"
	"os"
	"slices"
	"testing"

	"fileassay/extract/imap"
	"fileassay/extract/ranges"
	"fileassay/verify/result"
)

// Made is a result in the making. What is left zero is filled in by Fill.
type Made struct {
	Image   result.Image
	Volumes []result.Volume
	Files   []*result.File
	Places  []result.Place // all that is unread, in order
	Summary result.Summary

	given bool // Places are the caller's, not made of what lines tell
}

// Num is a number of a line that may be null.
func Num(n int64) *int64 { return &n }

// Fill makes a consistent result of what is there. What places are said to hold of
// files, and no file has, is of unknown use. Where Places are given, the
// damage of a file that has none is where its content crosses them: of
// compressed content the units that do, or all of it where no unit is told.
// What the damage calls unlocated is taken out of the extents, and a file of
// which nothing was read is lost and not damaged.
// Where no places are given, they are the sectors of the files' damage and of
// what needs name. A file without extents gets them from its damage, holes are
// what it does not locate, it gets a verdict where it has none, and every sum is
// that of the lines.
func (m *Made) Fill() { m.fill(slices.Values(m.Files)) }

func (m *Made) fill(files iter.Seq[*result.File]) {
	im := &m.Image
	im.Sector = cmp.Or(im.Sector, 512)
	im.Size = cmp.Or(im.Size, im.DriveSize, 1<<20)
	im.DriveSize = cmp.Or(im.DriveSize, im.Size)
	im.Path, im.Table = cmp.Or(im.Path, "made.img"), cmp.Or(im.Table, "none")
	if m.Volumes == nil {
		m.Volumes = []result.Volume{{Length: im.DriveSize, Filesystem: "ext4", Listing: result.Listing{Complete: true}}}
	}
	for i := range m.Volumes {
		v := &m.Volumes[i]
		v.Volume, v.Sums, v.Unread = i+1, result.Sums{}, result.Places{}
	}
	m.given = m.Places != nil
	var told []result.Place
	var content ranges.Set
	waiting, adrift, unnamed := map[int]int64{}, map[int]int64{}, map[int]int64{}
	for f := range files {
		m.complete(f)
		if m.given || len(f.Damage) > 0 {
			addContent(&content, f)
		}
		m.Volumes[f.Volume-1].Tally(f)
		if f.Adrift() {
			adrift[f.Volume]++
		}
		if f.Unnamed {
			unnamed[f.Volume]++
		}
		for _, h := range f.Heads {
			waiting[h]++
		}
		if !m.given {
			told = append(told, placesOf(f)...)
		}
	}
	for _, v := range m.Volumes {
		for _, n := range v.Needs {
			told = append(told, result.Place{Start: n[0], Length: n[1], Kind: kind(imap.Failed, v.Volume, result.HoldsStructures)})
		}
	}
	for _, n := range im.Needs {
		told = append(told, result.Place{Start: n[0], Length: n[1], Kind: result.Kind{State: imap.Failed}})
	}
	if !m.given {
		m.Places = disjoint(told, im.Sector, im.DriveSize)
	}
	m.hold(&content)
	for i := range m.Volumes {
		l := &m.Volumes[i].Listing
		l.UnnamedFiles = max(l.UnnamedFiles, unnamed[i+1])
	}
	m.sums(waiting, adrift)
}

// complete fills the line of a file.
func (m *Made) complete(f *result.File) {
	f.Volume = max(f.Volume, 1)
	f.Kind = cmp.Or(f.Kind, "file")
	slices.Sort(f.Heads)
	f.Heads = slices.Compact(f.Heads)
	for _, d := range f.Damage {
		if d.Image < 0 && f.Stored != "compressed" {
			f.Extents = without(f.Extents, d.Offset, d.Offset+d.Length)
		}
	}
	if m.given && f.Damage == nil {
		f.Damage = m.damage(f)
	}
	if len(f.Extents) == 0 && f.Stored == "" && len(f.Patched) == 0 {
		for _, d := range f.Damage {
			if d.Image >= 0 {
				f.Extents = append(f.Extents, [3]int64{d.Offset, d.Image, d.Length})
			}
		}
	}
	count(f)
	if f.Bytes.Read == nil {
		return
	}
	stored := int64(0)
	for _, list := range [][][3]int64{f.Extents, f.Patched} {
		for _, e := range list {
			stored += e[2]
		}
	}
	if f.Stored == "compressed" {
		stored, _ = f.Packing.Unpacks(stored, *f.Size)
		stored = min(stored, *f.Size-*f.Bytes.Unlocated)
	}
	f.Holes = *f.Size - *f.Bytes.Unlocated - stored
}

// without are extents but for the content from off to end.
func without(list [][3]int64, off, end int64) (out [][3]int64) {
	for _, e := range list {
		if n := min(off-e[0], e[2]); n > 0 {
			out = append(out, [3]int64{e[0], e[1], n})
		}
		if cut := max(end-e[0], 0); cut < e[2] {
			out = append(out, [3]int64{e[0] + cut, e[1] + cut, e[2] - cut})
		}
	}
	return out
}

// placesOf are the places that a file says were not read.
func placesOf(f *result.File) (told []result.Place) {
	for _, d := range f.Damage {
		if s, ok := imap.ParseState(d.What); ok && d.Image >= 0 {
			n := d.Length
			if f.Stored == "compressed" {
				n = 1
			}
			told = append(told, result.Place{Start: d.Image, Length: n, Kind: kind(s, f.Volume, result.HoldsFiles)})
		}
	}
	for _, n := range f.Needs {
		told = append(told, result.Place{Start: n[0], Length: n[1], Kind: kind(imap.Failed, f.Volume, result.HoldsStructures)})
	}
	return told
}

func kind(s imap.State, volume int, holds string) result.Kind {
	return result.Kind{State: s, In: []result.Holder{{Volume: max(volume, 1), Holds: holds}}}
}

// Unread are places of one state that hold one thing of volume 1; "" is outside
// any volume.
func Unread(s imap.State, holds string, ranges ...[2]int64) (list []result.Place) {
	for _, g := range ranges {
		p := result.Place{Start: g[0], Length: g[1], Kind: result.Kind{State: s}}
		if holds != "" {
			p.Kind = kind(s, 1, holds)
		}
		list = append(list, p)
	}
	return list
}

// disjoint makes whole sectors of places, each byte once. What a place does not
// reach of its sectors is free.
func disjoint(list []result.Place, sector, drive int64) (out []result.Place) {
	slices.SortStableFunc(list, func(a, b result.Place) int { return cmp.Compare(a.Start, b.Start) })
	pos := int64(0)
	for _, p := range list {
		free := p.Kind
		if len(free.In) > 0 {
			free = kind(p.State, p.In[0].Volume, result.HoldsFree)
		}
		for _, part := range []result.Place{{Length: p.Start, Kind: free}, p, {Start: p.End(), Length: (p.End()+sector-1)/sector*sector - p.End(), Kind: free}} {
			start, end := max(part.Start, p.Start/sector*sector, pos), min(part.End(), drive)
			if start < end {
				out = append(out, result.Place{Start: start, Length: end - start, Kind: part.Kind})
				pos = end
			}
		}
	}
	return out
}

// LeftOut makes places of unknown use of those that hold content of no file, after
// files were taken out. It leaves all sums as they are.
func (m *Made) LeftOut() {
	var content ranges.Set
	for _, f := range m.Files {
		addContent(&content, f)
	}
	m.hold(&content)
}

// addContent adds where the content of a file lies.
func addContent(content *ranges.Set, f *result.File) {
	for _, list := range [][][3]int64{f.Extents, f.Patched} {
		for _, e := range list {
			content.Add(e[1], e[2])
		}
	}
}

// hold leaves no place that is said to hold content of files where there is none.
func (m *Made) hold(content *ranges.Set) {
	if m.Places == nil {
		return
	}
	out := []result.Place{}
	for _, p := range m.Places {
		if p.Most() != result.HoldsFiles {
			out = append(out, p)
			continue
		}
		none := slices.Clone(p.In)
		for i := range none {
			if none[i].Holds == result.HoldsFiles {
				none[i].Holds = result.HoldsUnknown
			}
		}
		pos := p.Start
		add := func(end int64, in []result.Holder) {
			if end > pos {
				out = append(out, result.Place{Start: pos, Length: end - pos, Kind: result.Kind{State: p.State, In: in}})
				pos = end
			}
		}
		for c := range content.Within(p.Start, p.Length) {
			add(c.Start, none)
			add(c.End, p.In)
		}
		add(p.End(), none)
	}
	m.Places = out
}

// damage is where the content of a file crosses what is unread, or lies past the
// end of the drive.
func (m *Made) damage(f *result.File) []result.Damage {
	list := []result.Damage{}
	add := func(d result.Damage) {
		if n := len(list); n > 0 && list[n-1].What == d.What && list[n-1].Offset+list[n-1].Length == d.Offset && list[n-1].Image+list[n-1].Length == d.Image {
			list[n-1].Length += d.Length
			return
		}
		list = append(list, d)
	}
	pieces := slices.Clone(f.Extents)
	if f.Stored == "compressed" {
		add = func(d result.Damage) {
			unit := *f.Size
			if f.Packing.Unit > 0 {
				unit = f.Packing.Unit
			}
			end := d.Offset + d.Length
			if f.Packing.Method != "lznt1" { // whose units alone are told by place
				end = d.Offset + 1
			}
			for at := d.Offset; at < end; at = at/unit*unit + unit {
				u := d
				u.Offset, u.Image = at/unit*unit, d.Image+at-d.Offset
				if n := len(list); u.Offset >= *f.Size || n > 0 && list[n-1].Offset >= u.Offset {
					continue
				}
				u.Length = min(unit, *f.Size-u.Offset)
				list = append(list, u)
			}
		}
	} else {
		pieces = append(pieces, f.Patched...)
		slices.SortStableFunc(pieces, func(a, b [3]int64) int { return cmp.Compare(a[0], b[0]) })
	}
	for _, e := range pieces {
		end := e[1] + e[2]
		i, _ := slices.BinarySearchFunc(m.Places, e[1]+1, func(p result.Place, at int64) int { return cmp.Compare(p.End(), at) })
		for ; i < len(m.Places) && m.Places[i].Start < end; i++ {
			p := &m.Places[i]
			a, b := max(p.Start, e[1]), min(p.End(), end)
			add(result.Damage{Offset: e[0] + a - e[1], Image: a, Length: b - a, What: p.State.String()})
		}
		if a := max(e[1], m.Image.DriveSize); a < end {
			add(result.Damage{Offset: e[0] + a - e[1], Image: a, Length: end - a, What: imap.Skipped.String()})
		}
	}
	return list
}

// count fills the bytes and the verdict of a file.
func count(f *result.File) {
	if f.Size != nil && f.Bytes.Read == nil && (f.Kind != "folder" || len(f.Damage) > 0) {
		b := result.Bytes{Read: *f.Size}
		for _, d := range f.Damage {
			b.Read -= d.Length
			if s, ok := imap.ParseState(d.What); ok {
				b.Count(s, d.Length)
			} else {
				b.Unlocated += d.Length
			}
		}
		f.Bytes = result.NullBytes{Read: &b.Read, Doubtful: &b.Doubtful, Failed: &b.Failed, Skipped: &b.Skipped, Unlocated: &b.Unlocated}
	}
	b := f.Bytes
	none := b.Read != nil && *f.Size > 0 && *b.Read+*b.Doubtful == 0
	if f.Verdict != "" && !(none && f.Verdict == result.Damaged) {
		return
	}
	switch {
	case b.Read == nil && f.Kind != "folder", none:
		f.Verdict = result.Lost
	case len(f.Damage) > 0:
		f.Verdict = result.Damaged
	default:
		f.Verdict = result.Intact
	}
}

// sums fills every sum, of lines that were counted by volume; waiting are the
// files that wait for each head, adrift are those under "?/" of each volume.
func (m *Made) sums(waiting map[int]int64, adrift map[int]int64) {
	s := &m.Summary
	complete := len(m.Volumes) > 0 && len(m.Image.Missing) == 0 && len(m.Image.Broken) == 0
	s.Sums, s.Unread = result.Sums{}, result.Places{}
	for i := range m.Volumes {
		v := &m.Volumes[i]
		if v.Listing.Why == nil {
			v.Listing.Why = []string{}
		}
		if v.Listing.UnreadRecords > 0 || v.Listing.UnnamedFiles > 0 || v.Lacks(adrift[v.Volume]) != "" {
			v.Listing.Complete = false
		}
		complete = complete && v.Listing.Complete
		s.Add(&v.Sums)
	}
	for i := range s.Heads {
		s.Heads[i].Files = waiting[s.Heads[i].Head]
		delete(waiting, s.Heads[i].Head)
	}
	for _, h := range slices.Sorted(maps.Keys(waiting)) {
		s.Heads = append(s.Heads, result.HeadFiles{Head: h, Files: waiting[h]})
	}
	s.ListingComplete = complete
	var u result.Unread
	for i := range m.Places {
		m.Places[i].Tally(&s.Unread, m.Volumes)
		u.Count(m.Places[i].State, m.Places[i].Length)
	}
	im := &m.Image
	if im.Map.TrustDoubtful {
		u.Doubtful = im.Map.Doubtful
	}
	im.Map.Doubtful, im.Map.Failed, im.Map.Skipped = u.Doubtful, u.Failed, u.Skipped
	im.Map.Read = im.DriveSize - u.Total()
}

// write writes a result that was filled, with files that are complete.
func (m *Made) write(to io.Writer, files iter.Seq[*result.File]) error {
	w := result.NewWriter(to)
	err := w.Image(&m.Image)
	for i := range m.Volumes {
		err = cmp.Or(err, w.Volume(&m.Volumes[i]))
	}
	for i := range m.Places {
		err = cmp.Or(err, w.Place(&m.Places[i]))
	}
	err = cmp.Or(err, w.Flush())
	var line []byte
	for f := range files {
		line = f.AppendLine(line[:0])
		if _, e := to.Write(line); e != nil {
			return e
		}
	}
	return cmp.Or(err, w.Summary(&m.Summary))
}

// Text is the result as it would be written.
func (m *Made) Text(tb testing.TB) []byte {
	tb.Helper()
	var b bytes.Buffer
	if err := m.write(&b, slices.Values(m.Files)); err != nil {
		tb.Fatal(err)
	}
	return b.Bytes()
}

// Write fills a result and writes it to a file.
func (m *Made) Write(tb testing.TB, path string) {
	tb.Helper()
	m.Stream(tb, path, slices.Values(m.Files))
}

// Stream is Write for more files than are to be held at once. It goes through
// them twice, and they must be the same both times.
func (m *Made) Stream(tb testing.TB, path string, files iter.Seq[*result.File]) {
	tb.Helper()
	m.fill(files)
	out, err := os.Create(path)
	if err != nil {
		tb.Fatal(err)
	}
	defer out.Close()
	w := bufio.NewWriterSize(out, 1<<20)
	err = m.write(w, func(yield func(*result.File) bool) {
		for f := range files {
			if m.complete(f); !yield(f) {
				return
			}
		}
	})
	if err = cmp.Or(err, w.Flush()); err != nil {
		tb.Fatal(err)
	}
}

// Open writes a result to a file of the test's own and opens it.
func (m *Made) Open(tb testing.TB) *result.Result {
	tb.Helper()
	path := tb.TempDir() + "/made.result.jsonl"
	m.Write(tb, path)
	r, err := result.Open(path)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { r.Close() })
	return r
}
