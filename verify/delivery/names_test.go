package delivery

import (
	"fmt"
	"io/fs"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
)

func TestSafeName(t *testing.T) {
	long := strings.Repeat("long ", 60) + ".tif"
	for _, c := range []struct{ name, want string }{
		{"sheet 04.tif", "sheet 04.tif"},
		{"Ähnlich 🌿.txt", "Ähnlich 🌿.txt"},
		{"50% off.txt", "50% off.txt"},
		{"a=b", "a=3Db"},
		{"..", ".=2E"},
		{".", "=2E"},
		{"a/b", "a=2Fb"},
		{`a\x2fb`, "a=5Cx2fb"},
		{"nul\x00", "nul=00"},
		{"line\r\nbreak", "line=0D=0Abreak"},
		{"a:b*c?d\"e<f>g|h", "a=3Ab=2Ac=3Fd=22e=3Cf=3Eg=7Ch"},
		{"end.", "end=2E"},
		{"end ", "end=20"},
		{"end. .", "end. =2E"},
		{" begin", " begin"},
		{"\u202egnp.exe", "=E2=80=AEgnp.exe"},
		{"\u2028", "=E2=80=A8"},
		{"\x7f\u0085", "=7F=C2=85"},
		{"bad\xff", "bad=FF"},
		{"?", "=unplaced"},
		{"", "=empty"},
		// Microsoft, "Naming Files, Paths, and Namespaces"
		{"CON", "=43ON"},
		{"con.txt", "=63on.txt"},
		{"aux .c", "=61ux .c"},
		{"COM1", "=43OM1"},
		{"lpt9.log", "=6Cpt9.log"},
		{"COM¹", "=43OM¹"},
		{"CONIN$", "=43ONIN$"},
		{"COM", "COM"},
		{"COM10", "COM10"},
		{"console", "console"},
		{long, strings.Repeat("long ", 43) + "l=~h" + "0123456789abcdef" + ".tif"},
	} {
		got := SafeName(c.name)
		if len(c.name) > nameLimit { // the digest is not to be foretold
			if len(got) > nameLimit || !strings.HasSuffix(got, ".tif") || !strings.Contains(got, "=~h") {
				t.Errorf("%q: %q", c.name, got)
			}
			if _, ok := originalName(got); ok {
				t.Errorf("%q: what was cut off cannot come back", got)
			}
			continue
		}
		if got != c.want {
			t.Errorf("%q: got %q, want %q", c.name, got, c.want)
		}
		if back, ok := originalName(got); !ok || back != c.name {
			t.Errorf("%q comes back as %q, %t", c.name, back, ok)
		}
	}
}

func FuzzSafeName(f *testing.F) {
	for _, s := range []string{"a", "..", "CON", "a=~2.txt", "=41", "x\x00/\\", strings.Repeat("é", 200), "?", "end. "} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, name string) {
		safe := SafeName(name)
		if len(safe) > nameLimit || !utf8.ValidString(safe) || strings.ContainsAny(safe, "/\\:*?\"<>|\x00\r\n") || safe == ".." || safe == "." {
			t.Fatalf("%q: %q is not safe", name, safe)
		}
		if name != "" && (!fs.ValidPath("data/"+safe) || strings.HasSuffix(safe, ".") || strings.HasSuffix(safe, " ") || isDevice(safe)) {
			t.Fatalf("%q: %q is not safe", name, safe)
		}
		if back, ok := originalName(safe); ok && back != name {
			t.Fatalf("%q comes back as %q", name, back)
		} else if !ok && len(safe) < 100 {
			t.Fatalf("%q: %q does not come back", name, safe)
		}
	})
}

func TestNamer(t *testing.T) {
	n := newNamer()
	var got []string
	for _, p := range []string{"a/Name.txt", "a/name.txt", "a/NAME.TXT", "A/name.txt", "a/name=~2.txt", "a", "a/caf\u00e9", "a/cafe\u0301", "../../x", "/abs", "?/7/x", "a/name.txt"} {
		got = append(got, n.place("t", p))
	}
	want := []string{"t/a/Name.txt", "t/a/name=~2.txt", "t/a/NAME=~3.TXT", "t/A=~2/name.txt", "t/a/name=3D~2.txt", "t/a=~3", "t/a/caf\u00e9", "t/a/cafe\u0301=~2",
		"t/.=2E/.=2E/x", "t/abs", "t/=unplaced/7/x", "t/a/name=~4.txt"}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// Ten thousand names that are one on many targets get places of their own, in
// no more than a moment.
func TestNamerCollisions(t *testing.T) {
	n := newNamer()
	seen := map[string]bool{}
	for i := range 10000 {
		b := []byte("photograph.jpg")
		for k := range b {
			if i>>k&1 == 1 && b[k] >= 'a' {
				b[k] -= 'a' - 'A'
			}
		}
		p := n.place("t", "holiday/"+string(b))
		if low := strings.ToLower(p); seen[low] {
			t.Fatalf("%s is given twice", p)
		} else {
			seen[low] = true
		}
		if back, ok := originalName(p[strings.LastIndexByte(p, '/')+1:]); !ok || back != string(b) {
			t.Fatalf("%s comes back as %s", p, back)
		}
	}
}

// Folders deeper than systems can hold stay within bounds.
func TestNamerDeep(t *testing.T) {
	n := newNamer()
	for i := range 300 {
		p := n.place("t", strings.Repeat(fmt.Sprintf("folder %d/", i%2), i)+"f")
		if len(p) > pathLimit+300 {
			t.Fatalf("a path of %d bytes", len(p))
		}
	}
}

// originalName undoes [SafeName] and the marks for names that collide. ok is
// false where a part of the name was cut off, or no rule gives such a name.
func originalName(safe string) (name string, ok bool) {
	switch safe {
	case unplaced:
		return "?", true
	case emptyName:
		return "", true
	}
	var b strings.Builder
	for i := 0; i < len(safe); {
		if safe[i] != '=' {
			b.WriteByte(safe[i])
			i++
			continue
		}
		if strings.HasPrefix(safe[i:], "=~") {
			k := i + 2
			for k < len(safe) && safe[k] >= '0' && safe[k] <= '9' {
				k++
			}
			if k == i+2 {
				return "", false
			}
			i = k
			continue
		}
		if len(safe) < i+3 {
			return "", false
		}
		c, err := strconv.ParseUint(safe[i+1:i+3], 16, 8)
		if err != nil {
			return "", false
		}
		b.WriteByte(byte(c))
		i += 3
	}
	return b.String(), true
}
