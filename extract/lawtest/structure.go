package lawtest

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
)

// Structure is a piece of metadata of an image: where it stands, which fields
// may be set, and how the checksum over them is mended.
type Structure struct {
	Kind       string  // in the format's own words: "inode"
	Number     int64   // which of its kind
	At, Length int64   // bytes of the volume
	Copies     []int64 // where a copy of it stands, which is edited too
	Fields     []Field
	// Strip, where not nil, takes away what hides fields, as an NTFS update
	// sequence does, and Mend puts it back and makes checksums fit again.
	Strip, Mend func(b []byte)
	// Sound, where not nil, reports whether the structure may as well be is as
	// was, by all that stands elsewhere on the volume: it differs by an edit of
	// the field, and a checker of the format that knows nothing of the content
	// finds nothing. No reader can tell such an edit, so what it makes of the
	// content is no failure. It must say no more than that: [SoundEdits] gives
	// such volumes to a checker.
	Sound func(f Field, was, is []byte) bool
}

// Field is a number in a structure.
type Field struct {
	Name     string
	At, Size int // bytes from the structure's start, and how many
	Big      bool
}

// Fields are numbers of a format that stores the low byte first, each as name,
// place from base, and size in bytes.
func Fields(base int, list ...any) []Field {
	var out []Field
	for i := 0; i+2 < len(list); i += 3 {
		out = append(out, Field{Name: list[i].(string), At: base + list[i+1].(int), Size: list[i+2].(int)})
	}
	return out
}

// BigFields is Fields of a format that stores the high byte first.
func BigFields(base int, list ...any) []Field {
	out := Fields(base, list...)
	for i := range out {
		out[i].Big = true
	}
	return out
}

func (f Field) get(b []byte) (v uint64) {
	for i := range f.Size {
		if f.Big {
			v = v<<8 | uint64(b[f.At+i])
		} else {
			v |= uint64(b[f.At+i]) << (8 * i)
		}
	}
	return v
}

func (f Field) set(b []byte, v uint64) {
	var w [8]byte
	if f.Big {
		binary.BigEndian.PutUint64(w[:], v)
		copy(b[f.At:f.At+f.Size], w[8-f.Size:])
		return
	}
	binary.LittleEndian.PutUint64(w[:], v)
	copy(b[f.At:f.At+f.Size], w[:])
}

// edit sets a field of a structure.
type edit struct {
	kind     string
	number   int64
	at, size int
	value    uint64
}

func (e edit) String() string {
	return fmt.Sprintf("%s:%d/%d+%d=%d", strings.ReplaceAll(e.kind, " ", "_"), e.number, e.at, e.size, e.value)
}

func parseEdit(s string) (e edit, err error) {
	kind, rest, ok := strings.Cut(s, ":")
	if !ok {
		return e, fmt.Errorf("%q is no edit", s)
	}
	e.kind = strings.ReplaceAll(kind, "_", " ")
	_, err = fmt.Sscanf(rest, "%d/%d+%d=%d", &e.number, &e.at, &e.size, &e.value)
	return e, err
}

// structures are those of an image, to be found by name and by place.
type structures struct {
	list   []Structure
	byName map[string][]int // by kind
	sector map[int64]string // the kind of what stands in a sector
	values map[string][]uint64
}

func newStructures(img []byte, list []Structure) *structures {
	s := &structures{byName: map[string][]int{}, sector: map[int64]string{}, values: map[string][]uint64{}}
	for _, x := range list {
		if x.At < 0 || x.Length <= 0 || x.At+x.Length > int64(len(img)) {
			continue
		}
		s.byName[x.Kind] = append(s.byName[x.Kind], len(s.list))
		s.list = append(s.list, x)
		for k := x.At / sectorSize; k*sectorSize < x.At+x.Length; k++ {
			if s.sector[k] == "" {
				s.sector[k] = x.Kind
			}
		}
		b := x.stripped(img[x.At : x.At+x.Length])
		for _, f := range x.Fields {
			if name := x.Kind + "/" + f.Name; len(s.values[name]) < 64 {
				s.values[name] = append(s.values[name], f.get(b))
			}
		}
	}
	return s
}

