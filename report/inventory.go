package report

import (
	"cmp"
	"fmt"
	"math"
	"path"
	"slices"
	"strings"
	"time"

	"fileassay/extract"
	"fileassay/verify/result"
	"fileassay/verify/shown"
	"fileassay/verify/wanted"
)

// Inventory is the list of a result's files, ready to be shown: folders with
// their totals, and a row for each file, stream and link. A row costs some 150
// bytes and its name.
type Inventory struct {
	folders []folder // a folder stands before those in it; 0 holds everything
	rows    []row    // folder by folder, by name
	bars    []bar    // of damaged files, by row.bar
	details []string // for the bench, by row.bar
	kinds   map[wanted.Kind]*kindTotal
	first   []candidate // what to look at first among what is not intact
	value   []candidate // what a further pass wins most with, sector for sector
	touched *touched    // slices of the drive where wanted files have unread places
	bench   bool
	cut     int64 // rows whose details were left out, for their size
}

// folder is a folder, or a volume where there are several.
type folder struct {
	name   string
	parent int32 // itself for folder 0
	last   int32 // the last folder that lies in it, or itself
	volume int   // 0 for what is above the volumes
	top    bool  // it stands for a volume, or for all
	adrift bool  // it holds what has no known place
	short  bool  // its own list of names was not wholly read
	totals totals
}

// shown is a folder's name for people.
func (f *folder) shown() string {
	if f.adrift {
		return "? (place not known)"
	}
	return shown.Text(f.name)
}

// totals count the files of a folder and of all below it.
type totals struct {
	files, sizes result.VerdictCount
}

// add counts a file. Sizes are what metadata claims: their sum stops at the
// largest number there is.
func (t *totals) add(v result.Verdict, size int64) {
	t.files.Count(v, 1)
	t.sizes.Count(v, size)
}

// row is a listed file.
type row struct {
	name, folded string
	size         int64 // -1 where not known
	got          int64 // bytes of content that were read
	modified     int64 // seconds since 1970; noTime where not known
	folder       int32
	bar          int32 // its place in bars; -1 where intact
	verdict      uint8 // an index into verdicts
	kind         uint8 // an index into wanted.Kinds
	notes        uint8
	local        bool // modified is by the clock of its computer
}

const noTime = -1 << 40

var verdicts = [...]result.Verdict{result.Intact, result.Damaged, result.Lost}

// byVerdict are counts in the order of verdicts.
func byVerdict(c result.VerdictCount) [len(verdicts)]int64 {
	return [...]int64{c.Intact, c.Damaged, c.Lost}
}

// Notes on a row, for readers who know nothing of filesystems.
const (
	noteUnlocated = 1 << iota // where its content lies is not known
	noteDoubtful              // nothing is missing, but the drive does not vouch for a part
	noteElsewhere             // its content was never on this drive
	noteEncrypted
	noteUnnamed
	noteAdrift // its folder is not known
	noteStream // a second content of a file
	noteLink
)

// bar says where the damage of a file lies: the cells of its length, from the
// lowest bit of the first number.
type bar [2]uint32

const barCells = 64

type kindTotal struct {
	kind wanted.Kind
	totals
	unread int64 // bytes of content on sectors that were not read
}

// candidate is a file that is not intact, with what it is worth.
type candidate struct {
	folder  int32
	name    string
	verdict result.Verdict
	size    int64
	unread  int64 // bytes that were not read
	sectors int64 // that must be read again for it
	weight  float64
	bar     bar
}

// maxCandidates bounds the lists of what to look at first, maxDetail the bytes
// of the details of a file, and maxDetails those of all.
const (
	maxCandidates = 25
	maxDetail     = 4 << 10
	maxDetails    = 24 << 20
)

// NewInventory reads the files of a result. bench asks for the details that
// the technician reads; list says what files are worth.
func NewInventory(r *result.Result, list *wanted.List, bench bool) (*Inventory, error) {
	b := &inventoryBuilder{inv: &Inventory{kinds: map[wanted.Kind]*kindTotal{}, bench: bench, touched: newTouched(r.Image.Profile)},
		list: list, children: map[child]int32{}, roots: map[int]int32{}, sector: r.Image.Sector, unread: &r.Unread}
	b.addRoots(r)
	for f, err := range r.Files() {
		if err != nil {
			return nil, err
		}
		b.add(f)
	}
	return b.finish(), nil
}

