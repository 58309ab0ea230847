package reread

import (
	"cmp"
	"fmt"
	"hash/maphash"
	"slices"

	"fileassay/extract/imap"
	"fileassay/extract/ranges"
	"fileassay/verify/paths"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// sort of an item: what reading it wins.
type itemSort uint8

const (
	wholeFile   itemSort = iota // a file that will be whole
	perhapsFile                 // a file that may be whole: what leads to the rest of it is unread too
	gate                        // metadata that listed entries wait for
	volumeGate                  // structures that must be read before more of a volume can be known
	driveGate                   // partition tables
	copies                      // structures that nothing listed waits for
	unknown                     // places of which nobody knows what they hold
	unitOfFile                  // a compression unit of a file, for the share that it gains
)

// item is what a problem's item stands for.
type item struct {
	sort   itemSort
	sure   bool       // gates is known, not estimated
	file   int32      // of a unit, which is never told, the item of its file
	path   paths.Path // of a file or folder; of a gate, the first that waits for it
	volume int32
	id     uint64
	weight float64 // by the wanted list, of a file
	gates  int64   // entries that wait for it
}

// leads reports whether an item leads to what is not known yet.
func (it *item) leads() bool { return it.sort == gate || it.sort == volumeGate || it.sort == driveGate }

// builder collects items with the unread spans that they need: ranges of whole
// sectors.
type builder struct {
	r      *result.Result
	list   *wanted.List
	sector int64
	unread *result.UnreadMap

	items   []item
	paths   paths.Store // of items; of none where they are untold
	untold  bool
	names   map[string]paths.Path // of structures, which have few
	whole   []float64
	part    []float64
	spanAt  []int64
	spans   []ranges.Range
	gates   map[uint64]int32 // gate items by the hash of their spans
	seed    maphash.Seed
	leftOut int64 // items that were left out, since the lists would grow too long
	heads   headSets
	waiting WantedCount
	perVol  map[int]*volumeWeight
	lacking map[int]float64 // volumes that may hold files that nobody knows of, with the weight that waits for structures; 0 is what lies outside any
	goes    oneGo
}

// volumeWeight is what is known of the files of a volume, to judge what its
// unread structures may gate.
type volumeWeight struct {
	files   int64
	weight  float64
	blocked int64   // files of which all is read, and which are not whole for the volume's sake
	waiting float64 // their weight
}

// maxSpans bounds the memory of a plan. It is reached only by results in which
// many files claim the same long places.
const maxSpans = 8 << 20

// Shares of what a gate wins: half a file's weight for the way to it, and half
// for its content, once its place is known. An estimate.
const gateShare = 0.5

// maxRoom bounds how many items room is made for before they are seen.
const maxRoom = 1 << 20

func newBuilder(r *result.Result, list *wanted.List, c *Costs) *builder {
	b := &builder{r: r, list: list, sector: r.Image.Sector, unread: &r.Unread, lacking: map[int]float64{},
		gates: map[uint64]int32{}, seed: maphash.MakeSeed(), heads: headSets{}, names: map[string]paths.Path{}, perVol: map[int]*volumeWeight{}}
	n := int(min(max(r.Summary.Files.Damaged, 0), maxRoom) + min(max(r.Summary.Files.Lost, 0), maxRoom))
	b.goes.little = little(b.unread, c, b.sector)
	b.items, b.whole, b.part = make([]item, 0, n), make([]float64, 0, n), make([]float64, 0, n)
	b.spans, b.spanAt = make([]ranges.Range, 0, 2*n), append(make([]int64, 0, n+1), 0)
	return b
}

// batch is a run of files on the way from their lines to items.
type batch struct {
	files []result.File // all of them, used again and again
	n     int           // how many stand in it now
	err   error
}

// collect goes through the result. Lines are decoded beside it.
func (b *builder) collect() error {
	const batches, size = 4, 256
	free, full := make(chan *batch, batches), make(chan *batch, batches)
	for range batches {
		free <- &batch{files: make([]result.File, size)}
	}
	go func() {
		defer close(full)
		now := <-free
		for _, err := range b.r.FilesInto(func() *result.File { return &now.files[now.n] }) {
			if err != nil {
				now.err = err
				break
			}
			if now.n++; now.n == size {
				full <- now
				now = <-free
				now.n = 0
			}
		}
		full <- now
	}()
	for now := range full {
		for i := range now.files[:now.n] {
			b.file(&now.files[i])
		}
		if now.err != nil {
			return now.err
		}
		free <- now
	}
	for i := range b.r.Volumes {
		b.volume(&b.r.Volumes[i])
	}
	b.drive()
	if err := b.rest(); err != nil {
		return err
	}
	return b.along()
}

// need adds the unread sectors of a range to the spans of the item that is
// being made.
func (b *builder) need(start, length int64) {
	for u := range b.unread.Within(start, length) {
		if len(b.spans) >= maxSpans {
			return
		}
		b.spans = append(b.spans, b.sectors(u))
	}
}

// sectors is an unread range widened to whole sectors, which are unread with it.
func (b *builder) sectors(u imap.Range) ranges.Range {
	return ranges.Range{Start: u.Start / b.sector * b.sector, End: min((u.End()+b.sector-1)/b.sector*b.sector, b.r.Image.DriveSize)}
}

// open are the spans of the item that is being made.
func (b *builder) open() []ranges.Range { return b.spans[b.spanAt[len(b.spanAt)-1]:] }

// drop forgets the item that is being made.
func (b *builder) drop() { b.spans = b.spans[:b.spanAt[len(b.spanAt)-1]] }

// close ends an item: its spans are sorted and joined. An item without any is
// dropped.
func (b *builder) close(it item, whole, part float64) {
	list := b.open()
	if len(list) == 0 || whole <= 0 {
		b.drop()
		return
	}
	b.spans = b.spans[:len(b.spans)-len(list)+len(joined(list))]
	b.spanAt = append(b.spanAt, int64(len(b.spans)))
	b.items = append(b.items, it)
	b.whole = append(b.whole, whole)
	b.part = append(b.part, part)
}

// joined sorts spans and joins those that overlap, in place. Those that only
// touch may be in different states.
func joined(list []ranges.Range) []ranges.Range {
	slices.SortFunc(list, func(a, b ranges.Range) int { return cmp.Compare(a.Start, b.Start) })
	out := list[:0]
	for _, s := range list {
		if n := len(out); n > 0 && s.Start < out[n-1].End {
			out[n-1].End = max(out[n-1].End, s.End)
			continue
		}
		out = append(out, s)
	}
	return out
}

func (b *builder) file(f *result.File) {
	if f.Kind == "folder" {
		if len(f.Needs) > 0 {
			b.gate(f, folderFiles*b.list.Leads(f.Volume, f.Path), false)
		}
		return
	}
	w := f.Weight(b.list)
	if w <= 0 {
		b.goes.keep(f)
		return
	}
	v := b.perVol[f.Volume]
	if v == nil {
		v = &volumeWeight{}
		b.perVol[f.Volume] = v
	}
	v.files++
	v.weight += w
	b.waiting.add(f.Verdict == result.Intact, w)
	if f.Verdict == result.Intact {
		return
	}
	b.heads.add(f, w)
	if len(f.Needs) > 0 {
		b.gate(f, w*gateShare, true)
	}
	if len(b.spans) >= maxSpans/2 {
		b.leftOut++
		return
	}
	for _, e := range f.Extents {
		b.need(e[1], e[2])
	}
	for _, e := range f.Patched {
		b.need(e[1], e[2])
	}
	for _, d := range f.Damage {
		// what vouches for a patched piece may lie elsewhere, and is told here
		if d.Image >= 0 && len(f.Patched) > 0 {
			b.need(d.Image, d.Length)
		}
	}
	if len(b.open()) == 0 {
		b.drop()
		if len(f.Needs) == 0 {
			v.blocked++ // all of it is read: it waits for structures of its volume
			v.waiting += w
		}
		return
	}
	it := item{sort: wholeFile, volume: int32(f.Volume), path: b.path(f), id: f.ID, weight: w}
	held, size := 0.0, int64(0)
	if f.Size != nil && *f.Size > 0 && f.Bytes.Read != nil {
		size = *f.Size
		held = float64(*f.Bytes.Read) / float64(size)
	}
	share := wanted.KindOf(f.Path).Share()
	whole, part := w*(1-share*held), w*share*(1-held)
	if len(f.Needs) > 0 || len(f.Why) > 0 || f.Size == nil || f.Bytes.Unlocated != nil && *f.Bytes.Unlocated > 0 {
		it.sort = perhapsFile
		if f.Bytes.Unlocated != nil && size > 0 {
			part = w * share * float64(size-*f.Bytes.Unlocated-*f.Bytes.Read) / float64(size)
		}
		for _, n := range f.Needs {
			b.need(n[0], n[1])
		}
		whole *= gateShare
	}
	part = min(max(part, 0), whole)
	if f.Stored == "compressed" {
		b.packed(f, it, whole, part)
		return
	}
	b.close(it, whole, part)
}

// folderFiles is how many files a folder that cannot be read is taken to hold.
// An estimate.
const folderFiles = 8

// gate adds what an entry waits for. Entries that wait for the same share it.
func (b *builder) gate(f *result.File, gain float64, sure bool) {
	if gain <= 0 {
		return
	}
	for _, n := range f.Needs {
		b.need(n[0], n[1])
	}
	list := joined(b.open())
	if len(list) == 0 {
		b.drop()
		return
	}
	var h maphash.Hash
	h.SetSeed(b.seed)
	for _, s := range list {
		maphash.WriteComparable(&h, s)
	}
	sum := h.Sum64()
	for { // other spans may have the same hash: they take the next number
		i, ok := b.gates[sum]
		if !ok {
			break
		}
		if slices.Equal(b.spans[b.spanAt[i]:b.spanAt[i+1]], list) {
			b.drop()
			b.whole[i] += gain
			b.part[i] += gain * gateShare
			b.items[i].gates++
			b.items[i].sure = b.items[i].sure && sure
			return
		}
		sum++
	}
	b.gates[sum] = int32(len(b.items))
	b.close(item{sort: gate, volume: int32(f.Volume), path: b.path(f), id: f.ID, gates: 1, sure: sure}, gain, gain*gateShare)
}

// mean is the mean weight of the wanted files that are known of a volume.
func (b *builder) mean(volume int) float64 {
	if v := b.perVol[volume]; v != nil && v.files > 0 {
		return v.weight / float64(v.files)
	}
	return b.list.Leads(volume, "") / 2
}

// unknownShare is what a mebibyte of unknown content is worth, of a file that
// no rule but the last fits. An estimate that only puts it behind all else.
const unknownShare = 1e-3

func (b *builder) volume(v *result.Volume) {
	known := volumeWeight{}
	if x := b.perVol[v.Volume]; x != nil {
		known = *x
	}
	if lead := b.list.Leads(v.Volume, ""); lead > 0 && len(v.Needs) > 0 {
		files := unreadRecords(v)
		if files == 0 && known.blocked == 0 {
			files = 1
			if v.Files.Total() == 0 {
				files = max(v.Length>>20, 1)
			}
		}
		gain := float64(files)*b.mean(v.Volume) + known.waiting
		b.each(v.Needs, item{sort: volumeGate, volume: int32(v.Volume), gates: files + known.blocked}, gain)
		known.waiting = 0
	}
	if v.Listing.Complete && known.blocked == 0 {
		return // no file is missing, so what nothing waits for wins nothing
	}
	b.lacking[v.Volume] = known.waiting
}

// unreadRecords is how many records of a volume's files are unread, bounded.
func unreadRecords(v *result.Volume) int64 {
	return min(max(v.Listing.UnreadRecords, 0), 1<<40)
}

func (b *builder) drive() {
	gain := max(1000*b.outside(), 1) * b.list.Leads(0, "")
	b.each(b.r.Image.Needs, item{sort: driveGate, gates: int64(max(len(b.r.Volumes), 1)), sure: false}, gain)
	if len(b.r.Image.Missing) > 0 {
		b.lacking[0] = 0
	}
}

// outside is the share of the drive that no known volume covers, where those
// that the partition tables would tell of may lie.
func (b *builder) outside() float64 {
	size := b.r.Image.DriveSize
	if size <= 0 {
		return 1
	}
	var known ranges.Set
	for i := range b.r.Volumes {
		for _, p := range b.r.Volumes[i].Places() {
			known.Add(p.Start, min(p.Len(), size))
		}
	}
	return 1 - float64(known.Covered(0, size))/float64(size)
}

// each adds an item for every range, which together win gain.
func (b *builder) each(list [][2]int64, it item, gain float64) {
	var total int64
	for _, n := range list {
		if n[1] > 0 {
			total += min(n[1], 1<<50)
		}
	}
	for _, n := range list {
		if len(b.spans) >= maxSpans {
			return
		}
		b.need(n[0], n[1])
		won := gain * float64(min(n[1], 1<<50)) / float64(total)
		b.close(it, won, won)
	}
}

// rest adds what may hold files, or the way to them, that nobody knows of.
// Files that are read and wait for structures that nothing names are worth what
// they weigh, shared out over the volume's structures.
func (b *builder) rest() error {
	if len(b.lacking) == 0 {
		return nil
	}
	each := map[int]float64{} // what a byte of unknown content is worth
	for v := range b.lacking {
		each[v] = b.list.Weight(wanted.Entry{Volume: v, Path: "?/unknown", Size: -1}) * unknownShare / (1 << 20)
	}
	for p, err := range b.r.Places() {
		if err != nil {
			return err
		}
		in := p.In
		if len(in) == 0 {
			in = []result.Holder{{Holds: result.HoldsUnknown}}
		}
		for _, h := range in {
			waiting, ok := b.lacking[h.Volume]
			if !ok {
				continue
			}
			it, won := item{sort: unknown, volume: int32(h.Volume)}, each[h.Volume]
			switch h.Holds {
			case result.HoldsStructures:
				it.sort, it.path = copies, b.structure(h.Name)
				if n := b.r.Volumes[h.Volume-1].Unread.Structures.Total(); n > 0 {
					won += waiting / float64(n)
				}
			case result.HoldsUnknown:
			default:
				continue
			}
			if len(b.spans) >= maxSpans {
				b.leftOut++
				return nil
			}
			b.need(p.Start, p.Length)
			b.close(it, won*float64(p.Length), won*float64(p.Length))
		}
	}
	return nil
}

// path keeps the path of a file that an item is of.
func (b *builder) path(f *result.File) paths.Path {
	if b.untold {
		return paths.Path{}
	}
	return b.paths.Add(f.Path)
}

// structure is the name of what an item of copies holds.
func (b *builder) structure(name string) paths.Path {
	at, ok := b.names[name]
	if !ok {
		at = b.paths.Add(name)
		b.names[name] = at
	}
	return at
}

// name names what an item is, for people.
func (p *Plan) name(it *item) string {
	path := p.paths.String(it.path)
	switch it.sort {
	case wholeFile, perhapsFile:
		return path
	case gate:
		return fmt.Sprintf("what leads to %s", path)
	case volumeGate:
		return fmt.Sprintf("structures of volume %d", it.volume)
	case driveGate:
		return "partition tables"
	case copies:
		if path != "" {
			return fmt.Sprintf("%s of volume %d", path, it.volume)
		}
		return fmt.Sprintf("other structures of volume %d", it.volume)
	}
	return "unknown content"
}
