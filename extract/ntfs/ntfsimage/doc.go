// Package ntfsimage builds small NTFS volumes in memory for tests: volumes of
// any cluster, record and sector size, with their files laid out as a test
// wants them. It knows nothing of the readers that the tests are of, and shares
// no code with them.
//
// The layout follows the Linux-NTFS documentation (flatcap/ntfs-docs).
package ntfsimage
