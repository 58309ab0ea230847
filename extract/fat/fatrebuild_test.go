package fat

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
)

// lost are the ways in which a boot sector is lost. All are the same to a volume.
var lost = map[string]func(v *fatImage){
	"unread": func(v *fatImage) { v.Lose(0, 512) },
	"zeros":  func(v *fatImage) { v.Write(0, make([]byte, 512)) },
	"noise": func(v *fatImage) {
		for i := range int64(512) {
			v.Write(i, []byte{byte(i*i*37 + i*11)})
		}
	},
}

// A FAT32 volume without boot sector and copy is worked out too, and the list of
// none that was is called complete.
func TestRebuildAll(t *testing.T) {
	for _, s := range []shape{{width: width12, clusters: 4000, spc: 32}, {width: width16, clusters: 9000, spc: 4}, {width: width28, clusters: 70000, spc: 4}} {
		for name, lose := range lost {
			v := build(t, s)
			if s.width == width28 {
				v.sub(&v.root, "LAST       ", 69000) // what stands elsewhere gives no other place
				v.Lose(6*512, 512)
			}
			fillFolders(v, 20)
			want, _ := list(t, v)
			lose(v)
			got, l := list(t, v)
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("%s, boot sector %s: %s", v.kind(), name, diff)
			}
			if l.Complete {
				t.Errorf("%s, boot sector %s: the list is called complete", v.kind(), name)
			}
		}
	}
}

// Folders of an earlier volume, in clusters of another size, cost nothing, even if
// they are the most.
func TestRebuildAfterFormat(t *testing.T) {
	v := build(t, shape{width: width16, clusters: 9000, spc: 4})
	fillFolders(v, 20)
	want, _ := list(t, v)
	for i := range uint32(12) {
		at := v.cluster(6000 + 8*i)
		v.Write(at, short(".          ", attrFolder, 300+i, 0))
		v.Write(at+32, short("..         ", attrFolder, 0, 0))
		for k := range uint32(4) {
			v.Write(at+64+32*int64(k), short(fmt.Sprintf("OLD%d    TXT", k), 0, 400+i*8+k, 9000))
		}
		at, base := at, v.cluster(6000)
		old := base + int64(i)*8*v.ClusterSize // 16 KiB apart: clusters of 16 KiB
		if at != old {
			t.Fatal(at, old)
		}
	}
	v.Lose(0, 512)
	got, _ := list(t, v)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// A volume that was worked out does not take another that stands behind it.
func TestRebuildEndsBeforeAnother(t *testing.T) {
	v := build(t, shape{width: width16, clusters: 9000, spc: 4})
	fillFolders(v, 20)
	v.Lose(0, 512)
	end := v.Size
	v.Size += 8 << 20
	v.Write(end, bootBytes(shape{width: width16, clusters: 5000}))
	vol, err := Open(t.Context(), v.Reader(), 0, v.Size, extract.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got := vol.layout.start + vol.layout.length; got != end {
		t.Errorf("it ends at %d, another begins at %d", got, end)
	}
}

// An image that is made to take long costs no more than one that is whole may.
func TestRebuildSteps(t *testing.T) {
	for name, entry := range map[string]func(c uint32) uint16{
		"long chains": func(c uint32) uint16 { return uint16(c + 1) },
		"zeros":       func(uint32) uint16 { return 0 },
	} {
		d := &Disk{Size: 512 << 20}
		const heap, cluster = 8 << 20, 8192
		table := make([]byte, heap-512)
		for i := 0; i < len(table); i += 2 {
			binary.LittleEndian.PutUint16(table[i:], entry(uint32(i/2%0x7FFF)))
		}
		d.Write(512, table)
		for i := range uint32(400) {
			at := int64(heap) + int64(i*3)*cluster
			d.Write(at, short(".          ", attrFolder, 2+i*3, 0))
			d.Write(at+32, short("..         ", attrFolder, 0, 0))
			for k := range uint32(cluster/32 - 2) {
				d.Write(at+64+32*int64(k), short(fmt.Sprintf("F%d      TXT", k%10), 0, 2+k, 0xFFFFFF))
			}
		}
		d.Lose(0, 512)
		l := &layout{r: d.Reader(), geometry: geometry{length: d.Size}}
		f := &fatFormat{}
		f.rebuild(t.Context(), l)
		if f.steps > maxSteps+1<<20 {
			t.Errorf("%s: %d steps", name, f.steps)
		}
	}
}

// Of a volume of which no table was read every file has its name, and none is
// called intact.
func TestRebuildWithoutTable(t *testing.T) {
	for _, s := range []shape{{width: width12, clusters: 4000, spc: 2}, {width: width16, clusters: 9000, spc: 4}, {width: width28, clusters: 70000, spc: 4}} {
		v := build(t, s)
		fillFolders(v, 20)
		names := func() []string {
			lines, _ := list(t, v)
			for i, line := range lines {
				lines[i], _, _ = strings.Cut(line, " ")
			}
			return slices.DeleteFunc(lines, func(s string) bool { return strings.HasPrefix(s, "?") })
		}
		want := names()
		v.Lose(0, v.tableAt(0)+2*v.tableBytes())
		if diff := cmp.Diff(want, names()); diff != "" {
			t.Errorf("%s: %s", v.kind(), diff)
		}
		if got := intact(t, v); len(got) > 0 {
			t.Errorf("%s: proved without a table: %q", v.kind(), got)
		}
	}
}
