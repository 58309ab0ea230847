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
	switch number {
	case "437":
		return charmap.CodePage437, nil
	case "850":
		return charmap.CodePage850, nil
	case "852":
		return charmap.CodePage852, nil
	case "855":
		return charmap.CodePage855, nil
	case "858":
		return charmap.CodePage858, nil
	case "860":
		return charmap.CodePage860, nil
	case "862":
		return charmap.CodePage862, nil
	case "863":
		return charmap.CodePage863, nil
	case "865":
		return charmap.CodePage865, nil
	case "866":
		return charmap.CodePage866, nil
	case "874":
		return charmap.Windows874, nil
	case "932":
		return japanese.ShiftJIS, nil
	case "936":
		return simplifiedchinese.GBK, nil
	case "949":
		return korean.EUCKR, nil
	case "950":
		return traditionalchinese.Big5, nil
	case "1250":
		return charmap.Windows1250, nil
	case "1251":
		return charmap.Windows1251, nil
	case "1252":
		return charmap.Windows1252, nil
	case "1253":
		return charmap.Windows1253, nil
	case "1254":
		return charmap.Windows1254, nil
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
	raw := e.Name
	if raw[0] == slotKanji {
		raw[0] = slotDeleted
	}
	base := strings.TrimRight(string(raw[:8]), " ")
	ext := strings.TrimRight(string(raw[8:]), " ")
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
