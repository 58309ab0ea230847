package volume

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/bits"
	"unicode/utf16"

	"fileassay/extract/partial"
)

// gptHeader is a GPT header. UEFI 5.3.2, table "GPT Header".
type gptHeader struct {
	HeaderSize   uint32 // offset 12
	MyLBA        uint64 // offset 24
	AlternateLBA uint64 // offset 32
	FirstUsable  uint64 // offset 40
	LastUsable   uint64 // offset 48
	DiskGUID     guid   // offset 56
	EntriesLBA   uint64 // offset 72
	EntryCount   uint32 // offset 80
	EntrySize    uint32 // offset 84
	EntriesCRC   uint32 // offset 88

	// Fault says in words which of its own checks the header fails, "" if
	// none. The fields of a faulty header are hints and no more.
	Fault string
}

const (
	gptSignature     = "EFI PART"
	gptMinHeaderSize = 92
	// maxArrayBytes bounds an array of entries before it is allocated: 32768
	// entries of the usual size, 256 times what anyone writes.
	maxArrayBytes = 4 << 20
)

// parseGPTHeader decodes the header at the start of a sector; ok is false where
// the signature is missing. Errors in what follows are in Fault.
func parseGPTHeader(sector []byte) (h gptHeader, ok bool) {
	if len(sector) < gptMinHeaderSize || string(sector[:8]) != gptSignature {
		return h, false
	}
	le := binary.LittleEndian
	h = gptHeader{
		HeaderSize:   le.Uint32(sector[12:]),
		MyLBA:        le.Uint64(sector[24:]),
		AlternateLBA: le.Uint64(sector[32:]),
		FirstUsable:  le.Uint64(sector[40:]),
		LastUsable:   le.Uint64(sector[48:]),
		DiskGUID:     guid(sector[56:72]),
		EntriesLBA:   le.Uint64(sector[72:]),
		EntryCount:   le.Uint32(sector[80:]),
		EntrySize:    le.Uint32(sector[84:]),
		EntriesCRC:   le.Uint32(sector[88:]),
	}
	h.Fault = h.check(sector)
	return h, true
}

// check returns what is wrong with the header that was decoded from sector.
func (h *gptHeader) check(sector []byte) string {
	if h.HeaderSize < gptMinHeaderSize || int64(h.HeaderSize) > int64(len(sector)) {
		return fmt.Sprintf("its header size is %d", h.HeaderSize)
	}
	// the checksum is made with its own field zero
	sum := crc32.ChecksumIEEE(sector[:16])
	sum = crc32.Update(sum, crc32.IEEETable, make([]byte, 4))
	sum = crc32.Update(sum, crc32.IEEETable, sector[20:h.HeaderSize])
	if sum != binary.LittleEndian.Uint32(sector[16:]) {
		return "its checksum does not match"
	}
	if !h.saneArray() {
		return fmt.Sprintf("it describes %d entries of %d bytes", h.EntryCount, h.EntrySize)
	}
	return ""
}

// saneArray reports whether the array could be one: entries of 128*2^n bytes
// (UEFI 5.3.2, SizeOfPartitionEntry), and a size that can be held.
func (h *gptHeader) saneArray() bool {
	return h.EntrySize >= gptEntrySize && bits.OnesCount32(h.EntrySize) == 1 &&
		uint64(h.EntrySize)*uint64(h.EntryCount) <= maxArrayBytes
}

// arrayBytes is the size of the array of entries.
func (h *gptHeader) arrayBytes() int64 { return int64(h.EntryCount) * int64(h.EntrySize) }

// sameTable reports whether two headers describe one table: they differ in
// nothing but where each stands (UEFI 5.3.2).
func (h *gptHeader) sameTable(o *gptHeader) bool {
	return h.AlternateLBA == o.MyLBA && o.AlternateLBA == h.MyLBA && h.sameArray(o) &&
		h.FirstUsable == o.FirstUsable && h.LastUsable == o.LastUsable && h.DiskGUID == o.DiskGUID
}

// sameArray reports whether two headers vouch for the same entries.
func (h *gptHeader) sameArray(o *gptHeader) bool {
	return h.EntryCount == o.EntryCount && h.EntrySize == o.EntrySize && h.EntriesCRC == o.EntriesCRC
}

// vouches reports whether the header's checksum is that of the array.
func (h *gptHeader) vouches(array partial.Bytes) bool {
	return array.Len() > 0 && array.Whole() && int64(array.Len()) == h.arrayBytes() && crc32.ChecksumIEEE(array.Data) == h.EntriesCRC
}

// gptEntry is a GPT partition entry. UEFI 5.3.3, table "GPT Partition Entry".
type gptEntry struct {
	Type       guid   // offset 0; zero is unused
	GUID       guid   // offset 16
	First      uint64 // offset 32, LBA
	Last       uint64 // offset 40, LBA, inclusive
	Attributes uint64 // offset 48
	Name       string // offset 56, 36 UTF-16LE units
}

const gptEntrySize = 128

// parseGPTEntry decodes an entry of at least 128 bytes; ok is false for a
// shorter one.
func parseGPTEntry(b []byte) (e gptEntry, ok bool) {
	if len(b) < gptEntrySize {
		return e, false
	}
	le := binary.LittleEndian
	e = gptEntry{
		Type:       guid(b[0:16]),
		GUID:       guid(b[16:32]),
		First:      le.Uint64(b[32:]),
		Last:       le.Uint64(b[40:]),
		Attributes: le.Uint64(b[48:]),
	}
	var name []uint16
	for at := 56; at < gptEntrySize; at += 2 {
		u := le.Uint16(b[at:])
		if u == 0 {
			break
		}
		name = append(name, u)
	}
	e.Name = string(utf16.Decode(name))
	return e, true
}

// used reports whether the entry describes a partition.
func (e *gptEntry) used() bool { return e.Type != guid{} }

// plausible reports whether an entry in use has a place on a drive of so many
// sectors.
func (e *gptEntry) plausible(sectors int64) bool {
	return e.First > 0 && e.First <= e.Last && e.First < uint64(max(sectors, 0))
}

// guid is a GUID as it stands on disk: its first three fields are
// little-endian. UEFI appendix A.
type guid [16]byte

// String is the usual form, in capitals.
func (g guid) String() string {
	le := binary.LittleEndian
	return fmt.Sprintf("%08X-%04X-%04X-%X-%X", le.Uint32(g[0:]), le.Uint16(g[4:]), le.Uint16(g[6:]), g[8:10], g[10:])
}
