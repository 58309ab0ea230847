package imap

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"
	"text/template"
)

// maxMade is how many bytes the execution of a template for one line may write,
// and its functions may make: in all, since it can keep what they made.
const maxMade = 1 << 20

// errMade is an error of a template that makes too much of one line.
var errMade = fmt.Errorf("makes more than %d bytes of one line", maxMade)

// Template makes the lines of a list.
type Template struct {
	t    *template.Template
	made int // bytes that functions made for the line in hand
}

// TemplateError is what is wrong with a template, as it was executed.
type TemplateError struct {
	Where string // which range, or which template
	Err   error
}

func (e *TemplateError) Error() string { return e.Where + ": " + e.Err.Error() }

func (e *TemplateError) Unwrap() error { return e.Err }

// ParseTemplate reads a text/template of lines. Beside the usual functions it
// has div, which divides and rounds down. Those that make text are bounded: a
// template can call them without end, and double what they made.
func ParseTemplate(text string) (*Template, error) {
	t := &Template{}
	joined := func(make func(a ...any) string) func(...any) (string, error) {
		return func(a ...any) (string, error) {
			return t.bound(lengths(a), func() string { return make(a...) })
		}
	}
	var err error
	t.t, err = template.New("range").Funcs(template.FuncMap{
		"div":      div,
		"print":    joined(fmt.Sprint),
		"println":  joined(fmt.Sprintln),
		"html":     joined(template.HTMLEscaper),
		"js":       joined(template.JSEscaper),
		"urlquery": joined(template.URLQueryEscaper),
		"printf": func(format string, a ...any) (string, error) {
			return t.bound(formatted(format, a), func() string { return fmt.Sprintf(format, a...) })
		},
	}).Parse(text)
	return t, err
}

// bound makes a text of about n bytes or fewer, if that is not too much.
func (t *Template) bound(n int, make func() string) (string, error) {
	if n > maxMade {
		return "", errMade
	}
	s := make()
	if t.made += len(s); t.made > maxMade {
		return "", errMade
	}
	return s, nil
}

// lengths is how long the texts among a are, and about how long the others.
func lengths(a []any) int {
	n := 0
	for _, x := range a {
		n += lengthOf(x)
	}
	return n
}

func lengthOf(x any) int {
	if v := reflect.ValueOf(x); v.Kind() == reflect.String {
		return v.Len()
	}
	return 32
}

// formatted is how many bytes a format may give at most, but for quotes and the
// like: its verbs may all take the longest of a, and pad.
func formatted(format string, a []any) int {
	longest := 0
	for _, x := range a {
		longest = max(longest, lengthOf(x))
	}
	n := len(format)
	for i := 0; i < len(format); i++ {
		if format[i] != '%' {
			continue
		}
		n += longest
		// up to the verb: flags, numbers of arguments in brackets, width and
		// precision, of which * takes an argument
		for i++; i < len(format) && strings.IndexByte("+-# 0123456789.*[]", format[i]) >= 0; {
			switch c := format[i]; {
			case c == '*':
				n += maxMade / 8 // some number of a
				i++
			case '0' <= c && c <= '9':
				pad := 0
				for ; i < len(format) && '0' <= format[i] && format[i] <= '9'; i++ {
					pad = min(10*pad+int(format[i]-'0'), 2*maxMade)
				}
				n += pad
			default:
				i++
			}
		}
		if n > maxMade {
			break
		}
	}
	return n
}

func div(a, b int64) (int64, error) {
	if b == 0 {
		return 0, errors.New("div by zero")
	}
	return a / b, nil
}

// List writes a list to w: t is executed with what lines gives to put, and what
// it makes is one line; nothing gives no line. If it defines the templates
// "first" and "last", these are executed with whole before and after. What is
// wrong with the template is a [*TemplateError].
func (t *Template) List(w io.Writer, whole any, lines func(put func(line any) error) error) error {
	b := bufio.NewWriterSize(w, 1<<16)
	var text lineText
	put := func(tpl *template.Template, data any, where func() string) error {
		text.Reset()
		t.made = 0
		if err := tpl.Execute(&text, data); err != nil {
			return &TemplateError{where(), err}
		}
		if text.Len() == 0 {
			return nil
		}
		b.WriteString(text.String())
		return b.WriteByte('\n')
	}
	outer := func(name string) error {
		if tpl := t.t.Lookup(name); tpl != nil {
			return put(tpl, whole, func() string { return fmt.Sprintf("template %q", name) })
		}
		return nil
	}
	if err := outer("first"); err != nil {
		return err
	}
	n := 0
	err := lines(func(line any) error {
		n++
		return put(t.t, line, func() string { return fmt.Sprintf("range %d", n) })
	})
	if err != nil {
		return err
	}
	if err := outer("last"); err != nil {
		return err
	}
	return b.Flush()
}

// lineText is the text of one line, which is bounded.
type lineText struct{ strings.Builder }

func (l *lineText) Write(p []byte) (int, error) {
	if l.Len()+len(p) > maxMade {
		return 0, errMade
	}
	return l.Builder.Write(p)
}

// WriteString is Write: a template may use either.
func (l *lineText) WriteString(s string) (int, error) { return l.Write([]byte(s)) }
