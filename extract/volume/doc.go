// Package volume finds the volumes of an image: it reads the partition tables
// (MBR with logical drives, GPT with its backup, Apple partition map, none at
// all), says what fills each partition, and where the tables are unread or
// senseless finds the volumes by their own boot sectors and superblocks.
//
// [Find] gives the [Layout]; [Open] opens one of its volumes with the reader of
// its filesystem. The readers are the explicit list in kinds.go: a place is
// taken for a volume of a filesystem only where that filesystem's own Open
// accepts it. Everything is read through [image.Reader], so nothing here can
// depend on a sector that was not read.
package volume
