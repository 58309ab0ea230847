// Package tooltest holds tests that compare what verify says of NTFS volumes
// with what another implementation says of them: the driver and the utilities
// of ntfs-3g, run on the same images. They need root and those tools, so they
// run only where FILEASSAY_TOOLS is 1; there a missing tool is a failure.
package tooltest
