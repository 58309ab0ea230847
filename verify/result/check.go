package result

import (
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"

	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// A result is read only if it cannot contradict itself: whoever reads it may
// believe every sum, and every file, as far as anybody may believe its writer.

var (
	errNumbers  = errors.New("has numbers that no drive has; make it again with verify")
	errStates   = errors.New("has bytes by state that are not its size; make it again with verify")
	errDamage   = errors.New("has bytes by state that its damage does not bear out; make it again with verify")
	errPlaced   = errors.New("has extents, holes and unlocated bytes that are not its size; make it again with verify")
	errVerdict  = errors.New("has a verdict that its bytes do not bear out; make it again with verify")
	errUnread   = errors.New("has content where nothing was read, by the result's own map, and does not say so; make it again with verify")
	errReadOnly = errors.New("has damage where all was read, by the result's own map; make it again with verify")
	errTwoLines = errors.New("a file stands twice in the result, under the same number and path; make it again with verify")
	errSums     = errors.New("sums that its lines do not bear out; make it again with verify")
)

// checker validates a result as it is read.
type checker struct {
	r    *Result
	pos  int64 // where the last unread place ends
	last int   // the volume of the last file

	places  Places   // of the drive
	volumes []Volume // as they add up
	once    Once
	borne   borne
	waiting map[int]int64 // files that wait for each head
	paths   []paths       // by volume
}

// paths counts entries of a volume whose path is not whole.
type paths struct{ adrift, unnamed int64 }

// mostBytes is more than any drive has, and small enough that the sums over all
// states and places end within the largest number.
const mostBytes = math.MaxInt64 / 64

// natural reports whether no number is below zero.
func natural(list ...int64) bool { return slices.Min(list) >= 0 }

// addable reports whether numbers are such that they can be added up.
func addable(n ...int64) bool { return natural(n...) && slices.Max(n) <= mostBytes }

// within reports whether a range of n bytes from at on ends within the largest
// number.
func within(at, n int64) bool { return at >= 0 && n >= 0 && at <= math.MaxInt64-n }

// allWithin reports whether ranges of [offset, length] lie on a drive of size bytes.
func allWithin(list [][2]int64, size int64) bool {
	return !slices.ContainsFunc(list, func(n [2]int64) bool { return !within(n[0], n[1]) || n[0]+n[1] > size })
}

// sound reports whether the counts can be added up.
func (s ByteStates) sound() bool { return addable(s.Read, s.Doubtful, s.Failed, s.Skipped) }

func (c *checker) image() error {
	im := &c.r.Image
	m := &im.Map
	ok := natural(im.Sector, im.Size, im.DriveSize, im.Offset, im.Retried) && im.Sector > 0 && im.Sector <= 1<<20 &&
		im.Size <= im.DriveSize && im.DriveSize <= maxDrive && m.sound() && m.Total() == im.DriveSize &&
		allWithin(im.Broken, im.DriveSize) && allWithin(im.Needs, im.DriveSize) && (im.Content == "" || im.Content == ContentRead)
	if p := im.Parts; p != nil {
		ok = ok && p.Count > 0
		for _, s := range p.Short {
			ok = ok && within(s.Start, s.Length) && s.Held >= 0 && s.Held <= s.Length
		}
	}
	if im.Heads != nil {
		sum := im.Heads.Others
		ok = ok && sum.sound()
		for _, h := range im.Heads.Heads {
			ok = ok && h.sound() && h.Profile.sound(im.DriveSize) && (h.Profile == nil || h.Profile.sum() == h.ByteStates)
			sum = ByteStates{Plus(sum.Read, h.Read), Plus(sum.Doubtful, h.Doubtful), Plus(sum.Failed, h.Failed), Plus(sum.Skipped, h.Skipped)}
		}
		ok = ok && sum == m.ByteStates
	}
	if p := im.Profile; p != nil {
		sum := p.sum()
		sum.Read = m.Read // whose slices are left out
		ok = ok && p.sound(im.DriveSize) && sum == m.ByteStates
	}
	if !ok {
		return errNumbers
	}
	c.waiting = map[int]int64{}
	return nil
}

// sound reports whether slices lie in order on the drive, and none has more
// bytes than it is long.
func (p *Profile) sound(drive int64) bool {
	if p == nil {
		return true
	}
	if p.Slice <= 0 {
		return false
	}
	last := int64(-1)
	for _, s := range p.Slices {
		if !addable(s[:]...) || s[0] <= last || s[0] > drive/p.Slice || s[1]+s[2]+s[3]+s[4] > p.Slice {
			return false
		}
		last = s[0]
	}
	return true
}

// sum adds up the slices.
func (p *Profile) sum() (n ByteStates) {
	for _, s := range p.Slices {
		n = ByteStates{Plus(n.Read, s[1]), Plus(n.Doubtful, s[2]), Plus(n.Failed, s[3]), Plus(n.Skipped, s[4])}
	}
	return n
}

// agrees reports whether each slice has as much of each state as the map has there.
func (p *Profile) agrees(r *Result) bool {
	if p == nil {
		return true
	}
	for _, s := range p.Slices {
		at := s[0] * p.Slice
		n := min(p.Slice, r.Image.DriveSize-at)
		var u Unread
		for g := range r.Unread.Within(at, n) {
			u.Count(g.State, g.Length)
		}
		if r.Image.Map.TrustDoubtful {
			u.Doubtful = s[2] // which the map does not tell
		}
		if [4]int64(s[1:]) != [...]int64{n - u.Total(), u.Doubtful, u.Failed, u.Skipped} {
			return false
		}
	}
	return true
}

func (c *checker) volume(v *Volume) error {
	n := len(c.r.Volumes)
	l := &v.Listing
	ok := v.Volume == n && within(v.Start, v.Length) && v.Pieces.sound(v) && natural(v.Cluster) &&
		addable(l.UnreadRecords, l.UnnamedFiles, l.UnclaimedBytes) && (n < 2 || c.r.Volumes[n-2].Start <= v.Start) &&
		allWithin(v.Needs, c.r.Image.DriveSize)
	for _, s := range v.Structures {
		ok = ok && natural(s.Length, s.Unread) && s.Unread <= s.Length && (s.Start == nil || within(*s.Start, s.Length))
		if !s.sound() {
			return fmt.Errorf("%s of volume %d is %q with %d bytes unread; make it again with verify", clip(s.Name), n, clip(s.Health), s.Unread)
		}
	}
	if v.Proof != nil {
		if past := v.PastEnd(c.r.Image.DriveSize); v.Start >= c.r.Image.DriveSize || past != "" && !slices.Contains(v.Notes, past) {
			return fmt.Errorf("volume %d does not lie on the drive; make it again with verify", n)
		}
	}
	if !ok {
		return errNumbers
	}
	if l.Complete && (l.UnreadRecords > 0 || l.UnnamedFiles > 0) {
		return fmt.Errorf("volume %d has a list that is called complete, and says what it lacks; make it again with verify", n)
	}
	for i := n - 2; i >= 0 && c.r.Volumes[i].Start == v.Start; i-- {
		if o := &c.r.Volumes[i]; o.Length == v.Length && o.Filesystem == v.Filesystem && slices.Equal(o.Pieces, v.Pieces) {
			return fmt.Errorf("volumes %d and %d are one, at offset %d; make the result again with verify", o.Volume, n, v.Start)
		}
	}
	c.volumes, c.paths = append(c.volumes, Volume{}), append(c.paths, paths{})
	return nil
}

// unread takes a line of unread places.
func (c *checker) unread(line []byte) error {
	r := c.r
	var l unreadLine
	err := parseLine(line, unreadFields, &l)
	if err != nil {
		return err
	}
	c.pos, _, err = l.each(&r.Image, len(r.Volumes), c.pos, func(p *Place) bool {
		before := r.Unread.Len()
		r.Unread.add(p.Start, p.End(), p.State)
		c.borne.place(p, r.Unread.Len() > before)
		p.Tally(&c.places, c.volumes)
		return true
	})
	return err
}

// file takes the line of a file.
func (c *checker) file(f *File) error {
	if err := c.r.checkFile(f); err != nil {
		return err
	}
	if f.Volume < c.last {
		return errOrder
	}
	c.last = f.Volume
	if !c.once.First(f.Volume, f.ID, f.Path) {
		return errTwoLines
	}
	c.borne.file(f)
	c.volumes[f.Volume-1].Tally(f)
	if f.Adrift() {
		c.paths[f.Volume-1].adrift++
	}
	if f.Unnamed {
		c.paths[f.Volume-1].unnamed++
	}
	for _, h := range f.Heads {
		c.waiting[h]++
	}
	return nil
}

// finish holds the sums to the lines.
func (c *checker) finish() error {
	r := c.r
	s := &r.Summary
	var all Sums
	complete := len(r.Image.Missing) == 0 && len(r.Image.Broken) == 0
	for i := range c.volumes {
		v, sum := &r.Volumes[i], &c.volumes[i]
		if v.Sums != sum.Sums || v.Unread != sum.Unread {
			return fmt.Errorf("volume %d has %w", v.Volume, errSums)
		}
		all.Add(&v.Sums)
		complete = complete && v.Listing.Complete
		if err := c.listing(v, &c.paths[i]); err != nil {
			return err
		}
		if err := c.structures(v); err != nil {
			return err
		}
		if err := c.proof(v); err != nil {
			return err
		}
	}
	complete = complete && len(r.Volumes) > 0
	if s.Sums != all || s.Unread != c.places || s.ListingComplete && !complete {
		return fmt.Errorf("the summary has %w", errSums)
	}
	for _, h := range s.Heads {
		if h.Files != c.waiting[h.Head] || h.Alone < 0 || h.Alone > h.Files {
			return fmt.Errorf("the summary has %w", errSums)
		}
		delete(c.waiting, h.Head)
	}
	if len(c.waiting) > 0 {
		return fmt.Errorf("the summary has %w", errSums)
	}
	if w := s.Wanted; w != nil {
		n := w.Files
		if !natural(n.Intact, n.Damaged, n.Lost) || n.Total() > s.Files.Total() || !(w.Weight >= 0) || !(w.Missing >= 0) || math.IsInf(w.Weight, 1) || w.Missing > w.Weight {
			return fmt.Errorf("the summary has %w", errSums)
		}
	}
	var u Unread
	for g := range r.Unread.All() {
		if g.Start%r.Image.Sector != 0 || g.End()%r.Image.Sector != 0 && g.End() != r.Image.DriveSize {
			return fmt.Errorf("%w: a part of a sector, at offset %d", errPlace, g.Start)
		}
		u.Count(g.State, g.Length)
	}
	m := &r.Image.Map
	due := Unread{m.Doubtful, m.Failed, m.Skipped}
	if m.TrustDoubtful {
		due.Doubtful = 0
	}
	if u != due {
		return fmt.Errorf("the unread places have %w", errSums)
	}
	if past := r.Image.DriveSize - r.Image.Size; r.Unread.covered(r.Image.Size, past) < past {
		return fmt.Errorf("the image ends at %d, and more of the drive is called read; make the result again with verify", r.Image.Size)
	}
	for _, b := range r.Image.Broken {
		n := int64(0)
		for u := range r.Unread.Within(b[0], b[1]) {
			if u.State == imap.Failed || r.Image.Sector > image.FaultUnit { // else the sector's worst state stands there
				n += u.Length
			}
		}
		if n < b[1] {
			return fmt.Errorf("the image file did not give %d bytes at offset %d, and they are not called failed; make it again with verify", b[1], b[0])
		}
	}
	if !r.Image.Profile.agrees(r) {
		return fmt.Errorf("the profile of the drive has %w", errSums)
	}
	return c.borne.check()
}

// listing holds what a volume's line says of its list to the lines of its files.
func (c *checker) listing(v *Volume, p *paths) error {
	l := &v.Listing
	switch lacks := v.Lacks(p.adrift); {
	case l.Complete && lacks != "":
		return fmt.Errorf("volume %d has a list that is called complete, and %s; make it again with verify", v.Volume, lacks)
	case p.unnamed > l.UnnamedFiles || p.adrift < l.Deep:
		return fmt.Errorf("volume %d has %w", v.Volume, errSums)
	}
	return nil
}

// fixed are names of structures that have one place.
var fixed = [...]string{"boot sector", "boot sector copy", "superblock", "volume header", "alternate volume header"}

// structures holds the structures that a volume begins and ends with to the unread
// map. Others may lie in pieces, or stand anew in a journal.
func (c *checker) structures(v *Volume) error {
	for _, s := range v.Structures {
		if s.Start == nil || !slices.Contains(fixed[:], s.Name) || v.Pieces != nil || *s.Start > c.r.Image.DriveSize-s.Length {
			continue
		}
		if n := c.r.Unread.covered(*s.Start, s.Length); n != s.Unread {
			return fmt.Errorf("%s of volume %d has %d unread bytes, by the result's own map %d; make it again with verify", clip(s.Name), v.Volume, s.Unread, n)
		}
	}
	return nil
}

// proof holds the proof of a volume to the unread map. The first sector of the
// volume is part of it where it was read.
func (c *checker) proof(v *Volume) error {
	if v.Proof == nil {
		return nil
	}
	r, first, n := c.r, false, 0
	err := v.Proof.each(func(at, length int64, _ string) error {
		if at > r.Image.Size-length || !r.Unread.IsRead(at, length) {
			return fmt.Errorf("proof range %d+%d was not read", at, length)
		}
		first = first || at == v.Start && length >= r.Image.Sector
		n++
		return nil
	})
	switch {
	case err != nil:
		return fmt.Errorf("volume %d: %w; make it again with verify", v.Volume, err)
	case len(v.Structures) == 0: // it has nothing to prove it by
	case n == 0 && v.Files.Total() > 0, !first && r.Unread.IsRead(v.Start, r.Image.Sector) && v.Start <= r.Image.Size-r.Image.Sector:
		return fmt.Errorf("volume %d has no proof of which image it was read from; make it again with verify", v.Volume)
	}
	return nil
}

// checkFile holds the line of a file to itself and to what was not read.
func (r *Result) checkFile(f *File) error {
	err := f.check()
	if err == nil {
		if f.Volume < 1 || f.Volume > len(r.Volumes) {
			return fmt.Errorf("%q: there is no volume %d", clip(f.Path), f.Volume)
		}
		v := &r.Volumes[f.Volume-1]
		if f.Holes > 0 && !v.sparse() {
			return fmt.Errorf("%q has %d bytes without storage, and %s knows none; make it again with verify", clip(f.Path), f.Holes, clip(v.Filesystem))
		}
		for p := range f.content() {
			if !v.holds(p.image, p.length, r.Image.Size) {
				return fmt.Errorf("%q has content outside its volume; make it again with verify", clip(f.Path))
			}
		}
		err = f.against(&r.Unread, r.Image.DriveSize)
	}
	if err != nil {
		return fmt.Errorf("%q %w", clip(f.Path), err)
	}
	return nil
}

// clip is the start of a long path.
func clip(path string) string {
	const most = 200
	if len(path) <= most {
		return path
	}
	return path[:most] + "…"
}

// check holds a file to itself.
func (f *File) check() error {
	b := &f.Bytes
	counts := [...]*int64{b.Read, b.Doubtful, b.Failed, b.Skipped, b.Unlocated}
	told := 0
	for _, n := range counts {
		if n != nil {
			told++
		}
	}
	whole := false // every byte was read
	switch {
	case f.Kind != "file" && f.Kind != "folder" && f.Kind != "link" && f.Kind != "stream":
		return fmt.Errorf("is of the unknown kind %q", f.Kind)
	case f.Verdict != Intact && f.Verdict != Damaged && f.Verdict != Lost:
		return fmt.Errorf("has the unknown verdict %q", f.Verdict)
	case f.Path == "":
		return errors.New("has no path")
	case f.Size != nil && *f.Size < 0:
		return errNumbers
	case told == 0:
		whole = f.Kind == "folder" || f.Kind == "link"
	case told < len(counts) || f.Size == nil:
		return errStates
	default:
		left := *f.Size
		for _, n := range counts {
			if *n < 0 {
				return errNumbers
			}
			if *n > left {
				return errStates
			}
			left -= *n
		}
		if left != 0 {
			return errStates
		}
		whole = *b.Read == *f.Size
	}
	units := f.Stored == "compressed"
	if units && len(f.Packing.Units) > 0 && f.Size != nil {
		if err := f.checkUnits(); err != nil {
			return err
		}
	}
	placed, pos := f.Holes, int64(0)
	for p := range f.content() {
		if !within(p.off, p.length) || !within(p.image, p.length) || p.length == 0 || p.off < pos || !units && f.Size != nil && p.off+p.length > *f.Size {
			return errNumbers
		}
		pos = p.off + p.length
		placed += p.length
	}
	var sum Bytes
	pos = 0
	for _, d := range f.Damage {
		if d.Offset < pos || !within(d.Offset, d.Length) || d.Length == 0 || d.Image >= 0 && !within(d.Image, d.Length) ||
			f.Size != nil && d.Offset+d.Length > *f.Size {
			return errNumbers
		}
		pos = d.Offset + d.Length
		s, ok := imap.ParseState(d.What)
		switch {
		case d.What == Unlocated && d.Image < 0:
			sum.Unlocated += d.Length
		case ok && s != imap.Read && d.Image >= 0:
			sum.Count(s, d.Length)
		default:
			return errDamage
		}
	}
	if told > 0 && (sum.Doubtful != *b.Doubtful || sum.Failed != *b.Failed || sum.Skipped != *b.Skipped || sum.Unlocated != *b.Unlocated) {
		return errDamage
	}
	switch {
	case f.Holes < 0 || f.Size != nil && f.Holes > *f.Size:
		return errNumbers
	case told > 0 && !units && placed+sum.Unlocated != *f.Size:
		return errPlaced
	case told > 0 && units && *b.Read > 0:
		if unpacked, ok := f.Packing.Unpacks(placed-f.Holes, *f.Size); !ok || unpacked+f.Holes+sum.Unlocated < *f.Size {
			return errPlaced
		}
	}
	switch {
	case f.Verdict == Intact && (!whole || len(f.Damage) > 0), f.Verdict == Lost && told > 0 && *b.Doubtful > 0,
		f.Verdict == Lost && told > 0 && whole && *f.Size > 0,
		f.Verdict == Damaged && told > 0 && *b.Read+*b.Doubtful == 0 && *f.Size > 0:
		return errVerdict
	}
	for _, n := range f.Needs {
		if !within(n[0], n[1]) || n[1] == 0 {
			return errNumbers
		}
	}
	last := -1
	for _, h := range f.Heads {
		if h <= last {
			return errNumbers
		}
		last = h
	}
	return nil
}

// A piece is a part of a file's content that has a place.
type piece struct {
	off, image, length int64
	apart              bool // kept apart from its neighbours; what damages it may lie elsewhere
}

// content yields the extents and what is patched, in order of content where each
// list is in order.
func (f *File) content() iter.Seq[piece] {
	return func(yield func(piece) bool) {
		e, p := f.Extents, f.Patched
		for len(e)+len(p) > 0 {
			list, apart := &e, false
			if len(e) == 0 || len(p) > 0 && p[0][0] < e[0][0] {
				list, apart = &p, true
			}
			t := (*list)[0]
			*list = (*list)[1:]
			if !yield(piece{t[0], t[1], t[2], apart}) {
				return
			}
		}
	}
}

// against holds a file that was checked to what was not read of the drive. Of
// content in units the damage tells of whole units, so only that they are damaged
// at all is held to the map.
func (f *File) against(m *UnreadMap, drive int64) error {
	for _, n := range f.Needs {
		if n[0] > drive-n[1] || m.covered(n[0], n[1]) < n[1] {
			return errors.New("needs what was read; make the result again with verify")
		}
	}
	located := int64(0) // bytes of damage with a place
	for _, d := range f.Damage {
		if d.Image < 0 {
			continue
		}
		located += d.Length
		if m.IsRead(d.Image, 1) && d.Image < drive {
			return errReadOnly
		}
	}
	units := f.Stored == "compressed"
	var stored, hurt int64
	w, all := damageWalk{list: f.Damage}, damageWalk{list: f.Damage}
	if units && f.byPlace() {
		return f.unitsAgainst(m, drive)
	}
	for p := range f.content() {
		stored += p.length
		var damaged, borne int64
		if !units {
			var ok bool
			if damaged, ok = all.within(p.off, p.length); !ok {
				return errDamage
			}
		}
		for u := range m.over(p.image, p.length, drive) {
			off, says := p.off+u.Start-p.image, false
			switch {
			case units:
				says = located > 0
			case p.apart:
				n, _ := all.within(off, u.Length)
				says = n == u.Length
			default:
				says = w.has(off, u)
			}
			if !says {
				return errUnread
			}
			borne += u.Length
		}
		if !units && !p.apart && borne < damaged {
			return errReadOnly
		}
		hurt += damaged
	}
	switch {
	case units:
	case hurt < located:
		return errReadOnly
	case f.Verdict == Lost && f.Bytes.Read != nil && hurt < stored:
		return errVerdict
	}
	return nil
}

// over yields what was not read of length bytes from start; what lies past the
// end of the drive was never tried.
func (m *UnreadMap) over(start, length, drive int64) func(yield func(imap.Range) bool) {
	return func(yield func(imap.Range) bool) {
		for u := range m.Within(start, min(length, max(drive-start, 0))) {
			if !yield(u) {
				return
			}
		}
		if past := max(start, drive); past < start+length {
			yield(imap.Range{Start: past, Length: start + length - past, State: imap.Skipped})
		}
	}
}

// covered is how many of length bytes from start were not read.
func (m *UnreadMap) covered(start, length int64) (n int64) {
	for u := range m.Within(start, length) {
		n += u.Length
	}
	return n
}

// damageWalk goes through the damage of a file along its content.
type damageWalk struct {
	list []Damage
	i    int
}

// to goes to the damage that ends behind a place of the content.
func (w *damageWalk) to(off int64) {
	for w.i < len(w.list) && w.list[w.i].Offset+w.list[w.i].Length <= off {
		w.i++
	}
}

// has reports whether the damage has an unread range of the image, whose first
// byte is the content's at off, as it is: at its place and in its state.
func (w *damageWalk) has(off int64, u imap.Range) bool {
	for pos := off; pos < off+u.Length; {
		w.to(pos)
		if w.i == len(w.list) {
			return false
		}
		d := &w.list[w.i]
		if d.Image < 0 || d.Offset > pos || d.What != u.State.String() || d.Image+pos-d.Offset != u.Start+pos-off {
			return false
		}
		pos = min(d.Offset+d.Length, off+u.Length)
	}
	return true
}

// within is how many of length bytes of content from off are damaged; false
// where the damage says of one of them that it has no place.
func (w *damageWalk) within(off, length int64) (n int64, ok bool) {
	w.to(off)
	for k := w.i; k < len(w.list) && w.list[k].Offset < off+length; k++ {
		d := &w.list[k]
		if d.Image < 0 {
			return 0, false
		}
		n += min(d.Offset+d.Length, off+length) - max(d.Offset, off)
	}
	return n, true
}
