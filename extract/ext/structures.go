package ext

import (
	"context"
	"fmt"

	"fileassay/extract"
)

// checkup looks at the health of the volume's own structures.
type checkup struct {
	*records
	journal *journal
}

// structures reports the health of superblock and group descriptors with their
// copies, bitmaps, inode tables, journal. What every group has is told as one,
// the groups that are hit one by one up to a bound.
func (v *checkup) structures(ctx context.Context) ([]extract.Structure, error) {
	copies := append([]uint64{0}, v.sb.copyGroups()...)
	var out []extract.Structure
	for _, g := range copies {
		out = append(out, v.superblock(g))
	}
	for _, g := range copies {
		if s, ok := v.descriptors(g); ok {
			out = append(out, s)
		}
	}
	if v.sb.Incompat&incompatMetaBG != 0 {
		out = append(out, v.metaDescriptors())
	}
	groups, err := v.allGroups(ctx)
	if err != nil {
		return nil, err
	}
	out = append(out, groups...)
	if v.journal.exists {
		out = append(out, v.journalHealth())
	}
	return out, nil
}

// add adds n bytes of the image from at to a structure.
func (v *checkup) add(s *extract.Structure, at, n int64) {
	s.Length += n
	for u := range v.r.Unread(at, n) {
		s.Unread += u.Length
	}
	s.Health = health(s)
}

// health is that of a structure by the bytes of it that were not read.
func health(s *extract.Structure) extract.Health {
	switch {
	case s.Unread == 0:
		return extract.HealthRead
	case s.Unread < s.Length:
		return extract.HealthPartly
	}
	return extract.HealthUnread
}

// superblock is the health of the superblock of a group.
func (v *checkup) superblock(g uint64) extract.Structure {
	at := v.sb.superOffset(g)
	s := extract.Structure{Name: "superblock", Image: v.start + at}
	if g > 0 {
		s.Name = fmt.Sprintf("superblock copy in group %d", g)
	}
	if v.add(&s, s.Image, superblockSize); s.Unread > 0 {
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

// descriptors is the health of the group descriptors behind the superblock of
// a group.
func (v *checkup) descriptors(at uint64) (extract.Structure, bool) {
	sb := &v.sb
	n := sb.plainDescBlocks()
	first, ok := descBlock(sb, 0, at)
	if !ok || n == 0 {
		return extract.Structure{}, false
	}
	s := extract.Structure{Name: "group descriptors", Image: v.span(first, 1).Start}
	if at > 0 {
		s.Name = fmt.Sprintf("group descriptors copy in group %d", at)
	}
	v.add(&s, s.Image, int64(n)*v.bs)
	bad := 0
	buf := make([]byte, v.bs)
	for i := range n {
		b := v.r.Partial(buf, v.span(first+i, 1).Start)
		sb.eachDesc(i, b, func(_ uint64, _ groupDesc, err error) {
			if err != nil {
				bad++
			}
		})
	}
	if bad > 0 {
		s.Health, s.Note = extract.HealthDamaged, fmt.Sprintf("%d descriptors fail their checks", bad)
	}
	return s, true
}

// metaDescriptors is the health of the descriptors that stand among the groups.
func (v *checkup) metaDescriptors() extract.Structure {
	s := extract.Structure{Name: "group descriptors among the groups", Image: -1}
	for i := uint64(v.sb.FirstMetaBG); i < descBlocks(&v.sb); i++ {
		if b, ok := descBlock(&v.sb, i, 0); ok {
			v.add(&s, v.span(b, 1).Start, v.bs)
		}
	}
	s.Health = health(&s)
	return s
}

// maxGroupLines bounds the groups that are told of one by one.
const maxGroupLines = 64

// allGroups is the health of bitmaps and inode tables.
func (v *checkup) allGroups(ctx context.Context) ([]extract.Structure, error) {
	sb := &v.sb
	names := [3]string{"block bitmap", "inode bitmap", "inode table"}
	sizes := [3]int64{v.bs, v.bs, int64(sb.InodesPerGroup) * int64(sb.InodeSize)}
	var sums [3]extract.Structure
	for k := range sums {
		sums[k] = extract.Structure{Name: names[k] + "s", Image: -1}
	}
	var bad [3]int
	var lines []extract.Structure
	hit := 0
	for g := range sb.groups() {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		d := &v.groups.list[g]
		for k, block := range [3]uint64{d.BlockBitmap, d.InodeBitmap, d.InodeTable} {
			sum := &sums[k]
			if !d.Known || d.Guessed && k < 2 {
				sum.Length += sizes[k]
				sum.Unread += sizes[k]
				continue
			}
			s := extract.Structure{Image: v.span(block, 1).Start}
			v.add(&s, s.Image, sizes[k])
			if sum.Image < 0 {
				sum.Image = s.Image
			}
			sum.Length += s.Length
			sum.Unread += s.Unread
			if s.Unread == 0 && (k == 0 && v.blockBitmap(g).fault || k == 1 && v.inodeBitmap(g).fault) {
				s.Health, s.Note = extract.HealthDamaged, "fails its checksum"
				bad[k]++
			}
			if s.Health == extract.HealthRead {
				continue
			}
			if hit++; hit <= maxGroupLines {
				s.Name = fmt.Sprintf("%s of group %d", names[k], g)
				lines = append(lines, s)
			}
		}
	}
	for k := range sums {
		s := &sums[k]
		s.Health = health(s)
		s.Note = fmt.Sprintf("of %d groups", sb.groups())
		switch {
		case v.groups.unknown > 0:
			s.Note += fmt.Sprintf("; in %d groups their place is unknown", v.groups.unknown)
		}
		if bad[k] > 0 {
			s.Health = extract.HealthDamaged
			s.Note += fmt.Sprintf("; %d fail their checksum", bad[k])
		}
	}
	if hit > maxGroupLines {
		sums[2].Note += fmt.Sprintf("; %d more that are hit are not told one by one", hit-maxGroupLines)
	}
	return append(sums[:], lines...), nil
}

func (v *checkup) journalHealth() extract.Structure {
	j := v.journal
	s := extract.Structure{Name: "journal", Image: -1, Health: extract.HealthUnread, Note: j.health}
	for i, r := range j.runs {
		if r.Kind != runData {
			continue
		}
		at := v.span(r.Physical, r.Length)
		if i == 0 {
			s.Image = at.Start
		}
		v.add(&s, at.Start, at.Len())
	}
	switch {
	case s.Length == 0:
	case s.Note == "" && j.note != "":
		s.Note = fmt.Sprintf("replayed in memory: newest versions of %d blocks", len(v.copies))
	case s.Note == "":
		s.Note = "nothing in it is to be replayed"
	case s.Unread == 0 && !v.opt.NoJournal:
		s.Health = extract.HealthDamaged
	}
	return s
}
