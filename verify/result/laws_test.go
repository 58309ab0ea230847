package result_test

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// The laws of a result that was taken, counted again by other means than the
// package's own.

// sums are the sums of a result's lines.
type sums struct {
	volumes []result.Volume // with their sums alone
	summary result.Summary
	unread  result.Unread // of the drive
}

// held adds two counts as far as there are numbers.
func held(a *int64, n int64) {
	if *a > math.MaxInt64-n {
		*a = math.MaxInt64
		return
	}
	*a += n
}

func byVerdict(c *result.VerdictCount, v result.Verdict) *int64 {
	return map[result.Verdict]*int64{result.Intact: &c.Intact, result.Damaged: &c.Damaged, result.Lost: &c.Lost}[v]
}

func byState(u *result.Unread, s imap.State) *int64 {
	return map[imap.State]*int64{imap.Doubtful: &u.Doubtful, imap.Failed: &u.Failed, imap.Skipped: &u.Skipped}[s]
}

func byWord(p *result.Places, holds string) *result.Unread {
	return map[string]*result.Unread{result.HoldsFiles: &p.Files, result.HoldsStructures: &p.Structures,
		result.HoldsUnknown: &p.Unknown, result.HoldsFree: &p.Free, "": &p.Outside}[holds]
}

// recount counts lines; they must be such that they can be counted.
func recount(volumes int, files []*result.File, places []result.Place) (s sums) {
	s.volumes = make([]result.Volume, volumes)
	for _, f := range files {
		for _, v := range []struct {
			files, folders, sizes *result.VerdictCount
			bytes                 *result.Bytes
		}{
			{&s.volumes[f.Volume-1].Files, &s.volumes[f.Volume-1].Folders, &s.volumes[f.Volume-1].Sizes, &s.volumes[f.Volume-1].Bytes},
			{&s.summary.Files, &s.summary.Folders, &s.summary.Sizes, &s.summary.Bytes},
		} {
			if f.Kind == "folder" {
				held(byVerdict(v.folders, f.Verdict), 1)
				continue
			}
			held(byVerdict(v.files, f.Verdict), 1)
			if b := f.Bytes; b.Read != nil {
				held(byVerdict(v.sizes, f.Verdict), *f.Size)
				held(&v.bytes.Read, *b.Read)
				held(&v.bytes.Doubtful, *b.Doubtful)
				held(&v.bytes.Failed, *b.Failed)
				held(&v.bytes.Skipped, *b.Skipped)
				held(&v.bytes.Unlocated, *b.Unlocated)
			}
		}
	}
	for _, p := range places {
		most := ""
		for _, h := range p.In {
			*byState(byWord(&s.volumes[h.Volume-1].Unread, h.Holds), p.State) += p.Length
		}
		for _, word := range []string{result.HoldsFree, result.HoldsUnknown, result.HoldsStructures, result.HoldsFiles} {
			if slices.ContainsFunc(p.In, func(h result.Holder) bool { return h.Holds == word }) {
				most = word
			}
		}
		*byState(byWord(&s.summary.Unread, most), p.State) += p.Length
		*byState(&s.unread, p.State) += p.Length
	}
	return s
}

