package volume

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// What of a file lies past the end of its partition is not located.
func TestCut(t *testing.T) {
	const end = 1000
	unlocated := func(off, n int64) extract.Piece {
		return extract.Piece{Offset: off, Length: n, Kind: extract.Unlocated}
	}
	for _, tt := range []struct {
		name      string
		in, after extract.Piece
		rest      []extract.Piece
	}{
		{"before", extract.Piece{Length: 100, Image: 900}, extract.Piece{Length: 100, Image: 900}, nil},
		{"across", extract.Piece{Offset: 5, Length: 100, Image: 950}, extract.Piece{Offset: 5, Length: 50, Image: 950}, []extract.Piece{unlocated(55, 50)}},
		{"past", extract.Piece{Offset: 5, Length: 100, Image: 1000}, unlocated(5, 100), nil},
		{"hole", extract.Piece{Length: 100, Kind: extract.Hole}, extract.Piece{Length: 100, Kind: extract.Hole}, nil},
		{"unit", extract.Piece{Length: 100, Kind: extract.Unit, Units: []extract.Extent{{Image: 10, Length: 5}, {Image: 999, Length: 2}}},
			unlocated(0, 100), nil},
	} {
		f := extract.File{Pieces: []extract.Piece{tt.in}}
		cut := cut(&f, []ranges.Range{{Start: end, End: maxOffset}})
		want := append([]extract.Piece{tt.after}, tt.rest...)
		if d := cmp.Diff(want, f.Pieces); d != "" || cut != (tt.name != "before" && tt.name != "hole") {
			t.Errorf("%s: cut %v (-want +got):\n%s", tt.name, cut, d)
		}
	}
}

// Of a volume in doubt no file is proved, and its list says why.
func TestDoubted(t *testing.T) {
	v := Volume{Doubt: []string{"another claims its place"}}
	fs := v.doubted(toyVolume{file: extract.File{Path: "file", Size: 10, Pieces: []extract.Piece{{Length: 10, Image: 100}}}})
	var files []extract.File
	survey, err := fs.Walk(t.Context(), func(f *extract.File) error { files = append(files, *f); return nil })
	if err != nil || len(files) != 1 || !files[0].RecordUnread || survey.Listing.Complete || cmp.Diff(v.Doubt, survey.Listing.Why) != "" {
		t.Errorf("%v, %+v, %+v", err, files, survey)
	}
	if _, wrapped := (&Volume{}).doubted(toyVolume{}).(*doubted); wrapped {
		t.Error("a volume without doubt is wrapped")
	}
}
