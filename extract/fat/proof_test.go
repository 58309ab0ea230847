package fat

import (
	"encoding/binary"
	"errors"
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
)

// shapes are volumes of each width.
var shapes = []shape{{width: width12, clusters: 3000, spc: 4}, {width: width16, clusters: 9000, spc: 4}, {width: width28, clusters: 7000, spc: 4}}

// plain is a volume with files and no folder.
func plain(t testing.TB, s shape) *fatImage {
	v := build(t, s)
	for i, name := range []string{"A       TXT", "B       TXT", "C       TXT"} {
		c := uint32(10 + 5*i)
		v.file(&v.root, name, "", uint32(v.ClusterSize)+300, c, c+1)
		v.Write(v.cluster(c), []byte(name))
	}
	v.file(&v.root, "D       TXT", "", 500, 3)
	v.Write(v.cluster(3), []byte("content"))
	return v
}

// foldered is one with folders too.
func foldered(t testing.TB, s shape) *fatImage {
	v := plain(t, s)
	for i, name := range []string{"MAPS       ", "PLOTS      "} {
		c := uint32(100 + 20*i)
		f := v.sub(&v.root, name, c)
		v.file(f, "E       TXT", "", uint32(2*v.ClusterSize), c+1, c+3)
		v.file(f, "F       TXT", "", 100, c+5)
	}
	return v
}

// intact are the lines of a volume's files that are proved.
func intact(t testing.TB, v *fatImage) []string {
	t.Helper()
	lines, _ := list(t, v)
	return slices.DeleteFunc(lines, func(s string) bool { return strings.Contains(s, "unproved") })
}

// Whatever bit of the parameters is another, nothing is called proved that is not
// what the volume holds; and a volume that was not touched loses nothing.
func TestParameterFlips(t *testing.T) {
	for _, s := range shapes {
		for _, make := range []func(testing.TB, shape) *fatImage{plain, foldered} {
			v := make(t, s)
			want, l := list(t, v)
			if got := intact(t, v); len(got) != len(want) || !l.Complete {
				t.Errorf("%s untouched: %d of %d proved, %+v", v.kind(), len(got), len(want), l)
			}
			for bit := 11 * 8; bit < map[width]int{width12: 36, width16: 36, width28: 52}[s.width]*8; bit++ {
				flip := func() { v.Write(int64(bit/8), []byte{v.Read(int64(bit/8), 1)[0] ^ 1<<(bit%8)}) }
				flip()
				vol, err := Open(t.Context(), v.Reader(), 0, v.Size, extract.Options{})
				if err != nil {
					if !errors.As(err, new(*extract.NotVolumeError)) {
						t.Fatal(err)
					}
				} else {
					got, _ := walk(t, vol)
					for _, line := range got {
						if !strings.Contains(line, "unproved") && !strings.Contains(line, "unlocated") && !slices.Contains(want, line) {
							t.Errorf("%s, bit %d of byte %d: %s", v.kind(), bit%8, bit/8, line)
							break
						}
					}
				}
				flip()
			}
		}
	}
}

// Two parameters that are wrong and fit each other prove nothing either.
func TestParametersAgainstOthers(t *testing.T) {
	spc := func(n byte) func(*fatImage) { return func(v *fatImage) { v.Write(13, []byte{n}) } }
	root := func(n uint16) func(*fatImage) { return func(v *fatImage) { v.Put16(17, n) } }
	for _, c := range []struct {
		name   string
		shape  shape
		make   func(testing.TB, shape) *fatImage
		do     func(*fatImage)
		intact int
		why    string
	}{
		{"clusters twice as large, against the copy", shapes[2], plain, spc(8), 0, "the boot sector and its copy, both read, do not state the same"},
		{"the same, the copy unread", shapes[2], plain, func(v *fatImage) { spc(8)(v); v.Lose(6*512, 512) }, 0, "nothing that was read bears out"},
		{"the same, and folders that bear out the copy", shapes[2], foldered, spc(8), 10, ""},
		{"clusters of another size on the copy alone", shapes[2], plain, func(v *fatImage) { v.Write(6*512+13, []byte{8}) }, 0, "do not state the same"},
		{"the same, and folders that bear out the boot sector", shapes[2], foldered, func(v *fatImage) { v.Write(6*512+13, []byte{8}) }, 10, ""},
		{"clusters twice as large", shapes[1], plain, spc(8), 0, "nothing that was read bears out"},
		{"clusters half as large", shapes[0], plain, spc(2), 0, ""},
		{"slots of the root", shapes[1], plain, root(528), 0, "nothing that was read bears out"},
		{"slots of the root, against a folder", shapes[1], foldered, root(528), 0, "begins where the boot sector puts it"},
		{"slots of a floppy disk's root", shapes[1], plain, root(224), 0, "nothing that was read bears out"},
		{"another folder's cluster for the root", shapes[2], foldered, func(v *fatImage) { v.Put32(44, 100); v.Lose(6*512, 512) }, 0, "names another folder"},
		{"an empty volume of no usual shape", shape{width: width12, clusters: 100, spc: 64}, build, func(v *fatImage) { v.Write(v.tableAt(0)+3, []byte{0}) }, 0, ""},
		{"a healthy card without its copy", shapes[2], plain, func(v *fatImage) { v.Write(6*512, make([]byte, 512)) }, 4, ""},
	} {
		v := c.make(t, c.shape)
		c.do(v)
		got, l := list(t, v)
		n := len(slices.DeleteFunc(got, func(s string) bool { return strings.Contains(s, "unproved") }))
		if n != c.intact || c.why != "" && !strings.Contains(strings.Join(l.Why, "\n"), c.why) || l.Complete != (c.intact > 0 || strings.HasPrefix(c.name, "an empty")) {
			t.Errorf("%s: %d proved, want %d: %+v", c.name, n, c.intact, l)
		}
	}
}

