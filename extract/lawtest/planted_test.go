package lawtest

import (
	"context"
	"encoding/binary"
	"fmt"
	"slices"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
)

// A toy filesystem to plant faults in: sector 0 says how many files there are,
// each further sector up to that number is the record of one, with a mark, its
// number, the sector of its content, its size and a checksum. A copy of each record stands 32
// sectors on.
const toyFiles, toyContent, toySectors = 8, 80, 128

var le = binary.LittleEndian

func toyMend(b []byte) {
	sum := uint32(0)
	for _, c := range b[:508] {
		sum = sum*31 + uint32(c)
	}
	le.PutUint32(b[508:], ^sum)
}

func toyImage() Image {
	b := make([]byte, toySectors*sectorSize)
	b[0] = toyFiles
	for i := int64(1); i <= toyFiles; i++ {
		r := b[i*sectorSize:][:sectorSize]
		copy(r, "toy")
		r[3] = byte(i)
		le.PutUint32(r[4:], uint32(toyContent+i))
		le.PutUint32(r[8:], uint32(500+i))
		toyMend(r)
		copy(b[(i+32)*sectorSize:], r)
		for k := range sectorSize {
			b[(toyContent+i)*sectorSize+int64(k)] = byte(int64(k) * i)
		}
	}
	return Image{Name: "toy", Volume: b}
}

func toyStructures(b []byte) []Structure {
	out := []Structure{{Kind: "header", Length: sectorSize}}
	for i := int64(1); i <= toyFiles; i++ {
		s := Structure{Kind: "record", Number: i, At: i * sectorSize, Length: sectorSize, Mend: toyMend,
			Fields: []Field{{Name: "place", At: 4, Size: 4}, {Name: "size", At: 8, Size: 4}}}
		copied := s
		copied.Kind, copied.At, copied.Fields = "copy", (i+32)*sectorSize, nil
		out = append(out, s, copied)
	}
	return out
}

// toy is the reader of it, which may have a fault.
type toy struct {
	r       *image.Reader
	fault   string
	bytes   *disk // goes past the reader, where the fault does
	listing extract.Listing
	garbage [][]byte
}

func (v *toy) Info() extract.Info { return extract.Info{Filesystem: "toy"} }

// record reads a record, where it stands; nil where it was not read or fails its check.
func (v *toy) record(at int64) []byte {
	b := make([]byte, sectorSize)
	if _, err := v.r.ReadAt(b, at*sectorSize); err != nil {
		return nil
	}
	c := slices.Clone(b)
	if toyMend(c); !slices.Equal(b, c) || string(b[:3]) != "toy" || int64(b[3]) != at%32 {
		return nil
	}
	return b
}

func (v *toy) Walk(_ context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	space := func(context.Context, func(start, length int64, use extract.Use) error) error { return nil }
	if err := v.walk(yield); err != nil {
		return nil, err
	}
	return &extract.Survey{Listing: v.listing, Space: space}, nil
}

func (v *toy) walk(yield func(*extract.File) error) error {
	v.listing.Complete = true
	if !v.r.IsRead(0, sectorSize) {
		v.listing.Complete = false
	}
	for i := int64(1); i <= toyFiles; i++ {
		b, c := v.record(i), v.record(i+32)
		if v.fault == "drops a file where a copy was read that fails its check" && b == nil && c == nil && v.r.IsRead((i+32)*sectorSize, sectorSize) {
			v.listing.Complete = false
			continue
		}
		// what both say must be the same
		doubt := b != nil && c != nil && !slices.Equal(b, c)
		unknown := b == nil && c == nil
		if b == nil {
			b = c
		}
		f := &extract.File{ID: uint64(i), Path: fmt.Sprint("file ", i), Kind: extract.KindFile, Size: -1}
		switch {
		case unknown:
			v.listing.Complete = false
			v.listing.Why = []string{"records"}
			f.NameOnly = true
		default:
			f.Size = int64(le.Uint32(b[8:]))
			f.Pieces = []extract.Piece{{Length: max(f.Size, 1), Image: int64(le.Uint32(b[4:])) * sectorSize}}
			if f.RecordUnread = doubt && v.fault != "takes a record that its copy contradicts"; f.RecordUnread {
				f.Why = []string{"its record and the copy disagree"}
			}
		}
		switch v.fault {
		case "says of an unread sector what stands there":
			if !v.r.IsRead(i*sectorSize, sectorSize) {
				f.Why = []string{fmt.Sprint(v.bytes.bytes(i*sectorSize, 16))}
			}
		case "drops a file where more is read":
			if unknown && !v.r.IsRead(0, sectorSize) || v.r.IsRead(i*sectorSize, sectorSize) && v.r.IsRead((i+32)*sectorSize, sectorSize) || i != 3 {
				break
			}
			if v.r.IsRead(i*sectorSize, sectorSize) {
				continue // without the copy only
			}
		case "takes a record that fails its check":
			if raw := make([]byte, sectorSize); b == nil {
				if _, err := v.r.ReadAt(raw, i*sectorSize); err == nil {
					f.NameOnly, f.Size = false, 512
					f.Pieces = []extract.Piece{{Length: 512, Image: int64(le.Uint32(raw[4:])%toySectors) * sectorSize}}
				}
			}
		case "keeps memory by the square":
			if b != nil && f.Size > 1000 {
				v.garbage = append(v.garbage, make([]byte, 300<<20))
			}
		case "reads without end":
			for k, all := 0, make([]byte, toySectors*sectorSize); b != nil && f.Size > 1000 && k < 1200; k++ {
				_, _ = v.r.ReadAt(all, 0)
			}
		}
		if err := yield(f); err != nil {
			return err
		}
	}
	return nil
}

