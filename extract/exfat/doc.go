// Package exfat reads exFAT volumes as far as they can be read: by the backup
// boot region where the main one is unread, by sets of entries that vouch for
// themselves with a checksum, by runs that need no table, and by the
// allocation bitmap, which tells what is in use though nothing lists it.
//
// The format is that of Microsoft's "exFAT file system specification", called
// the specification here; numbers are those of its sections.
//
// The number of a file ([extract.File].ID) is the place in the volume of
// the first readable slot of its set, in bytes from the volume's start. A folder found without its entry
// has the place of its first cluster plus one, at which no slot is; a chain
// without a name has the place of its first cluster.
package exfat
