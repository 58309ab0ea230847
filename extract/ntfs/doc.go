// Package ntfs reads NTFS volumes, damaged ones above all.
//
// The format is described by the Linux-NTFS project's documentation
// ("ntfs-docs", concepts and files), which the comments here cite as
// [docs: page]. A newcomer may read in this order: bootsector.go and area.go
// (where a volume lies), record.go, fixup.go and attribute.go (a record of the
// file table), runs.go, mapping.go and stream.go (where what it tells of lies),
// and then the stages, each of which has what the one before it found:
//
//   - locate.go and rebuild.go find the file table;
//   - records.go and extensions.go read its records;
//   - names.go gives their names and folders, in the first pass over the table,
//     held.go holds them against the folders' indexes, and index.go, found.go
//     and strayblocks.go tell of names that are open then;
//   - files.go, entries.go and content.go make the files, in the second pass;
//   - listing.go and structures.go say what that leaves open, volume.go is all of
//     it.
//
// What is unread is never guessed. Each 512-byte stride of a record or index
// block stands alone; names come from records and from folder indexes; the
// file table is found through its first record, the mirror of it, or, with
// both gone, by the records themselves.
package ntfs