// keepsLaws reads all of a result that was taken, and says which law it breaks.
func keepsLaws(r *result.Result) error {
	places, err := placesOf(r)
	if err != nil {
		return err
	}
	var files []*result.File
	type key struct {
		volume int
		id     uint64
		path   string
	}
	once := map[key]bool{}
	for f, err := range r.Files() {
		if err != nil {
			return fmt.Errorf("a result that was taken has a line that is not: %w", err)
		}
		k := key{f.Volume, f.ID, f.Path}
		if once[k] || f.Volume < 1 || f.Volume > len(r.Volumes) || f.Path == "" {
			return fmt.Errorf("%d %q: twice, or of no volume", f.ID, f.Path)
		}
		once[k] = true
		if err := fileKeepsLaws(f, places, r.Image.DriveSize); err != nil {
			return fmt.Errorf("%.80q: %w", f.Path, err)
		}
		files = append(files, f)
	}
	if !slices.IsSortedFunc(files, func(a, b *result.File) int { return cmp.Compare(a.Volume, b.Volume) }) {
		return fmt.Errorf("files out of the order of volumes")
	}
	if err := allHeld(files, places); err != nil {
		return err
	}
	s := recount(len(r.Volumes), files, places)
	complete := len(r.Image.Missing)+len(r.Image.Broken) == 0
	for i, v := range r.Volumes {
		w := &s.volumes[i]
		if v.Files != w.Files || v.Folders != w.Folders || v.Sizes != w.Sizes || v.Bytes != w.Bytes || v.Unread != w.Unread {
			return fmt.Errorf("volume %d: %+v, counted %+v", i+1, v, w)
		}
		if v.Start < 0 || v.Length < 0 || v.Length > math.MaxInt64-v.Start || v.Volume != i+1 || i > 0 && r.Volumes[i-1].Start > v.Start {
			return fmt.Errorf("volume %d lies at %d, %d bytes", i+1, v.Start, v.Length)
		}
		if err := onDrive(v.Needs, r.Image.DriveSize); err != nil {
			return err
		}
		complete = complete && v.Listing.Complete
	}
	t := r.Summary
	if t.Files != s.summary.Files || t.Folders != s.summary.Folders || t.Sizes != s.summary.Sizes || t.Bytes != s.summary.Bytes || t.Unread != s.summary.Unread {
		return fmt.Errorf("summary %+v, counted %+v", t, s.summary)
	}
	if t.ListingComplete && !complete {
		return fmt.Errorf("the summary calls the list complete")
	}
	return headsKeepLaws(r, files)
}

// allHeld finds a file for every unread byte that is said to hold content of one.
func allHeld(files []*result.File, places []result.Place) error {
	var content [][2]int64
	for _, f := range files {
		for _, list := range [][][3]int64{f.Extents, f.Patched} {
			for _, e := range list {
				content = append(content, [2]int64{e[1], e[1] + e[2]})
			}
		}
	}
	slices.SortFunc(content, func(a, b [2]int64) int { return cmp.Compare(a[0], b[0]) })
	for _, p := range places {
		if !slices.ContainsFunc(p.In, func(h result.Holder) bool { return h.Holds == result.HoldsFiles }) {
			continue
		}
		pos := p.Start
		for _, c := range content {
			if c[0] <= pos {
				pos = max(pos, c[1])
			}
		}
		if pos < p.End() {
			return fmt.Errorf("place %+v holds content of files, and no file lies there", p)
		}
	}
	return nil
}

// headsKeepLaws counts the files that wait for each head.
func headsKeepLaws(r *result.Result, files []*result.File) error {
	waiting := map[int]int64{}
	for _, f := range files {
		for _, h := range f.Heads {
			waiting[h]++
		}
	}
	for _, h := range r.Summary.Heads {
		if h.Files != waiting[h.Head] || h.Alone < 0 || h.Alone > h.Files {
			return fmt.Errorf("head %+v, for which %d wait", h, waiting[h.Head])
		}
		delete(waiting, h.Head)
	}
	if len(waiting) > 0 {
		return fmt.Errorf("files wait for heads that the summary does not know: %v", waiting)
	}
	return nil
}

// placesOf reads the places, and holds them to the map and to the drive.
func placesOf(r *result.Result) (places []result.Place, err error) {
	var joined []imap.Range
	var u result.Unread
	pos := int64(0)
	for p, err := range r.Places() {
		if err != nil {
			return nil, fmt.Errorf("a result that was taken has a place that is not: %w", err)
		}
		if p.Start < pos || p.Length <= 0 || p.Length > r.Image.DriveSize || p.Start > r.Image.DriveSize-p.Length || p.State == imap.Read {
			return nil, fmt.Errorf("place %+v after %d", p, pos)
		}
		pos = p.End()
		*byState(&u, p.State) += p.Length
		places = append(places, *p)
		if n := len(joined); n > 0 && joined[n-1].End() == p.Start && joined[n-1].State == p.State {
			joined[n-1].Length += p.Length
		} else {
			joined = append(joined, imap.Range{Start: p.Start, Length: p.Length, State: p.State})
		}
	}
	if all := slices.Collect(r.Unread.All()); !slices.Equal(all, joined) || r.Unread.Len() != len(joined) {
		return nil, fmt.Errorf("the map has %v, the places are %v", all, joined)
	}
	for i, g := range joined {
		if r.Unread.At(i) != g || r.Unread.From(g.Start) != i || r.Unread.From(g.End()-1) != i || r.Unread.IsRead(g.Start, 1) || r.Unread.IsRead(g.End()-1, 1) ||
			g.Start%r.Image.Sector != 0 || g.End()%r.Image.Sector != 0 && g.End() != r.Image.DriveSize {
			return nil, fmt.Errorf("the map does not find %+v", g)
		}
	}
	m := r.Image.Map
	if m.TrustDoubtful {
		u.Doubtful += m.Doubtful
	}
	if want := (result.Unread{Doubtful: m.Doubtful, Failed: m.Failed, Skipped: m.Skipped}); u != want || m.Read < 0 || m.Read+want.Total() != r.Image.DriveSize {
		return nil, fmt.Errorf("the map has %+v, the places have %+v of %d", m, u, r.Image.DriveSize)
	}
	if r.Image.Size < 0 || r.Image.Size > r.Image.DriveSize {
		return nil, fmt.Errorf("image of %d, drive of %d", r.Image.Size, r.Image.DriveSize)
	}
	for _, list := range [][][2]int64{r.Image.Needs, r.Image.Broken} {
		if err := onDrive(list, r.Image.DriveSize); err != nil {
			return nil, err
		}
	}
	return places, nil
}

