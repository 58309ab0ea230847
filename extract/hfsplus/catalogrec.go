package hfsplus

import (
	"encoding/binary"

	"fileassay/extract/partial"
)

// Numbers of the volume's own files and folders (TN1150, Catalog File, Catalog
// Node IDs).
const (
	idRootParent = 1
	idRoot       = 2
	idExtents    = 3
	idCatalog    = 4
	idBadBlocks  = 5
	idAllocation = 6
	idStartup    = 7
	idAttributes = 8
	idFirstUser  = 16 // the least number of a file or folder of users
)

// Offsets in a catalog key (TN1150, Catalog File Key).
const (
	catParent   = 2
	catNameLen  = 6
	catName     = 8
	catKeyLeast = 6 // of its length field, which does not count itself
	catKeyMost  = catKeyLeast + 2*maxNameUnits
)

// The types of catalog records (TN1150, Catalog File Data).
const (
	typeFolder       = 1
	typeFile         = 2
	typeFolderThread = 3
	typeFileThread   = 4
)

// Offsets in a folder record (TN1150, Catalog Folder Records).
const (
	folderValence  = 4
	folderID       = 8
	folderModified = 16
	folderSize     = 88
)

// Offsets in a file record (TN1150, Catalog File Records).
const (
	fileFlags      = 2
	fileID         = 8
	fileModified   = 16
	fileOwnerFlags = 41
	fileMode       = 42
	fileSpecial    = 44
	fileType       = 48
	fileCreator    = 52
	fileDataFork   = 88
	fileRsrcFork   = 168
	fileSize       = 248
)

// Offsets in a thread record (TN1150, Catalog Thread Records).
const (
	threadParent  = 4
	threadNameLen = 8
	threadName    = 10
)

// Bits of a file record's flags (TN1150, Catalog File Records).
const (
	flagLinkChain = 0x0020 // kHFSHasLinkChainMask, of hard links to folders
)

// ownerCompressed is the bit of the owner flags that says that the content is
// kept compressed (UF_COMPRESSED; hfs_format.h).
const ownerCompressed = 0x20

// File modes (TN1150, HFSPlusBSDInfo).
const (
	modeType    = 0xF000
	modeFIFO    = 0x1000
	modeChar    = 0x2000
	modeBlock   = 0x6000
	modeRegular = 0x8000
	modeLink    = 0xA000
	modeSocket  = 0xC000
	modeWhite   = 0xE000
	modeRun     = 0o100 // S_IXUSR: the owner may execute it
)

// Finder types and creators (TN1150, Hard Links; Symbolic Links).
const (
	typeHardLink    = 0x686C6E6B // "hlnk"
	creatorHardLink = 0x6866732B // "hfs+"
	typeAliasFolder = 0x66647270 // "fdrp", of hard links to folders
	creatorMacs     = 0x4D414353 // "MACS"
	typeSymlink     = 0x736C6E6B // "slnk"
	creatorSymlink  = 0x72686170 // "rhap"
)

// catalogKey is the key of a catalog record. name is UTF-16 as stored.
type catalogKey struct {
	parent uint32
	name   []byte
}

// parseCatalogKey decodes a catalog key; ok is false for what is none. size is
// its bytes with those of its length.
func parseCatalogKey(b []byte) (k catalogKey, size int, ok bool) {
	if len(b) < catName {
		return k, 0, false
	}
	length, units := int(binary.BigEndian.Uint16(b)), int(binary.BigEndian.Uint16(b[catNameLen:]))
	if length < catKeyLeast || length > catKeyMost || units > maxNameUnits || length != catKeyLeast+2*units || len(b) < 2+length {
		return k, 0, false
	}
	return catalogKey{binary.BigEndian.Uint32(b[catParent:]), b[catName : catName+2*units]}, 2 + length, true
}

// catalogRecord is a record of the catalog with its key, as far as it was read.
type catalogRecord struct {
	catalogKey
	kind uint16
	// One of these is set, if ok.
	folder folderRecord
	thread threadRecord
	file   fileRecord

	ok       bool
	lost     bool // a part of it that is wanted was not read, or it is of no type
	nameless bool // a file whose number was not read
}

// parseCatalog decodes a record of the catalog; ok is false where its key and
// type were not read.
func parseCatalog(b partial.Bytes) (r catalogRecord, ok bool) {
	key, size, ok := parseCatalogKey(b.Data)
	if !ok || !b.Has(0, size+2) {
		return r, false
	}
	r.catalogKey = key
	data := b.Slice(size, b.Len()-size)
	r.kind = binary.BigEndian.Uint16(data.Data)
	switch r.kind {
	case typeFolder:
		r.folder, r.ok = parseFolder(data)
	case typeFile:
		r.file, r.ok = parseFile(data)
		r.lost = !data.Has(0, fileSize)
		r.nameless = !r.ok && data.Len() >= fileSize
	case typeFolderThread, typeFileThread:
		r.thread, r.ok = parseThread(data)
	}
	r.lost = r.lost || !r.ok
	return r, true
}

