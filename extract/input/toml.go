package input

import (
	"bytes"
	"fmt"

	"github.com/BurntSushi/toml"
)

// Bounds of a text in TOML that people write: what a parser makes of a small
// text grows with how deep it is times its length.
const (
	MaxTOML  = 64 << 10 // bytes
	maxDepth = 16       // of brackets in brackets
	maxDots  = 16       // in a line: a key of so many parts is as deep
)

// DecodeTOML reads a text in TOML into the value that into points to. A key
// that it has no place for is an error, which ends with hint, as is a text
// that is longer or deeper than any of ours.
func DecodeTOML(text []byte, into any, hint string) error {
	if err := checkTOML(text); err != nil {
		return err
	}
	meta, err := toml.Decode(string(text), into)
	if err != nil {
		return err
	}
	if unknown := meta.Undecoded(); len(unknown) > 0 {
		return fmt.Errorf("there is no key %q%s", unknown[0].String(), hint)
	}
	return nil
}

// checkTOML holds a text to the bounds. What stands in strings and comments
// counts for nothing; where a string does not end, the parser ends too.
func checkTOML(text []byte) error {
	if len(text) > MaxTOML {
		return fmt.Errorf("has more than %d bytes; is it the right file?", MaxTOML)
	}
	line, depth, dots := 1, 0, 0
	for len(text) > 0 {
		n := 1
		switch c := text[0]; c {
		case '\n':
			line++
			dots = 0
		case '#':
			if n = bytes.IndexByte(text, '\n'); n < 0 {
				return nil
			}
		case '"', '\'':
			n = stringTOML(text)
			line += bytes.Count(text[:n], []byte("\n"))
		case '.':
			dots++
		case '[', '{':
			depth++
		case ']', '}':
			depth = max(depth-1, 0)
		}
		if depth > maxDepth || dots > maxDots {
			return fmt.Errorf("line %d: is deeper than %d levels; is it the right file?", line, maxDepth)
		}
		text = text[n:]
	}
	return nil
}

// stringTOML is the length of the string that text begins with. One that is
// not closed ends with its line, or of several lines with the text.
func stringTOML(text []byte) int {
	quote := text[:1]
	if triple := bytes.Repeat(quote, 3); bytes.HasPrefix(text, triple) {
		quote = triple
	}
	for i := len(quote); i < len(text); i++ {
		switch {
		case text[i] == '\\' && quote[0] == '"':
			i++
		case text[i] == '\n' && len(quote) == 1:
			return i
		case bytes.HasPrefix(text[i:], quote):
			i += len(quote)
			for len(quote) == 3 && i < len(text) && text[i] == quote[0] {
				i++ // quotes that the string ends with stand before those that end it
			}
			return i
		}
	}
	return len(text)
}
