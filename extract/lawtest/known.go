package lawtest

// known is a failure that is known and not mended yet.
type known struct {
	reader, property string
	cause            string // as a failure prints it
	why              string // in plain words
	image, replay    string // a case that fails by it
}

// isKnown reports whether a cause is in the list.
func isKnown(list []known, reader, property, cause string) bool {
	for _, k := range list {
		if k.reader == reader && k.property == property && k.cause == cause {
			return true
		}
	}
	return false
}

// mayFail reports whether the list has any cause of a reader and property.
func mayFail(list []known, reader, property string) bool {
	for _, k := range list {
		if k.reader == reader && k.property == property {
			return true
		}
	}
	return false
}

// mended are the causes of the list's entries of this image that do not fail any more.
func (s *subject) mended(p property, list []known) []string {
	var out []string
	for _, k := range list {
		if k.reader != s.reader.Name || k.property != p.name || k.image != s.image.Name {
			continue
		}
		c, err := parseCase(k.replay)
		fails := false
		if err == nil {
			for _, b := range p.try(s, c) {
				fails = fails || causeOf(s, p, b.what, c) == k.cause
			}
		}
		if !fails {
			out = append(out, k.cause)
		}
	}
	return out
}

// knownFailures is the list. It may only get shorter.
var knownFailures = []known{
	{"ntfs", "monotone", "not listed: file record",
		"A part of a folder's record that is read in addition bars a name that was found in a stray block of it.",
		"v01-ntfs-4k", "unread=5472,98264 more=221 fill=keep"},
	{"ext", "monotone", "not listed: inode",
		"Of a first table of which little is read, a folder that is found without its inode is no longer listed when other parts of the table are read.",
		"ext3-4k", "unread=2,10,15,17,24,29,37,43,49,99,101,104,116,118-119,121,125-126,133,1533,1536,1543,1545,1566,1568,1572-1573,1578,1594,1630,1640,1642,1650,1654,1656,1658,1660,1666,1669,1672,1674,1689-1690,1693,1696,1700,1702,1711-1714,1718-1720,1727,1733-1734,1736,1739 more=40,42 fill=keep"},
	{"ext", "monotone", "not listed: journal block",
		"A log that was broken at a descriptor goes on behind it: later transactions are replayed over what the lost one changed, and an older folder is no longer found.",
		"ext3-journal", "unread=924,1212 more=1197,1199 fill=keep"},
	{"ext", "monotone", "not listed: superblock",
		"Without the superblock remains are searched for what a log with a half-read descriptor does not list, if it is followed.",
		"ext4-fast", "unread=194 more=2 fill=keep"},
	{"hfsplus", "monotone", "not listed: catalog node",
		"With a further node of the catalog the private folder is known, and a file in it that no link names is no longer listed by its number.",
		"hfsx-cs-1k", "unread=12,36,41 more=34 fill=keep"},
	{"hfsplus", "monotone", "not listed: extents index node",
		"An index node of the extents overflow file that is read leads past a leaf that was found by itself, with the extents of a node of the catalog.",
		"hfsplus-journal-pending", "unread=2096,2100,2102 more=2097-2099,2101,2103 fill=keep"},
	{"hfsplus", "garbage", "not listed: catalog node",
		"A sector of an index node that holds garbage leads past leaves, and folders go that are listed when it is unread.",
		"hfsx-cs-1k", "more=121 fill=other noise=6381959091504313320"},
	{"hfsplus", "monotone", "not listed: journal",
		"A transaction of the journal that is read in part replaces a node by one with gaps, and what the older node gave goes.",
		"hfsplus-journal-pending", "unread=2061 more=2019 fill=keep"},
	{"hfsplus", "garbage", "untrue: catalog node",
		"A catalog node that holds garbage is believed: false content is called intact.",
		"hfsx-cs-1k", "more=8690 fill=zeros"},
	{"hfsplus", "garbage", "untrue: other sector",
		"An other sector that holds garbage is believed: false content is called intact.",
		"hfsx-cs-1k", "more=12102 fill=other noise=1106344120149440235"},
}
