// Package lvm finds the filesystems behind LVM2 metadata on one drive.
//
// A logical volume that lies on the drive as a whole and in one piece is as
// good as a partition. [Find] says in which pieces each lies, and of which no
// more than these are on this drive. What is striped or mirrored, or lies on
// other drives alone, is named with the reason. The
// form of the metadata is that of lvm2's own sources, lib/format_text/layout.h
// ("layout.h") and lvm.conf(5) for its text.
package lvm

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// Group is the volume group that a drive or partition is part of.
type Group struct {
	Name    string
	Labeled bool  // its label was read
	At      int64 // of the metadata's header in the image, bytes
	Drives  int   // physical volumes of the group
	Volumes []Volume
	Notes   []string // what was used in place of what was unread
	// Doubt says in words why the metadata that is used may not be the one that
	// counts: a newer copy may stand on the drive, or another one contradicts it.
	Doubt []string
	// Needs, of a group of which no metadata could be read or that is in doubt, are
	// the places of which the unread sectors would tell of it. Where none could be
	// read Name is "".
	Needs []ranges.Range

	seqno   int64
	ignored bool // the area is marked as ignored
	text    *section
}

// Volume is a logical volume.
type Volume struct {
	Name   string
	Length int64 // bytes
	// Pieces are where it lies in the image, in its own order, none over another.
	// What they leave out of Length lies on other drives.
	Pieces image.Runs
	// Reason says in words why it cannot be read from this drive, "" if it can.
	Reason string
	// Doubt says in words what the metadata says against it.
	Doubt []string
	// Loops is set where it holds metadata of its own physical volume: what stands
	// in it may be what it stands in.
	Loops bool
}

const (
	sector       = 512
	labelSectors = 4 // layout.h, LABEL_SCAN_SECTORS
	usualLabel   = 1 // of them, the one it stands in if nobody asked otherwise
	labelID      = "LABELONE"
	labelType    = "LVM2 001"
	mdaMagic     = " LVM2 x[5A%r0N*>"
	mdaHeader    = 512
	mdaUsual     = 4096     // where the metadata area starts if nobody asked otherwise
	maxText      = 16 << 20 // of metadata that is believed
	crcSeed      = 0xf597a6cf
)

// checksum is lvm2's: CRC-32 from its own seed, without the inversions.
func checksum(b []byte) uint32 {
	return ^crc32.Update(^uint32(crcSeed), crc32.IEEETable, b)
}

// label is a physical volume's label with its header. layout.h, struct
// label_header, struct pv_header.
type label struct {
	ID    string     // of the physical volume, 32 characters
	Areas [][2]int64 // metadata areas: offset on the physical volume, size
}

// parseLabel decodes the label in a sector. The error says which check it
// fails.
func parseLabel(b []byte, number uint64) (label, error) {
	le := binary.LittleEndian
	switch {
	case len(b) < sector || string(b[:8]) != labelID || string(b[24:32]) != labelType:
		return label{}, errors.New("is no label")
	case le.Uint64(b[8:]) != number:
		return label{}, errors.New("is a label that stands in another sector than it says")
	case checksum(b[20:sector]) != le.Uint32(b[16:]):
		return label{}, errors.New("is a label that fails its checksum")
	}
	at := int(le.Uint32(b[20:]))
	if at < 32 || at+40 > sector {
		return label{}, errors.New("is a label whose header is nowhere")
	}
	l := label{ID: string(b[at : at+32])}
	at += 40
	for list := 0; list < 2 && at+16 <= sector; at += 16 {
		off, size := le.Uint64(b[at:]), le.Uint64(b[at+8:])
		switch {
		case off == 0:
			list++ // data areas end, then metadata areas
		case list == 1 && off < 1<<60 && size < 1<<60:
			l.Areas = append(l.Areas, [2]int64{int64(off), int64(size)})
		}
	}
	return l, nil
}

