package fat

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/japanese"
	"golang.org/x/text/encoding/korean"
	"golang.org/x/text/encoding/simplifiedchinese"
	"golang.org/x/text/encoding/traditionalchinese"

	"fileassay/extract"
)

// DefaultCodepage is the code page of short names where none is given.
const DefaultCodepage = "437"

// codepage returns the encoding with a number as people say it: "437",
// "cp850", "932".
func codepage(name string) (encoding.Encoding, error) {
	if name == "" {
		name = DefaultCodepage
	}
	number := strings.ToLower(name)
	for _, prefix := range []string{"cp", "ibm", "windows-"} {
		number = strings.TrimPrefix(number, prefix)
	}
	for _, p := range []struct {
		number   string
		encoding encoding.Encoding
	}{
		{"437", charmap.CodePage437}, {"850", charmap.CodePage850}, {"852", charmap.CodePage852}, {"855", charmap.CodePage855},
		{"858", charmap.CodePage858}, {"860", charmap.CodePage860}, {"862", charmap.CodePage862}, {"863", charmap.CodePage863},
		{"865", charmap.CodePage865}, {"866", charmap.CodePage866}, {"874", charmap.Windows874},
		{"932", japanese.ShiftJIS}, {"936", simplifiedchinese.GBK}, {"949", korean.EUCKR}, {"950", traditionalchinese.Big5},
		{"1250", charmap.Windows1250}, {"1251", charmap.Windows1251}, {"1252", charmap.Windows1252},
		{"1253", charmap.Windows1253}, {"1254", charmap.Windows1254},
	} {
		if p.number == number {
			return p.encoding, nil
		}
	}
	return nil, fmt.Errorf("code page %q is not known: give one of 437, 850, 852, 855, 858, 860, 862, 863, 865, 866, 874, 932, 936, 949, 950, 1250 to 1254", name)
}

// CheckCodepage reports whether there is a code page of that name, with an
// error that says which there are.
func CheckCodepage(name string) error {
	_, err := codepage(name)
	return err
}

// shortName makes the shown form of a short name: "NAME.EXT", in lower case
// where the flags say so. exact is nil where the shown form carries it, else
// the stored bytes.
func shortName(e *shortEntry, cp encoding.Encoding) (shown string, exact []byte) {
	raw := e.raw()
	base := strings.TrimRight(raw[:8], " ")
	ext := strings.TrimRight(raw[8:], " ")
	whole := base
	if ext != "" {
		whole += "." + ext
	}
	b, okBase := decodeShort(base, e.Case&0x08 != 0, cp)
	x, okExt := decodeShort(ext, e.Case&0x10 != 0, cp)
	if !okBase || !okExt {
		shown, _ = extract.NameFromBytes([]byte(whole))
		return shown, []byte(whole)
	}
	if x != "" {
		b += "." + x
	}
	shown, hostile := extract.NameFromBytes([]byte(b))
	if hostile != nil {
		return shown, []byte(whole)
	}
	return shown, nil
}

// labelName makes the shown form of the label of a volume, of the root or of the
// boot sector.
func labelName(raw string, cp encoding.Encoding) string {
	raw = strings.TrimRight(raw, " ")
	text, ok := decodeShort(raw, false, cp)
	if !ok {
		text = raw
	}
	return extract.Label([]byte(text))
}

// decodeShort decodes a part of a short name; ok is false where it is none of
// the code page.
func decodeShort(s string, lower bool, cp encoding.Encoding) (string, bool) {
	ascii := true
	for i := range len(s) {
		ascii = ascii && s[i] < 0x80
	}
	if !ascii {
		out, err := cp.NewDecoder().String(s)
		if err != nil || strings.ContainsRune(out, utf8.RuneError) {
			return "", false
		}
		s = out
	}
	if lower {
		s = strings.Map(unicode.ToLower, s)
	}
	return s, true
}