// child is a folder by its name and the folder that it lies in. Whole paths
// are not kept: a chain of folders would cost the square of its length.
type child struct {
	parent int32
	name   string
}

// step is a folder on the way to another, and where its name ends in the path.
type step struct {
	folder int32
	end    int
}

type inventoryBuilder struct {
	inv      *Inventory
	list     *wanted.List
	children map[child]int32
	way      []step // to the folder that was asked for last, by wayPath on wayVolume
	wayPath  string
	wayVol   int
	roots    map[int]int32
	sector   int64
	unread   *result.UnreadMap
	details  int
}

// addRoots makes the folders that hold everything, and each volume where there
// are several.
func (b *inventoryBuilder) addRoots(r *result.Result) {
	b.inv.folders = []folder{{name: "All files", top: true}}
	if len(r.Volumes) == 1 {
		b.inv.folders[0].volume = r.Volumes[0].Volume
		b.roots[r.Volumes[0].Volume] = 0
		return
	}
	for _, v := range r.Volumes {
		b.root(v.Volume, v.Label)
	}
}

func (b *inventoryBuilder) root(volume int, label string) int32 {
	name := fmt.Sprintf("Volume %d", volume)
	if label != "" {
		name += " " + label
	}
	at := int32(len(b.inv.folders))
	b.inv.folders = append(b.inv.folders, folder{name: name, volume: volume, top: true})
	b.roots[volume] = at
	return at
}

// folderOf is the folder at a path, made where it is not known yet, with all
// that it lies in. Most lines have much of the way from the one before.
func (b *inventoryBuilder) folderOf(volume int, path string) int32 {
	at, ok := b.roots[volume]
	if !ok {
		at = b.root(volume, "")
	}
	if path == "" {
		return at
	}
	if volume != b.wayVol {
		b.way = b.way[:0]
	}
	same := 0
	for same < len(path) && same < len(b.wayPath) && path[same] == b.wayPath[same] {
		same++
	}
	keep := 0
	for keep < min(len(b.way), maxDepth) && b.way[keep].end <= same && (b.way[keep].end == len(path) || path[b.way[keep].end] == '/') {
		keep++
	}
	b.way = b.way[:keep]
	b.wayVol, b.wayPath = volume, path
	from := 0 // of the next name
	if keep > 0 {
		at, from = b.way[keep-1].folder, b.way[keep-1].end+1
	}
	for from <= len(path) {
		end := strings.IndexByte(path[from:], '/') + from
		if end < from || len(b.way) == maxDepth {
			end = len(path)
		}
		at = b.childOf(at, volume, path[from:end])
		b.way = append(b.way, step{at, end})
		from = end + 1
	}
	return at
}

// childOf is the folder of a name in another.
func (b *inventoryBuilder) childOf(parent int32, volume int, name string) int32 {
	if at, ok := b.children[child{parent, name}]; ok {
		return at
	}
	name = strings.Clone(name)
	at := int32(len(b.inv.folders))
	b.inv.folders = append(b.inv.folders, folder{name: name, parent: parent, volume: volume, adrift: name == "?" && b.inv.folders[parent].top})
	b.children[child{parent, name}] = at
	return at
}

// maxDepth bounds how deep folders lie in each other: no result of verify has
// any deeper. What does is shown as one folder by the rest of its path.
const maxDepth = extract.PathLimit/2 + 2

