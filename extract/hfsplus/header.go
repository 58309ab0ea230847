package hfsplus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/bits"
	"time"
)

// Places of the volume header and its alternate (TN1150, Volume Header).
const (
	headerOffset    = 1024 // from the volume's start
	alternateOffset = 1024 // before the volume's end
	headerSize      = 512
)

// Offsets in the volume header (TN1150, Volume Header, HFSPlusVolumeHeader).
const (
	hdrSignature    = 0
	hdrVersion      = 2
	hdrAttributes   = 4
	hdrLastMounted  = 8
	hdrJournalInfo  = 12
	hdrCreated      = 16
	hdrFileCount    = 32
	hdrFolderCount  = 36
	hdrBlockSize    = 40
	hdrTotalBlocks  = 44
	hdrFreeBlocks   = 48
	hdrNextID       = 64
	hdrIdentifier   = 104 // words 6 and 7 of finderInfo
	hdrAllocation   = 112
	hdrExtents      = 192
	hdrCatalog      = 272
	hdrAttributeFrk = 352
	hdrStartup      = 432
)

const (
	signaturePlus = 0x482B // "H+"
	signatureX    = 0x4858 // "HX"
	versionPlus   = 4
	versionX      = 5
)

// Bits of the header's attributes (TN1150, Volume Attributes).
const (
	attrUnmounted = 1 << 8
	attrJournaled = 1 << 13
)

// mountedByJournal is lastMountedVersion of an implementation that keeps the
// journal (TN1150, Volume Header: "HFSJ").
const mountedByJournal = 0x4846534A

// volumeHeader is the volume header (TN1150, Volume Header).
type volumeHeader struct {
	hfsx        bool
	attributes  uint32
	lastMounted uint32
	journalInfo uint32 // allocation block of the journal info block
	created     uint32 // seconds since 1904, of the local clock
	identifier  uint64 // the volume's; 0 where it was never given one
	fileCount   uint32 // file records in the catalog
	folderCount uint32 // folder records, the root not counted
	blockSize   int64
	totalBlocks uint32
	freeBlocks  uint32
	nextID      uint32

	allocation, extents, catalog, attributeFile, startup forkData
}

// extentsInRecord is how many extents a fork or an overflow record holds.
const extentsInRecord = 8

// blockRun is a run of allocation blocks (TN1150, HFSPlusExtentDescriptor).
type blockRun struct{ start, count uint32 }

// forkData says how large a fork is and where it begins (TN1150,
// HFSPlusForkData).
type forkData struct {
	size   uint64 // bytes
	blocks uint32 // allocation blocks of all extents
	runs   [extentsInRecord]blockRun
}

// Offsets in a fork's record, and its size (TN1150, HFSPlusForkData).
const (
	forkExtents = 16
	forkSize    = 80
)

// errShort is the error of every parse function for too few bytes.
var errShort = errors.New("too short")

// parseHeader decodes a volume header and checks it.
func parseHeader(b []byte) (volumeHeader, error) {
	var h volumeHeader
	if len(b) < headerSize {
		return h, fmt.Errorf("volume header: %w: %d bytes", errShort, len(b))
	}
	sig, version := binary.BigEndian.Uint16(b[hdrSignature:]), binary.BigEndian.Uint16(b[hdrVersion:])
	switch {
	case sig == signaturePlus && version == versionPlus:
	case sig == signatureX && version >= versionX && version < versionX+8:
		h.hfsx = true
	default:
		return h, fmt.Errorf("volume header: signature %#04x and version %d are those of no HFS+ volume", sig, version)
	}
	h.attributes = binary.BigEndian.Uint32(b[hdrAttributes:])
	h.lastMounted = binary.BigEndian.Uint32(b[hdrLastMounted:])
	h.journalInfo = binary.BigEndian.Uint32(b[hdrJournalInfo:])
	h.created = binary.BigEndian.Uint32(b[hdrCreated:])
	h.identifier = binary.BigEndian.Uint64(b[hdrIdentifier:])
	h.fileCount = binary.BigEndian.Uint32(b[hdrFileCount:])
	h.folderCount = binary.BigEndian.Uint32(b[hdrFolderCount:])
	size := binary.BigEndian.Uint32(b[hdrBlockSize:])
	h.totalBlocks = binary.BigEndian.Uint32(b[hdrTotalBlocks:])
	h.freeBlocks = binary.BigEndian.Uint32(b[hdrFreeBlocks:])
	h.nextID = binary.BigEndian.Uint32(b[hdrNextID:])
	h.blockSize = int64(size)
	switch {
	case size < 512 || bits.OnesCount32(size) != 1 || size > 1<<30:
		return h, fmt.Errorf("volume header: allocation blocks of %d bytes", size)
	case h.totalBlocks == 0:
		return h, errors.New("volume header: no allocation blocks")
	case h.freeBlocks > h.totalBlocks:
		return h, fmt.Errorf("volume header: %d of %d blocks free", h.freeBlocks, h.totalBlocks)
	case int64(h.totalBlocks) > (1<<60)/h.blockSize:
		return h, fmt.Errorf("volume header: %d blocks of %d bytes", h.totalBlocks, size)
	}
	h.allocation = parseFork(b[hdrAllocation:])
	h.extents = parseFork(b[hdrExtents:])
	h.catalog = parseFork(b[hdrCatalog:])
	h.attributeFile = parseFork(b[hdrAttributeFrk:])
	h.startup = parseFork(b[hdrStartup:])
	if h.catalog.size == 0 || h.catalog.runs[0].count == 0 {
		return h, errors.New("volume header: no catalog file")
	}
	return h, nil
}

// bytes is the size of the volume as its header has it.
func (h *volumeHeader) bytes() int64 { return int64(h.totalBlocks) * h.blockSize }

// id tells two volumes apart: the time the volume was made, which is never changed,
// in hexadecimal. The identifier serves only where there is no time, since a system
// may set it later in the first header alone (TN1150, Volume Header: createDate,
// finderInfo).
func (h *volumeHeader) id() string {
	switch {
	case h.created != 0:
		return fmt.Sprintf("%08x", h.created)
	case h.identifier != 0:
		return fmt.Sprintf("%016x", h.identifier)
	}
	return ""
}

// made is when the volume was made, in seconds since 1970, by a clock that may
// have been that of another zone; 0 where that is not known.
func (h *volumeHeader) made() int64 { return max(int64(h.created)-dateOffset, 0) }

// holds reports whether the run lies on the volume.
func (h *volumeHeader) holds(r blockRun) bool {
	return uint64(r.start)+uint64(r.count) <= uint64(h.totalBlocks)
}

// parseFork decodes the 80 bytes of a fork; b must have them.
func parseFork(b []byte) forkData {
	return forkData{binary.BigEndian.Uint64(b), binary.BigEndian.Uint32(b[12:]), parseRuns(b[forkExtents:])}
}

// parseRuns decodes the 64 bytes of eight extents (TN1150,
// HFSPlusExtentRecord); b must have them.
func parseRuns(b []byte) (runs [extentsInRecord]blockRun) {
	for i := range runs {
		runs[i] = blockRun{binary.BigEndian.Uint32(b[8*i:]), binary.BigEndian.Uint32(b[8*i+4:])}
	}
	return runs
}

// dateOffset is the seconds from 1904-01-01 to 1970-01-01 (TN1150, HFS Plus
// Dates).
const dateOffset = 2082844800

// date is the time of a date on disk, in UTC; the zero time for 0.
func date(v uint32) time.Time {
	if v == 0 {
		return time.Time{}
	}
	return time.Unix(int64(v)-dateOffset, 0).UTC()
}
