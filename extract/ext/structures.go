package ext

import (
	"context"
	"fmt"

	"fileassay/extract"
)

// structures reports the health of the volume's own structures: superblock and
// group descriptors with their copies, bitmaps, inode tables, journal. What
// every group has is told as one, the groups that are hit one by one up to a
// bound.
func (v *Volume) structures(ctx context.Context) ([]extract.Structure, error) {
	var out []extract.Structure
	sb := &v.sb
	out = append(out, v.superHealth(0))
	for _, g := range v.copyGroups() {
		out = append(out, v.superHealth(g))
	}
	for _, at := range append([]uint64{0}, v.copyGroups()...) {
		if s, ok := v.descHealth(at); ok {
			out = append(out, s)
		}
	}
	if sb.Incompat&incompatMetaBG != 0 {
		out = append(out, v.metaHealth())
	}
	groups, err := v.groupHealth(ctx)
	if err != nil {
		return nil, err
	}
	out = append(out, groups...)
	if v.journal.exists {
		out = append(out, v.journalHealth())
	}
	return out, nil
}

// copyGroups are the groups that hold copies of the superblock, a bounded
// number.
func (v *Volume) copyGroups() []uint64 {
	var out []uint64
	n := v.sb.groups()
	for g := uint64(1); g < n && len(out) < maxCopies; g++ {
		if v.sb.hasSuper(g) {
			out = append(out, g)
		}
	}
	return out
}

// health is that of a structure by the bytes of it that were not read.
func health(unread, length int64) extract.Health {
	switch {
	case unread == 0:
		return extract.HealthRead
	case unread < length:
		return extract.HealthPartly
	}
	return extract.HealthUnread
}

// unreadIn is the number of unread bytes of a range of the image.
func (v *Volume) unreadIn(at, n int64) (unread int64) {
	for u := range v.r.Unread(at, n) {
		unread += u.Length
	}
	return unread
}

func (v *Volume) superHealth(g uint64) extract.Structure {
	at := v.sb.superOffset(g)
	s := extract.Structure{Name: "superblock", Image: v.start + at, Length: superblockSize}
	if g > 0 {
		s.Name = fmt.Sprintf("superblock copy in group %d", g)
	}
	s.Unread = v.unreadIn(s.Image, s.Length)
	s.Health = health(s.Unread, s.Length)
	if s.Unread > 0 {
		return s
	}
	sb, ok, _ := readSuper(v.r, v.start, at)
	switch {
	case !ok:
		s.Health, s.Note = extract.HealthDamaged, "it is none"
	case sb.Fault != "":
		s.Health, s.Note = extract.HealthDamaged, sb.Fault
	case !sb.sameVolume(&v.sb) || sb.Blocks != v.sb.Blocks || uint64(sb.GroupNumber) != g && sb.Revision > 0:
		s.Health, s.Note = extract.HealthDisagrees, "it differs from the one that is gone by"
	}
	if at == v.sbAt && s.Note == "" {
		s.Note = "gone by"
	}
	return s
}

// descHealth is the health of the group descriptors behind the superblock of a
// group.
func (v *Volume) descHealth(at uint64) (extract.Structure, bool) {
	sb := &v.sb
	n := descBlocks(sb)
	if sb.Incompat&incompatMetaBG != 0 {
		n = min(n, uint64(sb.FirstMetaBG))
	}
	first, ok := descBlock(sb, 0, at)
	if !ok || n == 0 {
		return extract.Structure{}, false
	}
	s := extract.Structure{Name: "group descriptors", Image: v.start + int64(first)*v.bs, Length: int64(n) * v.bs}
	if at > 0 {
		s.Name = fmt.Sprintf("group descriptors copy in group %d", at)
	}
	s.Unread = v.unreadIn(s.Image, s.Length)
	s.Health = health(s.Unread, s.Length)
	bad := 0
	buf := make([]byte, v.bs)
	per := uint64(v.bs) / uint64(sb.DescSize)
	for i := range n {
		unread := toGaps(v.r.ReadReadable(buf, s.Image+int64(i)*v.bs), s.Image+int64(i)*v.bs)
		for k := range min(per, sb.groups()-i*per) {
			off := int64(k) * int64(sb.DescSize)
			if unread.touches(off, int64(sb.DescSize)) {
				continue
			}
			if _, err := parseGroupDesc(sb, i*per+k, buf[off:off+int64(sb.DescSize)]); err != nil {
				bad++
			}
		}
	}
	if bad > 0 {
		s.Health, s.Note = extract.HealthDamaged, fmt.Sprintf("%d descriptors fail their checks", bad)
	}
	return s, true
}

