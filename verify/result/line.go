package result

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// A field is one field of a line: the one place that says what it is called and
// how it is written and read. Lines of files and of unread places come by the
// million, so they have tables of fields and not encoding/json, which takes four
// times as long.
type field[T any] struct {
	name  string
	write func([]byte, *T) []byte
	read  func(*scanner, *T) error
	omit  func(*T) bool // nil: it always stands there
}

// A codec writes and reads values of one type.
type codec[V any] struct {
	write func([]byte, V) []byte
	read  func(*scanner, *V) error
	zero  func(V) bool
}

// always is a field that stands in every line.
func always[T, V any](name string, at func(*T) *V, c codec[V]) field[T] {
	return field[T]{
		name:  `"` + name + `":`,
		write: func(b []byte, t *T) []byte { return c.write(b, *at(t)) },
		read:  func(s *scanner, t *T) error { return c.read(s, at(t)) },
	}
}

// present is a field that is left out where its value is zero.
func present[T, V any](name string, at func(*T) *V, c codec[V]) field[T] {
	f := always(name, at, c)
	f.omit = func(t *T) bool { return c.zero(*at(t)) }
	return f
}

// appendFields appends t as an object.
func appendFields[T any](b []byte, fields []field[T], t *T) []byte {
	sep := byte('{')
	for i := range fields {
		f := &fields[i]
		if f.omit != nil && f.omit(t) {
			continue
		}
		b = append(b, sep)
		b = append(b, f.name...)
		b = f.write(b, t)
		sep = ','
	}
	if sep == '{' {
		b = append(b, '{')
	}
	return append(b, '}')
}

var (
	errTwice = errors.New("a field stands twice in a line")
	errLacks = errors.New("a line lacks a field")
)

// readFields reads an object into t. A field that always stands there must.
// Fields that are not in the table are passed over; one that stands twice, or differs from a name of the table in the case
// of letters alone, is an error, since other readers may take either.
func readFields[T any](s *scanner, fields []field[T], t *T) error {
	seen, next := uint64(0), 0
	err := s.object(func(key []byte) error {
		i, ok := find(fields, key, next)
		if !ok {
			if fold(fields, key) {
				return fmt.Errorf("%w: %q in other letters", errJSON, key)
			}
			_, err := s.skip()
			return err
		}
		if seen&(1<<i) != 0 {
			return fmt.Errorf("%w: %q", errTwice, key)
		}
		seen |= 1 << i
		next = i + 1
		return fields[i].read(s, t)
	})
	for i := range fields {
		if f := &fields[i]; err == nil && f.omit == nil && seen&(1<<i) == 0 {
			err = fmt.Errorf("%w: %s", errLacks, strings.Trim(f.name, `":`))
		}
	}
	return err
}

// find looks a field up, beginning where the next one is due.
func find[T any](fields []field[T], key []byte, next int) (int, bool) {
	for n := range fields {
		i := next + n
		if i >= len(fields) {
			i -= len(fields)
		}
		if name := fields[i].name; len(name) == len(key)+3 && name[1:len(name)-2] == string(key) {
			return i, true
		}
	}
	return 0, false
}

func fold[T any](fields []field[T], key []byte) bool {
	return slices.ContainsFunc(fields, func(f field[T]) bool { return strings.EqualFold(f.name[1:len(f.name)-2], string(key)) })
}

// object is the codec of an object with a table of its own.
func object[V any](zero func(V) bool, fields ...field[V]) codec[V] {
	return codec[V]{
		write: func(b []byte, v V) []byte { return appendFields(b, fields, &v) },
		read:  func(s *scanner, v *V) error { return readFields(s, fields, v) },
		zero:  zero,
	}
}

// constant is a field whose value is always the same, as the type of a line.
func constant[T any](name, value string) field[T] {
	text := appendString(nil, value)
	return field[T]{
		name:  `"` + name + `":`,
		write: func(b []byte, _ *T) []byte { return append(b, text...) },
		read: func(s *scanner, _ *T) error {
			got, err := s.text()
			if err == nil && got != value {
				err = fmt.Errorf("is of %s %q, where %q is expected", name, got, value)
			}
			return err
		},
	}
}

// The codecs of plain values.

func textOf[S ~string]() codec[S] {
	return codec[S]{
		write: func(b []byte, v S) []byte { return appendString(b, string(v)) },
		read: func(s *scanner, v *S) error {
			t, err := s.text()
			*v = S(t)
			return err
		},
		zero: func(v S) bool { return v == "" },
	}
}

