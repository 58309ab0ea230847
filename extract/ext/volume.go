package ext

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
)

// Volume is an opened ext2, ext3 or ext4 volume. It implements
// [extract.Filesystem].
type Volume struct {
	*records
	length  int64 // of the range it was opened in; its own size where that is not known
	journal *journal
	notes   []string
}

var _ extract.Filesystem = (*Volume)(nil)

// Open opens the volume at [start, start+length) of the image; length 0 is as
// long as the superblock says. Where the superblock is unread or damaged it
// goes by a copy. It fails with [*extract.NotVolumeError] where there is no
// such volume, or one whose files cannot be listed.
func Open(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (*Volume, error) {
	return open(ctx, r, start, length, o, false)
}

// OpenRemains opens what [Open] does not: a volume of which neither the superblock
// nor any copy was read that passes its checks, by what its folders and inodes say
// of each other, and one whose first structures were read and are none of the
// superblock's volume. None of its files is proved: they may be what is left of an
// earlier volume, so this comes after all else. It fails as [Open] does.
func OpenRemains(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (*Volume, error) {
	return open(ctx, r, start, length, o, true)
}

func open(ctx context.Context, r *image.Reader, start, length int64, o extract.Options, remains bool) (*Volume, error) {
	limit := r.DriveSize() - start
	if length > 0 {
		limit = min(limit, length)
	}
	l, note, err := locate(ctx, r, start, limit, findSuperblock)
	if no := (*extract.NotVolumeError)(nil); remains && errors.As(err, &no) {
		l, note, err = locate(ctx, r, start, limit, byRemains)
	}
	if err != nil {
		return nil, err
	}
	v := &Volume{records: newRecords(l, o), length: length}
	if note != "" {
		v.notes = append(v.notes, note)
	}
	if why := v.contradicted(); why != "" {
		if !remains {
			return nil, notVolume(start, "%s", why)
		}
		v.layout.doubt = append(v.layout.doubt, why+": another volume may have been made in its place")
	}
	if v.journal, err = openJournal(ctx, v.records); err != nil {
		return nil, err
	}
	size := int64(v.count) * v.bs // the journal may have made it larger
	if length <= 0 {
		v.length = size
	}
	if size > v.length {
		v.notes = append(v.notes, fmt.Sprintf("the superblock says %d bytes, %d more than the range that the volume stands in", size, size-v.length))
	}
	if v.alone && v.opposed == "" {
		v.opposed = v.rootOpposes()
	}
	if v.opposed != "" {
		v.layout.doubt = append(v.layout.doubt, "the superblock is a copy, and what was read where it puts its first structures is none of its volume ("+v.opposed+
			"): another volume may have been made in its place")
	}
	if v.groups.unknown > 0 && v.sbAt >= 0 {
		// behind the journal, which no guess may lead to
		if v.tables, err = guessTables(ctx, v.layout, limit); err != nil {
			return nil, err
		}
		v.useTables()
	}
	if n := len(v.tables); n > 0 && v.sbAt >= 0 {
		v.notes = append(v.notes, fmt.Sprintf("the descriptors of %d groups were read in no copy: where %d of them have their inodes was found from folders and inodes that speak for each other", v.groups.unknown, n))
	}
	if v.groups.backups > 0 {
		v.notes = append(v.notes, fmt.Sprintf("group descriptors of %d groups are taken from copies", v.groups.backups))
	}
	v.notes = append(v.notes, v.groups.faults...)
	if v.journal.note != "" {
		v.notes = append(v.notes, v.journal.note)
	}
	return v, nil
}

// contradicted says in words what speaks against there being a volume behind
// the superblock, "" if nothing: journals hold old superblocks too, and an
// earlier volume's copies outlast it.
func (v *records) contradicted() string {
	if v.sbAt < 0 {
		return ""
	}
	if v.groups.unknown == len(v.groups.list) {
		if block, ok := descBlock(&v.sb, 0, 0); ok && v.read(make([]byte, v.bs), block).Whole() {
			return "no group descriptor agrees with the superblock"
		}
		return ""
	}
	for _, n := range [...]uint32{rootInode, v.sb.JournalInode, v.sb.FirstInode} {
		if n == 0 {
			continue
		}
		if rec := v.readInode(n); rec.state == recordLive || rec.state == recordUnread {
			return ""
		}
	}
	if !v.alone && v.spokenFor() {
		return ""
	}
	return "neither the root folder nor any inode of its own stands where the superblock says"
}

// maxAsked bounds the inodes that are asked whether they are a volume's.
const maxAsked = 1 << 16

// spokenFor reports whether an inode stands where the superblock puts it: one that its
// checksum vouches for or, where there are none, a folder's whose first block has its
// number.
func (v *records) spokenFor() (yes bool) {
	asked := 0
	for _, c := range v.chunks(false) {
		if yes || asked >= maxAsked {
			break
		}
		asked += int(c.count)
		v.readChunk(c, func(_ uint32, rec *record) {
			if yes || rec.state != recordLive {
				return
			}
			yes = v.sb.metadataCsum() || rec.isFolder() && v.folderOf(&rec.inode) == rec.Number
		})
	}
	return yes
}

// folderOf is the folder whose first block the inode of one leads to; 0 for none.
func (v *records) folderOf(n *inode) uint32 {
	block, ok := firstBlock(n.Flags, n.Block[:])
	if !ok || !v.dataRange(block, 1) {
		return 0
	}
	b := v.read(make([]byte, v.bs), block)
	if !b.Has(0, firstEntries) {
		return 0
	}
	s, _ := folderBlock(b.Data)
	return s.self
}

// rootOpposes says what was read where the root folder should stand and is none,
// "" for nothing. ext4: special_inodes; dirents.
func (v *records) rootOpposes() string {
	rec := v.readInode(rootInode)
	switch {
	case rec.state == recordUnread:
		return ""
	case rec.state != recordLive || !rec.isFolder():
		return "the root folder's inode is none"
	case rec.Flags&inodeInlineData != 0:
		return ""
	}
	m := newMapper(v.layout).mapInode(&rec.inode)
	if len(m.Runs) == 0 || m.Runs[0].Logical != 0 || m.Runs[0].Kind != runData {
		return ""
	}
	b := v.read(make([]byte, v.bs), m.Runs[0].Physical)
	if !b.Whole() {
		return ""
	}
	if d, err := parseDirent(&v.sb, b.Data, 0); err != nil || d.Inode != rootInode || string(d.Name) != "." {
		return "the root folder's first block holds no folder's entries"
	}
	return ""
}

// Info describes the volume.
func (v *Volume) Info() extract.Info {
	return extract.Info{Filesystem: v.sb.filesystem(), Label: v.sb.Label, Cluster: v.bs * int64(v.sb.clusterBlocks()), Notes: slices.Clone(v.notes), Doubt: v.layout.doubt}
}

// Walk is for [extract.Filesystem].
func (v *Volume) Walk(ctx context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	var s extract.Survey
	if yield != nil {
		journal := slices.Collect(v.spans(&mapping{Runs: v.journal.runs}))
		w := newSpace(v.layout, v.length, journal)
		t, err := readTree(ctx, v.records, w, journal)
		if err != nil {
			return nil, err
		}
		if g := &v.groups.list[0]; v.alone && t.bad > 0 && (!g.Known || g.Backup) {
			v.layout.doubt = append(v.layout.doubt, fmt.Sprintf("superblock and group descriptors are copies, and %d inodes and folder blocks that were read are none: another volume may have been made in its place", t.bad))
		}
		sum, faults, err := t.listFiles(ctx, w, v.doubt().Files(v.journal.doubtTouched(yield)))
		if err != nil {
			return nil, err
		}
		if s.Listing, err = v.state(ctx, t, w, sum, faults); err != nil {
			return nil, err
		}
		v.layout.doubt.Listing(&s.Listing)
		s.Space = w.uses()
	}
	var err error
	s.Structures, err = (&checkup{v.records, v.journal}).structures(ctx)
	return &s, err
}

// doubt is why no file of the volume is proved.
func (v *Volume) doubt() extract.Doubt {
	d := slices.Clone(v.layout.doubt)
	if why := v.journal.doubt(); why != "" {
		d = append(d, why)
	}
	return d
}
