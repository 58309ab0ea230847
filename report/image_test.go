package report

import (
	"fmt"
	"strings"
	"testing"

	"fileassay/verify"
	"fileassay/verify/result"
)

// What an image is made of, the holes of its files and what each head gave.
func TestImageShape(t *testing.T) {
	im := result.Image{Path: "kiln.001", Size: 40 << 20, DriveSize: 40 << 20, Sector: 512, Offset: 1536, Table: "gpt",
		Map: result.Map{Path: "kiln.csv", ByteStates: result.ByteStates{Read: 30 << 20, Skipped: 10 << 20}},
		Parts: &result.Parts{Count: 20, First: "kiln.001", Last: "kiln.020",
			Short: []result.Part{{Path: "kiln\u202e.002", Start: 2 << 20, Length: 2 << 20, Held: 1 << 20}}},
		Heads: &result.Heads{Path: "heads.csv",
			Heads:  []result.Head{{Head: 0, ByteStates: result.ByteStates{Read: 20 << 20}}, {Head: 3, ByteStates: result.ByteStates{Skipped: 10 << 20}}},
			Others: result.ByteStates{Read: 10 << 20}}}
	for i := range 14 {
		im.Parts.Short = append(im.Parts.Short, result.Part{Path: fmt.Sprintf("kiln.%03d", i+3), Start: int64(i+2) << 21, Length: 2 << 20})
	}
	var b strings.Builder
	if err := Layout(&b, &verify.LayoutRecord{Image: im, Holes: &verify.HolesRecord{Count: 3, Bytes: 5 << 20, Read: 4096}}, Style{}); err != nil {
		t.Fatal(err)
	}
	o := &verify.Outcome{Image: im, Summary: result.Summary{Heads: []result.HeadFiles{{Head: 0, Files: 1, Alone: 1}, {Head: 1}, {Head: 3, Files: 1200, Alone: 1003}}}}
	if err := Summary(&b, o, Style{}); err != nil {
		t.Fatal(err)
	}
	golden(t, "shape.txt", b.String())
}
