package ntfs

import (
	"cmp"
	"context"
	"iter"
	"slices"

	"fileassay/extract/claims"
	"fileassay/extract/ranges"
)

// A record of a format before 3.1 does not state its number. Where a sector of
// another record was read in its place, nothing in it says so, but its names do:
// its folder has other names for it, or has the very names for the other record.

// ownName is a name that such a record has of itself: a hash of folder and name.
type ownName struct{ name, record uint64 }

func (o ownName) byRecord(n uint64) int { return cmp.Compare(o.record, n) }

// hashName hashes a name in a folder (FNV-1a).
func hashName(parent reference, name []uint16) uint64 {
	const prime = 0x100000001b3
	h := uint64(0xcbf29ce484222325)
	for i := range 8 {
		h = (h ^ uint64(parent)>>(8*i)&0xff) * prime
	}
	for _, u := range name {
		h = (h ^ uint64(u)) * prime
	}
	return h
}

// owns reports whether a folder's entry is one of the names that the record of
// its child has of itself.
func (c *names) owns(e indexEntry) bool {
	n, name := e.child.number(), hashName(e.parent, e.name)
	i, _ := slices.BinarySearchFunc(c.own, n, ownName.byRecord)
	for ; i < len(c.own) && c.own[i].record == n; i++ {
		if c.own[i].name == name {
			return true
		}
	}
	return false
}

// judgeUnstated finds the records without a number in whose place another one's
// stands, and makes them damaged ones. A record that some folder names as it names
// itself is in its place.
func (c *names) judgeUnstated(ctx context.Context) error {
	if len(c.own) == 0 {
		return nil
	}
	byName := slices.Clone(c.own)
	slices.SortFunc(byName, func(a, b ownName) int {
		return cmp.Or(cmp.Compare(a.name, b.name), cmp.Compare(a.record, b.record))
	})
	last := uint64(0)
	for _, o := range c.own {
		if n := o.record; n != last && c.marks[n]&markNamed == 0 && c.isUsed(n) {
			if last = n; c.elsewhere(n, byName) {
				c.stranger(n)
				c.damaged++
				delete(c.folders, n)
			}
		}
	}
	if len(c.strangers) == 0 {
		return nil
	}
	return c.claimAgain(ctx)
}

// elsewhere reports whether the record that stands in the place of record n, and
// that no folder names so by a name in it, is another one.
func (c *names) elsewhere(n uint64, byName []ownName) bool {
	f := c.file(c.readRecord(n))
	own := f.names()
	known := setOf(own)
	other := false
	for _, e := range c.byFolder[n] {
		if e.child == f.ref() && known[e.key()] {
			return false
		}
		other = other || e.child == f.ref() && e.space != nameDOS
	}
	return other || slices.ContainsFunc(own, func(e indexEntry) bool {
		name := hashName(e.parent, e.name)
		i, _ := slices.BinarySearchFunc(byName, name, func(o ownName, name uint64) int { return cmp.Compare(o.name, name) })
		for ; i < len(byName) && byName[i].name == name; i++ {
			if m := byName[i].record; m != n && c.marks[m]&markNamed != 0 {
				return true
			}
		}
		return false
	})
}

// claimAgain passes over the table for what its records claim, after some were
// found to be none of it.
func (c *names) claimAgain(ctx context.Context) error {
	c.claims, c.freed = claims.Register{}, ranges.Set{}
	err := overTable(ctx, c.table, "", func(records iter.Seq[*record]) *namesChunk {
		k := &namesChunk{names: &names{table: c.table}}
		for rec := range records {
			k.claim(rec)
		}
		return k
	}, func(k *namesChunk) error {
		c.claims.AddAll(&k.claims)
		return nil
	})
	if err != nil {
		return err
	}
	return c.crossClaims(ctx)
}
