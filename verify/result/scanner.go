package result

import (
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// scanner reads JSON (RFC 8259) value by value.
type scanner struct {
	b     []byte
	i     int
	depth int
	room  []int64 // for numbers that may be null
}

var errJSON = errors.New("is no valid JSON of a result")

func (s *scanner) blank() {
	for s.i < len(s.b) && (s.b[s.i] == ' ' || s.b[s.i] == '\t' || s.b[s.i] == '\n' || s.b[s.i] == '\r') {
		s.i++
	}
}

// peek is the first byte of what comes next; 0 at the end.
func (s *scanner) peek() byte {
	s.blank()
	if s.i == len(s.b) {
		return 0
	}
	return s.b[s.i]
}

func (s *scanner) expect(c byte) error {
	if s.peek() != c {
		return fmt.Errorf("%w: %q expected", errJSON, c)
	}
	s.i++
	return nil
}

func (s *scanner) end() error {
	if s.peek() != 0 || s.i != len(s.b) {
		return fmt.Errorf("%w: more follows", errJSON)
	}
	return nil
}

// object calls field for every name of an object; field reads the value.
func (s *scanner) object(field func(key []byte) error) error {
	return s.list('{', '}', func() error {
		key, plain, err := s.raw()
		if plain {
			key = key[1 : len(key)-1]
		} else if err == nil {
			var t string
			t, err = decoded(key)
			key = []byte(t)
		}
		if err == nil {
			err = s.expect(':')
		}
		if err == nil {
			err = field(key)
		}
		return err
	})
}

// array calls each where an element begins; each reads it. null is an empty
// array.
func (s *scanner) array(each func() error) error {
	if s.peek() == 'n' {
		return s.word("null")
	}
	return s.list('[', ']', each)
}

// maxText bounds the bytes of a text with its escapes, far above what the longest
// path or target of a link needs; maxKeys the fields of an object.
const (
	maxText = 1 << 20
	maxKeys = 1000
)

// maxDepth bounds how deep the values of a line may be nested.
const maxDepth = 64

func (s *scanner) list(open, shut byte, each func() error) error {
	if err := s.expect(open); err != nil {
		return err
	}
	if s.depth++; s.depth > maxDepth {
		return fmt.Errorf("%w: nested too deep", errJSON)
	}
	defer func() { s.depth-- }()
	if s.peek() == shut {
		s.i++
		return nil
	}
	for {
		if err := each(); err != nil {
			return err
		}
		if s.peek() == shut {
			s.i++
			return nil
		}
		if err := s.expect(','); err != nil {
			return err
		}
	}
}

// tuple reads an array of as many numbers as p holds.
func (s *scanner) tuple(p []int64) error {
	sep := byte('[')
	for i := range p {
		err := s.expect(sep)
		if err == nil {
			p[i], err = s.number()
		}
		if err != nil {
			return err
		}
		sep = ','
	}
	return s.expect(']')
}

func (s *scanner) word(w string) error {
	if s.blank(); len(s.b)-s.i < len(w) || string(s.b[s.i:s.i+len(w)]) != w {
		return fmt.Errorf("%w: %s expected", errJSON, w)
	}
	s.i += len(w)
	return nil
}

func (s *scanner) boolean() (bool, error) {
	if s.peek() == 't' {
		return true, s.word("true")
	}
	return false, s.word("false")
}

// digits is the text of an integer.
func (s *scanner) digits() []byte {
	s.blank()
	from := s.i
	for s.i < len(s.b) && (s.b[s.i] >= '0' && s.b[s.i] <= '9' || s.i == from && s.b[s.i] == '-') {
		s.i++
	}
	return s.b[from:s.i]
}

func (s *scanner) number() (int64, error) {
	t := s.digits()
	if len(t) > 0 && len(t) <= 18 && t[0] != '-' && (t[0] != '0' || len(t) == 1) { // most of them; it cannot overflow
		n := int64(0)
		for _, c := range t {
			n = 10*n + int64(c-'0')
		}
		return n, nil
	}
	n, err := strconv.ParseInt(string(t), 10, 64)
	if err != nil || !json.Valid(t) {
		return 0, fmt.Errorf("%w: %q is no whole number of 64 bits", errJSON, t)
	}
	return n, nil
}

func (s *scanner) unsigned() (uint64, error) {
	t := s.digits()
	n, err := strconv.ParseUint(string(t), 10, 64)
	if err != nil || !json.Valid(t) {
		return 0, fmt.Errorf("%w: %q is no whole number of 64 bits", errJSON, t)
	}
	return n, nil
}

func (s *scanner) numberOrNull() (*int64, error) {
	if s.peek() == 'n' {
		return nil, s.word("null")
	}
	n, err := s.number()
	if err != nil {
		return nil, err
	}
	if len(s.room) == 0 {
		s.room = make([]int64, 6) // a line's size and its five counts
	}
	p := &s.room[0]
	s.room = s.room[1:]
	*p = n
	return p, nil
}

// raw is a string with its quotes and escapes; plain where it has none that
// need decoding.
func (s *scanner) raw() (b []byte, plain bool, err error) {
	if err := s.expect('"'); err != nil {
		return nil, false, err
	}
	from := s.i - 1
	plain = true
	for ; s.i < len(s.b); s.i++ {
		switch c := s.b[s.i]; {
		case c == '"':
			s.i++
			if s.i-from > maxText {
				return nil, false, fmt.Errorf("%w: a text of %d bytes", errJSON, s.i-from)
			}
			return s.b[from:s.i], plain, nil
		case c == '\\':
			plain = false
			s.i++
		case c < 0x20:
			return nil, false, fmt.Errorf("%w: a control character in a string", errJSON)
		case c >= 0x80:
			plain = false
		}
	}
	return nil, false, fmt.Errorf("%w: a string does not end", errJSON)
}

func (s *scanner) text() (string, error) {
	b, plain, err := s.raw()
	if err != nil {
		return "", err
	}
	if plain {
		return common(b[1 : len(b)-1]), nil
	}
	return decoded(b)
}

// common is the text of b, without a copy of its own where it is a word that
// stands in most lines.
func common(b []byte) string {
	for _, word := range [...]string{"file", "folder", string(Intact), string(Damaged), string(Lost), "failed", "skipped"} {
		if string(b) == word {
			return word
		}
	}
	return string(b)
}

// decoded is the text of a string with its quotes and escapes.
func decoded(b []byte) (string, error) {
	var t string
	if err := json.Unmarshal(b, &t); err != nil {
		return "", fmt.Errorf("%w: %v", errJSON, err)
	}
	return t, nil
}

// skip passes over a value of any kind and returns it.
func (s *scanner) skip() ([]byte, error) {
	s.blank()
	from := s.i
	var err error
	switch c := s.peek(); c {
	case '{':
		err = s.object(func([]byte) error { _, err := s.skip(); return err })
	case '[':
		err = s.list('[', ']', func() error { _, err := s.skip(); return err })
	case '"':
		_, err = s.text()
	case 't', 'f':
		_, err = s.boolean()
	case 'n':
		err = s.word("null")
	default:
		for s.i < len(s.b) && (s.b[s.i] >= '0' && s.b[s.i] <= '9' || s.b[s.i] == '-' || s.b[s.i] == '+' || s.b[s.i] == '.' || s.b[s.i]|0x20 == 'e') {
			s.i++
		}
		if !json.Valid(s.b[from:s.i]) {
			err = fmt.Errorf("%w: a value expected", errJSON)
		}
	}
	return s.b[from:s.i], err
}

// value passes over a value, and reports an error where a field of an object
// stands twice, at whatever depth, or in other letters: readers of JSON differ in
// which of the two they take.
func (s *scanner) value() error {
	switch s.peek() {
	case '{':
		var keys []string
		return s.object(func(key []byte) error {
			if len(keys) == maxKeys {
				return fmt.Errorf("%w: more than %d fields in one object", errJSON, maxKeys)
			}
			for _, k := range keys {
				if strings.EqualFold(k, string(key)) {
					return fmt.Errorf("%w: %q", errTwice, key)
				}
			}
			keys = append(keys, string(key))
			return s.value()
		})
	case '[':
		return s.list('[', ']', s.value)
	}
	_, err := s.skip()
	return err
}
