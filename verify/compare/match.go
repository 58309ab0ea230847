package compare

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"hash/fnv"
	"slices"
	"sort"

	"fileassay/extract"
	"fileassay/verify/result"
)

// old is what is remembered of a line of a result while two are matched, without its
// words: a drive has millions. Where a path is to be told the result is read again.
type old struct {
	at       int64 // where its line begins
	id       uint64
	path     [16]byte // digest
	size     int64    // -1 where unknown
	read     int64
	doubtful int64
	extents  uint64 // hash of where its content lies
	modified uint64 // hash
	volume   int32  // its place among the volumes that either result knows, by where they begin
	level    int8   // of its verdict
	placed   int8   // how much of its path is known
	folder   bool
	used     bool
}

// How much of a path is known: not even the name, not the folder that it lies
// in, or all of it.
const (
	placedNot = iota
	placedName
	placedWhole
)

var levels = [...]result.Verdict{result.Lost, result.Damaged, result.Intact}

// unlisted is the level of what is not listed.
const unlisted = -1

func (o *old) verdict() result.Verdict { return verdictAt(o.level) }

// verdictAt is the verdict of a level; "" for what is not listed.
func verdictAt(level int8) result.Verdict {
	if level == unlisted {
		return ""
	}
	return levels[level]
}

// volumes numbers the volumes of two results by where they begin.
type volumes map[int64]int32

// of are the numbers of the volumes of a result.
func (v volumes) of(r *result.Result) map[int]int32 {
	m := map[int]int32{}
	for i := range r.Volumes {
		at := r.Volumes[i].Start
		if _, ok := v[at]; !ok {
			v[at] = int32(len(v))
		}
		m[r.Volumes[i].Volume] = v[at]
	}
	return m
}

// newOld takes what is remembered of a line.
func newOld(f *result.File, volume int32) old {
	o := old{at: f.At, volume: volume, id: f.ID, level: int8(slices.Index(levels[:], f.Verdict)), folder: f.Kind == string(extract.KindFolder), size: -1, placed: placedWhole}
	sum := sha256.Sum256([]byte(f.Path))
	copy(o.path[:], sum[:])
	switch {
	case f.Unnamed:
		o.placed = placedNot
	case f.Adrift():
		o.placed = placedName
	}
	if f.Size != nil {
		o.size = *f.Size
	}
	if f.Bytes.Read != nil {
		o.read = *f.Bytes.Read
	}
	if f.Bytes.Doubtful != nil {
		o.doubtful = *f.Bytes.Doubtful
	}
	h := fnv.New64a()
	h.Write([]byte(f.Modified))
	o.modified = h.Sum64()
	h.Reset()
	var b [24]byte
	for _, list := range [][][3]int64{f.Extents, f.Patched} {
		for _, e := range list {
			binary.LittleEndian.PutUint64(b[:], uint64(e[0]))
			binary.LittleEndian.PutUint64(b[8:], uint64(e[1]))
			binary.LittleEndian.PutUint64(b[16:], uint64(e[2]))
			h.Write(b[:])
		}
		h.Write([]byte{'|'})
	}
	h.Write([]byte(f.Stored))
	o.extents = h.Sum64()
	return o
}

// listedFiles are the files of the result before, in the order of their lines.
type listedFiles struct {
	list   []old
	byID   []int32            // by volume, number, path and line
	byPath []int32            // of those that were not found by number: by volume, path and line
	left   map[sameID][]int32 // of numbers that were asked for, those that may still be found by it
}

// sameID are the files, or folders, of one number.
type sameID struct {
	at     int32 // the first in byID
	folder bool
}

// roomFor bounds how many files room is made for before they are seen.
const roomFor = 4 << 20