// metaHealth is the health of the descriptors that stand among the groups.
func (v *Volume) metaHealth() extract.Structure {
	sb := &v.sb
	s := extract.Structure{Name: "group descriptors among the groups", Image: -1}
	for i := uint64(sb.FirstMetaBG); i < descBlocks(sb); i++ {
		if b, ok := descBlock(sb, i, 0); ok {
			s.Length += v.bs
			s.Unread += v.unreadIn(v.start+int64(b)*v.bs, v.bs)
		}
	}
	s.Health = health(s.Unread, s.Length)
	return s
}

// maxGroupLines bounds the groups that are told of one by one.
const maxGroupLines = 64

// groupHealth is the health of bitmaps and inode tables.
func (v *Volume) groupHealth(ctx context.Context) ([]extract.Structure, error) {
	sb := &v.sb
	sums := [3]extract.Structure{{Name: "block bitmaps", Image: -1}, {Name: "inode bitmaps", Image: -1}, {Name: "inode tables", Image: -1}}
	bad := [3]int{}
	var lines []extract.Structure
	hit := 0
	for g := range sb.groups() {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		d := &v.groups.list[g]
		sizes := [3]int64{v.bs, v.bs, int64(sb.InodesPerGroup) * int64(sb.InodeSize)}
		for k, block := range [3]uint64{d.BlockBitmap, d.InodeBitmap, d.InodeTable} {
			sums[k].Length += sizes[k]
			if !d.Known || d.NoBitmaps && k < 2 {
				sums[k].Unread += sizes[k]
				continue
			}
			at := v.start + int64(block)*v.bs
			if sums[k].Image < 0 {
				sums[k].Image = at
			}
			u := v.unreadIn(at, sizes[k])
			sums[k].Unread += u
			fault := ""
			if u == 0 && k < 2 {
				b := bitmap{}
				if k == 0 {
					b = v.blockBitmap(g)
				} else {
					b = v.inodeBitmap(g)
				}
				if b.fault {
					fault = "fails its checksum"
					bad[k]++
				}
			}
			if u == 0 && fault == "" {
				continue
			}
			if hit++; hit <= maxGroupLines {
				s := extract.Structure{Name: fmt.Sprintf("%s of group %d", [3]string{"block bitmap", "inode bitmap", "inode table"}[k], g),
					Image: at, Length: sizes[k], Unread: u, Health: health(u, sizes[k]), Note: fault}
				if fault != "" {
					s.Health = extract.HealthDamaged
				}
				lines = append(lines, s)
			}
		}
	}
	var out []extract.Structure
	for k := range sums {
		s := sums[k]
		s.Health = health(s.Unread, s.Length)
		s.Note = fmt.Sprintf("of %d groups", sb.groups())
		switch {
		case v.groups.unknown > 0:
			s.Note += fmt.Sprintf("; in %d groups their place is unknown", v.groups.unknown)
		case v.shape != nil && k < 2:
			s.Note += "; their place is unknown"
		}
		if bad[k] > 0 {
			s.Health = extract.HealthDamaged
			s.Note += fmt.Sprintf("; %d fail their checksum", bad[k])
		}
		out = append(out, s)
	}
	out = append(out, lines...)
	if hit > maxGroupLines {
		out[2].Note += fmt.Sprintf("; %d more that are hit are not told one by one", hit-maxGroupLines)
	}
	return out, nil
}

func (v *Volume) journalHealth() extract.Structure {
	s := extract.Structure{Name: "journal", Image: -1, Health: extract.HealthUnread, Note: v.journal.health}
	for i, r := range v.journal.runs {
		if r.Kind != runData {
			continue
		}
		at, n := v.start+int64(r.Physical)*v.bs, int64(r.Length)*v.bs
		if i == 0 {
			s.Image = at
		}
		s.Length += n
		s.Unread += v.unreadIn(at, n)
	}
	if s.Length == 0 {
		return s
	}
	s.Health = health(s.Unread, s.Length)
	if s.Note == "" {
		s.Note = "nothing in it is to be replayed"
		if v.journal.note != "" {
			s.Note = fmt.Sprintf("replayed in memory: newest versions of %d blocks", len(v.overlay))
		}
	} else if s.Unread == 0 {
		s.Health = extract.HealthDamaged
		if v.opt.NoJournal {
			s.Health = extract.HealthRead
		}
	}
	return s
}
