package fat

import "fileassay/extract/imap"

// Moved is the same disk behind by bytes of zeros, as in an image that begins
// earlier.
func (d *Disk) Moved(by int64) *Disk {
	m := &Disk{Size: d.Size + by}
	for at, page := range d.pages {
		m.Write(at*pageSize+by, page[:min(pageSize, d.Size-at*pageSize)])
	}
	for _, r := range d.lost {
		m.lost = append(m.lost, imap.Range{Start: r.Start + by, Length: r.Length, State: r.State})
	}
	return m
}
