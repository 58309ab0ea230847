package hfsplus

import (
	"cmp"
	"slices"
)

// settle works out which of the nodes are in use, and the order of the leaves.
//
// The node map says it. Where the map is unread a node is in use if an index
// node in use points to it with the key that it begins with, or it and a
// neighbour are linked in both directions: a node that is taken out of the tree
// keeps its links, but those to it are changed. A leaf for which neither can be
// told, since the nodes that would tell it are unread, is doubtful; one that
// they would have named is not in use.
func (t *tree) settle() {
	indexGap := false // an index node in use is unread
	if t.mapUnread {
		indexGap = t.reach()
	}
	var order []int
	for i := range t.list {
		x := &t.list[i]
		switch {
		case x.kind != kindLeaf:
			indexGap = indexGap || x.reached && x.kind == kindIndex && x.partial
			if x.kind == kindUnknown { // it may be a leaf, of which no record can be told
				t.unreadNodes++
			}
			continue
		case x.reached:
		case !indexGap || t.contradicted(x):
			continue
		default:
			t.doubtful++
		}
		order = append(order, i)
		t.leafRecords += int64(x.records)
	}
	t.order(order)
	t.deduce()
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

// reach marks the nodes that can be reached from the root and along the links
// of the leaves. It reports whether index nodes in use are unread, so that
// leaves may be in use that were not reached.
func (t *tree) reach() (gap bool) {
	var todo []int
	mark := func(i int) {
		if !t.list[i].reached {
			t.list[i].reached = true
			todo = append(todo, i)
		}
	}
	for i := range t.list {
		if t.list[i].reached {
			todo = append(todo, i)
		}
		if j := t.linked(i); j >= 0 {
			mark(i)
			mark(j)
		}
	}
	if root, ok := t.root(); ok {
		mark(root)
	} else {
		gap = true
	}
	for len(todo) > 0 {
		i := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		x := &t.list[i]
		if x.kind == kindIndex {
			gap = gap || x.partial && x.childEnd-x.child < int(x.records)
			for _, c := range t.children[x.child:x.childEnd] {
				j := t.find(c.node)
				if j < 0 {
					gap = gap || x.height > 2
					continue
				}
				y := &t.list[j]
				if y.kind == kindUnknown && x.height == 2 {
					y.kind = kindLeaf
				}
				sameKind := y.kind == kindLeaf && x.height == 2 || y.kind == kindIndex && (y.height == x.height-1 || y.height == 0)
				if sameKind && (!y.hasFirst || y.firstHash == c.hash) {
					mark(j)
				}
			}
		}
	}
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
