package fat

import (
	"strings"
	"testing"
)

// A slot that is in use and belongs to no file keeps a list from being complete: it is
// what is left of one.
func TestSlotsWithoutFile(t *testing.T) {
	for name, do := range map[string]func(v *fatImage, at int64){
		"the entry read as a slot of a long name": func(v *fatImage, at int64) { v.Write(at+11, []byte{0x0F}) },
		"the entry read as a second label":        func(v *fatImage, at int64) { v.Write(at+11, []byte{0x28}) },
		"the entry read as deleted":               func(v *fatImage, at int64) { v.Write(at, []byte{slotDeleted}) },
	} {
		v := foldered(t, shapes[1])
		v.slot(&v.root, short("CARD       ", attrLabel, 0, 0))
		long := ""
		if strings.HasSuffix(name, "deleted") {
			long = "an empty file.txt"
		}
		at := v.file(&v.root, "ANEMPT~1TXT", long, 0)
		if _, l := list(t, v); !l.Complete {
			t.Fatalf("untouched: %+v", l)
		}
		do(v, at)
		if _, l := list(t, v); l.Complete {
			t.Errorf("%s: the list is called complete", name)
		}
	}
}

// Numbers of slots that are usual for some volume, and cluster sizes that the boot
// sector and its copy agree on, prove nothing by that.
func TestUsualParameters(t *testing.T) {
	for _, s := range shapes[:2] {
		for _, n := range []uint16{224, 576, 768, 1536} {
			v := plain(t, s)
			v.file(&v.root, "E       TXT", "", 300, 2)
			for c := range uint32(40) {
				v.Write(v.cluster(2+c)+16, []byte("content"))
			}
			v.Put16(17, n)
			if got := intact(t, v); len(got) > 0 {
				t.Errorf("%s, %d slots: %q", v.kind(), n, got)
			}
		}
	}
	v := build(t, shape{width: width28, clusters: 70000})
	for i := range uint32(12) {
		v.file(&v.root, "A"+string(rune('A'+i))+"      TXT", "", 400, 10+i)
	}
	if got := intact(t, v); len(got) != 12 {
		t.Fatalf("untouched: %q", got)
	}
	v.Write(13, []byte{2})
	v.Write(6*512+13, []byte{2})
	if got := intact(t, v); len(got) > 0 {
		t.Errorf("clusters twice as large in both boot sectors: %q", got)
	}
}

// What is worked out from its content is not proved where it may be an image in a
// file, or hangs from a root that may be an old one.
func TestRebuildDoubts(t *testing.T) {
	v := build(t, shape{width: width16, clusters: 9000, spc: 4})
	fillFolders(v, 20)
	v.Write(0, make([]byte, 512))
	const front = 600 * 512
	outer := &fatImage{Disk: &Disk{Size: v.Size + front}, fatBoot: v.fatBoot}
	outer.Write(front, v.Read(0, int(v.Size)))
	outer.Write(512, []byte{0xF8, 0xFF, 0xFF, 0xFF, 3, 0, 4, 0})
	if got := intact(t, outer); len(got) > 0 {
		t.Errorf("an image in a file: %d proved", len(got))
	}

	v = build(t, shape{width: width28, clusters: 70000, spc: 4})
	fillFolders(v, 20)
	stale := v.Read(v.cluster(2), int(v.ClusterSize))
	v.chain(3000)
	v.Write(v.cluster(3000), stale)
	v.Write(v.cluster(2), make([]byte, v.ClusterSize))
	v.Lose(0, 512)
	v.Lose(6*512, 512)
	if got := intact(t, v); len(got) > 0 {
		t.Errorf("an old root: %d proved", len(got))
	}
}
