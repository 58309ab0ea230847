package input_test

import (
	"strings"
	"testing"

	"fileassay/extract/input"
)

type sheet struct {
	Job     string            `toml:"job"`
	Remarks string            `toml:"remarks"`
	Words   map[string]string `toml:"words"`
	List    []string          `toml:"list"`
}

// A text that is deeper or longer than any of ours is refused before it is
// parsed; depth in strings and comments is none.
func TestDecodeTOML(t *testing.T) {
	deep := strings.Repeat
	for _, c := range []struct{ name, text, want string }{
		{"plain", "job = \"7\"\nlist = [\"a\", 'b']\n[words]\n\"a.b\" = \"x\"\n", ""},
		{"deep strings", "job = \"" + deep("[.{", 99) + "\"\nremarks = '" + deep("{.[", 99) + "'\n# " + deep("a.[", 99) + "\n", ""},
		{"deep strings of lines", "job = \"\"\"\n\\\"\"\" " + deep("[.{\n", 99) + "\"\"\"\"\nremarks = '''" + deep("{.[\n", 99) + "''''\n", ""},
		{"many lines of one dot", deep("# x\n", 99) + "[words]\n" + "a = \"x.y\"\n", ""},
		{"long", "job = \"" + deep("x", input.MaxTOML) + "\"\n", "has more than 65536 bytes"},
		{"dotted", "a" + deep(".a", 20000) + " = 1\n", "line 1: is deeper than 16 levels"},
		{"dotted, quoted", "\n\"a\"" + deep(".'b'", 10000) + " = 1\n", "line 2: is deeper"},
		{"dotted table", "[a" + deep(".a", 20000) + "]\n", "is deeper"},
		{"inline tables", "x = {" + deep("a={", 10000) + deep("}", 10000) + "}\n", "is deeper"},
		{"arrays", "x = " + deep("[", 20000) + deep("]", 20000) + "\n", "is deeper"},
		{"behind a string", "job = \"\"\"\"\"\"\"\"\nx = " + deep("[", 20000) + "\n", "is deeper"},
		{"behind a string of one line", "job = '\\'\nx = " + deep("[", 20000) + "\n", "is deeper"},
		{"an open string", "job = \"" + deep("[", 20000), "toml: "},
		{"an unknown key", "jib = 1\n", `there is no key "jib"; look`},
	} {
		var got sheet
		err := input.DecodeTOML([]byte(c.text), &got, "; look")
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

func FuzzDecodeTOML(f *testing.F) {
	f.Add("job = \"\"\"\"\"\"\"\"\n[words]\n'a' = \"\\\"\"\n")
	f.Add("list = ['x', \"\"\"y\"\"\"]")
	f.Fuzz(func(t *testing.T, text string) {
		var got sheet
		if err := input.DecodeTOML([]byte(text), &got, ""); err != nil && err.Error() == "" {
			t.Error("an error without words")
		}
		// what was read is as it would be beside something too deep
		if err := input.DecodeTOML([]byte(text+"\nx = "+strings.Repeat("[", 99)), &got, ""); err == nil {
			t.Errorf("%q hides what is too deep", text)
		}
	})
}