var (
	text   = textOf[string]()
	number = codec[int64]{
		write: func(b []byte, v int64) []byte { return strconv.AppendInt(b, v, 10) },
		read:  func(s *scanner, v *int64) (err error) { *v, err = s.number(); return err },
		zero:  func(v int64) bool { return v == 0 },
	}
	small = codec[int]{
		write: func(b []byte, v int) []byte { return strconv.AppendInt(b, int64(v), 10) },
		read: func(s *scanner, v *int) error {
			n, err := s.number()
			if err == nil && int64(int32(n)) != n {
				err = fmt.Errorf("%w: %d is no such number", errJSON, n)
			}
			*v = int(n)
			return err
		},
		zero: func(v int) bool { return v == 0 },
	}
	unsigned = codec[uint64]{
		write: func(b []byte, v uint64) []byte { return strconv.AppendUint(b, v, 10) },
		read:  func(s *scanner, v *uint64) (err error) { *v, err = s.unsigned(); return err },
		zero:  func(v uint64) bool { return v == 0 },
	}
	nullable = codec[*int64]{
		write: func(b []byte, v *int64) []byte {
			if v == nil {
				return append(b, "null"...)
			}
			return strconv.AppendInt(b, *v, 10)
		},
		read: func(s *scanner, v **int64) (err error) { *v, err = s.numberOrNull(); return err },
		zero: func(v *int64) bool { return v == nil },
	}
	boolean = codec[bool]{
		write: strconv.AppendBool,
		read:  func(s *scanner, v *bool) (err error) { *v, err = s.boolean(); return err },
		zero:  func(v bool) bool { return !v },
	}
	base64Bytes = codec[[]byte]{
		write: func(b []byte, v []byte) []byte {
			b = append(b, '"')
			b = base64.StdEncoding.AppendEncode(b, v)
			return append(b, '"')
		},
		read: func(s *scanner, v *[]byte) error {
			t, err := s.text()
			if err == nil {
				*v, err = base64.StdEncoding.DecodeString(t)
			}
			return err
		},
		zero: func(v []byte) bool { return v == nil }, // an empty name is a name
	}
	pair = codec[[2]int64]{
		write: func(b []byte, v [2]int64) []byte { return appendTuple(b, v[:]) },
		read:  func(s *scanner, v *[2]int64) error { return s.tuple(v[:]) },
	}
	triple = codec[[3]int64]{
		write: func(b []byte, v [3]int64) []byte { return appendTuple(b, v[:]) },
		read:  func(s *scanner, v *[3]int64) error { return s.tuple(v[:]) },
	}
)

// appendTuple appends an array of numbers.
func appendTuple(b []byte, v []int64) []byte {
	sep := byte('[')
	for _, n := range v {
		b = append(b, sep)
		b = strconv.AppendInt(b, n, 10)
		sep = ','
	}
	return append(b, ']')
}

// listOf is the codec of an array; null is an empty one. The list that is read
// into is used again.
func listOf[V any](c codec[V]) codec[[]V] {
	return codec[[]V]{
		write: func(b []byte, list []V) []byte {
			if len(list) == 0 {
				return append(b, '[', ']')
			}
			sep := byte('[')
			for i := range list {
				b = append(b, sep)
				b = c.write(b, list[i])
				sep = ','
			}
			return append(b, ']')
		},
		read: func(s *scanner, list *[]V) error {
			*list = room(*list)
			return s.array(func() error {
				var v V
				err := c.read(s, &v)
				*list = append(*list, v)
				return err
			})
		},
		zero: func(list []V) bool { return len(list) == 0 },
	}
}