// The information sector's count of free clusters settles where the copy of the
// boot sector states something else.
func TestFreeCount(t *testing.T) {
	for _, right := range []bool{true, false} {
		v := plain(t, shapes[2])
		v.Write(6*512+13, []byte{8})
		info := make([]byte, 512)
		le := binary.LittleEndian
		le.PutUint32(info, 0x41615252)
		le.PutUint32(info[484:], 0x61417272)
		le.PutUint32(info[508:], 0xAA550000)
		free := v.Clusters - 8
		if !right {
			free--
		}
		le.PutUint32(info[488:], free)
		v.Write(512, info)
		if got := intact(t, v); (len(got) == 4) != right {
			t.Errorf("count right %v: %d files proved", right, len(got))
		}
	}
}

// A copy of the boot sector that stands elsewhere than in sector 6 opens the volume
// where that begins, and not where the copy stands.
func TestCopyElsewhere(t *testing.T) {
	for _, sector := range []int64{1, 2, 4, 12, 20} {
		v := foldered(t, shapes[2])
		for c := uint32(128 * uint32(sector)); c < 128*uint32(sector)+4; c++ {
			v.chain(c) // files of one cluster, whose entries look like a table's first ones
		}
		v.Write(6*512, make([]byte, 512))
		v.Put16(50, uint16(sector))
		v.Write(sector*512, v.Read(0, 512))
		want, _ := list(t, v)
		for name, do := range map[string]func(){"unread": func() { v.Lose(0, 512) }, "zeros": func() { v.Write(0, make([]byte, 512)) }} {
			do()
			got, _ := list(t, v)
			if len(got) != len(want) {
				t.Errorf("copy in sector %d, boot sector %s: %d lines, want %d", sector, name, len(got), len(want))
			}
			if vol, err := Open(t.Context(), v.Reader(), sector*512, 0, extract.Options{}); err == nil {
				lines, _ := walk(t, vol)
				for _, line := range lines {
					if !strings.Contains(line, "unproved") && !strings.Contains(line, "file 0") {
						t.Errorf("opened at its copy in sector %d: %s", sector, line)
						break
					}
				}
			}
		}
	}
}

// How a volume was left is told, by the table and by the boot sector.
func TestStateIsTold(t *testing.T) {
	for _, s := range shapes {
		at := int64(37)
		if s.width == width28 {
			at = 65
		}
		second := func(bits uint32) func(*fatImage) {
			return func(v *fatImage) {
				for i := range v.Tables {
					switch s.width {
					case width16:
						v.Put16(v.tableAt(i)+2, uint16(0xFFFF&^bits))
					case width28:
						v.Put32(v.tableAt(i)+4, 0x0FFFFFFF&^bits)
					}
				}
			}
		}
		high := uint32(1) << (s.width - 1)
		for _, c := range []struct {
			name          string
			do            func(v *fatImage)
			dirty, failed bool
		}{
			{"closed", func(*fatImage) {}, false, false},
			{"the boot sector's dirty bit", func(v *fatImage) { v.Write(at, []byte{1, 0x29}) }, true, false},
			{"the boot sector's error bit", func(v *fatImage) { v.Write(at, []byte{2, 0x29}) }, false, true},
			{"the byte without a signature behind it", func(v *fatImage) { v.Write(at, []byte{3, 0}) }, false, false},
			{"the table's dirty bit", second(high), s.width != width12, false},
			{"the table's error bit", second(high >> 1), false, s.width != width12},
		} {
			v := foldered(t, s)
			c.do(v)
			vol, err := Open(t.Context(), v.Reader(), 0, v.Size, extract.Options{})
			if err != nil {
				t.Fatal(err)
			}
			_, l := walk(t, vol)
			if dirty := slices.Contains(l.Why, notClosed); dirty != c.dirty || l.Complete == c.dirty {
				t.Errorf("%s, %s: %+v", v.kind(), c.name, l)
			}
			if failed := slices.Contains(vol.Info().Notes, drivesError); failed != c.failed {
				t.Errorf("%s, %s: %q", v.kind(), c.name, vol.Info().Notes)
			}
		}
	}
}