// area is the header of a metadata area. layout.h, struct mda_header.
type area struct {
	Start, Size int64 // on the physical volume
	Offset, Len int64 // of the text in it
	Sum         uint32
	Ignored     bool // lvm2 does not write to it: its text may be old
}

// parseArea decodes the header of a metadata area.
func parseArea(b []byte) (area, error) {
	le := binary.LittleEndian
	switch {
	case len(b) < mdaHeader || string(b[4:20]) != mdaMagic:
		return area{}, errors.New("is no metadata area")
	case checksum(b[4:mdaHeader]) != le.Uint32(b):
		return area{}, errors.New("fails its checksum")
	case le.Uint32(b[20:]) != 1:
		return area{}, fmt.Errorf("is of version %d", le.Uint32(b[20:]))
	}
	start, size, off, n := le.Uint64(b[24:]), le.Uint64(b[32:]), le.Uint64(b[40:]), le.Uint64(b[48:])
	ignored := le.Uint32(b[60:])&1 != 0 // layout.h, RAW_LOCN_IGNORED
	switch {
	case off == 0 && n == 0 && ignored:
		return area{}, errNeverUsed
	case start > 1<<60 || size > 1<<60 || off < mdaHeader || off >= size || n > size-mdaHeader || n > maxText:
		return area{}, errors.New("holds no metadata that can be")
	}
	return area{int64(start), int64(size), int64(off), int64(n), le.Uint32(b[56:]), ignored}, nil
}

// Heads are where, from the start of a physical volume, its label stands, and
// the header of the metadata area in its usual place.
func Heads() []ranges.Range {
	return []ranges.Range{{Start: 0, End: labelSectors * sector}, {Start: mdaUsual, End: mdaUsual + mdaHeader}}
}

// Open are the places at the start of [start, start+length) of the image that would
// tell whether it is a physical volume; none where the usual ones were read and hold
// nothing. A label that was read and is none counts as unread where a metadata area
// may stand; wiped is set where all that may hold one was read, and the area was not.
func Open(r *image.Reader, start, length int64) (out []ranges.Range, wiped bool) {
	if length < mdaUsual+mdaHeader {
		return nil, false
	}
	b := make([]byte, mdaHeader)
	_, err := r.ReadAt(b, start+mdaUsual)
	none := err == nil && string(b[4:20]) != mdaMagic
	_, known, _ := findLabel(r, start, length)
	all := r.IsRead(start, labelSectors*sector)
	if none && r.IsRead(start+sector, sector) || known && all {
		return nil, false
	}
	for _, h := range Heads() {
		out = append(out, ranges.Range{Start: start + h.Start, End: start + h.End})
	}
	return out, err != nil && all
}

// findLabel looks for the label in the sectors that it may stand in: the first one
// counts. doubt says why another one may, "" if not.
func findLabel(r *image.Reader, start, length int64) (l label, ok bool, doubt string) {
	b := make([]byte, sector)
	before := "" // of the sectors so far, what may have been a label
	for i := int64(0); i < labelSectors && (i+1)*sector <= length; i++ {
		if _, err := r.ReadAt(b, start+i*sector); err != nil {
			before = "a sector before the physical volume's label is unread: it may hold another one"
			continue
		}
		next, err := parseLabel(b, uint64(i))
		switch {
		case err == nil && !ok:
			l, ok, doubt = next, true, before
		case err == nil && !reflect.DeepEqual(next, l):
			doubt = "two labels of the physical volume were read, which differ"
		case err != nil && !ok && (string(b[:8]) == labelID || i == usualLabel && len(bytes.Trim(b, "\x00")) > 0):
			before = "a sector before the physical volume's label is damaged: it may have held another one"
		}
	}
	return l, ok, doubt
}