// catalogSize tells how many bytes a leaf record of the catalog has.
func catalogSize(b partial.Bytes, at int) (int, bool) {
	if !b.Has(at, catName) {
		return 0, false
	}
	key := 2 + int(binary.BigEndian.Uint16(b.Data[at:]))
	kind, ok := b.Uint16(binary.BigEndian, at+key)
	if key > 2+catKeyMost || !ok {
		return 0, false
	}
	switch kind {
	case typeFolder:
		return key + folderSize, true
	case typeFile:
		return key + fileSize, true
	case typeFolderThread, typeFileThread:
		units, ok := b.Uint16(binary.BigEndian, at+key+threadNameLen)
		return key + threadName + 2*int(units), ok
	}
	return 0, false
}

// folderRecord is a folder in the catalog (TN1150, HFSPlusCatalogFolder).
type folderRecord struct {
	id       uint32
	valence  uint32 // files and folders in it
	modified uint32
}

// parseFolder decodes a folder record as far as it was read; ok is false where
// that is not to its number.
func parseFolder(b partial.Bytes) (d folderRecord, ok bool) {
	if b.Len() < folderSize || !b.Has(0, folderID+4) {
		return d, false
	}
	d = folderRecord{id: binary.BigEndian.Uint32(b.Data[folderID:]), valence: binary.BigEndian.Uint32(b.Data[folderValence:])}
	if b.Has(0, folderModified+4) {
		d.modified = binary.BigEndian.Uint32(b.Data[folderModified:])
	}
	return d, true
}

// threadRecord names a file or folder by its number (TN1150,
// HFSPlusCatalogThread).
type threadRecord struct {
	parent uint32
	name   []byte
}

// parseThread decodes a thread record; ok is false where it was not wholly read.
func parseThread(b partial.Bytes) (th threadRecord, ok bool) {
	units, ok := b.Uint16(binary.BigEndian, threadNameLen)
	if !ok || units == 0 || units > maxNameUnits || !b.Has(0, threadName+2*int(units)) {
		return th, false
	}
	return threadRecord{binary.BigEndian.Uint32(b.Data[threadParent:]), b.Data[threadName : threadName+2*int(units)]}, true
}

// fileRecord is a file in the catalog (TN1150, HFSPlusCatalogFile), as far as
// it was read.
type fileRecord struct {
	id         uint32
	flags      uint16
	modified   uint32
	ownerFlags uint8
	mode       uint16
	special    uint32 // of a hard link, the number of the file that it links to
	kind       uint32 // Finder type
	creator    uint32
	data, rsrc partFork
	headRead   bool // all but the forks
}

// partFork is a fork's record as far as it was read.
type partFork struct {
	forkData
	sized bool // size and blocks were read
	whole bool // all was read; else the runs that were not are empty
}

// parseFile decodes a file record from its begin as far as it was read without
// a gap; ok is false where that is not to its number.
func parseFile(b partial.Bytes) (f fileRecord, ok bool) {
	if b.Len() < fileSize || !b.Has(0, fileID+4) {
		return f, false
	}
	f.flags = binary.BigEndian.Uint16(b.Data[fileFlags:])
	f.id = binary.BigEndian.Uint32(b.Data[fileID:])
	if !b.Has(0, fileModified+4) {
		return f, true
	}
	f.modified = binary.BigEndian.Uint32(b.Data[fileModified:])
	if !b.Has(0, fileCreator+4) {
		return f, true
	}
	f.headRead = true
	f.ownerFlags = b.Data[fileOwnerFlags]
	f.mode = binary.BigEndian.Uint16(b.Data[fileMode:])
	f.special = binary.BigEndian.Uint32(b.Data[fileSpecial:])
	f.kind = binary.BigEndian.Uint32(b.Data[fileType:])
	f.creator = binary.BigEndian.Uint32(b.Data[fileCreator:])
	f.data = parsePartFork(b, fileDataFork)
	f.rsrc = parsePartFork(b, fileRsrcFork)
	return f, true
}

// parsePartFork decodes the fork at at of a file record.
func parsePartFork(b partial.Bytes, at int) (p partFork) {
	if !b.Has(0, at+forkExtents) {
		return p
	}
	p = partFork{parseFork(b.Data[at:]), true, b.Has(0, at+forkSize)}
	for i := range p.runs {
		if !p.whole && !b.Has(0, at+forkExtents+8*(i+1)) {
			p.runs[i] = blockRun{}
		}
	}
	return p
}

// hardLink reports whether the file is a hard link to a file.
func (f *fileRecord) hardLink() bool { return f.kind == typeHardLink && f.creator == creatorHardLink }

// folderLink reports whether the file is a hard link to a folder.
func (f *fileRecord) folderLink() bool {
	return f.kind == typeAliasFolder && f.creator == creatorMacs && f.flags&flagLinkChain != 0
}

// symlink reports whether the file is a symbolic link.
func (f *fileRecord) symlink() bool {
	return f.mode&modeType == modeLink || f.mode == 0 && f.kind == typeSymlink && f.creator == creatorSymlink
}
