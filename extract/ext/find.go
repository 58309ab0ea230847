package ext

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"slices"
	"time"

	"fileassay/extract"
	"fileassay/extract/image"
)

// Sniff names the volume that a superblock at the start of window speaks for.
// window holds bytes of the image from at, all read.
func Sniff(window []byte, at int64) []extract.Candidate {
	sb, ok := parseSuperblock(window)
	if !ok || sb.Incompat&incompatJournalDev != 0 {
		return nil
	}
	g := uint64(sb.GroupNumber)
	if g >= sb.groups() || !sb.hasSuper(g) || sb.Fault != "" {
		return nil
	}
	start := at - sb.superOffset(g)
	if start < 0 {
		return nil
	}
	from := "superblock"
	if g > 0 {
		from = fmt.Sprintf("superblock copy of group %d", g)
	}
	return []extract.Candidate{{Start: start, Length: int64(sb.Blocks) * sb.blockSize(), Filesystem: sb.filesystem(), From: from, At: at,
		ID: sb.id(), Written: sb.made()}}
}

// found is a superblock with where it was found.
type found struct {
	superblock
	tables map[uint64]groupDesc // of groups, where no superblock stands: what folders and inodes tell
	at     int64                // bytes of the volume; -1 where it stands nowhere
	alone  bool                 // it is a copy, and nothing that was read of the primary speaks for its volume
	note   string
	doubt  extract.Doubt
}

// readSuper reads the superblock at an offset of the volume. unread tells that
// its first 512 bytes, without which it says nothing, were not read.
func readSuper(r *image.Reader, start, at int64) (sb superblock, ok, unread bool) {
	b := r.Partial(make([]byte, superblockSize), start+at)
	switch {
	case !b.Has(0, 512):
		return sb, false, true
	case !b.Whole():
		b.Data = b.Data[:512]
	}
	sb, ok = parseSuperblock(b.Data)
	return sb, ok, false
}

// scanLimit bounds the search for a copy of the superblock where none stands
// in the places that any usual volume would have it.
const scanLimit = 256 << 20

// primary is what was read of a volume's own superblock.
type primary struct {
	superblock
	sane   bool   // it is one, so far as it was read
	unread bool   // it says nothing, since its first half was not read
	why    string // why it is not gone by, for people
}

// readPrimary reads the superblock of the volume at start.
func readPrimary(r *image.Reader, start int64) (p primary) {
	p.superblock, p.sane, p.unread = readSuper(r, start, superblockAt)
	switch {
	case p.unread:
		p.why = "the superblock was not read"
	case !p.sane:
		p.why = "there is no superblock"
	case p.GroupNumber != 0:
		// of a volume that starts earlier, or written to the wrong place
		p.sane, p.why = false, fmt.Sprintf("in the place of the superblock stands the copy of group %d", p.GroupNumber)
	case !p.Whole:
		p.why = "the superblock was read in part"
	case p.Fault != "":
		p.why = "the superblock fails its checks (" + p.Fault + ")"
	}
	return p
}

// findSuperblock finds the superblock to go by: the primary where it was read
// and passes its checks, else a copy, of the newest volume that copies speak for. limit is the length
// of the volume where that is known, or of the image behind its start.
func findSuperblock(ctx context.Context, r *image.Reader, start, limit int64) (found, error) {
	p := readPrimary(r, start)
	if p.why == "" {
		return found{superblock: p.superblock, at: superblockAt}, nil
	}
	half := p.sane && !p.Whole
	copies := readCopies(r, start, limit)
	if len(copies) == 0 {
		var err error
		if copies, err = scanCopies(ctx, r, start, min(limit, scanLimit)); err != nil {
			return found{}, err
		}
	}
	if half {
		// what was read of it says which volume's copies count, if there are any
		own := slices.DeleteFunc(slices.Clone(copies), func(c found) bool { return !c.sameVolume(&p.superblock) })
		if len(own) > 0 || p.unusable() == "" {
			copies = own
		}
	}
	if best, others := newest(copies); best != nil {
		best.alone = !p.sane || !best.sameVolume(&p.superblock)
		best.note = fmt.Sprintf("%s: the copy in group %d is used, last written %s", p.why, best.GroupNumber, day(best.WriteTime))
		for _, c := range others {
			other := fmt.Sprintf("copies of the superblock of another %s volume (UUID %x, made %s) stand there too", c.filesystem(), c.UUID, day(uint32(c.made())))
			best.note += "; " + other
			if best.alone && !c.refuted(r, start) {
				best.doubt = append(best.doubt, p.why+", and "+other)
			}
		}
		return *best, nil
	}
	if half {
		return found{superblock: p.superblock, at: superblockAt, note: p.why + " and no copy was found: it is used as far as it goes"}, nil
	}
	return found{}, notVolume(start, "%s, and no copy of it was found", p.why)
}