func onDrive(list [][2]int64, drive int64) error {
	for _, n := range list {
		if n[0] < 0 || n[1] < 0 || n[0] > drive-n[1] {
			return fmt.Errorf("%v lies outside the drive", n)
		}
	}
	return nil
}

// unreadOf is what was not read of length bytes from start, past the drive's
// end all of it.
func unreadOf(places []result.Place, drive, start, length int64) (list []imap.Range) {
	end := start + length
	i, _ := slices.BinarySearchFunc(places, start, func(p result.Place, at int64) int { return cmp.Compare(p.End()-1, at) })
	for ; i < len(places) && places[i].Start < end; i++ {
		a, b := max(places[i].Start, start), min(places[i].End(), end)
		list = append(list, imap.Range{Start: a, Length: b - a, State: places[i].State})
	}
	if a := max(start, drive); a < end {
		list = append(list, imap.Range{Start: a, Length: end - a, State: imap.Skipped})
	}
	return list
}

// fileKeepsLaws holds a file to itself and to the places.
func fileKeepsLaws(f *result.File, places []result.Place, drive int64) error {
	b := f.Bytes
	told := b.Read != nil
	if (b.Doubtful != nil) != told || (b.Failed != nil) != told || (b.Skipped != nil) != told || (b.Unlocated != nil) != told || told && f.Size == nil {
		return fmt.Errorf("some counts are told, some not")
	}
	if f.Size != nil && *f.Size < 0 {
		return fmt.Errorf("a size of %d", *f.Size)
	}
	count := map[string]int64{}
	located := int64(0)
	pos := int64(0)
	for _, d := range f.Damage {
		if d.Offset < pos || d.Length <= 0 || d.Length > math.MaxInt64-d.Offset || f.Size != nil && d.Offset+d.Length > *f.Size || (d.Image < 0) != (d.What == result.Unlocated) {
			return fmt.Errorf("damage %+v after %d", d, pos)
		}
		pos = d.Offset + d.Length
		count[d.What] += d.Length
		if d.Image >= 0 {
			located += d.Length
			if len(unreadOf(places, drive, d.Image, 1)) == 0 {
				return fmt.Errorf("damage %+v where all was read", d)
			}
		}
	}
	whole := f.Kind == "folder" || f.Kind == "link"
	if told {
		n := []int64{*b.Read, *b.Doubtful, *b.Failed, *b.Skipped, *b.Unlocated}
		sum := int64(0)
		for _, k := range n {
			if k < 0 || k > *f.Size-sum {
				return fmt.Errorf("counts %v of %d", n, *f.Size)
			}
			sum += k
		}
		if sum != *f.Size || n[1] != count["doubtful"] || n[2] != count["failed"] || n[3] != count["skipped"] || n[4] != count[result.Unlocated] {
			return fmt.Errorf("counts %v of %d, damage %v", n, *f.Size, count)
		}
		whole = n[0] == *f.Size
		switch {
		case f.Verdict == result.Lost && n[1] > 0, f.Verdict == result.Lost && whole && *f.Size > 0, f.Verdict == result.Damaged && *f.Size > 0 && n[0]+n[1] == 0:
			return fmt.Errorf("%s, with %v", f.Verdict, n)
		}
	}
	if f.Verdict == result.Intact && (!whole || len(f.Damage) > 0) {
		return fmt.Errorf("intact, and is not whole")
	}
	for _, n := range f.Needs {
		covered := int64(0)
		for _, u := range unreadOf(places, drive, n[0], n[1]) {
			covered += u.Length
		}
		if covered != n[1] || n[1] <= 0 || n[0] > drive-n[1] {
			return fmt.Errorf("needs %v, which was read", n)
		}
	}
	if f.Stored == "compressed" { // in units
		for _, e := range f.Extents {
			if len(unreadOf(places, drive, e[1], e[2])) > 0 && located == 0 {
				return fmt.Errorf("extent %v was not read, and no unit is damaged", e)
			}
		}
		return nil
	}
	if told && count[result.Unlocated]+f.Holes+lengths(f.Extents)+lengths(f.Patched) != *f.Size || f.Holes < 0 {
		return fmt.Errorf("extents, %d bytes of holes and damage %v are not the size", f.Holes, count)
	}
	return contentKeepsLaws(f, places, drive)
}

