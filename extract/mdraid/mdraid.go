// Package mdraid finds the filesystem behind Linux software RAID metadata on
// one drive.
//
// Of a mirror (RAID 1) one drive holds everything: [Find] says where. What
// needs other drives is named with the reason. The format is that of the Linux
// kernel's include/uapi/linux/raid/md_p.h ("md_p.h") and Documentation/
// admin-guide/md.rst ("md"), metadata versions 0.90, 1.0, 1.1 and 1.2.
package mdraid

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// Array is what the metadata of a drive says of the array it is part of.
type Array struct {
	Version string // "0.90", "1.0", "1.1", "1.2"
	At      int64  // of the metadata in the image, bytes
	Name    string // "" in version 0.90
	Level   int    // RAID level; -1 is linear
	Drives  int    // of the array
	// Start and Length are what the array shows of this drive, in the image,
	// bytes.
	Start, Length int64
	// Copies is how many drives hold all of the content, each for itself; 1
	// where there is no other.
	Copies int
	Events uint64 // how often the metadata was written: the newest member has the most
	// Bad are the parts of the data that the array gave up on this drive, in the
	// image, bytes. BadUnsure says in words why there may be more of them, "" if
	// not; then BadNeeds is where their list stands.
	Bad       []ranges.Range
	BadUnsure string
	BadNeeds  []ranges.Range
	// Reason says in words why the array's content cannot be had from this
	// drive alone, "" if it can.
	Reason string

	log *badLog // nil where the metadata says that it is empty
}

const (
	magic = 0xA92B4EFC // md_p.h, MD_SB_MAGIC

	// version 1; md_p.h, struct mdp_superblock_1
	superV1Size        = 256
	featureRecovery    = 0x2  // MD_FEATURE_RECOVERY_OFFSET
	featureBad         = 0x8  // MD_FEATURE_BAD_BLOCKS
	featureReshape     = 0x4  // MD_FEATURE_RESHAPE_ACTIVE
	featureReplacement = 0x10 // MD_FEATURE_REPLACEMENT
	featureJournal     = 0x200
	roleFaulty         = 0xFFFE
	roleSpare          = 0xFFFF
	roleMax            = 0xFF00 // MD_DISK_ROLE_MAX

	// version 0.90; md_p.h, struct mdp_superblock_s
	superV0Size    = superSize
	superV0Reserve = 64 << 10 // MD_RESERVED_BYTES
	diskSync       = 1 << 2   // MD_DISK_SYNC
)

// place is where a version of the metadata stands, from the start of a drive or
// partition.
type place struct {
	version string
	at      int64
}

// places are those of all versions in length bytes.
func places(length int64) []place {
	var out []place
	for _, p := range []place{
		{"1.2", 4096},
		{"1.1", 0},
		{"1.0", (length/512 - 16) &^ 7 * 512},
		{"0.90", length&^(superV0Reserve-1) - superV0Reserve},
	} {
		if p.at >= 0 && p.at+superV1Size <= length {
			out = append(out, p)
		}
	}
	return out
}

// superSize is what the metadata of any version takes up at most, bytes.
const superSize = 4096

// Heads are where, from the start of a drive or partition, the versions that
// have their place there begin.
func Heads() []ranges.Range {
	return []ranges.Range{{Start: 0, End: 512}, {Start: 4096, End: 4096 + 512}}
}

// Place is where a version of the metadata has its place, in the image.
type Place struct {
	Version string
	ranges.Range
}

// Find looks for the metadata of an array in [start, start+length) of the
// image, in the places that its versions have for it. Where there is none, open
// are the places where some may stand all the same: not all of what would tell
// was read, or the mark of one was and the rest fails its checks.
func Find(r *image.Reader, start, length int64) (a Array, ok bool, open []Place) {
	for _, p := range places(length) {
		at := start + p.at
		b := make([]byte, min(superSize, length-p.at))
		n := int64(len(b))
		for _, u := range r.ReadReadable(b, at) {
			n = min(n, u.Start-at)
		}
		b = b[:max(n, 0)]
		var none bool
		if p.version == "0.90" {
			a, ok, none = parseV0(b, at, start, length)
		} else {
			a, ok, none = parseV1(b, p.version, at, start, length)
		}
		switch {
		case ok:
			a.badBlocks(r, start, length)
			return a, true, nil
		case !none:
			open = append(open, Place{p.version, ranges.Range{Start: at, End: min(at+superSize, start+length)}})
		}
	}
	return Array{}, false, open
}

// marked reports whether the metadata's mark may stand at the start of b, in an
// order of bytes: it does, or was not read.
func marked(b []byte, order binary.ByteOrder) bool {
	return len(b) < 4 || order.Uint32(b) == magic
}

