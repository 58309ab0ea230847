package ntfs

import (
	"fmt"

	"fileassay/extract"
	"fileassay/extract/needs"
)

// efsKeys is the attribute $EFS, which holds the keys of an encrypted file,
// each encrypted with that of one who may read the file. Without it the content
// is of no use to anyone.
type efsKeys struct {
	stands bool    // there is such an attribute
	whole  bool    // all of it was read
	stream *stream // where it does not stand in a record
}

// keys finds a file's $EFS.
func (t *table) keys(f *fileRecords) (k efsKeys) {
	if m := f.gather(t.area, attrLogged, "$EFS"); m != nil {
		k.stream = m.stream(t.r)
		k.stands = true
		k.whole = m.headed && len(m.broken) == 0 && k.stream.unread() == 0
		return k
	}
	if r, a := f.find(attrLogged, "$EFS"); a != nil {
		k.stands = true
		_, k.whole = r.value(a)
	}
	return k
}

// hold holds a file or stream against its keys: it is encrypted and has them, or
// neither.
func (k *efsKeys) hold(f *extract.File) {
	encrypted := f.Stored == extract.StoredEncrypted
	switch {
	case encrypted && !k.whole:
		f.Why = append(f.Why, "its attribute $EFS, which holds the keys of its content, was not found or not wholly read")
	case !encrypted && k.stands && f.Size > 0:
		f.Why = append(f.Why, fmt.Sprintf("its record %d has the keys of an encrypted file, and says that it is not encrypted", f.ID))
	default:
		return
	}
	f.RecordUnread = true
}

// need asks for what is unread of the keys.
func (k *efsKeys) need(list *needs.List) {
	if k.stream != nil {
		k.stream.need(list, 0, k.stream.size)
	}
}
