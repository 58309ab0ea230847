package needs

import (
	"bytes"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

func TestList(t *testing.T) {
	const size = 8 * 512
	m := imap.All(size).With([]imap.Range{{Start: 512, Length: 1024, State: imap.Failed}, {Start: 2048, Length: 512, State: imap.Skipped}})
	r := image.New(bytes.NewReader(make([]byte, size)), size, m, image.Options{})
	l := New(r, 2)
	l.Add(0, 512)    // was read
	l.Add(-1, 5)     // lies nowhere
	l.Add(600, 0)    // nothing
	l.Add(0, 600)    // a part of it was not
	l.Add(600, 100)  // goes on
	l.Add(2000, 100) // the second
	if !l.Full() {
		t.Error("is not full")
	}
	l.Add(512, 10)   // one too many
	l.Add(2100, 100) // but this goes on
	if d := cmp.Diff([]ranges.Range{{Start: 0, End: 700}, {Start: 2000, End: 2200}}, l.Ranges()); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	l = New(r, Few)
	if l.First(100, 0, 3072) || l.Ranges() != nil {
		t.Error("a copy is missing although all were read")
	}
	if !l.First(100, 0, 2048, 512) || l.Len() != 1 || l.Ranges()[0].Start != 2048 {
		t.Errorf("of the copies: %v", l.Ranges())
	}
}
