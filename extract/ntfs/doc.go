// Package ntfs reads NTFS volumes, damaged ones above all.
//
// The format is described by the Linux-NTFS project's documentation
// ("ntfs-docs", concepts and files), which the comments here cite as
// [docs: page]. A newcomer may read in this order: bootsector.go (where the
// file table begins), record.go and fixup.go (a record of the table),
// attribute.go, runs.go and attrlist.go (what a record holds and where), table.go
// (the table itself), filename.go and index.go (names), content.go (where a
// file's bytes lie), volume.go (the walk over all files).
//
// What is unread is never guessed. Each 512-byte stride of a record or index
// block stands alone; names come from records and from folder indexes; the
// file table is found through its first record, the mirror of it, or, with
// both gone, by the records themselves.
package ntfs
