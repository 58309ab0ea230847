package hfsplus

import (
	"cmp"
	"slices"

	"fileassay/extract/bitmap"
)

// settle works out which of the nodes are in use, and the order of the leaves.
//
// The tree says it: a node is in use if an index node in use points to it with the
// key that it begins with, or it and a neighbour in use are linked in both
// directions: a node that is taken out of the tree keeps its links, but those to it
// are changed. Where index nodes are unread or point to what does not fit, the node
// map says it, unless a neighbour in use is not linked with the node. A leaf for which
// nothing tells, since what would is unread, is doubtful. Where map, index and links
// do not agree that is said.
func (t *tree) settle() {
	gap := t.reach()
	var order []int
	for i := range t.list {
		x := &t.list[i]
		if x.reached && x.free {
			t.odd++
			if x.partial {
				t.partNodes++
			}
		}
		if x.kind != kindLeaf {
			if x.kind == kindUnknown && !x.free { // it may be a leaf, of which no record can be told
				t.unreadNodes++
			}
			if x.mapped && !x.reached && !gap && x.kind == kindIndex {
				t.odd++
			}
			continue
		}
		switch {
		case x.reached:
		case x.free:
			continue
		case !gap || t.contradicted(x):
			if x.mapped {
				t.odd++
			}
			continue
		case x.mapped:
			x.reached = true
		default:
			t.doubtful++
		}
		order = append(order, i)
		t.leafRecords += int64(x.records)
	}
	t.order(order)
	t.deduce()
	if t.headerOK && int64(t.header.totalNodes) != t.fork.size/int64(t.nodeSize) {
		t.odd++
	}
}

// deduce finds the number of records of a leaf whose descriptor is unread, if
// it is the only one whose number is not known: the tree's header has the sum.
func (t *tree) deduce() {
	if !t.headerOK || t.mapUnread || t.short() {
		return
	}
	for _, l := range t.leaves {
		if x := &t.list[t.find(l.number)]; x.height == 0 {
			if t.counted != 0 {
				t.counted = 0
				return
			}
			t.counted, t.count = x.number, int(int64(t.header.leafRecords)-t.leafRecords)
		}
	}
}

// reach marks the nodes that can be reached from the root and along the links of the
// leaves. It reports whether index nodes in use are unread or point to what does not
// fit, so that leaves may be in use that were not reached.
func (t *tree) reach() (gap bool) {
	var todo []int
	mark := func(i int) {
		if !t.list[i].reached {
			t.list[i].reached = true
			todo = append(todo, i)
		}
	}
	if root, ok := t.root(); ok {
		mark(root)
	} else {
		gap = true
	}
	follow := func() {
		for len(todo) > 0 {
			i := todo[len(todo)-1]
			todo = todo[:len(todo)-1]
			x := &t.list[i]
			if j := t.linked(i); j >= 0 {
				mark(j)
			}
			if j := t.find(x.prev); x.prev != 0 && j >= 0 && t.linked(j) == i {
				mark(j)
			}
			if x.kind != kindIndex {
				continue
			}
			gap = gap || x.partial && x.childEnd-x.child < int(x.records)
			for _, c := range t.children[x.child:x.childEnd] {
				j := t.find(c.node)
				if j < 0 {
					gap = gap || x.height > 2
					if t.used.Get(int64(c.node)) == bitmap.Clear { // or it is no node at all
						t.unreadNodes++
						t.odd++
					}
					continue
				}
				y := &t.list[j]
				if y.kind == kindUnknown && x.height == 2 {
					y.kind = kindLeaf
				}
				sameKind := y.kind == kindLeaf && x.height == 2 || y.kind == kindIndex && (y.height == x.height-1 || y.height == 0)
				if sameKind && (!y.hasFirst || y.firstHash == c.hash) {
					mark(j)
				} else {
					gap = true
					t.odd++
				}
			}
		}
	}
	follow()
	if !gap {
		return false
	}
	// what the index does not lead to is in use where two nodes name each other
	for i := range t.list {
		if j := t.linked(i); j >= 0 && !t.list[i].free && !t.list[j].free {
			mark(i)
			mark(j)
		} else if t.list[i].mapped && t.list[i].kind == kindIndex {
			mark(i)
		}
	}
	follow()
	return gap
}

// linked is the node behind nodes[i], if that one has it for its neighbour too
// and their keys are in order; else -1.
func (n *nodes) linked(i int) int {
	x := &n.list[i]
	if x.height == 0 || x.next == 0 || x.next == x.number {
		return -1
	}
	j := n.find(x.next)
	if j < 0 {
		return -1
	}
	if y := &n.list[j]; y.prev == x.number && y.height == x.height && y.kind == x.kind && y.firstID >= x.lastID {
		return j
	}
	return -1
}

// root is the tree's root: the node that the header names, else the only one
// of the greatest height, if it has no neighbours.
func (t *tree) root() (int, bool) {
	if t.headerOK {
		i := t.find(t.header.root)
		return i, i >= 0
	}
	best, alone := -1, false
	for i := range t.list {
		switch x := &t.list[i]; {
		case x.kind > kindIndex || x.height == 0:
		case best < 0 || x.height > t.list[best].height:
			best, alone = i, x.next == 0 && x.prev == 0
		case x.height == t.list[best].height:
			alone = false
		}
	}
	return best, alone
}

// contradicted reports whether a leaf's neighbours, which are in use, are not
// linked with it.
func (n *nodes) contradicted(x *nodeInfo) bool {
	if x.height == 0 {
		return false
	}
	if j := n.find(x.next); x.next != 0 && j >= 0 && n.list[j].reached && n.list[j].height != 0 && n.list[j].prev != x.number {
		return true
	}
	if j := n.find(x.prev); x.prev != 0 && j >= 0 && n.list[j].reached && n.list[j].height != 0 && n.list[j].next != x.number {
		return true
	}
	return false
}

// order puts the leaves, given by their indexes in list, in the order of the
// tree: along the links, and where those break by the numbers their keys begin
// with.
func (n *nodes) order(list []int) {
	next, led := map[int]int{}, map[int]bool{} // where two leaves name each other
	for _, i := range list {
		x := &n.list[i]
		if j := n.find(x.next); x.next != 0 && j >= 0 && n.list[j].prev == x.number {
			if _, ok := slices.BinarySearch(list, j); ok {
				next[i], led[j] = j, true
			}
		}
	}
	heads := slices.DeleteFunc(slices.Clone(list), func(i int) bool { return led[i] })
	slices.SortStableFunc(heads, func(a, b int) int {
		return cmp.Or(cmp.Compare(n.list[a].firstID, n.list[b].firstID), cmp.Compare(n.list[a].number, n.list[b].number))
	})
	n.leaves = make([]leaf, 0, len(list))
	put := func(i int) { n.leaves = append(n.leaves, leaf{n.list[i].number, !n.list[i].reached}) }
	for _, i := range heads {
		for ok := true; ok; i, ok = next[i] {
			put(i)
			delete(led, i)
		}
	}
	for _, i := range list { // rings of links, which no sound tree has
		if led[i] {
			put(i)
		}
	}
}
