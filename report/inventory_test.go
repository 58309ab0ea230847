package report

import (
	"compress/flate"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/verify/result"
	"fileassay/verify/shown"
)

// Folders sum up all that lies below them, and everything sums up to the
// summary.
func TestFolders(t *testing.T) {
	inv := inventory(t, bellowsResult(t), false)
	var lines []string
	for _, f := range inv.folders {
		lines = append(lines, fmt.Sprintf("%s <%d: %d %d %d, %d bytes, short %t", shown.Text(f.name), f.parent, f.totals.files.Intact, f.totals.files.Damaged, f.totals.files.Lost, f.totals.sizes.Total(), f.short))
	}
	golden(t, "folders.txt", strings.Join(lines, "\n")+"\n")
	for i, f := range inv.folders {
		if i > 0 && int(f.parent) >= i || int(f.last) < i {
			t.Errorf("folder %d stands before its own, or ends before it begins: %+v", i, f)
		}
	}
	if !slices.IsSortedFunc(inv.rows, func(a, b row) int { return int(a.folder) - int(b.folder) }) {
		t.Error("rows are not in the order of their folders")
	}
}

// A bar marks what is damaged, however small.
func TestBar(t *testing.T) {
	for _, c := range []struct {
		size   int64
		damage []result.Damage
		want   string
	}{
		{64, []result.Damage{{Offset: 0, Length: 1}}, "damage at 0 to 2 % of its length"},
		{1 << 50, []result.Damage{{Offset: 1<<50 - 1, Length: 1}}, "damage at 98 to 100 % of its length"},
		{1 << 50, []result.Damage{{Offset: 0, Length: 1}, {Offset: 1 << 49, Length: 512}}, "damage at 0 to 2 %, 50 to 52 % of its length"},
		{10, []result.Damage{{Offset: 5, Length: 5}}, "damage at 50 to 100 % of its length"},
		{0, nil, "damage at 0 to 100 % of its length"},
		{10, []result.Damage{{Offset: -5, Length: 1 << 60}}, "damage at 0 to 100 % of its length"},
	} {
		f := &result.File{Verdict: result.Damaged, Size: &c.size, Damage: c.damage}
		if got := barOf(f).text(); got != c.want {
			t.Errorf("size %d, damage %v: %q, want %q", c.size, c.damage, got, c.want)
		}
	}
}

// Paths of any depth end.
func TestDeepPaths(t *testing.T) {
	var files []*result.File
	for _, n := range []int{1, maxDepth - 1, maxDepth, maxDepth + 1, 40_000} {
		files = append(files, file(strings.Repeat("d/", n)+"x", 1), file(strings.Repeat("d/", n)+"y", 1))
	}
	files = append(files, file("/a//b/", 1), file("/", 1))
	inv := inventory(t, bellowsOf(files...).Open(t), false)
	if n := len(inv.folders); n > maxDepth+20 {
		t.Errorf("%d folders", n)
	}
	if got := inv.folders[0].totals.files.Intact; got != 12 {
		t.Errorf("%d files in all, want 12", got)
	}
}

