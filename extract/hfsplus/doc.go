// Package hfsplus reads HFS+ and HFSX volumes of failed drives.
//
// The format is that of Apple Technical Note TN1150, "HFS Plus Volume Format"
// (5 March 2004), cited below as TN1150 with the title of the section. All
// numbers on disk are big-endian but for the journal's, which are in the order
// of the machine that wrote it.
//
// The B-trees are read node by node rather than from their roots down, so
// that an unread index node costs nothing, and a leaf node of several sectors
// is used record by record as far as its sectors were read. Which nodes are in
// use the index nodes and the links between neighbours tell; where those are
// unread, the tree's own node map.
//
// How things are listed: the data fork of a file is its content; a resource
// fork that is not empty is a stream "file:rsrc". A hard link is listed once a
// name with the id of the file that holds the content. Extended attributes are
// not listed. A symbolic link has the content that names its target. The
// private folders of hard links and the journal's files are the volume's own
// structures.
package hfsplus
