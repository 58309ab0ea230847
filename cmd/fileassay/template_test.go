package main

import (
	"strings"
	"testing"
)

// A template that cannot be read or carried out is a wrong use, whatever the
// command and the output, and nothing of its list comes out; bench.run holds
// both to that.
func TestTemplateErrors(t *testing.T) {
	b := newBench(t)
	b.run([]string{"r.jsonl"}, "verify", "ferry.img", "--map", "worn.csv", "-o", "r.jsonl")
	for _, args := range [][]string{
		{"map", "convert", "worn.csv"},
		{"map", "convert", "worn.csv", "-o", "out.txt"},
		{"map", "convert", "worn.csv", "-q"},
		{"reread", "r.jsonl", "--list", "-"},
		{"reread", "r.jsonl", "--list", "out.txt"},
		{"reread", "r.jsonl", "--list", "out.txt", "--html", "out.html"},
		{"reread", "r.jsonl", "--list", "out.txt", "--json"},
	} {
		for _, format := range []string{
			"{{", "{{nothing}}", "{{.Nothing}}", "{{div .Start 0}}", `{{template "none"}}`,
			`{{define "r"}}{{template "r"}}{{end}}{{template "r"}}`,
			`{{.Start}}{{if gt .Number 1}}{{div 1 0}}{{end}}`,
			`{{define "first"}}{{.Nothing}}{{end}}{{.Start}}`,
			`{{define "last"}}{{index .Size 1}}{{end}}{{.Start}}`,
			`{{$x := "a"}}{{range 64}}{{$x = printf "%s%s" $x $x}}{{end}}{{$x}}`,
			`{{range 100000000}}{{printf "%1000d" 1}}{{end}}`,
			`{{define "first"}}{{range 9223372036854775807}}x{{end}}{{end}}{{.Start}}`,
		} {
			o := b.run(nil, append(args[:len(args):len(args)], "--format", format)...)
			if o.exit != exitUsage || !strings.Contains(o.stderr, "--format: ") {
				t.Errorf("%v %s: exit %d, %s", args, format, o.exit, o.stderr)
			}
		}
	}
}
