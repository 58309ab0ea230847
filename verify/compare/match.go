package compare

import (
	"encoding/binary"
	"fileassay/verify/result"
	"hash/fnv"
	"strings"
)

// old is what is remembered of a file of the result before.
type old struct {
	volume   int64 // where its volume begins
	id       uint64
	path     string
	verdict  result.Verdict
	folder   bool
	size     int64 // -1 where unknown
	read     int64
	doubtful int64
	unnamed  bool
	modified string
	extents  uint64 // hash of where its content lies
	next     int32  // the next with the same number; -1 for none
	used     bool
}

type idKey struct {
	volume int64
	id     uint64
}

type pathKey struct {
	volume int64
	path   string
}

// listedFiles are the files of the result before.
type listedFiles struct {
	list []old
	byID map[idKey]int32
}

// starts is where the volumes of a result begin, by number.
func starts(r *result.Result) map[int]int64 {
	m := map[int]int64{}
	for i := range r.Volumes {
		m[r.Volumes[i].Volume] = r.Volumes[i].Start
	}
	return m
}

// newOld takes what is remembered of a line.
func newOld(f *result.File, start int64) old {
	o := old{volume: start, id: f.ID, path: f.Path, verdict: f.Verdict, folder: f.Kind == "folder", size: -1, unnamed: f.Unnamed, modified: f.Modified, next: -1}
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

// placed is how much of a file's path is known: 0 is not even its name, 1 not
// the folder that it lies in, 2 all of it.
func (o *old) placed() int {
	switch {
	case o.unnamed:
		return 0
	case strings.HasPrefix(o.path, "?/"):
		return 1
	}
	return 2
}

func load(r *result.Result) (*listedFiles, error) {
	fs := &listedFiles{byID: map[idKey]int32{}}
	start := starts(r)
	last := map[idKey]int32{} // of files with several names, the last in the chain
	for f, err := range r.Files() {
		if err != nil {
			return nil, err
		}
		n := int32(len(fs.list))
		o := newOld(f, start[f.Volume])
		fs.list = append(fs.list, o)
		k := idKey{o.volume, o.id}
		head, ok := fs.byID[k]
		if !ok {
			fs.byID[k] = n
			continue
		}
		at, ok := last[k]
		if !ok {
			at = head
		}
		fs.list[at].next = n
		last[k] = n
	}
	return fs, nil
}

// exact finds a file by number and path.
func (fs *listedFiles) exact(o *old) *old {
	return fs.chain(o, func(x *old) bool { return x.path == o.path })
}

// renamed finds a file by its number alone.
func (fs *listedFiles) renamed(o *old) *old { return fs.chain(o, func(*old) bool { return true }) }

func (fs *listedFiles) chain(o *old, ok func(*old) bool) *old {
	at, found := fs.byID[idKey{o.volume, o.id}]
	if !found {
		return nil
	}
	for ; at >= 0; at = fs.list[at].next {
		if x := &fs.list[at]; !x.used && x.folder == o.folder && ok(x) {
			x.used = true
			return x
		}
	}
	return nil
}

// byPath are the files that were not found again, by path.
func (fs *listedFiles) byPath() map[pathKey]int32 {
	m := map[pathKey]int32{}
	for i := range fs.list {
		if x := &fs.list[i]; !x.used {
			k := pathKey{x.volume, x.path}
			if _, taken := m[k]; !taken {
				m[k] = int32(i)
			}
		}
	}
	return m
}