// unpack undoes pack for a column.
func unpack(t *testing.T, list *packedList, id string) []byte {
	t.Helper()
	for _, c := range list.Columns {
		if c.ID != id {
			continue
		}
		raw, err := base64.StdEncoding.DecodeString(c.Data)
		if err != nil {
			t.Fatal(err)
		}
		out, err := io.ReadAll(flate.NewReader(strings.NewReader(string(raw))))
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	t.Fatalf("no column %s", id)
	return nil
}

func texts(t *testing.T, list *packedList, id string) (out []string) {
	t.Helper()
	units := utf16.Encode([]rune(string(unpack(t, list, id+"-text"))))
	for lengths := unpack(t, list, id+"-length"); len(lengths) > 0; {
		n, k := binary.Uvarint(lengths)
		lengths = lengths[k:]
		out = append(out, string(utf16.Decode(units[:n])))
		units = units[n:]
	}
	if len(units) > 0 {
		t.Errorf("%s: %d units are left", id, len(units))
	}
	return out
}

// The list in the page holds every name as it is.
func TestPack(t *testing.T) {
	inv := inventory(t, bellowsResult(t), true)
	list, err := inv.pack()
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for _, w := range inv.rows {
		want = append(want, w.name)
	}
	if d := cmp.Diff(want, texts(t, list, "name")); d != "" {
		t.Errorf("names (-want +got):\n%s", d)
	}
	if got := texts(t, list, "detail"); len(got) != len(inv.bars) || !strings.Contains(strings.Join(got, "|"), "failed: sector 17, bytes 512 to 1023 of the file") {
		t.Errorf("details: %q", got)
	}
	customer, err := inventory(t, bellowsResult(t), false).pack()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range customer.Columns {
		if strings.HasPrefix(c.ID, "detail") {
			t.Error("the customer's page holds the details of the bench")
		}
	}
	if list.Rows != len(inv.rows) || list.LeftOut != 0 || list.Folders != len(inv.folders) {
		t.Errorf("counts %d, %d, %d", list.Rows, list.LeftOut, list.Folders)
	}
}

// Where the page has no room, intact files are left out first, and counted.
func TestPackWithin(t *testing.T) {
	inv := inventory(t, bellowsResult(t), false)
	list, err := inv.packWithin(6, 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	names := texts(t, list, "name")
	if len(names) != 6 || list.LeftOut != int64(len(inv.rows)-6) {
		t.Fatalf("%d names, %d left out", len(names), list.LeftOut)
	}
	for _, name := range []string{"trumpet.jpg", "tuning.db", "gallery.mp4", "99"} {
		if !slices.Contains(names, name) {
			t.Errorf("%s, which is not intact, is left out", name)
		}
	}
	small, err := inv.packWithin(100, 1)
	if err != nil || small.Rows != 0 {
		t.Errorf("no room gives %d rows, %v", small.Rows, err)
	}
}

func TestVisible(t *testing.T) {
	for in, want := range map[string]string{
		"plain é 漢 😀": "plain é 漢 😀", "a\x00b\r\n": `a\u0000b\u000d\u000a`, "\u202egpj": `\u202egpj`, "\u200d\ufeff\u2028": `\u200d\ufeff\u2028`,
		"\u061c\u2066\u2069": `\u061c\u2066\u2069`, "\U000e0041": `\U000e0041`, "\ufffe\uffff\U0001fffe": `\ufffe\uffff\U0001fffe`, "\x7f\u0085": `\u007f\u0085`, "\u00ad": `\u00ad`,
	} {
		if got := shown.Text(in); got != want {
			t.Errorf("shown.Text(%q) = %q, want %q", in, got, want)
		}
	}
}

// A folder that is really called "?" is listed with its name escaped, and is not
// taken for the place of what has none.
func TestFolderNamedQuestionMark(t *testing.T) {
	shown, exact := extract.NameFromBytes([]byte("?"))
	real := file(shown+"/chimes.txt", 10)
	folder := file(shown, 0)
	folder.Kind, folder.NameBytes = "folder", exact
	files := []*result.File{folder, real, file(extract.UnknownParent(63)+"/chimes.txt", 10)}
	inv := inventory(t, bellowsOf(files...).Open(t), false)
	var got []string
	for i := range inv.rows {
		w := &inv.rows[i]
		got = append(got, fmt.Sprintf("%s %v", inv.pathOf(w.folder, w.name), w.notes&noteAdrift != 0))
	}
	if want := []string{`\x3f/chimes.txt false`, `?/63/chimes.txt true`}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	for i := range inv.folders {
		if f := &inv.folders[i]; (f.shown() == "? (place not known)") != f.adrift {
			t.Errorf("the folder %q is shown as %q", f.name, f.shown())
		}
	}
}

// Two folders of one path are one in the list, and its names were not read whole
// if those of either were not.
func TestFoldersOfOnePath(t *testing.T) {
	short, whole := file("Choir", 0), file("Choir", 0)
	short.Kind, whole.Kind = "folder", "folder"
	short.Verdict, short.ID = result.Damaged, 1
	for _, files := range [][]*result.File{{short, whole}, {whole, short}} {
		inv := inventory(t, bellowsOf(files...).Open(t), false)
		if len(inv.folders) != 2 || !inv.folders[1].short {
			t.Errorf("folders: %+v", inv.folders)
		}
	}
}
