// Package chain holds what the readers of FAT and exFAT volumes share: a
// volume whose files are chains of clusters in an allocation table, and whose
// folders are clusters of 32-byte slots.
//
// A [Table] gives the entries of the allocation table out of all its copies,
// sector by sector. A [Tree] walks the folders, follows every chain as runs,
// finds what is claimed twice, and looks for folders and files whose own entry
// was not read. What a slot of a folder means is the business of a [Format],
// which each filesystem brings.
package chain