func (b *inventoryBuilder) add(f *result.File) {
	if f.Kind == "folder" {
		at := b.folderOf(f.Volume, f.Path)
		b.inv.folders[at].short = b.inv.folders[at].short || f.Verdict != result.Intact // two may have one path
		return
	}
	dir, name := path.Split(f.Path)
	w := row{name: strings.Clone(name), size: -1, bar: -1, modified: noTime, folder: b.folderOf(f.Volume, strings.TrimSuffix(dir, "/"))}
	w.folded = strings.ToLower(w.name)
	size := int64(0)
	if f.Size != nil {
		w.size, size = *f.Size, *f.Size
	}
	if f.Bytes.Read != nil {
		w.got = *f.Bytes.Read
	}
	when, isLocal, ok := f.Time()
	if ok {
		w.modified, w.local = when.Unix(), isLocal
	}
	kind := wanted.KindOf(f.Path)
	w.kind = uint8(slices.Index(wanted.Kinds(), kind))
	w.verdict = uint8(slices.Index(verdicts[:], f.Verdict))
	w.notes = notesOf(f)
	t := b.inv.kinds[kind]
	if t == nil {
		t = &kindTotal{kind: kind}
		b.inv.kinds[kind] = t
	}
	t.add(f.Verdict, size)
	b.inv.folders[w.folder].totals.add(f.Verdict, size)
	if f.Verdict != result.Intact {
		w.bar = int32(len(b.inv.bars))
		b.inv.bars = append(b.inv.bars, barOf(f))
		b.weigh(f, &w, t, when)
		if b.inv.bench {
			b.detail(f)
		}
	}
	b.inv.rows = append(b.inv.rows, w)
}

// detail keeps what the bench reads of a file, within bounds.
func (b *inventoryBuilder) detail(f *result.File) {
	text := ""
	if b.details < maxDetails {
		text = detailOf(f, b.sector)
	} else {
		b.inv.cut++
	}
	b.details += len(text)
	b.inv.details = append(b.inv.details, text)
}

func notesOf(f *result.File) uint8 {
	n := uint8(0)
	set := func(bit uint8, on bool) {
		if on {
			n |= bit
		}
	}
	missing := int64(0)
	for _, c := range []*int64{f.Bytes.Failed, f.Bytes.Skipped, f.Bytes.Unlocated} {
		if c == nil {
			missing++
		} else {
			missing += *c
		}
	}
	set(noteUnlocated, f.Verdict != result.Intact && f.Stored != "elsewhere" && (f.Bytes.Unlocated == nil || *f.Bytes.Unlocated > 0))
	set(noteDoubtful, f.Verdict != result.Intact && missing == 0 && f.Bytes.Doubtful != nil && *f.Bytes.Doubtful > 0)
	set(noteElsewhere, f.Stored == "elsewhere")
	set(noteEncrypted, f.Stored == "encrypted")
	set(noteUnnamed, f.Unnamed)
	set(noteAdrift, f.Adrift())
	set(noteStream, f.Kind == "stream")
	set(noteLink, f.Kind == "link")
	return n
}

// barOf marks the cells of a file's length that hold damage. A cell is marked
// however little of it is damaged.
func barOf(f *result.File) bar {
	var b bar
	if f.Verdict == result.Lost || f.Size == nil || *f.Size <= 0 || len(f.Damage) == 0 {
		return bar{1<<32 - 1, 1<<32 - 1}
	}
	size := float64(*f.Size)
	for _, d := range f.Damage {
		from := int(float64(d.Offset) / size * barCells)
		to := max(int(math.Ceil(float64(d.Offset+d.Length)/size*barCells)), from+1)
		for i := max(min(from, barCells-1), 0); i < min(to, barCells); i++ {
			b[i/32] |= 1 << (i % 32)
		}
	}
	return b
}

// weigh says what a file that is not intact is worth, to the lists of what to
// look at first, to its kind and to the picture of the drive.
func (b *inventoryBuilder) weigh(f *result.File, w *row, t *kindTotal, when time.Time) {
	c := candidate{folder: w.folder, name: w.name, verdict: f.Verdict, size: w.size, bar: b.inv.bars[w.bar]}
	c.weight = b.list.Weight(wanted.Entry{Volume: f.Volume, Path: f.Path, Size: w.size, Modified: when})
	last := int64(-1) // the last sector that was counted
	wait := func(at, n int64) {
		first, end := at/b.sector, (at+max(n, 1)-1)/b.sector
		if first == last {
			first++
		}
		c.sectors = result.Plus(c.sectors, max(end-first+1, 0))
		last = end
		if c.weight > 0 {
			b.inv.touched.mark(at, n)
		}
	}
	for _, d := range f.Damage {
		if d.Image < 0 {
			continue
		}
		c.unread = result.Plus(c.unread, d.Length)
		if f.Stored != "compressed" {
			wait(d.Image, d.Length)
		}
	}
	if f.Stored == "compressed" {
		// its damage tells of content, of which one unread byte takes a whole unit
		for _, e := range f.Extents {
			for u := range b.unread.Within(e[1], e[2]) {
				wait(u.Start, u.Length)
			}
		}
	}
	t.unread = result.Plus(t.unread, c.unread)
	for _, n := range f.Needs {
		wait(n[0], n[1])
	}
	if c.weight == 0 || f.Stored == "elsewhere" {
		return
	}
	b.inv.first = keep(b.inv.first, c, c.weight*float64(max(c.size, 1)), func(c candidate) float64 { return c.weight * float64(max(c.size, 1)) })
	if c.sectors > 0 {
		worth := func(c candidate) float64 { return c.weight * float64(max(c.size, 1)) / float64(c.sectors) }
		b.inv.value = keep(b.inv.value, c, worth(c), worth)
	}
}

