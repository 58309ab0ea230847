package image

import (
	"fmt"
	"strconv"
	"strings"
)

// partName is a file name that counts: text around a number, or text before
// letters that count as digits do.
type partName struct {
	prefix, suffix string
	width          int // characters of the number in this name
	number         int
	padded         bool // the number begins with a zero that only fills its width
	letters        bool // the number is letters, a for 0
}

// maxPartDigits bounds the numbers of parts: a longer run of digits is a date
// or a serial number.
const maxPartDigits = 5

// own reports whether the number is all of what follows the name's last dot:
// such a name says "part", while a number elsewhere may count drives or passes
// as well.
func (n *partName) own() bool {
	return n.suffix == "" && (n.letters || strings.HasSuffix(n.prefix, "."))
}

// at is the name with another number.
func (n *partName) at(number int) string {
	if !n.letters {
		return fmt.Sprintf("%s%0*d%s", n.prefix, n.fill(), number, n.suffix)
	}
	b := make([]byte, n.width)
	for i := n.width - 1; i >= 0; i-- {
		b[i] = byte('a' + number%26)
		number /= 26
	}
	return n.prefix + string(b)
}

func (n *partName) fill() int {
	if n.padded {
		return n.width
	}
	return 1
}

// of reads another name as one of the same set: same text, and a number
// written the same way.
func (n *partName) of(name string) (number int, ok bool) {
	if len(name) <= len(n.prefix)+len(n.suffix) || !strings.HasPrefix(name, n.prefix) || !strings.HasSuffix(name, n.suffix) {
		return 0, false
	}
	text := name[len(n.prefix) : len(name)-len(n.suffix)]
	if n.letters {
		number, ok = letterNumber(text)
		return number, ok && len(text) == n.width
	}
	if len(text) > maxPartDigits {
		return 0, false
	}
	for _, c := range []byte(text) {
		if c < '0' || c > '9' {
			return 0, false
		}
	}
	number, err := strconv.Atoi(text)
	if err != nil {
		return 0, false
	}
	// 9 goes on to 10, 099 to 100, 999 to 1000; but 9 is no part beside 08
	switch zero := text[0] == '0' && len(text) > 1; {
	case n.padded:
		ok = len(text) == n.width || len(text) > n.width && !zero
	default:
		ok = !zero || len(text) == n.width
	}
	return number, ok
}

// partNames are the ways to read a file name as that of a part, likeliest
// first: the letters or digits after its last dot, the last run of digits in
// it, and the last one before its last dot.
func partNames(name string) []partName {
	var out []partName
	dot := strings.LastIndexByte(name, '.')
	if ext := name[dot+1:]; dot > 0 && (len(ext) == 2 || len(ext) == 3) {
		if number, ok := letterNumber(ext); ok {
			out = append(out, partName{prefix: name[:dot+1], width: len(ext), number: number, letters: true})
		}
	}
	add := func(end int) {
		for end > 0 && (name[end-1] < '0' || name[end-1] > '9') {
			end--
		}
		start := end
		for start > 0 && name[start-1] >= '0' && name[start-1] <= '9' {
			start--
		}
		if start == end || end-start > maxPartDigits {
			return
		}
		n := partName{prefix: name[:start], suffix: name[end:], width: end - start}
		n.number, _ = strconv.Atoi(name[start:end]) // at most five digits
		n.padded = n.width > 1 && name[start] == '0'
		if len(out) == 0 || out[len(out)-1] != n {
			out = append(out, n)
		}
	}
	add(len(name))
	if dot > 0 {
		add(dot)
	}
	return out
}

// letterNumber reads small letters as a number, a for 0, as the system's
// splitter of files counts (POSIX, split: suffixes aa, ab and so on).
func letterNumber(text string) (int, bool) {
	n := 0
	for _, c := range []byte(text) {
		if c < 'a' || c > 'z' {
			return 0, false
		}
		n = 26*n + int(c-'a')
	}
	return n, text != ""
}
