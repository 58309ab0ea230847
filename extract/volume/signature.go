package volume

import (
	"fileassay/extract/image"
)

// signature is the published mark of something that no reader here lists.
type signature struct {
	filesystem string
	at         int64 // bytes from the volume's start
	mark       string
	reason     string // why the volume cannot be listed
	noFiles    bool
	// also, where set, is a second mark that must stand too.
	also   string
	alsoAt int64
}

const (
	noReader  = "no reader for this filesystem"
	encrypted = "encrypted: its files cannot be told without the key"
	pooled    = "part of a storage pool: the filesystem inside it is not listed"
)

// signatures, most telling first. Beside each: where it is published.
func signatures() []signature {
	list := []signature{
		// "LUKS On-Disk Format Specification", 1.2.3, section 2.3; LUKS2 On-Disk Format Specification, 1.1.1, section 2.1
		{filesystem: "luks", at: 0, mark: "LUKS\xBA\xBE", reason: encrypted},
		// common practice, no source: the volume boot record of BitLocker Drive Encryption carries this OEM name
		{filesystem: "bitlocker", at: 3, mark: "-FVE-FS-", reason: encrypted},
		// XFS Algorithms & Data Structures, "Superblocks": sb_magicnum
		{filesystem: "xfs", at: 0, mark: "XFSB", reason: noReader},
		// Apple File System Reference, "Container", nx_magic after the 32-byte object header
		{filesystem: "apfs", at: 32, mark: "NXSB", reason: noReader},
		// Btrfs documentation, "On-disk format", Superblock: magic at 64 of the superblock at 64 KiB, copies at 64 MiB and 256 GiB
		// and, at 48, the superblock's own place, so that one of another volume is none of this
		{filesystem: "btrfs", at: 0x10000 + 64, mark: "_BHRfS_M", also: "\x00\x00\x01\x00\x00\x00\x00\x00", alsoAt: 0x10000 + 48, reason: noReader},
		{filesystem: "btrfs", at: 0x4000000 + 64, mark: "_BHRfS_M", also: "\x00\x00\x00\x04\x00\x00\x00\x00", alsoAt: 0x4000000 + 48, reason: noReader},
		// [MS-FSCC] names the system; the mark in the boot sector is common practice, no source
		{filesystem: "refs", at: 3, mark: "ReFS\x00\x00\x00\x00", reason: noReader},
		// Linux kernel include/uapi/linux/raid/md_p.h, version 1.1 and 1.2 superblocks
		{filesystem: mdMember, at: 0, mark: "\xFC\x4E\x2B\xA9\x01\x00\x00\x00", reason: pooled},
		{filesystem: mdMember, at: 4096, mark: "\xFC\x4E\x2B\xA9\x01\x00\x00\x00", reason: pooled},
		// common practice, no source: Core Storage physical volume header
		{filesystem: "core storage", at: 88, mark: "CS", also: "\x01\x00", alsoAt: 8, reason: pooled},
		// ECMA-167, 3/9.1: the volume recognition sequence from 32 KiB on
		{filesystem: "udf", at: 34817, mark: "NSR0", also: "BEA01", alsoAt: 32769, reason: noReader},
		{filesystem: "udf", at: 36865, mark: "NSR0", reason: noReader},
		// ECMA-119, 8.4.2: the standard identifier of the descriptors from sector 16 of 2048 bytes
		{filesystem: "iso9660", at: 32769, mark: "CD001", reason: noReader},
		// Inside Macintosh: Files, "Master Directory Blocks": drSigWord; the embedded HFS+ of TN1150 is looked for before
		{filesystem: "hfs", at: 1024, mark: "BD", also: "\x00\x03", alsoAt: 1024 + 14, reason: noReader},
		// Linux kernel Documentation/filesystems/f2fs.rst and include/linux/f2fs_fs.h
		{filesystem: "f2fs", at: 1024, mark: "\x10\x20\xF5\xF2", reason: noReader},
		// Linux kernel Documentation/filesystems/squashfs.rst, superblock magic
		{filesystem: "squashfs", at: 0, mark: "hsqs", reason: noReader},
		// Linux kernel fs/jfs/jfs_superblock.h: at 32 KiB
		{filesystem: "jfs", at: 32768, mark: "JFS1", reason: noReader},
		// Linux kernel fs/reiserfs/reiserfs.h: magic 52 bytes into the superblock at 64 KiB
		{filesystem: "reiserfs", at: 65536 + 52, mark: "ReIsEr", reason: noReader},
		// FreeBSD sys/ufs/ffs/fs.h: fs_magic 1372 bytes into the superblock at 64 KiB (UFS2) or 8 KiB (UFS1)
		{filesystem: "ufs", at: 65536 + 1372, mark: "\x19\x01\x54\x19", reason: noReader},
		{filesystem: "ufs", at: 8192 + 1372, mark: "\x54\x19\x01\x00", reason: noReader},
	}
	// lvm2, lib/format_text/layout.h: the label stands in one of the first four sectors
	for sector := int64(0); sector < 4; sector++ {
		list = append(list, signature{filesystem: lvmMember, at: sector * 512, mark: "LABELONE", also: "LVM2 001", alsoAt: sector*512 + 24, reason: pooled})
	}
	// ZFS On-Disk Specification, 1.3.3: uberblocks of 1 KiB in the second half of the 256 KiB label, either byte order
	for slot := int64(0); slot < 128; slot++ {
		at := 128<<10 + slot<<10
		list = append(list,
			signature{filesystem: "zfs", at: at, mark: "\x0C\xB1\xBA\x00\x00\x00\x00\x00", reason: pooled},
			signature{filesystem: "zfs", at: at, mark: "\x00\x00\x00\x00\x00\xBA\xB1\x0C", reason: pooled})
	}
	// Linux kernel include/linux/swap.h, union swap_header: at the end of the first page
	for _, page := range []int64{4096, 8192, 16384, 65536} {
		for _, mark := range []string{"SWAPSPACE2", "SWAP-SPACE"} {
			list = append(list, signature{filesystem: "linux swap", at: page - 10, mark: mark, reason: "swap space: it holds no files", noFiles: true})
		}
	}
	return list
}

