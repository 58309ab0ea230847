package hfsplus

import (
	"cmp"
	"context"
	"encoding/binary"
	"slices"

	"fileassay/extract"
	"fileassay/extract/partial"
)

// Offsets in a key of the attributes file (hfs_format.h, HFSPlusAttrKey;
// TN1150, Attributes File).
const (
	attrFile    = 4
	attrNameLen = 12
	attrName    = 14
)

// The types of attribute records, and offsets in them (TN1150, Attributes
// File; of inline ones hfs_format.h, HFSPlusAttrData).
const (
	attrInline     = 0x10
	attrForkData   = 0x20
	attrExtents    = 0x30
	attrInlineSize = 12
	attrInlineData = 16
	attrForkAt     = 8
	attrLeast      = 16
)

// compressedName is the name of the attribute that says how content is
// compressed.
const compressedName = "com.apple.decmpfs"

// attributeSize tells how many bytes a leaf record of the attributes file has.
func attributeSize(b partial.Bytes, at int) (int, bool) {
	length, ok := b.Uint16(binary.BigEndian, at)
	key := 2 + int(length)
	if !ok || !b.Has(at+key, attrLeast) {
		return 0, false
	}
	switch binary.BigEndian.Uint32(b.Data[at+key:]) {
	case attrInline:
		size := binary.BigEndian.Uint32(b.Data[at+key+attrInlineSize:])
		if size > maxNode {
			return 0, false
		}
		return key + attrInlineData + int(size+1)&^1, true
	case attrForkData:
		return key + attrForkAt + forkSize, true
	case attrExtents:
		return key + attrForkAt + 8*extentsInRecord, true
	}
	return 0, false
}

// attributeRecord is a record of the attributes file.
type attributeRecord struct {
	file  uint32
	name  []byte // as stored
	kind  uint32
	data  int // where an inline attribute's bytes begin in the record
	bytes int // how many
	fork  forkData
}

// parseAttribute decodes a leaf record of the attributes file.
func parseAttribute(b []byte) (a attributeRecord, ok bool) {
	size, ok := attributeSize(partial.Bytes{Data: b}, 0)
	if !ok || size > len(b) || len(b) < attrName {
		return a, false
	}
	key, units := 2+int(binary.BigEndian.Uint16(b)), int(binary.BigEndian.Uint16(b[attrNameLen:]))
	if key < attrName+2*units {
		return a, false
	}
	a = attributeRecord{file: binary.BigEndian.Uint32(b[attrFile:]), name: b[attrName : attrName+2*units],
		kind: binary.BigEndian.Uint32(b[key:])}
	switch a.kind {
	case attrInline:
		a.data, a.bytes = key+attrInlineData, int(binary.BigEndian.Uint32(b[key+attrInlineSize:]))
	case attrForkData:
		a.fork = parseFork(b[key+attrForkAt:])
	case attrExtents:
		a.fork.runs = parseRuns(b[key+attrForkAt:])
	}
	return a, true
}

// compressedFile is what the attributes say of a file that is kept compressed.
type compressedFile struct {
	file     uint32
	doubtful bool // the record may be out of use, or is not wholly read
	unusable bool // the attribute is in a fork of its own or has not its mark, which no system does
	method   uint32
	size     uint64
	data     int64 // in the attributes file, of what follows the attribute's header
	bytes    int64 // of it
	first    byte  // of it
}

// compressedFiles is what was read of the attributes file.
type compressedFiles struct {
	list   []compressedFile // by file
	blocks []blockRun       // of attributes in forks of their own
	some   bool             // records may be missing
}

// loadCompressed reads the attributes file.
func (l *layout) loadCompressed(ctx context.Context, o extract.Options) (*compressedFiles, error) {
	x := &compressedFiles{}
	t := l.trees.attributes
	if t == nil {
		return x, nil
	}
	err := each(ctx, t, o, func(n *node, doubtful bool, out *compressedFiles) {
		out.some = out.some || n.gone > 0 || n.uncertain
		last := uint32(0)
		for _, r := range n.recs {
			b := n.Slice(r.start, r.end-r.start)
			a, ok := parseAttribute(b.Data)
			out.some = out.some || !ok || !b.Whole()
			// The head of a compressed file's attribute is enough to locate its
			// content.
			if !ok || !b.Whole() && !b.Has(0, a.data+decmpfsHeader) {
				continue
			}
			for _, run := range a.fork.runs {
				if run.count > 0 && l.header.holds(run) {
					out.blocks = append(out.blocks, run)
				}
			}
			if !isName(a.name, compressedName) {
				continue
			}
			// keys that are out of order are not all what was written
			c := compressedFile{file: a.file, doubtful: doubtful || n.uncertain, unusable: a.kind != attrInline || a.file < last}
			if last = max(last, a.file); c.unusable && len(out.list) > 0 && a.kind == attrInline {
				out.list[len(out.list)-1].unusable = true
			}
			if !c.unusable {
				c.unusable = !parseDecmpfs(b.Data[a.data:a.data+a.bytes], &c)
				c.data = int64(n.number)*int64(t.nodeSize) + int64(r.start+a.data+decmpfsHeader)
				if c.bytes > 0 && !b.Has(a.data+decmpfsHeader, 1) {
					c.bytes, c.doubtful = 0, true
				}
			}
			out.list = append(out.list, c)
		}
	}, func(out compressedFiles) error {
		x.list = append(x.list, out.list...)
		x.blocks = append(x.blocks, out.blocks...)
		x.some = x.some || out.some
		return nil
	})
	x.some = x.some || t.short()
	slices.SortStableFunc(x.list, func(a, b compressedFile) int {
		return cmp.Or(cmp.Compare(a.file, b.file), cmp.Compare(flag(a.doubtful), flag(b.doubtful)))
	})
	x.list = slices.CompactFunc(x.list, func(a, b compressedFile) bool { return a.file == b.file })
	return x, err
}

// of is what the attributes say of a file; nil where they say nothing.
func (x *compressedFiles) of(file uint32) *compressedFile {
	i, ok := slices.BinarySearchFunc(x.list, file, func(c compressedFile, file uint32) int { return cmp.Compare(c.file, file) })
	if !ok {
		return nil
	}
	return &x.list[i]
}