// keep puts a candidate into a short list in order of worth. What came first
// stays before what is worth the same.
func keep(list []candidate, c candidate, worth float64, of func(candidate) float64) []candidate {
	at := len(list)
	for at > 0 && of(list[at-1]) < worth {
		at--
	}
	if at == maxCandidates {
		return list
	}
	list = slices.Insert(list, at, c)
	return list[:min(len(list), maxCandidates)]
}

// finish brings folders and rows into the order in which they are shown, and
// sums up the folders.
func (b *inventoryBuilder) finish() *Inventory {
	inv := b.inv
	old := inv.folders
	children := make([][]int32, len(old))
	for i := range old {
		if i > 0 {
			children[old[i].parent] = append(children[old[i].parent], int32(i))
		}
	}
	folded := make([]string, len(old))
	for i := range old {
		folded[i] = strings.ToLower(old[i].name)
	}
	for _, list := range children {
		slices.SortFunc(list, func(x, y int32) int {
			if old[x].top && old[y].top {
				return old[x].volume - old[y].volume
			}
			if xa, ya := old[x].adrift, old[y].adrift; xa != ya {
				if xa { // what has no place stands last
					return 1
				}
				return -1
			}
			return cmp.Or(strings.Compare(folded[x], folded[y]), strings.Compare(old[x].name, old[y].name))
		})
	}
	place := make([]int32, len(old))
	inv.folders = make([]folder, 0, len(old))
	// a stack of its own: folders may lie in each other without bound
	stack := []int32{0}
	for len(stack) > 0 {
		i := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		f := old[i]
		place[i] = int32(len(inv.folders))
		f.parent = place[f.parent]
		f.last = place[i]
		inv.folders = append(inv.folders, f)
		for _, c := range slices.Backward(children[i]) {
			stack = append(stack, c)
		}
	}
	for i := len(inv.folders) - 1; i > 0; i-- {
		f := &inv.folders[i]
		p := &inv.folders[f.parent]
		p.totals.files.Add(f.totals.files)
		p.totals.sizes.Add(f.totals.sizes)
		p.last = max(p.last, f.last)
	}
	for i := range inv.rows {
		inv.rows[i].folder = place[inv.rows[i].folder]
	}
	for _, list := range [][]candidate{inv.first, inv.value} {
		for i := range list {
			list[i].folder = place[list[i].folder]
		}
	}
	slices.SortStableFunc(inv.rows, func(x, y row) int {
		if x.folder != y.folder {
			return int(x.folder) - int(y.folder)
		}
		return byName(&x, &y)
	})
	return inv
}

// byName orders rows by name, upper and lower case together.
func byName(x, y *row) int {
	if c := strings.Compare(x.folded, y.folded); c != 0 {
		return c
	}
	return strings.Compare(x.name, y.name)
}

// pathOf is the path of a row for people.
func (inv *Inventory) pathOf(folder int32, name string) string {
	var way []string
	f := &inv.folders[folder]
	for ; !f.top; f = &inv.folders[f.parent] {
		way = append(way, f.name)
	}
	slices.Reverse(way)
	path := strings.Join(append(way, name), "/")
	if inv.folders[0].volume == 0 && f.volume > 0 {
		path = f.name + ": " + path
	}
	return shown.Text(path)
}

// kindTotals are the totals of each kind that occurs, in the order in which
// people are told of them.
func (inv *Inventory) kindTotals() []*kindTotal {
	var out []*kindTotal
	for _, k := range wanted.Kinds() {
		if t := inv.kinds[k]; t != nil {
			out = append(out, t)
		}
	}
	return out
}
