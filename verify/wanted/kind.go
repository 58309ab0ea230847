package wanted

import (
	pathpkg "path"
	"slices"
	"strings"
)

// Kind says what a file is to the person whose it is, as far as its path tells.
type Kind string

// The kinds.
const (
	Photo    Kind = "photo"
	Film     Kind = "film"
	Music    Kind = "music"
	Document Kind = "document"
	Mail     Kind = "mail"
	Database Kind = "database"
	Text     Kind = "text"
	Archive  Kind = "archive"
	Program  Kind = "program"
	Cache    Kind = "cache"
	Other    Kind = "other"
)

// Kinds are all kinds, in the order in which people are told of them.
func Kinds() []Kind {
	return []Kind{Document, Photo, Mail, Database, Film, Music, Text, Archive, Program, Cache, Other}
}

// Known reports whether k is one of [Kinds].
func (k Kind) Known() bool { return slices.Contains(Kinds(), k) }

func kindNames() string {
	var names []string
	for _, k := range Kinds() {
		names = append(names, string(k))
	}
	return strings.Join(names, ", ")
}

// Share is the part of a file's worth that the half of it still has for most
// people: a film, a mailbox and a text can be used in part, an archive hardly.
// The figures are common practice and have no source.
func (k Kind) Share() float64 {
	switch k {
	case Film, Mail, Text, Music:
		return 0.8
	case Photo, Document, Database:
		return 0.3
	case Archive, Program, Cache:
		return 0.05
	}
	return 0.1
}

// KindOf is the kind of a file by its path: the last suffix of its name, and
// for caches the folders it lies in. A stream of a file is of the file's kind.
func KindOf(path string) Kind {
	path = strings.ToLower(path)
	dir, name := pathpkg.Split(path)
	if i := strings.IndexByte(name, ':'); i > 0 {
		name = name[:i]
	}
	switch name {
	case "thumbs.db", "desktop.ini", ".ds_store", "pagefile.sys", "hiberfil.sys", "swapfile.sys":
		return Cache
	}
	for part := range strings.SplitSeq(dir, "/") {
		switch part {
		case "cache", "caches", ".cache", "code cache", "gpucache", "temp", "tmp", ".tmp", "temporary internet files",
			"$recycle.bin", ".trash", ".trashes", ".thumbnails", "thumbnails", "lost+found":
			return Cache
		}
	}
	return bySuffix(strings.TrimPrefix(pathpkg.Ext(name), "."))
}

// bySuffix is the kind that a name's suffix tells; suffixes in common use.
func bySuffix(s string) Kind {
	switch s {
	case "jpg", "jpeg", "jpe", "tif", "tiff", "png", "gif", "bmp", "heic", "heif", "webp", "avif", "psd", "xcf", "svg",
		"raw", "dng", "cr2", "cr3", "crw", "nef", "nrw", "arw", "srf", "sr2", "orf", "rw2", "raf", "pef", "x3f", "3fr", "iiq", "erf":
		return Photo
	case "mp4", "m4v", "mov", "avi", "mkv", "webm", "mpg", "mpeg", "m2v", "mts", "m2ts", "ts", "vob", "wmv", "flv", "3gp", "dv", "mxf", "ogv":
		return Film
	case "mp3", "m4a", "aac", "flac", "wav", "aif", "aiff", "ogg", "oga", "opus", "wma", "mid", "midi", "ape", "alac":
		return Music
	case "doc", "docx", "docm", "dot", "dotx", "odt", "ott", "rtf", "pdf", "xls", "xlsx", "xlsm", "xlsb", "ods", "ppt", "pptx", "pps", "odp",
		"odg", "pages", "numbers", "key", "vsd", "vsdx", "pub", "epub", "djvu", "ps", "ai", "indd", "dwg", "dxf", "skp", "tex", "one", "xps", "mpp":
		return Document
	case "pst", "ost", "eml", "emlx", "msg", "mbox", "mbx", "dbx", "wab", "vcf", "ics", "nsf", "olk":
		return Mail
	case "db", "db3", "sqlite", "sqlite3", "mdb", "accdb", "odb", "dbf", "mdf", "ndf", "ldf", "fdb", "gdb", "myd", "myi", "ibd", "frm", "fp7", "fmp12", "qbw", "kdbx":
		return Database
	case "txt", "md", "csv", "tsv", "log", "json", "xml", "yaml", "yml", "html", "htm", "css", "js", "c", "h", "cpp", "hpp", "go", "py",
		"java", "rs", "rb", "pl", "sh", "sql", "ini", "conf", "cfg", "srt", "vtt":
		return Text
	case "zip", "7z", "rar", "tar", "gz", "tgz", "bz2", "tbz2", "xz", "txz", "zst", "lz", "lz4", "lzma", "cab", "arj", "lzh", "iso", "dmg", "img", "vhd", "vhdx", "vmdk", "vdi", "qcow2", "bak":
		return Archive
	case "exe", "dll", "sys", "msi", "drv", "ocx", "com", "scr", "cpl", "mui", "so", "dylib", "ko", "o", "a", "lib", "jar", "class",
		"pyc", "apk", "deb", "rpm", "app", "bat", "cmd", "msu", "cat", "inf", "pdb", "ttf", "otf", "fon":
		return Program
	case "tmp", "temp", "cache", "swp", "crdownload", "part":
		return Cache
	}
	return Other
}