// stands reports whether the signature stands in the volume, and whether the
// sectors that would tell were read.
func (s *signature) stands(r *image.Reader, start, length int64) (here, read bool) {
	if s.at+int64(len(s.mark)) > length {
		return false, true
	}
	here, read = mark(r, start+s.at, s.mark)
	if here && s.also != "" {
		return mark(r, start+s.alsoAt, s.also)
	}
	return here, read
}

// mark reports whether the bytes at a place of the image are those of a mark.
func mark(r *image.Reader, at int64, want string) (here, read bool) {
	buf := make([]byte, len(want))
	if _, err := r.ReadAt(buf, at); err != nil {
		return false, false
	}
	return string(buf) == want, true
}

// identifyHead names what fills a volume by the signatures of what cannot be
// listed; ok is false where none stands. dark is set where sectors that may
// hold one were not read.
func identifyHead(r *image.Reader, start, length int64) (c content, ok, dark bool) {
	return identifyBy(signatures(), r, start, length)
}

// identify is identifyHead with the marks that stand at a volume's end, which
// may as well be those of a smaller volume that ends there too.
func identify(r *image.Reader, start, length int64) (c content, ok, dark bool) {
	list := signatures()
	// Linux kernel include/uapi/linux/raid/md_p.h: version 1.0 stands 8 KiB
	// before the end, rounded down to 4 KiB; 0.90 in the last whole 64 KiB
	if at := (length/512 - 16) &^ 7 * 512; at > 0 {
		list = append(list, signature{filesystem: mdMember, at: at, mark: "\xFC\x4E\x2B\xA9\x01\x00\x00\x00", reason: pooled})
	}
	if at := length&^(64<<10-1) - 64<<10; at > 0 {
		list = append(list, signature{filesystem: mdMember, at: at, mark: "\xFC\x4E\x2B\xA9\x00\x00\x00\x00", reason: pooled})
	}
	return identifyBy(list, r, start, length)
}

func identifyBy(list []signature, r *image.Reader, start, length int64) (c content, ok, dark bool) {
	for _, s := range list {
		here, read := s.stands(r, start, length)
		if here {
			return content{filesystem: s.filesystem, reason: s.reason, noFiles: s.noFiles}, true, dark
		}
		dark = dark || !read
	}
	return content{}, false, dark
}
