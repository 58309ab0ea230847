package ntfs

import "fileassay/extract"

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

// journalState says why newer metadata may stand in the journal, "" where it
// was closed properly.
func (v *Volume) journalState() string {
	vol := v.readRecord(recVolume)
	if a := vol.attr(attrVolumeInfo); a != nil && a.resident && a.valueLen >= volumeInfoSize && vol.bad.clean(a.valueOff, a.valueOff+a.valueLen) {
		if le.Uint16(vol.data[a.valueOff+volumeFlags:])&volumeDirty != 0 {
			return "the volume was not closed properly (it is marked as dirty): newer metadata may stand in its journal, which is not replayed"
		}
	}
	rec := v.readRecord(recLogFile)
	if rec.state != recordUsed {
		return ""
	}
	exts, _ := v.extensions(rec)
	m := v.gather(rec, attrData, exts)
	if m == nil || !m.headed {
		return ""
	}
	s := v.stream(m)
	for page := int64(0); page < restartPages; page++ {
		b := make([]byte, restartPage)
		gaps := s.read(b, page*restartPage)
		bad, _ := badStrides(gaps, page*restartPage, restartPage)
		if bad.has(0) || string(b[:4]) != "RSTR" {
			continue
		}
		if _, torn, err := applyFixups(b, bad); err != nil || torn.has(0) {
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

var _ extract.Filesystem = (*Volume)(nil)
