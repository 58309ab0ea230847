package lvm

import (
	"fmt"
	"strconv"
)

// section is a section of the metadata's text, or its whole. lvm.conf(5) tells
// the form: sections in braces, "name = value", comments from '#'.
type section struct {
	names    []string // of the sections within, in order
	sections map[string]*section
	strings  map[string]string
	numbers  map[string]int64
	lists    map[string][]string // arrays, numbers as they are written
}

func newSection() *section {
	return &section{sections: map[string]*section{}, strings: map[string]string{}, numbers: map[string]int64{}, lists: map[string][]string{}}
}

const (
	maxDepth = 16
	maxNames = 1 << 16 // sections in a text
)

// parseText parses the metadata's text.
func parseText(b []byte) (*section, error) {
	p := parser{b: b}
	s := newSection()
	if err := p.fill(s, 0); err != nil {
		return nil, fmt.Errorf("metadata text at byte %d: %w", p.at, err)
	}
	return s, nil
}

type parser struct {
	b        []byte
	at       int
	sections int
}

// skip passes over spaces and comments.
func (p *parser) skip() {
	for p.at < len(p.b) {
		switch c := p.b[p.at]; {
		case c == ' ' || c == '\t' || c == '\n' || c == '\r' || c == 0:
			p.at++
		case c == '#':
			for p.at < len(p.b) && p.b[p.at] != '\n' {
				p.at++
			}
		default:
			return
		}
	}
}

func (p *parser) peek() byte {
	p.skip()
	if p.at >= len(p.b) {
		return 0
	}
	return p.b[p.at]
}

func (p *parser) word() string {
	p.skip()
	from := p.at
	for p.at < len(p.b) {
		c := p.b[p.at]
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '_' || c == '-' || c == '+' || c == '.' {
			p.at++
			continue
		}
		break
	}
	return string(p.b[from:p.at])
}

// text reads a string in quotes.
func (p *parser) text() (string, error) {
	p.at++ // the quote
	var out []byte
	for p.at < len(p.b) {
		c := p.b[p.at]
		p.at++
		switch {
		case c == '"':
			return string(out), nil
		case c == '\\' && p.at < len(p.b):
			out = append(out, p.b[p.at])
			p.at++
		default:
			out = append(out, c)
		}
	}
	return "", fmt.Errorf("a string does not end")
}

// fill reads entries into s to the end of its section.
func (p *parser) fill(s *section, depth int) error {
	if depth > maxDepth {
		return fmt.Errorf("sections are nested too deep")
	}
	for {
		switch p.peek() {
		case 0:
			if depth > 0 {
				return fmt.Errorf("a section does not end")
			}
			return nil
		case '}':
			if depth == 0 {
				return fmt.Errorf("a section ends that never began")
			}
			p.at++
			return nil
		}
		name := p.word()
		if name == "" {
			return fmt.Errorf("a name is missing")
		}
		switch p.peek() {
		case '{':
			p.at++
			if p.sections++; p.sections > maxNames {
				return fmt.Errorf("there are too many sections")
			}
			in := newSection()
			if err := p.fill(in, depth+1); err != nil {
				return err
			}
			if s.sections[name] == nil {
				s.names = append(s.names, name)
			}
			s.sections[name] = in
		case '=':
			p.at++
			if err := p.value(s, name); err != nil {
				return err
			}
		default:
			return fmt.Errorf("%q has no value", name)
		}
	}
}

func (p *parser) value(s *section, name string) error {
	switch p.peek() {
	case '"':
		v, err := p.text()
		s.strings[name] = v
		return err
	case '[':
		p.at++
		list := []string{}
		for {
			switch p.peek() {
			case ']':
				p.at++
				s.lists[name] = list
				return nil
			case ',':
				p.at++
			case '"':
				v, err := p.text()
				if err != nil {
					return err
				}
				list = append(list, v)
			default:
				v := p.word()
				if v == "" {
					return fmt.Errorf("the array %s does not end", name)
				}
				list = append(list, v)
			}
		}
	}
	v := p.word()
	n, err := strconv.ParseInt(v, 10, 64)
	if err != nil {
		return fmt.Errorf("%s is no number", name)
	}
	s.numbers[name] = n
	return nil
}
