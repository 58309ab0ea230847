package hfsplus

import (
	"encoding/binary"
	"errors"
	"fmt"

	"fileassay/extract/partial"
)

// Offsets in a node descriptor, with which every node begins (TN1150, B-trees,
// Node Structure).
const (
	nodeForward    = 0
	nodeBackward   = 4
	nodeKind       = 8
	nodeHeight     = 9
	nodeRecords    = 10
	descriptorSize = 14
)

// The kinds of nodes (TN1150, BTNodeDescriptor).
const (
	kindLeaf    int8 = -1
	kindIndex   int8 = 0
	kindHeader  int8 = 1
	kindMap     int8 = 2
	kindUnknown int8 = -128 // the descriptor was not read
)

// minNode and maxNode are the least and most bytes of a node (TN1150, B-trees).
const (
	minNode = 512
	maxNode = 32768
)

// descriptor is a node's descriptor.
type descriptor struct {
	next, prev uint32
	kind       int8
	height     uint8
	records    int
}

// parseDescriptor decodes the descriptor of a node of size bytes, of which b
// has the first, and checks it.
func parseDescriptor(b []byte, size int) (descriptor, error) {
	if len(b) < descriptorSize {
		return descriptor{}, fmt.Errorf("node: %w: %d bytes", errShort, len(b))
	}
	d := descriptor{next: binary.BigEndian.Uint32(b[nodeForward:]), prev: binary.BigEndian.Uint32(b[nodeBackward:]),
		kind: int8(b[nodeKind]), height: b[nodeHeight], records: int(binary.BigEndian.Uint16(b[nodeRecords:]))}
	switch {
	case d.kind < kindLeaf || d.kind > kindMap:
		return d, fmt.Errorf("node: of kind %d", d.kind)
	case d.kind == kindLeaf && d.height != 1, d.kind == kindIndex && (d.height < 2 || d.height > maxDepth),
		d.kind >= kindHeader && d.height != 0:
		return d, fmt.Errorf("node: of kind %d and height %d", d.kind, d.height)
	case 2*(d.records+1) > size-descriptorSize:
		return d, fmt.Errorf("node: %d records in %d bytes", d.records, size)
	}
	return d, nil
}

// maxDepth bounds the height of trees; with the least fan-out a real one has
// far less.
const maxDepth = 16

// record is where a record stands in its node. A record of an uncertain count
// is one whose node's descriptor is unread: it may be left over from before
// records were taken from the node.
type record struct{ start, end int }

// node is a node as far as it was read.
type node struct {
	partial.Bytes
	number uint32
	descriptor
	recs []record // those whose place is known, in order
	// gone is how many records of the node have no known place; where the
	// descriptor is unread it is not known and 0.
	gone int
	// uncertain says that the descriptor is unread, so that the last of recs
	// may be leftovers.
	uncertain bool
}

// slot is the offset of record i, or of the free space behind the last, from
// the table at the node's end.
func (n *node) slot(i int) (off int, ok bool) {
	at := n.Len() - 2*(i+1)
	if at < descriptorSize {
		return 0, false
	}
	v, ok := n.Uint16(binary.BigEndian, at)
	return int(v), ok
}

var (
	errOffsets = errors.New("node: its table of record offsets is out of order")
	errUnread  = errors.New("node: is unread")
)

// sizer tells how many bytes the record at at has; ok is false where what was
// read of it does not say.
type sizer func(b partial.Bytes, at int) (size int, ok bool)

// parse finds the records of the node: by the table of offsets where it was
// read, else by following the records, which stand without gaps.
func (n *node) parse(number uint32, b partial.Bytes, size sizer) error {
	n.number, n.Bytes = number, b
	n.recs, n.gone, n.uncertain = n.recs[:0], 0, false
	if !n.Has(0, descriptorSize) {
		n.descriptor = descriptor{kind: kindUnknown}
		n.uncertain = true
		if n.None() {
			return errUnread
		}
		n.guess()
		return nil
	}
	var err error
	if n.descriptor, err = parseDescriptor(n.Data, n.Len()); err != nil {
		return err
	}
	limit := n.Len() - 2*(n.records+1)
	at, known := descriptorSize, true // where record i begins
	for i := range n.records {
		if off, ok := n.slot(i); ok {
			if known && off != at && i == 0 || off < at || off > limit {
				return errOffsets
			}
			at, known = off, true
		}
		end, ok := n.slot(i + 1)
		if ok && (end <= at || end > limit) {
			return errOffsets
		}
		if !known {
			n.gone++
			continue
		}
		if !ok && size != nil {
			var s int
			if s, ok = size(b, at); ok {
				if end = at + s; end > limit {
					return errOffsets
				}
			}
		}
		if ok {
			n.recs = append(n.recs, record{at, end})
			at = end
			continue
		}
		n.gone++
		known = false
	}
	return nil
}

// guess finds the records of a node whose descriptor is unread, as far as the
// table of offsets goes. The last may be leftovers.
func (n *node) guess() {
	at, ok := n.slot(0)
	if !ok || at != descriptorSize {
		return
	}
	for i := 1; ; i++ {
		end, ok := n.slot(i)
		if !ok || end <= at || end > n.Len()-2*(i+1) {
			return
		}
		n.recs = append(n.recs, record{at, end})
		at = end
	}
}
