package glob

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/dustin/go-humanize"
)

// Bounds of a pattern. What a * or a { stands before may have to be tried at
// every place of a path, so that there is less room behind the first of them.
const (
	MaxLength       = 1 << 20 // bytes
	MaxBehind       = 2048    // signs behind the first * or {
	MaxAlternatives = 256     // in all braces together
)

// Pattern is a pattern that was read. Many goroutines may use it at once.
type Pattern struct {
	prefix  string // how every path begins that the pattern fits
	ops     []op   // what comes then; nil where nothing does
	suffix  string // how every such path ends
	star    bool   // between prefix and suffix stands one * and nothing else
	classes []class
}

// kind is what an op does.
type kind uint8

const (
	opRune  kind = iota // takes the rune r
	opAny               // takes any rune but the separator
	opClass             // takes a rune of classes[r]
	opStar              // takes any number of runes but the separator
	opDeep              // as opStar; at the begin of a name it may also go on with the next op
	opLoop              // takes any number of any runes
	opSplit             // goes on with the next op and with op number r
	opJump              // goes on with op number r
	opEnd               // is the end of the pattern
)

// op is an operation of the machine that a pattern is. Jumps lead forward only.
type op struct {
	kind kind
	all  bool // of an opLoop: nothing but the end stands behind it
	r    rune
}

// class is a set of characters.
type class struct {
	negate bool
	ranges [][2]rune
}

func (c *class) has(r rune) bool {
	for _, x := range c.ranges {
		if x[0] <= r && r <= x[1] {
			return !c.negate
		}
	}
	return c.negate
}

// Compile reads a pattern.
func Compile(pattern string) (*Pattern, error) {
	if len(pattern) > MaxLength {
		return nil, fmt.Errorf("pattern %q has %s bytes; a pattern may have %s", brief(pattern), humanize.Comma(int64(len(pattern))), humanize.Comma(MaxLength))
	}
	p := parser{rest: strings.ToValidUTF8(pattern, "\ufffd")}
	if err := p.sequence(0); err != nil {
		return nil, fmt.Errorf("pattern %q %w", brief(pattern), err)
	}
	p.emit(op{kind: opEnd})
	for i := range p.ops {
		if o := &p.ops[i]; o.kind == opLoop {
			k := i + 1
			for p.ops[k].kind == opJump {
				k = int(p.ops[k].r)
			}
			o.all = p.ops[k].kind == opEnd
		}
	}
	return p.pattern(), nil
}

// brief is as much of a pattern as a message quotes.
func brief(s string) string {
	const most = 80
	if len(s) <= most {
		return s
	}
	n := most
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n] + "…"
}

// pattern makes the machine ready to be used.
func (p *parser) pattern() *Pattern {
	out := &Pattern{classes: p.classes}
	n := 0
	for p.ops[n].kind == opRune {
		n++
	}
	if p.ops[n].kind != opEnd && n > 0 && p.ops[n-1].r == '/' {
		n-- // a separator before ** may be missing at the end of a path
	}
	out.prefix = runes(p.ops[:n])
	rest := p.ops[n:]
	switch {
	case rest[0].kind == opEnd:
		return out
	case rest[0].kind == opRune && len(rest) > 1 && rest[1].kind == opStar: // the separator that was given back
		if tail := rest[2:]; isLiteral(tail) {
			out.prefix, out.star, out.suffix = out.prefix+"/", true, runes(tail)
			return out
		}
	case rest[0].kind == opStar && isLiteral(rest[1:]):
		out.star, out.suffix = true, runes(rest[1:])
		return out
	}
	// what a jump leads to counts from the begin of the ops that are left
	for i := range rest {
		if k := rest[i].kind; k == opSplit || k == opJump {
			rest[i].r -= rune(n)
		}
	}
	out.ops = append([]op(nil), rest...)
	out.suffix = runes(out.ops[tail(out.ops):])
	return out
}

// tail is where the characters of a name begin that end every way through ops.
func tail(ops []op) int {
	from := 0
	for _, o := range ops {
		if o.kind == opSplit || o.kind == opJump {
			from = max(from, int(o.r))
		}
	}
	n := len(ops) - 1
	for n > from && ops[n-1].kind == opRune && ops[n-1].r != '/' {
		n--
	}
	return n
}

// isLiteral reports whether ops are the characters of one name and the end.
func isLiteral(ops []op) bool {
	for i, o := range ops {
		if o.kind != opRune || o.r == '/' {
			return o.kind == opEnd && i == len(ops)-1
		}
	}
	return false
}

func runes(ops []op) string {
	var b strings.Builder
	for _, o := range ops {
		if o.kind == opRune {
			b.WriteRune(o.r)
		}
	}
	return b.String()
}

