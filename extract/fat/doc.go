// Package fat reads FAT12, FAT16, FAT32 and exFAT volumes as far as they can be
// read. All are one thing: clusters in chains by an allocation table, and
// folders that are clusters of 32-byte slots. What differs stands in the files
// named for it.
//
// FAT: by the copy of the boot sector where the first is unread, by either
// copy of the allocation table sector by sector, and where nothing else is left
// by what the folders and tables themselves prove. exFAT: by the backup boot
// region where the main one is unread, by sets of entries that vouch for
// themselves with a checksum, by runs that need no table, and by the allocation
// bitmap, which tells what is in use though nothing lists it.
//
// A volume is read in stages: the boot sector and what it leads to are located
// ([Open], [OpenExFAT]), the folders are read and their clusters claimed
// (records.go, orphans.go), then the files are named and laid over their
// clusters (files.go), and what was found is summed up (listing.go,
// structures.go).
//
// FAT is the format of the "FAT: General Overview of On-Disk Format", version
// 1.03, called the Overview here; exFAT that of Microsoft's "exFAT file system
// specification", called the specification: numbers are those of its sections.
//
// The number of a file ([extract.File].ID) is the place in the volume of its
// short entry (FAT) or of the first readable slot of its set (exFAT), in bytes
// from the volume's start: it is unique, which a first cluster is not (an empty
// file has none). A folder found without its entry has the place of its first
// cluster plus one, at which no slot is, and a chain without a name that plus two.
package fat
