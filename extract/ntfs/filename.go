package ntfs

import (
	"fmt"
	"time"

	"fileassay/extract"
)

// namespace says for whom a name is [docs: concepts/filename_namespace.html].
type namespace uint8

const (
	namePOSIX    namespace = 0
	nameWin32    namespace = 1
	nameDOS      namespace = 2 // the short twin of a Win32 name
	nameWin32DOS namespace = 3
)

// fileName is the value of a $FILE_NAME attribute, and the key of an entry of
// a folder's index [docs: attributes/file_name.html].
type fileName struct {
	parent   reference
	modified int64 // 100 ns since 1601; kept current only in an index, as the next two
	changed  int64 // the same, of the record too
	size     int64 // bytes of content
	folder   bool
	space    namespace
	name     []uint16
}

// Offsets in a $FILE_NAME.
const (
	nameParent   = 0x00 // uint64
	nameModified = 0x10 // uint64
	nameChanged  = 0x18 // uint64
	nameSize     = 0x30 // uint64
	nameFlags    = 0x38 // uint32
	nameLength   = 0x40 // uint8, UTF-16 units
	nameSpace    = 0x41 // uint8
	nameText     = 0x42

	nameFlagFolder = 0x10000000
)

// parseFileName decodes a $FILE_NAME.
func parseFileName(b []byte) (fileName, error) {
	var f fileName
	if len(b) < nameText {
		return f, fmt.Errorf("file name of %d bytes is too short", len(b))
	}
	n := int(b[nameLength])
	if n == 0 || nameText+2*n > len(b) {
		return f, fmt.Errorf("file name of %d characters in %d bytes", n, len(b))
	}
	f.space = namespace(b[nameSpace])
	if f.space > nameWin32DOS {
		return f, fmt.Errorf("file name of namespace %d", f.space)
	}
	f.parent = reference(le.Uint64(b[nameParent:]))
	f.modified = int64(le.Uint64(b[nameModified:]))
	f.changed = int64(le.Uint64(b[nameChanged:]))
	f.size = int64(le.Uint64(b[nameSize:]))
	f.folder = le.Uint32(b[nameFlags:])&nameFlagFolder != 0
	f.name = utf16At(b, nameText, n)
	return f, nil
}

// shown is the name for people, with its exact units where that differs.
func (f *fileName) shown() (string, []byte) { return extract.NameFromUTF16(f.name) }

// nameSet holds names of files in folders.
type nameSet map[nameKey]bool

// nameKey is what tells one name in one folder from others.
type nameKey struct {
	file   uint64
	parent reference
	name   string // its exact units
}

func (n *indexEntry) key() nameKey {
	return nameKey{n.child.number(), n.parent, string(utf16Bytes(n.name))}
}

// add adds a name and reports whether it is new.
func (s nameSet) add(n indexEntry) bool {
	k := n.key()
	if s[k] {
		return false
	}
	s[k] = true
	return true
}

// names are the names of a file, DOS twins left out, in disk order.
func (f *fileRecords) names() []indexEntry {
	var list []indexEntry
	for r, a := range f.of(attrFileName) {
		if b, ok := r.value(a); ok {
			if name, err := parseFileName(b); err == nil {
				name.size = -1 // not kept current here
				list = append(list, indexEntry{f.ref(), name})
			}
		}
	}
	return dropTwins(list)
}

// setOf is a set of names.
func setOf(list []indexEntry) nameSet {
	s := nameSet{}
	for _, n := range list {
		s.add(n)
	}
	return s
}

// withSizes are the names that a file has of itself, each with the size that its
// folder states, and further ones that folders have for it.
func withSizes(own, byFolder []indexEntry) []indexEntry {
	at := map[nameKey]int{}
	for i, n := range own {
		k := n.key()
		if _, twice := at[k]; !twice {
			at[k] = i
		}
	}
	for _, e := range byFolder {
		k := e.key()
		if i, known := at[k]; known {
			own[i].size = e.size
		} else if e.space != nameDOS || len(own) == 0 {
			at[k], own = len(own), append(own, e)
		}
	}
	return own
}

// dropTwins leaves out DOS names whose long twin is among the names. Those that
// stay stand last.
func dropTwins(list []indexEntry) (out []indexEntry) {
	var twin map[reference]bool // folders in which the file has a name that a DOS name stands beside
	for _, n := range list {
		if n.space == nameDOS {
			continue
		}
		out = append(out, n)
		if n.space == nameWin32 && len(out) < len(list) {
			if twin == nil {
				twin = map[reference]bool{}
			}
			twin[n.parent] = true
		}
	}
	for _, d := range list {
		if d.space != nameDOS || twin[d.parent] {
			continue
		}
		out = append(out, d)
		if twin == nil {
			twin = map[reference]bool{}
		}
		twin[d.parent] = true
	}
	return out
}

// standardInfo is what is used of a $STANDARD_INFORMATION
// [docs: attributes/standard_information.html].
type standardInfo struct {
	modified int64 // 100 ns since 1601
	changed  int64 // the same, of the record too
	flags    uint32
}

// Offsets in a $STANDARD_INFORMATION.
const (
	infoModified = 0x08 // uint64
	infoChanged  = 0x10 // uint64
	infoFlags    = 0x20 // uint32
	infoShortest = 0x24

	fileFlagReparse    = 0x00000400
	fileFlagEncrypted  = 0x00004000
	fileFlagOffline    = 0x00001000 // [MS-FSCC] 2.6, content is in other storage, as the next two
	fileFlagRecallOpen = 0x00040000
	fileFlagRecallData = 0x00400000
)

// parseStandardInfo decodes a $STANDARD_INFORMATION; ok is false where it is
// too short.
func parseStandardInfo(b []byte) (s standardInfo, ok bool) {
	if len(b) < infoShortest {
		return s, false
	}
	return standardInfo{int64(le.Uint64(b[infoModified:])), int64(le.Uint64(b[infoChanged:])), le.Uint32(b[infoFlags:])}, true
}

// away says in words that the flags put a file's content elsewhere; "" where they
// do not.
func (s *standardInfo) away() string {
	if s.flags&(fileFlagOffline|fileFlagRecallOpen|fileFlagRecallData) == 0 {
		return ""
	}
	return "marked as a file whose content is fetched from elsewhere: what of it is not stored here was never on this drive"
}

// fileTime is a time of 100 ns units since 1601-01-01 UTC
// [MS-DTYP 2.3.3]. Times that JSON cannot hold
// (years past 9999) are no times.
func fileTime(v int64) time.Time {
	const unix = 116444736000000000 // 1601 to 1970 in 100 ns
	if v <= 0 || v > 2650467743999999999 {
		return time.Time{}
	}
	v -= unix
	sec := v / 1e7
	rest := v % 1e7
	if rest < 0 {
		sec, rest = sec-1, rest+1e7
	}
	return time.Unix(sec, rest*100).UTC()
}