// parseV1 decodes metadata of version 1, which stands at at of the image, of a
// drive or partition [start, start+length). ok is false where there is none
// that passes its checks; none is set where none can stand there.
func parseV1(b []byte, version string, at, start, length int64) (a Array, ok, none bool) {
	le := binary.LittleEndian
	if !marked(b, le) {
		return a, false, true
	}
	if len(b) < superV1Size || le.Uint32(b[4:]) != 1 {
		return a, false, false
	}
	features := le.Uint32(b[8:])
	maxDev := le.Uint32(b[220:])
	size := superV1Size + 2*int64(maxDev)
	if maxDev > 1920 || size > int64(len(b)) { // more do not fit the 4 KiB that it has
		return a, false, false
	}
	if checksumV1(b[:size]) != le.Uint32(b[216:]) {
		return a, false, false
	}
	if super := le.Uint64(b[144:]); super > 1<<53 || start+int64(super)*512 != at {
		return a, false, true // it stands elsewhere than it says: a copy in a file
	}
	name, _, _ := bytes.Cut(b[32:64], []byte{0})
	offset, data, used := le.Uint64(b[128:]), le.Uint64(b[136:]), le.Uint64(b[80:])
	a = Array{Version: version, At: at, Name: string(name), Level: int(int32(le.Uint32(b[72:]))), Drives: int(le.Uint32(b[92:])), Events: le.Uint64(b[200:])}
	if offset > uint64(length/512) || data > uint64(length/512)-offset {
		return a, false, false
	}
	if used == 0 || used > data {
		used = data
	}
	a.Start, a.Length = start+int64(offset)*512, int64(used)*512
	a.judge(le.Uint32(b[76:]))
	if features&featureBad != 0 {
		a.log = &badLog{at: at + int64(int32(le.Uint32(b[188:])))*512, sectors: int64(le.Uint16(b[186:])), shift: b[185]}
	}
	dev := le.Uint32(b[160:])
	role := uint16(roleSpare)
	if dev < maxDev {
		role = le.Uint16(b[superV1Size+2*dev:])
	}
	switch {
	case a.Reason != "":
	case a.Start < at+size && at < a.Start+a.Length:
		a.Reason = "by the metadata its content lies over the metadata itself"
	case features&featureJournal != 0:
		a.Reason = "the drive is or needs a journal device of the array"
	case role == roleFaulty, role == roleSpare, role >= roleMax:
		a.Reason = "the drive was a spare or had failed: what stands on it is not the array's content"
	case features&(featureRecovery|featureReplacement) != 0:
		a.Reason = "the drive was being filled from another one: part of its content may be old"
	case features&featureReshape != 0:
		a.Reason = "the array was being reshaped"
	}
	return a, true, false
}

// checksumV1 is the sum of 32-bit words, the checksum's own left out. Kernel,
// drivers/md/md.c, calc_sb_1_csum.
func checksumV1(b []byte) uint32 {
	le := binary.LittleEndian
	var sum uint64
	i := 0
	for ; i+4 <= len(b); i += 4 {
		if i != 216 {
			sum += uint64(le.Uint32(b[i:]))
		}
	}
	if i+2 <= len(b) {
		sum += uint64(le.Uint16(b[i:]))
	}
	return uint32(sum) + uint32(sum>>32)
}

// parseV0 decodes metadata of version 0.90, which has the byte order of the
// machine that wrote it.
func parseV0(b []byte, at, start, length int64) (a Array, ok, none bool) {
	var order binary.ByteOrder = binary.LittleEndian
	if !marked(b, order) {
		if order = binary.BigEndian; !marked(b, order) {
			return a, false, true
		}
	}
	if len(b) < superV0Size {
		return a, false, false
	}
	word := func(i int) uint32 { return order.Uint32(b[4*i:]) }
	if word(1) != 0 || word(2) < 90 {
		return a, false, false
	}
	const checksumWord = 38
	var sum uint64
	for i := range superV0Size / 4 {
		if i != checksumWord {
			sum += uint64(word(i))
		}
	}
	if uint32(sum)+uint32(sum>>32) != word(checksumWord) {
		return a, false, false
	}
	a = Array{Version: "0.90", At: at, Level: int(int32(word(7))), Drives: int(word(10)), Start: start}
	a.Events = uint64(word(39))<<32 | uint64(word(40)) // the order of these two is that of the machine's bytes
	if order == binary.LittleEndian {
		a.Events = uint64(word(40))<<32 | uint64(word(39))
	}
	a.Length = int64(word(8)) * 1024
	if a.Length == 0 || a.Length > at-start {
		a.Length = at - start
	}
	a.judge(word(64))    // layout
	const thisDisk = 992 // MD_SB_DESCRIPTOR_OFFSET
	switch {
	case a.Reason != "":
	case word(2) > 90:
		a.Reason = "the array was being reshaped"
	case word(thisDisk+4)&diskSync == 0:
		a.Reason = "the drive was not in step with the array: what stands on it is not the array's content"
	}
	return a, true, false
}

// judge says how many drives hold all of the array's content, or why it cannot
// be had from one.
func (a *Array) judge(layout uint32) {
	a.Copies = 1
	switch {
	case a.Level == 1:
		a.Copies = a.Drives
	case a.Level == 10 && nearCopies(layout) == a.Drives:
		a.Copies = a.Drives
	case (a.Level == 0 || a.Level == -1) && a.Drives == 1:
	case a.Level == -1:
		a.Reason = fmt.Sprintf("it is a linear array of %d drives: the others are needed", a.Drives)
	case a.Level < -1:
		a.Reason = "it is no array with content of its own"
	default:
		a.Reason = fmt.Sprintf("it is RAID %d of %d drives: the others are needed", a.Level, a.Drives)
	}
}

// nearCopies is how many copies a RAID 10 of a layout keeps beside each other, 0
// where it keeps further ones elsewhere: with as many as there are drives, every
// drive holds everything in its order. md, "raid10": near copies in the low byte
// of the layout, far copies in the next, and flags above.
func nearCopies(layout uint32) int {
	if layout>>8 != 1 {
		return 0
	}
	return int(layout & 0xFF)
}
