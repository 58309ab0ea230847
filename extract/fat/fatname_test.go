package fat

import (
	"fmt"
	"testing"

	"fileassay/extract"
)

// TestChecksum has the Overview's own example name ("Organization and
// Association of Short & Long Directory Entries"); 0x07 agrees with what mtools
// writes, and so does 0x73.
func TestChecksum(t *testing.T) {
	for name, want := range map[string]byte{"THEQUI~1FOX": 0x07, "README  TXT": 0x73} {
		var key [11]byte
		copy(key[:], name)
		if got := checksum(&key); got != want {
			t.Errorf("%q: %#x, want %#x", name, got, want)
		}
	}
}

func TestShortName(t *testing.T) {
	for _, c := range []struct {
		name     string
		flags    byte
		codepage string
		want     string
		exact    string
	}{
		{"README  TXT", 0, "", "README.TXT", ""},
		{"README  TXT", 0x18, "", "readme.txt", ""},
		{"README  TXT", 0x08, "", "readme.TXT", ""},
		{"README  TXT", 0x10, "", "README.txt", ""},
		{"NOEXT      ", 0, "", "NOEXT", ""},
		{"R\x82SUM\x82  DOC", 0, "", "RéSUMé.DOC", ""},
		{"\x05T\x90     TXT", 0, "437", "σTÉ.TXT", ""},
		{"\x8E\x91      TXT", 0x08, "866", "ос.TXT", ""},
		// 05 stands for E5, which begins a character of two bytes (Overview, DIR_Name[0])
		{"\x05\xE5\x93\xFA    TXT", 0, "932", "裹日.TXT", ""},
		{"\x90A\x95\xA8    TXT", 0, "932", "植物.TXT", ""},
		{"A/B     TXT", 0, "", `A\x2fB.TXT`, "A/B.TXT"},
	} {
		e := shortEntry{Case: c.flags}
		copy(e.Name[:], c.name)
		cp, err := codepage(c.codepage)
		if err != nil {
			t.Fatal(err)
		}
		got, exact := shortName(&e, cp)
		if got != c.want || string(exact) != c.exact {
			t.Errorf("%q in %q: %q and %q, want %q and %q", c.name, c.codepage, got, exact, c.want, c.exact)
		}
	}
}

// TestLabels holds that what is no text of the code page, or none for people, is
// escaped, in the label of the root and of the boot sector.
func TestLabels(t *testing.T) {
	for _, c := range []struct{ label, codepage, want string }{
		{"HERBARIUM  ", "", "HERBARIUM"},
		{"R\x82SUM\x82     ", "", "RéSUMé"},
		{"A\x81\xFFB       ", "932", `A\x81\xffB`},
		{"A\x00B        ", "", `A\x00B`},
	} {
		for _, root := range []bool{true, false} {
			v := build(t, shape{width: width16, clusters: 5000})
			if root {
				v.slot(&v.root, short(c.label, attrLabel, 0, 0))
				if c.label[1] == 0 {
					continue // makes no sense in a slot
				}
			} else {
				v.Write(38, append([]byte{0x29, 1, 2, 3, 4}, c.label...))
			}
			vol, err := Open(t.Context(), v.Reader(), 0, v.Size, extract.Options{Codepage: c.codepage})
			if err != nil {
				t.Fatal(err)
			}
			if got := vol.Info().Label; got != c.want {
				t.Errorf("%q in %q, of the root %v: %q, want %q", c.label, c.codepage, root, got, c.want)
			}
		}
	}
}

// TestLongName puts slots together: in order, out of order, with a part that
// was not read.
func TestLongName(t *testing.T) {
	slots := long("Betula pendula, silver birch.tif", "BETULA~1TIF")
	if len(slots) != 3 {
		t.Fatalf("%d slots", len(slots))
	}
	for _, c := range []struct {
		name  string
		order []int
		gap   bool
		want  string
	}{
		{"whole", []int{0, 1, 2}, false, "Betula pendula, silver birch.tif"},
		{"first part missing", []int{0, 1}, false, ""},
		{"last part missing", []int{1, 2}, true, ""},
		{"out of order", []int{0, 2, 1}, false, ""},
		{"twice", []int{0, 0, 1, 2}, false, "Betula pendula, silver birch.tif"},
	} {
		var l longName
		for i, k := range c.order {
			s, ok := parseLong(slots[k])
			l.add(s, ok, 0, i == 0 && c.gap)
		}
		got := ""
		if units := l.whole(); units != nil {
			got, _ = extract.NameFromUTF16(units)
		}
		if got != c.want || l.cut != c.gap {
			t.Errorf("%s: %q (cut %v), want %q (cut %v)", c.name, got, l.cut, c.want, c.gap)
		}
	}
}

// TestKindOfName checks what is known by its long name alone: the byte that
// tells a folder is unread, so that its kind is a guess, and is called one.
func TestKindOfName(t *testing.T) {
	const alone = " | only its long name was read: the entry with its place and size is unread | by its name alone it is not known whether it is a file or a folder: it is taken for "
	for name, guess := range map[string]string{
		"Plates":      " folder 0 name-only entries-unread" + alone + "a folder, as its name looks like one's",
		"1987.plates": " folder 0 name-only entries-unread" + alone + "a folder, as its name looks like one's",
		".plates":     " file -1 name-only" + alone + "a file, as its name looks like one's",
		"plate 7.tif": " file -1 name-only" + alone + "a file, as its name looks like one's",
	} {
		v := build(t, shape{width: width12, clusters: 3000})
		for i := range 15 {
			v.slot(&v.root, short(fmt.Sprintf("E%02d     TXT", i), 0x20, 0, 0))
		}
		v.slot(&v.root, long(name, "NAME    TXT")[0]) // the last of its sector
		v.slot(&v.root, short("NAME    TXT", 0x10, 100, 0))
		v.Lose(v.root.fixed+512, 512)
		got, l := list(t, v)
		want := name + guess
		if len(got) != 16 || got[15] != want || l.Complete {
			t.Errorf("%d lines, the last %q, want %q; %+v", len(got), got[len(got)-1], want, l)
		}
	}
}
