package volume

import (
	"strings"

	"fileassay/extract"
	"fileassay/extract/lvm"
	"fileassay/extract/mdraid"
	"fileassay/extract/ranges"
)

// headPlaces are where, from a volume's start, the structure lies that a family
// is opened by: what a volume that is all unread needs first.
func headPlaces(family string) []ranges.Range {
	switch family {
	case "ext":
		return []ranges.Range{{Start: 1024, End: 2048}} // the superblock
	case "hfsplus":
		return []ranges.Range{{Start: 1024, End: 1536}} // the volume header
	case lvmMember:
		return lvm.Heads()
	case mdMember:
		return mdraid.Heads()
	}
	return []ranges.Range{{Start: 0, End: step}} // the boot sector
}

// unknownHead is what is needed of a volume of which not even a table says what
// it is: it holds the first structure of every family.
const unknownHead = 4096

// tableNeeds are the unread parts of the partition tables. The backup of a GPT
// lies at the far end of the drive and is never the next thing to read.
func tableNeeds(list []extract.Structure) []ranges.Range {
	const gpt, backup = "GPT ", "GPT backup "
	vouched := false // the backup makes up for the primary
	for _, s := range list {
		vouched = vouched || s.Name == backup+"entries" && s.Health == extract.HealthRead
	}
	var out []ranges.Range
	for _, s := range list {
		if s.Unread == 0 || s.Image < 0 || strings.HasPrefix(s.Name, backup) || vouched && strings.HasPrefix(s.Name, gpt) {
			continue
		}
		out = append(out, ranges.Range{Start: s.Image, End: s.Image + s.Length})
	}
	return out
}

// needs is what a volume that no reader accepts needs: where its first
// structure was read, what the reader asks for; else that structure, by the
// type that the table gives.
func (p *places) needs(v *Volume) []ranges.Range {
	first := p.primaries(v.Start)
	var out []ranges.Range
	for _, c := range first {
		for _, length := range []int64{v.Length, c.Length} {
			_, needs := p.tried[attempt{c.kind.Name, v.Start, length, false}].refusal()
			for _, n := range needs {
				out = append(out, ranges.Range{Start: n.Start - p.offset, End: n.End - p.offset})
			}
		}
	}
	if len(first) > 0 {
		return out
	}
	var families []string
	if v.Partition != nil {
		families = v.Partition.hints()
	}
	for _, family := range families {
		for _, at := range headPlaces(family) {
			out = append(out, ranges.Range{Start: v.Start + at.Start, End: v.Start + at.End})
		}
	}
	if len(families) == 0 {
		out = append(out, ranges.Range{Start: v.Start, End: v.Start + min(v.Length, unknownHead)})
	}
	return out
}

// moveSpans moves ranges by an offset.
func moveSpans(list []ranges.Range, by int64) {
	for i := range list {
		list[i].Start += by
		list[i].End += by
	}
}