// fileFields describes the line of a file.
var fileFields = []field[File]{
	constant[File]("type", "file"),
	always("volume", func(f *File) *int { return &f.Volume }, small),
	always("id", func(f *File) *uint64 { return &f.ID }, unsigned),
	always("path", func(f *File) *string { return &f.Path }, text),
	present("name_bytes", func(f *File) *[]byte { return &f.NameBytes }, base64Bytes),
	present("unnamed", func(f *File) *bool { return &f.Unnamed }, boolean),
	always("kind", func(f *File) *string { return &f.Kind }, text),
	always("size", func(f *File) **int64 { return &f.Size }, nullable),
	always("verdict", func(f *File) *Verdict { return &f.Verdict }, textOf[Verdict]()),
	always("bytes", func(f *File) *NullBytes { return &f.Bytes }, object(nil,
		always("read", func(n *NullBytes) **int64 { return &n.Read }, nullable),
		always("doubtful", func(n *NullBytes) **int64 { return &n.Doubtful }, nullable),
		always("failed", func(n *NullBytes) **int64 { return &n.Failed }, nullable),
		always("skipped", func(n *NullBytes) **int64 { return &n.Skipped }, nullable),
		always("unlocated", func(n *NullBytes) **int64 { return &n.Unlocated }, nullable))),
	present("executable", func(f *File) *bool { return &f.Runs }, boolean),
	present("stored", func(f *File) *string { return &f.Stored }, text),
	present("packing", func(f *File) *Packing { return &f.Packing }, object(func(p Packing) bool { return len(p.Units) == 0 },
		always("method", func(p *Packing) *string { return &p.Method }, text),
		always("unit", func(p *Packing) *int64 { return &p.Unit }, number),
		present("valid", func(p *Packing) *int64 { return &p.Valid }, number),
		always("units", func(p *Packing) *[][]int64 { return &p.Units }, listOf(listOf(number))))),
	present("target", func(f *File) *string { return &f.Target }, text),
	always("extents", func(f *File) *[][3]int64 { return &f.Extents }, listOf(triple)),
	present("patched", func(f *File) *[][3]int64 { return &f.Patched }, listOf(triple)),
	present("holes", func(f *File) *int64 { return &f.Holes }, number),
	always("damage", func(f *File) *[]Damage { return &f.Damage }, listOf(damage)),
	present("heads", func(f *File) *[]int { return &f.Heads }, listOf(small)),
	present("heads_unnamed", func(f *File) *bool { return &f.NoHead }, boolean),
	present("needs", func(f *File) *[][2]int64 { return &f.Needs }, listOf(pair)),
	always("why", func(f *File) *[]string { return &f.Why }, listOf(text)),
	present("modified", func(f *File) *string { return &f.Modified }, text),
}

// damage is written as an array of four.
var damage = codec[Damage]{
	write: func(b []byte, d Damage) []byte {
		b = append(b, '[')
		b = strconv.AppendInt(b, d.Offset, 10)
		b = append(b, ',')
		if d.Image < 0 {
			b = append(b, "null"...)
		} else {
			b = strconv.AppendInt(b, d.Image, 10)
		}
		b = append(b, ',')
		b = strconv.AppendInt(b, d.Length, 10)
		b = append(b, ',')
		b = appendString(b, d.What)
		return append(b, ']')
	},
	read: func(s *scanner, d *Damage) (err error) {
		if err = s.expect('['); err != nil {
			return err
		}
		if d.Offset, err = s.number(); err != nil {
			return err
		}
		if err = s.expect(','); err != nil {
			return err
		}
		if d.Image = -1; s.peek() == 'n' {
			err = s.word("null")
		} else if d.Image, err = s.number(); err == nil && d.Image < 0 {
			err = fmt.Errorf("%w: a place of %d", errJSON, d.Image)
		}
		if err != nil {
			return err
		}
		if err = s.expect(','); err != nil {
			return err
		}
		if d.Length, err = s.number(); err != nil {
			return err
		}
		if err = s.expect(','); err != nil {
			return err
		}
		if d.What, err = s.text(); err != nil {
			return err
		}
		return s.expect(']')
	},
}

// AppendLine appends the line of a file, newline included.
func (f *File) AppendLine(b []byte) []byte {
	return append(appendFields(b, fileFields, f), '\n')
}

// MarshalJSON is the line of a file.
func (f *File) MarshalJSON() ([]byte, error) { return appendFields(nil, fileFields, f), nil }

// UnmarshalJSON reads the line of a file.
func (f *File) UnmarshalJSON(line []byte) error { return parseFile(line, f) }

// parseFile decodes the line of a file. What the record held before is
// forgotten; room for its lists is used again.
func parseFile(line []byte, f *File) error {
	f.reset()
	return parseLine(line, fileFields, f)
}

// parseLine decodes a line that is one object.
func parseLine[T any](line []byte, fields []field[T], t *T) error {
	s := scanner{b: line}
	err := readFields(&s, fields, t)
	if err == nil {
		err = s.end()
	}
	if err != nil {
		return fmt.Errorf("at byte %d: %w", s.i, err)
	}
	return nil
}

// appendString appends s as a JSON string (RFC 8259, section 7), as encoding/json
// writes it; most texts need no escape.
func appendString(b []byte, s string) []byte {
	if isPlain(s) {
		b = append(b, '"')
		b = append(b, s...)
		return append(b, '"')
	}
	var text bytes.Buffer
	enc := json.NewEncoder(&text)
	enc.SetEscapeHTML(false)
	_ = enc.Encode(s) // every string can be written, and a Buffer takes all
	return append(b, bytes.TrimSuffix(text.Bytes(), []byte{'\n'})...)
}

// isPlain reports whether a text stands in JSON as it is.
func isPlain(s string) bool {
	wide := false
	for i := range len(s) {
		c := s[i]
		if c < 0x20 || c == '"' || c == '\\' {
			return false
		}
		wide = wide || c >= utf8.RuneSelf
	}
	return !wide || utf8.ValidString(s) && !strings.ContainsAny(s, "\u2028\u2029")
}