// parser makes the ops of a pattern.
type parser struct {
	rest         string
	ops          []op
	classes      []class
	behind       int // signs behind the first * or {
	branches     bool
	alternatives int
}

func (p *parser) emit(o op) int {
	p.ops = append(p.ops, o)
	return len(p.ops) - 1
}

const advice = `; a \ before a sign takes it as it is`

func malformed(what string) error { return fmt.Errorf("is malformed: %s%s", what, advice) }

// count counts signs that a * or a { may stand before.
func (p *parser) count(n int) error {
	if !p.branches {
		return nil
	}
	if p.behind += n; p.behind > MaxBehind {
		return fmt.Errorf("has more than %s signs behind its first * or {, which is the most: make several of it", humanize.Comma(MaxBehind))
	}
	return nil
}

// sequence reads up to the end, or inside braces up to a comma or the closing
// brace, which it leaves.
func (p *parser) sequence(depth int) error {
	for p.rest != "" {
		c := p.rest[0]
		if c == '*' || c == '{' {
			p.branches = true
		}
		if err := p.count(1); err != nil {
			return err
		}
		switch c {
		case ',':
			if depth > 0 {
				return nil
			}
			p.literal()
		case '}':
			if depth > 0 {
				return nil
			}
			return malformed("a } closes no brace")
		case '{':
			if err := p.braces(depth + 1); err != nil {
				return err
			}
		case '*':
			n := len(p.rest) - len(strings.TrimLeft(p.rest, "*"))
			p.rest = p.rest[n:]
			if n == 2 {
				p.emit(op{kind: opDeep})
				p.emit(op{kind: opLoop})
			} else {
				p.emit(op{kind: opStar})
			}
		case '?':
			p.rest = p.rest[1:]
			p.emit(op{kind: opAny})
		case '[':
			if err := p.class(); err != nil {
				return err
			}
		case '\\':
			if p.rest = p.rest[1:]; p.rest == "" {
				return malformed(`nothing stands behind its last \`)
			}
			p.literal()
		default:
			p.literal()
		}
	}
	if depth > 0 {
		return malformed("a { is not closed")
	}
	return nil
}

// next takes a character of the pattern.
func (p *parser) next() rune {
	r, n := utf8.DecodeRuneInString(p.rest)
	p.rest = p.rest[n:]
	return r
}

func (p *parser) literal() { p.emit(op{kind: opRune, r: p.next()}) }

// braces reads alternatives with the braces around them.
func (p *parser) braces(depth int) error {
	var ends []int
	for {
		p.rest = p.rest[1:] // the brace or the comma
		if p.alternatives++; p.alternatives > MaxAlternatives {
			return fmt.Errorf("has more than %d alternatives in braces, which is the most: make several of it", MaxAlternatives)
		}
		split := p.emit(op{kind: opSplit})
		if err := p.sequence(depth); err != nil {
			return err
		}
		if p.rest[0] == '}' {
			p.ops[split] = op{kind: opJump, r: rune(split + 1)} // of the last alternative
			break
		}
		ends = append(ends, p.emit(op{kind: opJump}))
		p.ops[split].r = rune(len(p.ops))
	}
	p.rest = p.rest[1:]
	for _, e := range ends {
		p.ops[e].r = rune(len(p.ops))
	}
	return nil
}

// class reads a class of characters with the brackets around it.
func (p *parser) class() error {
	unclosed := malformed("a [ is not closed, or nothing stands in it")
	p.rest = p.rest[1:]
	var c class
	if p.rest != "" && (p.rest[0] == '^' || p.rest[0] == '!') {
		c.negate = true
		p.rest = p.rest[1:]
	}
	char := func() (r rune, ok bool) {
		p.rest = strings.TrimPrefix(p.rest, `\`)
		if p.rest == "" {
			return 0, false
		}
		return p.next(), true
	}
	for first := true; ; first = false {
		if p.rest == "" || first && p.rest[0] == ']' {
			return unclosed
		}
		if p.rest[0] == ']' {
			p.rest = p.rest[1:]
			break
		}
		lo, ok := char()
		hi := lo
		if ok && len(p.rest) > 1 && p.rest[0] == '-' && p.rest[1] != ']' {
			p.rest = p.rest[1:]
			hi, ok = char()
		}
		if !ok {
			return unclosed
		}
		c.ranges = append(c.ranges, [2]rune{lo, hi})
	}
	p.classes = append(p.classes, c)
	p.emit(op{kind: opClass, r: rune(len(p.classes) - 1)})
	return p.count(len(c.ranges))
}
