// Package fat reads FAT12, FAT16 and FAT32 volumes as far as they can be read:
// by the copy of the boot sector where the first is unread, by either copy of
// the allocation table sector by sector, and where nothing else is left by
// what the folders and tables themselves prove.
//
// The format is that of the "FAT: General Overview of On-Disk Format", version
// 1.03, called the Overview here.
//
// The number of a file ([extract.File].ID) is the place in the volume of its
// short entry, in bytes from the volume's start: it is unique, which a first cluster is not (an empty
// file has none). A folder found without its entry has the place of its first
// cluster plus one, at which no slot is; a chain without a name has the place
// of its first cluster.
package fat
