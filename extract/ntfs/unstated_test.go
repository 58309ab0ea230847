package ntfs

import (
	"fmt"
	"testing"

	"fileassay/extract"
	"fileassay/extract/ntfs/ntfsimage"
)

// stateNoNumbers gives the records of a finished volume the header of a format
// before 3.1.
func stateNoNumbers(v *ntfsimage.Volume) {
	for n := range uint64(v.P.Records) {
		v.EditRecord(n, func(b []byte) {
			le.PutUint16(b[4:], recordNumber-2)
			clear(b[recordNumber-2 : recordHeaderSize])
		})
	}
}

// Records of a format before 3.1 do not state their number. Where another record's
// sector was read in place of one, the file is listed by its name, lost, and the
// other one is what it is.
func TestUnstatedRecord(t *testing.T) {
	for _, c := range []struct {
		name  string
		stale bool // the other record has another sequence number
		away  bool // no folder names the record that is overwritten
		put   bool
	}{
		{name: "as it is"},
		{name: "another record", put: true},
		{name: "another record, of another sequence number", put: true, stale: true},
		{name: "another record in place of one that no folder names", put: true, away: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := ntfsimage.New(ntfsimage.Params{})
			data := ntfsimage.Content(31, 9000)
			x := win(root, "x")
			x[0].NotIndexed = c.away
			n := v.Add(ntfsimage.File{Names: x, Streams: []ntfsimage.Stream{{Data: data[:300], Resident: true}}})
			f := v.AddFolder(root, "Folder")
			y := v.AddFile(f, "y", ntfsimage.Stream{Data: data})
			v.AddFile(f, "z", ntfsimage.Stream{Data: data[:200], Resident: true})
			v.Finish()
			stateNoNumbers(v)
			if c.put {
				v.EditRecord(n, func(b []byte) {
					copy(b, v.Record(y))
					if c.stale {
						b[recordSeq]++
					}
				})
			}
			l := list(t, v.Image)
			l.holds(t, v.Image, "Folder/y", data)
			l.holds(t, v.Image, "Folder/z", data[:200])
			switch {
			case !c.put:
				l.holds(t, v.Image, "x", data[:300])
			case c.away:
				if len(l.files["x"]) > 0 || l.UnreadRecords != 1 {
					t.Errorf("%+v", l.Listing)
				}
			case !l.file(t, "x").NameOnly || l.proved("x"):
				t.Errorf("%+v", l.file(t, "x"))
			}
			if want := map[bool]string{false: "[x Folder Folder/y Folder/z]", true: "[Folder Folder/y Folder/z]"}[c.put && c.away]; fmt.Sprint(l.paths) != want || l.Complete == c.put {
				t.Errorf("%q, not %s: %+v", l.paths, want, l.Listing)
			}
		})
	}
}

// A folder in whose place another record stands keeps its names.
func TestUnstatedFolder(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	data := ntfsimage.Content(32, 9000)
	f := v.AddFolder(root, "Folder")
	v.AddFile(f, "y", ntfsimage.Stream{Data: data})
	g := v.AddFolder(root, "Other")
	v.AddFile(g, "z", ntfsimage.Stream{Data: data})
	v.Finish()
	stateNoNumbers(v)
	v.EditRecord(f, func(b []byte) { copy(b, v.Record(g)) })
	l := list(t, v.Image)
	l.holds(t, v.Image, "Folder/y", data)
	l.holds(t, v.Image, "Other/z", data)
	if d := l.file(t, "Folder"); d.Kind != extract.KindFolder || !d.NameOnly || fmt.Sprint(l.paths) != "[Folder Folder/y Other Other/z]" {
		t.Errorf("%+v, %q", d, l.paths)
	}
}