// Find looks for LVM2 metadata at the start of [start, start+length) of the
// image. Where a label stands there and no metadata can be read, the group has
// no name.
func Find(r *image.Reader, start, length int64) (*Group, bool) {
	l, known, why := findLabel(r, start, length)
	var notes, doubt []string
	areas := l.Areas
	if !known {
		areas = [][2]int64{{mdaUsual, 0}}
		notes = append(notes, "the physical volume's label is unread or damaged: the metadata area in its usual place is used")
	}
	var all []*Group
	var best *Group
	var needs []ranges.Range
	unread := 0
	for _, x := range areas {
		g, asked, err := readArea(r, start, length, x[0], l.ID)
		if err != nil {
			notes = append(notes, fmt.Sprintf("metadata area at offset %d: %v", r.Origin(start+x[0]), err))
		}
		switch {
		case errors.Is(err, errNeverUsed):
		case err != nil:
			unread++
			needs = append(needs, asked...)
		default:
			if all = append(all, g); !g.ignored && (best == nil || g.seqno > best.seqno) {
				best = g
			}
		}
	}
	if best == nil {
		if known {
			return &Group{Notes: append(notes, "no copy of the metadata was read that is in use: where the logical volumes lie is not known"), Needs: needs}, true
		}
		return nil, false
	}
	if unread > 0 {
		doubt = append(doubt, fmt.Sprintf("%d of %d metadata areas of the physical volume could not be read: one may be newer than what is used", unread, len(areas)))
	}
	for _, g := range all {
		at := r.Origin(g.At)
		switch same := reflect.DeepEqual(g.text, best.text); {
		case g.seqno > best.seqno:
			doubt = append(doubt, fmt.Sprintf("the metadata area at offset %d is marked as ignored, and is newer than what is used", at))
		case g.seqno == best.seqno && !same:
			doubt = append(doubt, fmt.Sprintf("the metadata area at offset %d says something else than what is used, under the same sequence number", at))
		case g.ignored:
			notes = append(notes, fmt.Sprintf("metadata area at offset %d: is marked as ignored: what stands in it may be old", at))
		}
	}
	held := []ranges.Range{{Start: start, End: start + labelSectors*sector}, {Start: best.At, End: best.At + mdaHeader}}
	if !known {
		why = "the physical volume's label is unread or damaged: it may name a further metadata area, which may be newer"
	}
	if why != "" {
		doubt, needs = append(doubt, why), append(needs, held[0])
	}
	for _, x := range areas {
		held = append(held, ranges.Range{Start: start + x[0], End: start + x[0] + x[1]})
	}
	best.hold(held)
	best.Notes, best.Doubt, best.Needs, best.Labeled = notes, doubt, needs, known
	return best, true
}

// hold puts logical volumes in doubt that lie where metadata stands.
func (g *Group) hold(metadata []ranges.Range) {
	for i := range g.Volumes {
		v := &g.Volumes[i]
		v.Loops = slices.ContainsFunc(v.Pieces, func(p image.Run) bool {
			return slices.ContainsFunc(metadata, func(m ranges.Range) bool { return p.Image < m.End && m.Start < p.Image+p.Length })
		})
		if v.Loops {
			v.Doubt = append(v.Doubt, "by the metadata it lies over the label or a metadata area of its physical volume")
		}
	}
}

var errNeverUsed = errors.New("is marked as ignored, and holds no metadata")

// readArea reads the metadata in the area at at of the physical volume. Where
// that fails since a sector is unread, needs says what would have to be read.
func readArea(r *image.Reader, start, length, at int64, id string) (g *Group, needs []ranges.Range, err error) {
	if at < 0 || at+mdaHeader > length {
		return nil, nil, errors.New("stands past the end")
	}
	read := func(b []byte, at int64) error {
		_, err := r.ReadAt(b, at)
		if no := (*image.UnreadError)(nil); errors.As(err, &no) {
			needs = append(needs, ranges.Range{Start: at, End: at + int64(len(b))})
		}
		return err
	}
	b := make([]byte, mdaHeader)
	if err := read(b, start+at); err != nil {
		return nil, needs, err
	}
	a, err := parseArea(b)
	if err != nil {
		return nil, nil, err
	}
	if a.Start != at || a.Size > length-at {
		return nil, nil, errors.New("stands elsewhere than it says")
	}
	text := make([]byte, a.Len)
	first := min(a.Len, a.Size-a.Offset) // the rest stands behind the header
	if err := errors.Join(read(text[:first], start+at+a.Offset), read(text[first:], start+at+mdaHeader)); err != nil {
		return nil, needs, err
	}
	if checksum(text) != a.Sum {
		return nil, nil, errors.New("the metadata's text fails its checksum")
	}
	if g, err = parseGroup(text, id, start, length); err != nil {
		return nil, nil, err
	}
	g.At, g.ignored = start+at, a.Ignored
	return g, nil, nil
}

