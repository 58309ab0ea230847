// Package extract says what stands where in the image of a failed drive:
// which volumes there are, which files they hold, and at which bytes of the
// image the content of each file lies. It knows nothing of verdicts.
//
// This package holds the plain values that the filesystem readers below it
// (extract/ntfs, extract/fat, ...) hand to verify: [File] with its [Piece]s,
// [Listing], [Structure] and the [Filesystem] interface that each reader
// implements. Offsets and lengths are bytes; image offsets count from the
// first byte of the image.
package extract
