package imap_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"fileassay/extract/imap"
)

func TestOdd(t *testing.T) {
	const S = 512
	data := noise(400 * S)
	lay(data, []byte("UNREAD!!"), S, 100, 150, false) // told to be failed: as it should be
	lay(data, []byte("UNREAD!!"), S, 200, 220, false) // told to be read
	lay(data, []byte{0}, S, 300, 320, false)          // read, and empty
	m, err := imap.New([]imap.Range{
		{Start: 0, Length: 100 * S, State: imap.Read},
		{Start: 100 * S, Length: 50 * S, State: imap.Failed},
		{Start: 150 * S, Length: 10 * S, State: imap.Failed}, // data stands there: one run with the last
		{Start: 160 * S, Length: 40 * S, State: imap.Read},
		{Start: 200 * S, Length: 20 * S, State: imap.Read},
		{Start: 220 * S, Length: 30 * S, State: imap.Doubtful},
		{Start: 250 * S, Length: 50 * S, State: imap.Failed},
		{Start: 300 * S, Length: 20 * S, State: imap.Read},
		{Start: 320 * S, Length: 80 * S, State: imap.Failed},
		{Start: 400 * S, Length: S, State: imap.Read},
	})
	if err != nil {
		t.Fatal(err)
	}
	o, err := m.Odd(t.Context(), memory{data: data}, int64(len(data)), S)
	if err != nil {
		t.Fatal(err)
	}
	if o.ImageSize != 400*S || o.MapEnd != 401*S || o.Looked != o.Ranges {
		t.Errorf("%+v", o)
	}
	areas := func(list ...imap.Area) imap.Areas {
		a := imap.Areas{Ranges: len(list), First: list}
		for _, x := range list {
			a.Bytes += x.Length
		}
		return a
	}
	if diff := cmp.Diff(areas(imap.Area{Start: 300 * S, Length: 20 * S}), o.ZeroRead); diff != "" {
		t.Errorf("zeros (-want +got):\n%s", diff)
	}
	// the filled area is part of a longer run that was read: no area of its own
	if diff := cmp.Diff(areas(), o.FilledRead, cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("filled (-want +got):\n%s", diff)
	}
	want := areas(imap.Area{Start: 100 * S, Length: 60 * S}, imap.Area{Start: 220 * S, Length: 30 * S}, imap.Area{Start: 250 * S, Length: 50 * S}, imap.Area{Start: 320 * S, Length: 80 * S})
	if diff := cmp.Diff(want, o.DataUnread); diff != "" {
		t.Errorf("data (-want +got):\n%s", diff)
	}
	// but it shows in what stands in read sectors
	if o.Read.Same != 20 || o.Read.Zeros != 20 {
		t.Errorf("%+v", o.Read)
	}

	lay(data, []byte("UNREAD!!"), S, 0, 100, false)
	o, err = m.Odd(t.Context(), memory{data: data}, int64(len(data)), S)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(areas(imap.Area{Start: 0, Length: 100 * S, Filler: `"!!UNREAD"`}), o.FilledRead); diff != "" {
		t.Errorf("filled (-want +got):\n%s", diff)
	}
}
