package extract_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
)

func TestDoubt(t *testing.T) {
	shared := make([]string, 1, 4) // remarks that two entries have in common
	shared[0] = "a remark"
	var got []extract.File
	list := func(d extract.Doubt) extract.Listing {
		got = nil
		yield := d.Files(func(f *extract.File) error { got = append(got, *f); return nil })
		for _, path := range []string{"a", "b"} {
			if err := yield(&extract.File{Path: path, Why: shared}); err != nil {
				t.Fatal(err)
			}
		}
		l := extract.Listing{Complete: true, Why: []string{"first"}}
		d.Listing(&l)
		return l
	}
	if l := list(nil); !l.Complete || len(l.Why) != 1 || got[0].RecordUnread || len(got[0].Why) != 1 {
		t.Errorf("without doubt: %+v, %+v", l, got)
	}
	l := list(extract.Doubt{"one", "two"})
	if diff := cmp.Diff([]string{"one", "two", "first"}, l.Why); diff != "" || l.Complete {
		t.Errorf("complete %v: %s", l.Complete, diff)
	}
	list(extract.Doubt{"three"})
	for _, f := range got {
		if diff := cmp.Diff([]string{"a remark", "three"}, f.Why); diff != "" || !f.RecordUnread {
			t.Errorf("%s, %v: %s", f.Path, f.RecordUnread, diff)
		}
	}
}