func (x *Structure) stripped(b []byte) []byte {
	b = slices.Clone(b)
	if x.Strip != nil {
		x.Strip(b)
	}
	return b
}

func (s *structures) find(e edit) (*Structure, Field, bool) {
	for _, i := range s.byName[e.kind] {
		if x := &s.list[i]; x.Number == e.number {
			for _, f := range x.Fields {
				if f.At == e.at && f.Size == e.size {
					return x, f, true
				}
			}
		}
	}
	return nil, Field{}, false
}

// apply makes an edit. One of a structure that is not there does nothing.
func (s *structures) apply(d *disk, e edit) {
	x, f, ok := s.find(e)
	if !ok {
		return
	}
	b := x.stripped(d.bytes(x.At, x.Length))
	f.set(b, e.value)
	if x.Mend != nil {
		x.Mend(b)
	}
	d.put(x.At, b)
	for _, at := range x.Copies {
		d.put(at, b)
	}
}

// sound reports whether all edits leave what [Structure.Sound] allows.
func (s *structures) sound(img []byte, edits []edit) bool {
	for _, e := range edits {
		x, f, ok := s.find(e)
		if !ok || x.Sound == nil {
			return false
		}
		was := x.stripped(img[x.At : x.At+x.Length])
		is := slices.Clone(was)
		f.set(is, e.value)
		if !x.Sound(f, was, is) {
			return false
		}
	}
	return len(edits) > 0
}

// draw makes an edit of a field to another plausible value: one that stands in
// the same field elsewhere, one nearby, none, or one far too large. Kinds are
// as likely as each other, and so are the names of fields of a kind.
func (s *structures) draw(img []byte, rnd *rand.Rand) (edit, bool) {
	return s.drawOf(img, rnd, func(*Structure) bool { return true })
}

func (s *structures) drawOf(img []byte, rnd *rand.Rand, ok func(*Structure) bool) (edit, bool) {
	var kinds []string
	for k, list := range s.byName {
		if slices.ContainsFunc(list, func(i int) bool { return len(s.list[i].Fields) > 0 && ok(&s.list[i]) }) {
			kinds = append(kinds, k)
		}
	}
	if len(kinds) == 0 {
		return edit{}, false
	}
	slices.Sort(kinds)
	kind := kinds[rnd.IntN(len(kinds))]
	var of []*Structure
	for _, i := range s.byName[kind] {
		if x := &s.list[i]; len(x.Fields) > 0 && ok(x) {
			of = append(of, x)
		}
	}
	x := of[rnd.IntN(len(of))]
	var names []string
	for _, f := range x.Fields {
		if !slices.Contains(names, f.Name) {
			names = append(names, f.Name)
		}
	}
	name := names[rnd.IntN(len(names))]
	var fields []Field
	for _, f := range x.Fields {
		if f.Name == name {
			fields = append(fields, f)
		}
	}
	f := fields[rnd.IntN(len(fields))]
	was := f.get(x.stripped(img[x.At : x.At+x.Length]))
	values := s.values[kind+"/"+name]
	most := ^uint64(0) >> (64 - 8*f.Size)
	v := was
	for try := 0; v == was && try < 20; try++ {
		switch rnd.IntN(8) {
		case 0:
			v = was + 1
		case 1:
			v = was - 1
		case 2:
			v = was ^ 1<<rnd.IntN(8*f.Size)
		case 3:
			v = []uint64{0, 1, 2, was / 2, was * 2, most, most >> 1}[rnd.IntN(7)]
		default:
			if v = was + uint64(rnd.IntN(9)) - 4; len(values) > 0 {
				v = values[rnd.IntN(len(values))]
			}
		}
		v &= most
	}
	return edit{x.Kind, x.Number, f.At, f.Size, v}, v != was
}

// kinds are the kinds of what stands in sectors, in words.
func (s *structures) kinds(sectors []int64) string {
	var out []string
	for _, k := range sectors {
		name := s.sector[k]
		if name == "" {
			name = "other sector"
		}
		if !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}
