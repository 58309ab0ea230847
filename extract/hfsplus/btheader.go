package hfsplus

import (
	"encoding/binary"
	"fmt"
	"math/bits"
)

// Offsets in the header record, which stands behind the descriptor of node 0
// (TN1150, B-trees, Header Record).
const (
	bthDepth      = descriptorSize + 0
	bthRoot       = descriptorSize + 2
	bthRecords    = descriptorSize + 6
	bthFirst      = descriptorSize + 10
	bthLast       = descriptorSize + 14
	bthNodeSize   = descriptorSize + 18
	bthTotalNodes = descriptorSize + 22
	bthFreeNodes  = descriptorSize + 26
	bthEnd        = descriptorSize + 106
	// The map record is the third, behind 128 bytes of user data.
	bthMap = bthEnd + 128
)

// treeHeader is the header record of a B-tree (TN1150, BTHeaderRec).
type treeHeader struct {
	depth       int
	root        uint32
	leafRecords uint32
	first, last uint32 // leaf nodes
	nodeSize    int
	totalNodes  uint32
	freeNodes   uint32
	firstMap    uint32 // the first map node; 0 where there is none
}

// parseTreeHeader decodes the begin of node 0 and checks it.
func parseTreeHeader(b []byte) (treeHeader, error) {
	var h treeHeader
	if len(b) < bthEnd {
		return h, fmt.Errorf("tree header: %w: %d bytes", errShort, len(b))
	}
	if int8(b[nodeKind]) != kindHeader {
		return h, fmt.Errorf("tree header: node 0 is of kind %d", int8(b[nodeKind]))
	}
	h = treeHeader{
		depth:       int(binary.BigEndian.Uint16(b[bthDepth:])),
		root:        binary.BigEndian.Uint32(b[bthRoot:]),
		leafRecords: binary.BigEndian.Uint32(b[bthRecords:]),
		first:       binary.BigEndian.Uint32(b[bthFirst:]),
		last:        binary.BigEndian.Uint32(b[bthLast:]),
		nodeSize:    int(binary.BigEndian.Uint16(b[bthNodeSize:])),
		totalNodes:  binary.BigEndian.Uint32(b[bthTotalNodes:]),
		freeNodes:   binary.BigEndian.Uint32(b[bthFreeNodes:]),
		firstMap:    binary.BigEndian.Uint32(b[nodeForward:]),
	}
	switch {
	case !validNodeSize(h.nodeSize):
		return h, fmt.Errorf("tree header: nodes of %d bytes", h.nodeSize)
	case h.depth > maxDepth:
		return h, fmt.Errorf("tree header: a tree of depth %d", h.depth)
	case h.totalNodes == 0 || h.freeNodes > h.totalNodes:
		return h, fmt.Errorf("tree header: %d of %d nodes free", h.freeNodes, h.totalNodes)
	case h.root >= h.totalNodes || h.first >= h.totalNodes || h.last >= h.totalNodes || h.firstMap >= h.totalNodes:
		return h, fmt.Errorf("tree header: root %d, leaves %d to %d, map node %d in a tree of %d nodes", h.root, h.first, h.last, h.firstMap, h.totalNodes)
	}
	return h, nil
}

func validNodeSize(n int) bool {
	return n >= minNode && n <= maxNode && bits.OnesCount(uint(n)) == 1
}
