// Package paths keeps many paths in little room: of each its name, and the
// folder that it lies in, which all that lies there shares.
package paths

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"slices"
	"strings"
)

// Path is a path that a [Store] keeps. The zero value is the empty path.
type Path struct {
	folder int32 // its place in Store.folders
	name
}

// name is where a name stands in a store.
type name struct{ block, at uint32 }

// Store keeps paths of names with "/" between them, as a result has them. Its
// zero value is empty. A path is kept byte for byte, whatever stands in it.
type Store struct {
	blocks  [][]byte // names, each behind its length as a varint
	folders []folder // the first has the empty path; a folder stands behind the one that it lies in
	known   map[inFolder]int32
	near    [2]nearFolder // folders that were added to last, the latest first: two lists may come in turns
}

type nearFolder struct {
	path string // with "/" at its end; "" for the first
	at   int32
}

type folder struct {
	parent int32
	name
}

type inFolder struct {
	parent int32
	name   string
}

// blockSize is how many bytes of names a block holds; a longer name has a
// block of its own.
const blockSize = 64 << 10

// Add keeps a path.
func (s *Store) Add(path string) Path {
	if path == "" {
		return Path{}
	}
	if s.known == nil {
		s.known = map[inFolder]int32{}
		s.folders = append(s.folders, folder{})
		s.blocks = append(s.blocks, []byte{0}) // the empty name of the zero value
	}
	at := strings.LastIndexByte(path, '/')
	if at < 0 {
		return Path{0, s.keep(path)}
	}
	return Path{s.enter(path[:at+1]), s.keep(path[at+1:])}
}

// enter is the place of a folder, which is kept where it is not yet. Its path ends
// in "/". Most of the way is that to a folder that was added to last.
func (s *Store) enter(path string) int32 {
	k, from := 1, 0
	for i := range s.near {
		if n := shared(path, s.near[i].path); n > from {
			k, from = i, n
		}
	}
	near := s.near[k]
	if near.path != path {
		for range strings.Count(near.path[from:], "/") {
			near.at = s.folders[near.at].parent
		}
		for from < len(path) {
			part, _, _ := strings.Cut(path[from:], "/")
			at, ok := s.known[inFolder{near.at, part}]
			if !ok {
				at = int32(len(s.folders))
				s.folders = append(s.folders, folder{near.at, s.keep(part)})
				s.known[inFolder{near.at, strings.Clone(part)}] = at
			}
			near.at, from = at, from+len(part)+1
		}
		near.path = strings.Clone(path)
	}
	s.near[k], s.near[0] = s.near[0], near
	return near.at
}

// shared is how much of two ways is the same, up to and with a "/".
func shared(a, b string) int {
	if a == b {
		return len(a)
	}
	n := 0
	for i := 0; i < len(a) && i < len(b) && a[i] == b[i]; i++ {
		if a[i] == '/' {
			n = i + 1
		}
	}
	return n
}

func (s *Store) keep(text string) name {
	var length [binary.MaxVarintLen64]byte
	head := length[:binary.PutUvarint(length[:], uint64(len(text)))]
	b := len(s.blocks) - 1
	if need := len(head) + len(text); len(s.blocks[b])+need > cap(s.blocks[b]) {
		s.blocks = append(s.blocks, make([]byte, 0, max(blockSize, need)))
		b++
	}
	at := len(s.blocks[b])
	s.blocks[b] = append(append(s.blocks[b], head...), text...)
	return name{uint32(b), uint32(at)}
}

func (s *Store) text(n name) []byte {
	b := s.blocks[n.block][n.at:]
	length, head := binary.Uvarint(b)
	return b[head:][:length]
}

// appendFolder appends the path of a folder and the "/" behind it; nothing for
// the first.
func (s *Store) appendFolder(b []byte, folder int32) []byte {
	n := 0
	for at := folder; at != 0; at = s.folders[at].parent {
		n += len(s.text(s.folders[at].name)) + 1
	}
	b = slices.Grow(b, n)[:len(b)+n]
	end := len(b)
	for at := folder; at != 0; at = s.folders[at].parent {
		b[end-1] = '/'
		text := s.text(s.folders[at].name)
		end -= len(text) + 1
		copy(b[end:], text)
	}
	return b
}

// String is a path as it was added.
func (s *Store) String(p Path) string {
	if p == (Path{}) {
		return ""
	}
	return string(append(s.appendFolder(nil, p.folder), s.text(p.name)...))
}

// Compare compares two paths as strings.Compare compares them as they were
// added.
func (s *Store) Compare(p, q Path) int {
	if p == q {
		return 0
	}
	// up to the folder that both lie in: a folder stands behind the one that it lies in
	var below [2]bool // the path goes on below the name
	for p.folder != q.folder {
		up, k := &p, 0
		if p.folder < q.folder {
			up, k = &q, 1
		}
		*up, below[k] = Path{s.folders[up.folder].parent, s.folders[up.folder].name}, true
	}
	a, b := s.text(p.name), s.text(q.name)
	n := min(len(a), len(b))
	if c := bytes.Compare(a[:n], b[:n]); c != 0 {
		return c
	}
	next := func(text []byte, below bool) int { // what stands behind n bytes of it
		switch {
		case n < len(text):
			return int(text[n])
		case below:
			return '/'
		}
		return -1
	}
	return cmp.Compare(next(a, below[0]), next(b, below[1]))
}