func lengths(list [][3]int64) (n int64) {
	for _, e := range list {
		n += e[2]
	}
	return n
}

// contentKeepsLaws holds plain content to the places: each byte is located once,
// and is damaged in the extents where, and as, it was not read.
func contentKeepsLaws(f *result.File, places []result.Place, drive int64) error {
	type piece struct {
		off, at, n int64
		apart      bool
	}
	var pieces []piece
	for _, e := range f.Extents {
		pieces = append(pieces, piece{e[0], e[1], e[2], false})
	}
	for _, e := range f.Patched {
		pieces = append(pieces, piece{e[0], e[1], e[2], true})
	}
	slices.SortStableFunc(pieces, func(a, b piece) int { return cmp.Compare(a.off, b.off) })
	stored, pos := int64(0), int64(0)
	var due, is []result.Damage // in the extents
	add := func(list *[]result.Damage, d result.Damage) {
		if n := len(*list); n > 0 {
			if l := &(*list)[n-1]; l.What == d.What && l.Offset+l.Length == d.Offset && l.Image+l.Length == d.Image {
				l.Length += d.Length
				return
			}
		}
		*list = append(*list, d)
	}
	hurt := int64(0) // bytes of damage in pieces
	for _, p := range pieces {
		if p.off < pos || p.n <= 0 || p.n > math.MaxInt64-p.off || p.at < 0 || p.n > math.MaxInt64-p.at {
			return fmt.Errorf("content %+v lies over other content", p)
		}
		if f.Size != nil && p.off+p.n > *f.Size {
			return fmt.Errorf("content %+v past the end", p)
		}
		pos = p.off + p.n
		stored += p.n
		missing := int64(0)
		i, _ := slices.BinarySearchFunc(f.Damage, p.off, func(d result.Damage, at int64) int { return cmp.Compare(d.Offset+d.Length-1, at) })
		for ; i < len(f.Damage) && f.Damage[i].Offset < pos; i++ {
			d := f.Damage[i]
			a, b := max(d.Offset, p.off), min(d.Offset+d.Length, pos)
			if d.Image < 0 {
				return fmt.Errorf("content %+v has a place, and damage %+v says it has none", p, d)
			}
			missing += b - a
			if !p.apart {
				add(&is, result.Damage{Offset: a, Image: d.Image + a - d.Offset, Length: b - a, What: d.What})
			}
		}
		hurt += missing
		for _, u := range unreadOf(places, drive, p.at, p.n) {
			if !p.apart {
				add(&due, result.Damage{Offset: p.off + u.Start - p.at, Image: u.Start, Length: u.Length, What: u.State.String()})
				continue
			}
			n, off := u.Length, p.off+u.Start-p.at
			for _, d := range f.Damage {
				n -= max(0, min(d.Offset+d.Length, off+u.Length)-max(d.Offset, off))
			}
			if n > 0 {
				return fmt.Errorf("%+v was not read, and %d bytes of it are not damaged", p, n)
			}
		}
	}
	if !slices.Equal(due, is) {
		return fmt.Errorf("damage %+v, by the map it is %+v", is, due)
	}
	located := int64(0)
	for _, d := range f.Damage {
		if d.Image >= 0 {
			located += d.Length
		}
	}
	if located != hurt {
		return fmt.Errorf("%d bytes of damage with a place, %d of them in the content", located, hurt)
	}
	if f.Verdict == result.Lost && f.Bytes.Read != nil && stored > hurt {
		return fmt.Errorf("lost, and %d stored bytes of it were read", stored-hurt)
	}
	return nil
}
