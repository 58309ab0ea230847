// Package ext reads ext2, ext3 and ext4 volumes of damaged drives.
//
// It finds what each file's content lies in as far as metadata that was read
// says so: the superblock or one of its copies, group descriptors block by
// block from any copy, inodes, extent trees and block maps, folder blocks.
// Where the volume keeps checksums they decide between copies and condemn what
// fails. A journal that was not closed is replayed in memory, its fast commits
// apart. Where no copy of a group's descriptor was read, folders and inodes that
// speak for each other tell where its inodes stand; where neither the superblock nor
// any copy was, as on a volume of one group that has none, OpenRemains lists it by
// these. That proves nothing.
//
// Its stages are the layout (where the volume's own structures stand, and what
// the journal has newer), the records in the inode tables, the tree of names, and
// the files; of these come listing, structures and space.
//
// The format is that of the Linux kernel's Documentation/filesystems/ext4,
// which the comments cite as "ext4: <page>"; that of the journal is its page
// "journal". Block numbers and inode numbers are the volume's own; offsets
// are bytes, of the volume or of the image as said.
package ext
