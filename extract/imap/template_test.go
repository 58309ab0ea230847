package imap

import (
	"errors"
	"io"
	"strings"
	"testing"
)

// What a template makes of one line is bounded, whatever it keeps and however
// it comes by it; the error says of which range.
func TestTemplateBounds(t *testing.T) {
	const double = `{{$x := "0123456789"}}{{range 64}}{{$x = ` // and what doubles it
	for _, c := range []struct {
		text string
		ok   bool
	}{
		{double + `printf "%s%s" $x $x}}{{end}}{{len $x}}`, false},
		{double + `print $x $x}}{{end}}{{len $x}}`, false},
		{double + `println $x $x}}{{end}}{{len $x}}`, false},
		{double + `html $x $x}}{{end}}{{len $x}}`, false},
		{double + `js $x $x}}{{end}}{{len $x}}`, false},
		{double + `urlquery $x $x}}{{end}}{{len $x}}`, false},
		{double + `printf "%[1]s%[1]s" $x}}{{end}}{{len $x}}`, false},
		{`{{range 100000000}}{{printf "%1000d" 1}}{{end}}`, false},
		{`{{range 100000000}}x{{end}}`, false},
		{`{{define "r"}}{{$a := printf "%100000d" 1}}{{template "r"}}{{end}}{{template "r"}}`, false},
		{`{{$a := printf "%100000d" 1}}{{len (printf "` + strings.Repeat("%[1]s", 1000) + `" $a)}}`, false},
		{`{{len (printf "` + strings.Repeat("%[1]999999d", 1000) + `" 1)}}`, false},
		{`{{len (printf "` + strings.Repeat("%[2]*[1]d", 1000) + `" 1 999999)}}`, false},
		{`{{len (printf "` + strings.Repeat("%.999999d", 1000) + `" 1)}}`, false},
		{`{{printf "%-20d|%+.3f|%x|%q|%5.2f%%" .Start 1.5 "a" "b" 2.0}}`, true},
		{`{{range 1000}}{{printf "%100d" 1}}{{end}}`, true},
		{`{{print 1 "a" | html}}{{urlquery "a b"}}{{js "'"}}`, true},
	} {
		tpl, err := ParseTemplate(c.text)
		if err != nil {
			t.Fatal(err)
		}
		err = All(4096).Format(io.Discard, tpl, 4096)
		bad, is := errors.AsType[*TemplateError](err)
		if (err == nil) != c.ok || err != nil && (!is || bad.Where != "range 1" || !errors.Is(err, errMade)) {
			t.Errorf("%.90s: %v", c.text, err)
		}
	}
}