// readCopies reads the superblock copies in the places that they may have.
func readCopies(r *image.Reader, start, limit int64) []found {
	var out []found
	for at := range Copies(start, limit) {
		if sb, ok, _ := readSuper(r, start, at-start); ok && sb.copyAt(at-start) {
			out = append(out, found{superblock: sb, at: at - start})
		}
	}
	return out
}

// Copies are the places in the image where copies of the superblock may stand
// of a volume that begins at start and has up to length bytes: the first blocks
// of the groups that keep one, for every size of blocks, under the usual size of
// groups, under sizes that are smaller by a power of two, and under those of
// clusters. A copy says in which group it stands. ext4: blockgroup, "Layout"
// (sparse_super: groups 1 and powers of 3, 5 and 7; sparse_super2: two groups,
// of which mke2fs makes the second the last); super, s_log_block_size,
// s_blocks_per_group, s_block_group_nr.
func Copies(start, length int64) iter.Seq[int64] {
	return func(yield func(int64) bool) {
		seen := map[int64]bool{}
		for log := range 7 {
			bs := int64(1024) << log
			for per := int64(256); per <= 8*bs<<8; per *= 2 {
				groups := []uint64{1, 3, 5, 7, 9}
				if per == 8*bs {
					groups = usualGroups(length / (per * bs))
				}
				for first := range 1 + 1024/bs { // the first data block is 1 only in blocks of 1 KiB
					for _, g := range groups {
						at := (first + int64(g)*per) * bs
						if at <= superblockAt || at > length-superblockSize || seen[at] {
							continue
						}
						seen[at] = true
						if !yield(start + at) {
							return
						}
					}
				}
			}
		}
	}
}

// usualGroups are the groups up to the last that hold copies, by the
// sparse_super rule or as the last group (sparse_super2).
func usualGroups(last int64) []uint64 {
	out := sparseGroups(uint64(max(last, 0)))
	for _, g := range [...]int64{last, last - 1, 2} {
		if g > 1 && !slices.Contains(out, uint64(g)) {
			out = append(out, uint64(g))
		}
	}
	return out
}

// copyAt reports whether a superblock is a sound copy that says it stands at at.
func (sb *superblock) copyAt(at int64) bool {
	g := uint64(sb.GroupNumber)
	return sb.Whole && sb.Fault == "" && g > 0 && g < sb.groups() && sb.hasSuper(g) && sb.superOffset(g) == at
}

// scanCopies looks for copies at every KiB of the start of the volume, for
// volumes made with groups of an unusual size.
func scanCopies(ctx context.Context, r *image.Reader, start, limit int64) ([]found, error) {
	const step = 1 << 20
	buf := make([]byte, step)
	var out []found
	for at := int64(0); at < limit; at += step {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		b := r.Partial(buf[:min(step, limit-at)], start+at)
		for i := 0; i < b.Len(); i += superblockSize {
			raw, ok := b.Get(i, superblockSize)
			if !ok {
				continue
			}
			if sb, ok := parseSuperblock(raw); ok && sb.copyAt(at+int64(i)) {
				out = append(out, found{superblock: sb, at: at + int64(i)})
			}
		}
	}
	return out, nil
}

// newest picks of the volumes that copies speak for the one made last: copies of
// an earlier volume outlast it, and may be more. Of those made at the same time it
// is the one that most copies speak for. Of its copies, and those of each of the
// others, it gives the one written last.
func newest(copies []found) (best *found, others []*found) {
	type volume struct {
		*found
		votes int
	}
	var list []volume
	for i := range copies {
		c := &copies[i]
		k := slices.IndexFunc(list, func(v volume) bool { return v.sameVolume(&c.superblock) })
		if k < 0 {
			list = append(list, volume{c, 1})
			continue
		}
		if list[k].votes++; c.WriteTime > list[k].WriteTime {
			list[k].found = c
		}
	}
	slices.SortStableFunc(list, func(a, b volume) int {
		return cmp.Or(cmp.Compare(b.made(), a.made()), cmp.Compare(b.votes, a.votes), cmp.Compare(b.WriteTime, a.WriteTime))
	})
	for i, v := range list {
		if i == 0 {
			best = v.found
		} else {
			others = append(others, v.found)
		}
	}
	return best, others
}

// refuted reports whether the volume of a copy is not there any more: what was read
// in the place of its first group descriptors is none of its own.
func (f *found) refuted(r *image.Reader, start int64) (no bool) {
	block, ok := descBlock(&f.superblock, 0, 0)
	if !ok {
		return false
	}
	bs := f.blockSize()
	f.eachDesc(0, r.Partial(make([]byte, bs), start+int64(block)*bs), func(_ uint64, _ groupDesc, err error) { no = no || err != nil })
	return no
}

// day is the day of a time on disk, for people.
func day(t uint32) string { return time.Unix(int64(t), 0).UTC().Format(time.DateOnly) }