// parseGroup makes the group of the metadata's text. id is that of the
// physical volume in the range, "" where that is unread.
func parseGroup(text []byte, id string, start, length int64) (*Group, error) {
	root, err := parseText(text)
	if err != nil {
		return nil, err
	}
	if len(root.names) != 1 {
		return nil, fmt.Errorf("the metadata names %d groups", len(root.names))
	}
	g := &Group{Name: root.names[0], text: root.sections[root.names[0]]}
	vg := g.text
	g.seqno = vg.numbers["seqno"]
	extent := vg.numbers["extent_size"] // sectors
	if extent <= 0 || extent > 1<<32 {
		return nil, fmt.Errorf("the size of extents is %d sectors", extent)
	}
	extent *= sector
	pvs, lvs := vg.sections["physical_volumes"], vg.sections["logical_volumes"]
	if pvs == nil {
		return nil, errors.New("the metadata names no physical volume")
	}
	g.Drives = len(pvs.names)
	own := ""
	for _, n := range pvs.names {
		if strings.ReplaceAll(pvs.sections[n].strings["id"], "-", "") == id || id == "" && g.Drives == 1 {
			own = n
		}
	}
	if own == "" {
		return nil, errors.New("which of the group's physical volumes this is, is not known")
	}
	peStart := pvs.sections[own].numbers["pe_start"]
	if peStart < 0 || peStart > 1<<50 {
		return nil, errors.New("the place of the first extent cannot be")
	}
	if lvs == nil {
		return g, nil
	}
	p := placer{own: own, start: start, length: length, first: peStart * sector, extent: extent, count: 1 << 50}
	if n, ok := pvs.sections[own].numbers["pe_count"]; ok {
		p.count = n
	}
	doubt := map[string][]string{}
	all := map[string]Volume{}
	for _, n := range lvs.names {
		all[n] = p.volume(n, lvs.sections[n])
	}
	p.contradictions(doubt)
	for _, n := range lvs.names {
		if v := all[n]; slices.Contains(lvs.sections[n].lists["status"], "VISIBLE") {
			v.Doubt = doubt[n]
			g.Volumes = append(g.Volumes, v)
		}
	}
	return g, nil
}

// claim is what a segment of a logical volume takes of the physical volume,
// extents.
type claim struct {
	from, count int64
	volume      string
}

// contradictions says of logical volumes, by name, what their segments say against
// each other and against the physical volume.
func (p *placer) contradictions(doubt map[string][]string) {
	say := func(name, why string) {
		if !slices.Contains(doubt[name], why) && len(doubt[name]) < maxDoubts {
			doubt[name] = append(doubt[name], why)
		}
	}
	for _, name := range p.merging {
		say(name, "a snapshot of it was being merged into it: what stands in the snapshot may be newer")
	}
	slices.SortFunc(p.claims, func(a, b claim) int {
		return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.count, b.count), cmp.Compare(a.volume, b.volume))
	})
	var last claim // of those before, the one that ends last
	for _, c := range p.claims {
		if c.from+c.count > p.count {
			say(c.volume, fmt.Sprintf("the metadata gives it extents past the %d that the physical volume has", p.count))
		}
		if c.from < last.from+last.count && c.volume != last.volume {
			say(c.volume, fmt.Sprintf("the metadata gives extents of it to the logical volume %s too", last.volume))
			say(last.volume, fmt.Sprintf("the metadata gives extents of it to the logical volume %s too", c.volume))
		}
		if c.from+c.count > last.from+last.count {
			last = c
		}
	}
}

