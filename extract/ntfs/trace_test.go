package ntfs

import (
	"testing"

	"fileassay/extract/ntfs/ntfsimage"
)

// FuzzTrace holds that no sector is more than it can be: what speaks for a volume
// has a name, and a volume begins at or before it.
func FuzzTrace(f *testing.F) {
	for _, b := range traceSeeds() {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if what, back := Trace(b); back < 0 || what == "" && back != 0 {
			t.Errorf("%q, %d bytes back", what, back)
		}
	})
}

// tableRecord is record 0 of a made volume, and how far into that it stands.
func tableRecord() (record []byte, at int64) {
	v := ntfsimage.New(ntfsimage.Params{})
	v.Finish()
	at = v.RecordAt(recMFT)
	return v.Image[at : at+1024], at
}

func traceSeeds() [][]byte {
	b, _ := tableRecord()
	return [][]byte{b, madeRecord()}
}

func TestTrace(t *testing.T) {
	b, at := tableRecord()
	if what, back := Trace(b); what == "" || back < at {
		t.Errorf("%q, %d bytes back, and the volume begins %d before", what, back, at)
	}
	if what, _ := Trace(madeRecord()); what != "" {
		t.Errorf("a file's record is a %s", what)
	}
	if what, _ := Trace(b[:512]); what != "" {
		t.Errorf("half a record is a %s", what)
	}
}
