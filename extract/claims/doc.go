// Package claims holds what claims the bytes of a volume, its files and its own
// structures, against each other and against the allocation map. Where two
// claim the same bytes, or a file claims what the map calls free, the volume
// contradicts itself there: nothing that rests on it is proved.
//
// Before the files are given, a [Register] collects what every one of them
// claims and tells what is claimed twice. While they are given, [Owned] takes
// what is listed; crossed with the allocation map it is the volume's space.
package claims