// maxDoubts bounds what is told of one logical volume.
const maxDoubts = 4

// placer finds where logical volumes lie.
type placer struct {
	own           string // the physical volume's name in the metadata
	start, length int64  // of it in the image
	first         int64  // of its extents, bytes on it
	extent        int64  // bytes
	count         int64  // of extents
	claims        []claim
	merging       []string // volumes that a snapshot is merged into
}

func (p *placer) volume(name string, lv *section) Volume {
	v := Volume{Name: name}
	count := lv.numbers["segment_count"]
	if count <= 0 || count > maxNames {
		v.Reason = "the metadata gives it no segments"
		return v
	}
	for i := int64(1); i <= count; i++ {
		s := lv.sections["segment"+strconv.FormatInt(i, 10)]
		if s == nil {
			v.Reason = fmt.Sprintf("the metadata lacks its segment %d", i)
			return v
		}
		n := s.numbers["extent_count"]
		if from := s.numbers["start_extent"]; n <= 0 || n > 1<<32 || from*p.extent != v.Length || v.Length > 1<<60 {
			v.Reason = "its segments do not follow each other"
			return v
		}
		at := v.Length
		v.Length += n * p.extent
		stripes := s.lists["stripes"]
		kind := s.strings["type"]
		p.claim(name, n, stripes)
		if s.strings["merging_store"] != "" {
			p.merging = append(p.merging, s.strings["origin"])
		}
		switch {
		case v.Reason != "":
		case kind != "striped" && kind != "linear":
			v.Reason = fmt.Sprintf("it is of type %s, which is not followed", kind)
		case s.numbers["stripe_count"] != 1 || len(stripes) != 2:
			v.Reason = fmt.Sprintf("it is striped over %d drives: the others are needed", s.numbers["stripe_count"])
		case stripes[0] != p.own: // on another drive
		default:
			from, err := strconv.ParseInt(stripes[1], 10, 32)
			if err != nil || from < 0 {
				v.Reason = "a segment of it has no place"
				break
			}
			on := p.first + from*p.extent
			if on > p.length-n*p.extent {
				v.Reason = "a part of it lies past the end of the physical volume"
				break
			}
			v.add(image.Run{Offset: at, Image: p.start + on, Length: n * p.extent})
		}
	}
	var taken ranges.Set
	held := int64(0)
	for _, r := range v.Pieces {
		taken.Add(r.Image, r.Length)
		held += r.Length
	}
	switch {
	case v.Reason != "":
	case taken.Bytes() < held:
		v.Reason = "two segments of it have one place"
	case len(v.Pieces) == 0:
		v.Reason = "it lies on another drive, which is needed"
	case len(v.Pieces) > maxPieces:
		v.Reason = fmt.Sprintf("it lies on the drive in %d pieces, more than the %d that are put together", len(v.Pieces), maxPieces)
	}
	return v
}

// claim takes what a segment of n extents takes of the physical volume: its share
// of each stripe on it.
func (p *placer) claim(volume string, n int64, stripes []string) {
	drives := int64(len(stripes) / 2)
	for i := int64(0); i < drives; i++ {
		from, err := strconv.ParseInt(stripes[2*i+1], 10, 32)
		if err == nil && from >= 0 && stripes[2*i] == p.own {
			p.claims = append(p.claims, claim{from, (n + drives - 1) / drives, volume})
		}
	}
}

// maxPieces bounds the pieces of a logical volume: each costs a look through its
// space where they are shuffled.
const maxPieces = 1024

// add takes a piece, joined with the last where it continues it.
func (v *Volume) add(p image.Run) {
	if n := len(v.Pieces); n > 0 {
		last := &v.Pieces[n-1]
		if last.Offset+last.Length == p.Offset && last.Image+last.Length == p.Image {
			last.Length += p.Length
			return
		}
	}
	v.Pieces = append(v.Pieces, p)
}
