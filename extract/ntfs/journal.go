package ntfs

// Offsets in a restart page of the journal, $LogFile [docs: files/logfile.html].
const (
	restartArea    = 0x18 // uint16, from the page, where the area stands
	restartInUse   = 0x0c // uint16, from the area: first client in use
	restartFlags   = 0x0e // uint16, from the area
	restartNoOne   = 0xffff
	restartClean   = 0x0002
	restartPage    = 4096
	restartPages   = 2
	volumeFlags    = 0x0a // uint16 in $VOLUME_INFORMATION
	volumeDirty    = 0x0001
	volumeInfoSize = 0x0c
)

// journal is the volume's journal, $LogFile; nil where its place is not known.
func (t *table) journal() *stream {
	rec := t.readRecord(recLogFile)
	if rec.state != recordUsed {
		return nil
	}
	f := t.file(rec)
	if m := f.gather(t.area, attrData, ""); m != nil && m.headed {
		return m.stream(t.r)
	}
	return nil
}

// journalState says why newer metadata may stand in the journal, "" where it
// was closed properly.
func journalState(volume *record, journal *stream) string {
	if b, ok := volume.value(volume.attr(attrVolumeInfo, "")); ok && len(b) >= volumeInfoSize && le.Uint16(b[volumeFlags:])&volumeDirty != 0 {
		return "the volume was not closed properly (it is marked as dirty): newer metadata may stand in its journal, which is not replayed"
	}
	for page := int64(0); page < restartPages && journal != nil; page++ {
		read := journal.read(make([]byte, restartPage), page*restartPage)
		b := read.Data
		if !read.Has(0, stride) || string(b[:4]) != "RSTR" {
			continue
		}
		if _, _, err := applyFixups(&read); err != nil || !read.Has(0, stride) {
			continue
		}
		area := int(le.Uint16(b[restartArea:]))
		if area < restartArea+2 || area+restartFlags+2 > stride {
			continue
		}
		if le.Uint16(b[area+restartInUse:]) != restartNoOne && le.Uint16(b[area+restartFlags:])&restartClean == 0 {
			return "the volume's journal was not closed: newer metadata may stand in it, which is not replayed"
		}
		return ""
	}
	return ""
}
