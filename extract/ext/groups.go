package ext

import (
	"fmt"

	"fileassay/extract/ranges"
)

// maxGroups bounds the descriptors held in memory: 2^21 groups are 256 TiB in
// blocks of 4 KiB.
const maxGroups = 1 << 21

// groupTable is the sound descriptor of every group, from whichever copy had
// it, with what was found on the way.
type groupTable struct {
	list    []groupDesc
	backups int      // groups whose descriptor is from a copy
	unknown int      // groups without one
	faults  []string // why descriptors of the primary were passed over, a few
}

// maxFaults bounds the faults of one kind that are told one by one.
const maxFaults = 8

// loadGroups reads the descriptors block by block, each from the primary, and
// where that does not give it from a copy.
func (v *layout) loadGroups() {
	sb := &v.sb
	if v.shape != nil {
		v.groups = groupTable{list: []groupDesc{*v.shape}}
		v.findSystem()
		return
	}
	t := groupTable{list: make([]groupDesc, sb.groups()), unknown: int(sb.groups())}
	buf := make([]byte, v.bs)
	per := uint64(v.bs) / uint64(sb.DescSize)
	for i := range descBlocks(sb) {
		missing := min(per, sb.groups()-i*per)
		for n, at := range descCopies(sb, i) {
			block, ok := descBlock(sb, i, at)
			if !ok || missing == 0 {
				continue
			}
			sb.eachDesc(i, v.read(buf, block), func(g uint64, d groupDesc, err error) {
				switch {
				case t.list[g].Known:
				case err == nil:
					d.Backup = n > 0
					t.list[g] = d
					missing--
					t.unknown--
					if n > 0 {
						t.backups++
					}
				case n == 0 && len(t.faults) < maxFaults:
					t.faults = append(t.faults, err.Error())
				}
			})
		}
	}
	v.groups = t
	v.findSystem()
}

// findSystem notes the blocks that hold the volume's fixed structures, which
// no file can lie in. ext4: blockgroup, "Layout".
func (v *layout) findSystem() {
	sb := &v.sb
	v.system = ranges.Set{}
	add := func(block, count uint64) {
		if block < sb.Blocks {
			count = min(count, sb.Blocks-block)
			v.system.Add(int64(block), int64(count))
		}
	}
	if sb.FirstDataBlock > 0 {
		add(0, uint64(sb.FirstDataBlock)) // the boot block, outside all groups
	}
	meta := sb.Incompat&incompatMetaBG != 0
	plain := sb.plainDescBlocks()
	for g := range sb.groups() {
		if sb.hasSuper(g) {
			n := uint64(1)
			if g == 0 && sb.FirstDataBlock == 0 && v.bs == 1024 {
				n = 2
			}
			add(sb.groupFirst(g), n+plain)
		}
		if d := &v.groups.list[g]; d.Known {
			if !d.NoBitmaps {
				add(d.BlockBitmap, 1)
				add(d.InodeBitmap, 1)
			}
			add(d.InodeTable, tableBlocks(sb))
		}
	}
	if meta {
		for i := uint64(sb.FirstMetaBG); i < descBlocks(sb); i++ {
			for _, at := range descCopies(sb, i) {
				if b, ok := descBlock(sb, i, at); ok {
					add(b, 1)
				}
			}
		}
	}
	v.system.Len() // settle, so that goroutines may ask it
}

// notes say what was used in place of what was unread.
func (t *groupTable) notes() []string {
	var out []string
	if t.backups > 0 {
		out = append(out, fmt.Sprintf("group descriptors of %d groups are taken from copies", t.backups))
	}
	out = append(out, t.faults...)
	return out
}
