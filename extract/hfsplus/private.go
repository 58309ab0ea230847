package hfsplus

import (
	"context"
	"fmt"

	"fileassay/extract"
)

// listPrivate takes a file of a private folder. Those that hard links share
// are listed under the links' names; others are files that were deleted while
// open (TN1150, Hard Links), which the next mount would remove.
func (v *files) listPrivate(k catalogKey, rec *fileRecord, doubtful bool, out *listed) {
	if _, ok := numbered(k.name, inodePrefix); ok && k.parent == v.private[0] || doubtful {
		return
	}
	data := v.fork(&rec.data, rec.id, dataFork)
	rsrc := v.fork(&rec.rsrc, rec.id, rsrcFork)
	out.entries = append(out.entries, entry{runs: append(data.runs, rsrc.runs...), own: true})
}

// inodeRecord reads the record of n again, if there is one.
func (v *files) inodeRecord(n *inode) (rec fileRecord, ok bool) {
	if n == nil || n.thread {
		return rec, false
	}
	t := v.trees.catalog
	var buf [2 + catKeyMost + fileSize]byte
	b := t.fork.read(buf[:min(len(buf), t.nodeSize-int(n.at))], int64(n.leaf)*int64(t.nodeSize)+int64(n.at))
	r, ok := parseCatalog(b)
	return r.file, ok && r.ok && r.kind == typeFile && r.file.id == n.id
}

// loose lists the files that hard links share and that no link that was read
// names: under their numbers where names may be unread, else not at all, since
// they were deleted.
func (v *files) loose(ctx context.Context, give func(*entry) error) error {
	whole := v.whole()
	for i := range v.inodes {
		if err := ctx.Err(); err != nil {
			return err
		}
		n := &v.inodes[i]
		if v.linked(n.number) || n.doubtful && v.full(n.parent) {
			continue
		}
		rec, ok := v.inodeRecord(n)
		if !ok {
			continue
		}
		e := entry{own: whole, f: &extract.File{ID: uint64(n.id), Path: fmt.Sprintf("?/%d", n.id), Kind: extract.KindFile, Unnamed: true,
			RecordUnread: n.doubtful, Why: []string{"the records of the hard links that name it are unread"}}}
		v.doubt(e.f)
		var out listed
		v.fill(&e, &rec, n.parent, &out)
		for k := range out.entries {
			out.entries[k].own = whole
			out.entries[k].f.Unnamed = true
			if err := give(&out.entries[k]); err != nil {
				return err
			}
		}
	}
	return nil
}