func load(r *result.Result, number map[int]int32) (*listedFiles, error) {
	n := max(r.Summary.Files.Total(), 0) + max(r.Summary.Folders.Total(), 0)
	fs := &listedFiles{list: make([]old, 0, min(n, roomFor)), left: map[sameID][]int32{}}
	err := eachLine(r, func(_ int, f *result.File) {
		fs.list = append(fs.list, newOld(f, number[f.Volume]))
	})
	if err != nil {
		return nil, err
	}
	fs.byID = make([]int32, len(fs.list))
	for i := range fs.byID {
		fs.byID[i] = int32(i)
	}
	slices.SortFunc(fs.byID, func(a, b int32) int {
		return cmp.Or(fs.list[a].byID(&fs.list[b]), fs.list[a].byPath(&fs.list[b]), cmp.Compare(a, b))
	})
	return fs, nil
}

func (o *old) byID(p *old) int {
	return cmp.Or(cmp.Compare(o.volume, p.volume), cmp.Compare(o.id, p.id))
}

func (o *old) byPath(p *old) int {
	return cmp.Or(cmp.Compare(o.volume, p.volume), bytes.Compare(o.path[:], p.path[:]))
}

// eachLine calls visit for the lines of a result's files, with their numbers from 0.
func eachLine(r *result.Result, visit func(n int, f *result.File)) error {
	n := 0
	var room result.File
	for f, err := range r.FilesInto(func() *result.File { return &room }) {
		if err != nil {
			return err
		}
		visit(n, f)
		n++
	}
	return nil
}

// exact finds a file by number and path: its line, or -1.
func (fs *listedFiles) exact(o *old) int32 {
	at := sort.Search(len(fs.byID), func(i int) bool {
		x := &fs.list[fs.byID[i]]
		return cmp.Or(x.byID(o), x.byPath(o)) >= 0
	})
	for ; at < len(fs.byID); at++ {
		x := &fs.list[fs.byID[at]]
		if cmp.Or(x.byID(o), x.byPath(o)) != 0 {
			break
		}
		if !x.used && x.folder == o.folder {
			x.used = true
			return fs.byID[at]
		}
	}
	return -1
}

// renamed finds a file by its number alone: of several the first that was not found
// yet. It is asked after all that are found by number and path.
func (fs *listedFiles) renamed(o *old) int32 {
	at := sort.Search(len(fs.byID), func(i int) bool { return fs.list[fs.byID[i]].byID(o) >= 0 })
	key := sameID{int32(at), o.folder}
	left, asked := fs.left[key]
	if !asked {
		end := at
		for ; end < len(fs.byID) && fs.list[fs.byID[end]].byID(o) == 0; end++ {
			if x := &fs.list[fs.byID[end]]; !x.used && x.folder == o.folder {
				left = append(left, fs.byID[end])
			}
		}
		slices.Sort(left)
		asked = end-at > 1
	}
	if len(left) == 0 {
		if asked {
			fs.left[key] = nil
		}
		return -1
	}
	if asked {
		fs.left[key] = left[1:]
	}
	fs.list[left[0]].used = true
	return left[0]
}

// elsewhere finds a file by its path alone. It is asked after all that are found
// by number.
func (fs *listedFiles) elsewhere(o *old) int32 {
	if fs.byPath == nil {
		fs.byPath = make([]int32, 0, 16)
		for i := range fs.list {
			if !fs.list[i].used {
				fs.byPath = append(fs.byPath, int32(i))
			}
		}
		slices.SortFunc(fs.byPath, func(a, b int32) int { return cmp.Or(fs.list[a].byPath(&fs.list[b]), cmp.Compare(a, b)) })
	}
	at := sort.Search(len(fs.byPath), func(i int) bool { return fs.list[fs.byPath[i]].byPath(o) >= 0 })
	if at == len(fs.byPath) {
		return -1
	}
	n := fs.byPath[at]
	if x := &fs.list[n]; x.byPath(o) != 0 || x.used || x.folder != o.folder {
		return -1
	}
	fs.list[n].used = true
	return n
}