// TestPlanted plants faults in a reader and sees each property fail by its own.
func TestPlanted(t *testing.T) {
	for _, c := range []struct{ fault, property string }{
		{"", ""},
		{"says of an unread sector what stands there", "filler"},
		{"drops a file where more is read", "monotone"},
		{"drops a file where a copy was read that fails its check", "garbage"},
		{"takes a record that fails its check", "garbage"},
		{"takes a record that its copy contradicts", "content"},
		{"keeps memory by the square", "cost"},
		{"reads without end", "cost"},
	} {
		t.Run(c.fault, func(t *testing.T) {
			im := toyImage()
			var filled *disk // which that fault sees, although it was not read
			open := func(_ context.Context, r *image.Reader, _, _ int64, o extract.Options) (extract.Filesystem, error) {
				v := &toy{r: r, fault: c.fault, bytes: &disk{base: im.Volume}}
				if o.Threads == 2 && filled != nil {
					v.bytes = filled
				}
				return v, nil
			}
			s := prepare(t, Reader{Name: "toy", Structures: toyStructures, Open: open}, im)
			for _, p := range properties() {
				if c.fault != "" && p.name != c.property {
					continue
				}
				held := p
				if p.name == "filler" {
					held.try = func(s *subject, tc testCase) []breach {
						filled = s.disk(tc, tc.unread).within(tc.unread)
						return p.try(s, tc)
					}
				}
				var found []failure
				for seed := range uint64(300) {
					if p.name == "cost" && seed >= 20 {
						break
					}
					if found = s.tryCase(held, s.drawn(p, seed)); len(found) > 0 {
						break
					}
				}
				if c.fault != "" && len(found) == 0 {
					t.Errorf("%s does not find it", p.name)
				}
				if c.fault == "" && len(found) > 0 {
					t.Errorf("%s finds what is not there: %+v", p.name, found)
				}
				for _, f := range found {
					t.Logf("%s: %s; %s", p.name, f.cause, f.small)
					again, err := parseCase(f.small.String())
					if err != nil || again.String() != f.small.String() {
						t.Errorf("%q is read as %q, %v", f.small, again, err)
					}
					if len(f.small.unread)+len(f.small.more)+len(f.small.edits) > 4 {
						t.Errorf("not small: %s", f.small)
					}
				}
			}
		})
	}
}

// TestKnown holds the list of known failures to what it is for: a cause in it is
// passed over, no other is, and an entry that does not fail is told.
func TestKnown(t *testing.T) {
	open := func(_ context.Context, r *image.Reader, _, _ int64, _ extract.Options) (extract.Filesystem, error) {
		return &toy{r: r, fault: "takes a record that its copy contradicts"}, nil
	}
	s := prepare(t, Reader{Name: "toy", Structures: toyStructures, Open: open}, toyImage())
	list := []known{
		{"toy", "content", "untrue: record/size", "the copy is not asked", "toy", "edit=record:6/8+4=507"},
		{"toy", "content", "untrue: record/place", "mended since", "toy", "edit=header:0/0+4=507"},
		{"toy", "content", "untrue: record/other", "of another image", "other", "edit=header:0/0+4=507"},
	}
	for _, p := range properties() {
		var want []string
		if p.name == "content" {
			want = []string{"untrue: record/place"}
		}
		if got := s.mended(p, list); !slices.Equal(got, want) {
			t.Errorf("%s: %q no longer fail, want %q", p.name, got, want)
		}
	}
	if !isKnown(list, "toy", "content", "untrue: record/size") || isKnown(list, "toy", "content", "untrue: record/mark") || isKnown(list, "fat", "content", "untrue: record/size") {
		t.Error("a cause is taken for another")
	}
	for i, k := range knownFailures {
		c, err := parseCase(k.replay)
		if err != nil || c.String() != k.replay || k.why == "" {
			t.Errorf("%+v: %q, %v", k, c, err)
		}
		if isKnown(knownFailures[:i], k.reader, k.property, k.cause) {
			t.Errorf("%s, %s, %s is twice in the list", k.reader, k.property, k.cause)
		}
	}
}
