package fat

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/deeptest"
)

// TestChains follows chains that are whole, broken, crossed and contradicted.
// Clusters of 512 bytes; cluster c lies at v.cluster(c).
func TestChains(t *testing.T) {
	type step func(v *fatImage)
	at := func(v *fatImage, c uint32) int64 { return v.cluster(c) }
	piece := func(v *fatImage, off int64, c uint32, n int64) string {
		return fmt.Sprintf(" [%d@%d+%d]", off, at(v, c), n)
	}
	for _, c := range []struct {
		name string
		do   step
		want func(v *fatImage) []string
	}{
		{"whole, in two runs", func(v *fatImage) { v.file(&v.root, "A       TXT", "", 1200, 9, 10, 7) },
			func(v *fatImage) []string {
				return []string{"A.TXT file 1200" + piece(v, 0, 9, 1024) + piece(v, 1024, 7, 176)}
			}},
		{"the last entry unread", func(v *fatImage) {
			v.file(&v.root, "A       TXT", "", 512, 9)
			v.sub(&v.root, "MAPS       ", 600) // which proves where the clusters lie
			v.Lose(v.tableAt(0), 512)
			v.Lose(v.tableAt(1), 512)
		}, func(v *fatImage) []string {
			return []string{"A.TXT file 512" + piece(v, 0, 9, 512) + " unproved | the allocation table's entry of its last cluster, 9, is unread in every copy", "MAPS folder 0"}
		}},
		{"entry unread in both copies", func(v *fatImage) {
			v.file(&v.root, "A       TXT", "", 1024, 9, 10)
			v.sub(&v.root, "MAPS       ", 600)
			v.Lose(v.tableAt(0), 512)
			v.Lose(v.tableAt(1), 512)
		}, func(v *fatImage) []string {
			return []string{"A.TXT file 1024" + piece(v, 0, 9, 512) + " | the allocation table's entry of cluster 9 is unread in every copy: bytes from 512 on are unlocated", "MAPS folder 0"}
		}},
		{"entry unread in the first copy", func(v *fatImage) {
			v.file(&v.root, "A       TXT", "", 1024, 9, 11)
			v.Lose(v.tableAt(0), 512)
		}, func(v *fatImage) []string {
			return []string{"A.TXT file 1024" + piece(v, 0, 9, 512) + piece(v, 512, 11, 512)}
		}},
		{"too short", func(v *fatImage) { v.file(&v.root, "A       TXT", "", 1500, 9, 10) },
			func(v *fatImage) []string {
				return []string{"A.TXT file 1500" + piece(v, 0, 9, 1024) + " | its chain of clusters ends after 2 clusters, before the file does: bytes from 1024 on are unlocated"}
			}},
		{"too long", func(v *fatImage) { v.file(&v.root, "A       TXT", "", 500, 9, 10, 11) },
			func(v *fatImage) []string {
				return []string{"A.TXT file 500" + piece(v, 0, 9, 500) + " unproved | its chain goes on for 2 clusters past its size (10 to 11): its true size may be another"}
			}},
		{"empty with a chain", func(v *fatImage) { // as of a recording that was cut off
			v.file(&v.root, "A       TXT", "", 0, append(row(9, 2), 12, 20)...)
			v.file(&v.root, "B       TXT", "", 0, 30, 32, 34, 36, 38, 40, 42, 44, 46, 48)
			v.slot(&v.root, short("C       TXT", 0x20, 60, 0)) // its chain was not written
			v.slot(&v.root, short("D       TXT", 0x20, 12, 0)) // another's
		}, func(v *fatImage) []string {
			const known = ": its true size is not known"
			return []string{
				"A.TXT file -1 unproved | it is stated to be empty, but has a chain of 4 clusters (9 to 10, 12, 20)" + known + ", nor what of them is its content",
				"B.TXT file -1 unproved | it is stated to be empty, but has a chain of 10 clusters (30, 32, 34, 36, 38, 40, 42, 44, 2 more)" + known + ", nor what of them is its content",
				"C.TXT file -1 unproved | it is stated to be empty, but its entry names cluster 60" + known,
				"D.TXT file -1 unproved | it is stated to be empty, but its entry names cluster 12" + known,
			}
		}},
		{"loop", func(v *fatImage) { v.file(&v.root, "A       TXT", "", 5000, 9, 10, 11); v.set(11, 10) },
			func(v *fatImage) []string {
				return []string{"A.TXT file 5000" + piece(v, 0, 9, 1536) + " | its chain is a loop after cluster 11: bytes from 1536 on are unlocated"}
			}},
		{"leads to itself", func(v *fatImage) { v.file(&v.root, "A       TXT", "", 5000, 9); v.set(9, 9) },
			func(v *fatImage) []string {
				return []string{"A.TXT file 5000" + piece(v, 0, 9, 512) + " | its chain is a loop after cluster 9: bytes from 512 on are unlocated"}
			}},
		{"a chain without a name leads into it", func(v *fatImage) {
			v.file(&v.root, "A       TXT", "", 1024, 9, 10)
			v.set(50, 51)
			v.set(51, 10)
		}, func(v *fatImage) []string {
			return []string{"A.TXT file 1024" + piece(v, 0, 9, 512) + " | cluster 10 of its chain is claimed by another file or folder too (cross-linked): bytes from 512 on are unlocated",
				"?/chain-50 file -1" + piece(v, 0, 50, 1024) + " unnamed unproved | a chain of at least 2 clusters without a name: its true size is not known"}
		}},
		{"cross-linked", func(v *fatImage) {
			v.file(&v.root, "A       TXT", "", 1500, 9, 10, 11)
			v.file(&v.root, "B       TXT", "", 1500, 20, 21)
			v.set(21, 10)
			v.set(11, last)
			v.set(20, 21)
		}, func(v *fatImage) []string {
			const why = " | cluster 10 of its chain is claimed by another file or folder too (cross-linked): bytes from "
			return []string{
				"A.TXT file 1500" + piece(v, 0, 9, 512) + why + "512 on are unlocated",
				"B.TXT file 1500" + piece(v, 0, 20, 1024) + why + "1024 on are unlocated",
			}
		}},
		{"bad, free and out of range", func(v *fatImage) {
			v.file(&v.root, "A       TXT", "", 1500, 9, 10)
			v.set(10, 0x0FFFFFF7)
			v.file(&v.root, "B       TXT", "", 1500, 12, 13)
			v.set(13, 0)
			v.file(&v.root, "C       TXT", "", 1500, 15, 16)
			v.set(16, 4085)
			v.file(&v.root, "D       TXT", "", 100, 20)
			v.set(20, 0)
			v.slot(&v.root, short("E       TXT", 0x20, 4085, 100))
			v.slot(&v.root, short("F       TXT", 0x20, 0, 100))
		}, func(v *fatImage) []string {
			return []string{
				"A.TXT file 1500" + piece(v, 0, 9, 1024) + " | the allocation table marks a bad cluster after cluster 10 of its chain: bytes from 1024 on are unlocated",
				"B.TXT file 1500" + piece(v, 0, 12, 1024) + " | the allocation table calls cluster 13 of its chain free: bytes from 1024 on are unlocated",
				"C.TXT file 1500" + piece(v, 0, 15, 1024) + " | its chain leads to cluster 4085, which the volume does not have: bytes from 1024 on are unlocated",
				"D.TXT file 100" + piece(v, 0, 20, 100) + " unproved | the allocation table does not end its chain after cluster 20 but calls the cluster free",
				"E.TXT file 100 | its chain leads to cluster 4085, which the volume does not have: bytes from 0 on are unlocated",
				"F.TXT file 100 | its entry names no cluster: all of it is unlocated",
			}
		}},
		{"copies disagree, the first decides", func(v *fatImage) {
			v.file(&v.root, "A       TXT", "", 1500, 9, 10, 11, 12)
			v.set(11, last, 1) // a stale second copy has just the right length
			v.file(&v.root, "B       TXT", "", 1000, 20, 21)
			v.set(20, last, 1) // the second ends too early
			v.file(&v.root, "C       TXT", "", 1000, 30, 31)
			v.set(40, last)
			v.set(30, 40, 1) // both would do
			v.file(&v.root, "D       TXT", "", 1000, 50, 51)
			v.set(50, 0, 0) // what no chain holds counts as unread
		}, func(v *fatImage) []string {
			const why = " | the copies of the allocation table disagree in 1 entries of its chain"
			return []string{
				"A.TXT file 1500" + piece(v, 0, 9, 1500) + " unproved | its chain goes on for 1 clusters past its size (12): its true size may be another" + why,
				"B.TXT file 1000" + piece(v, 0, 20, 1000) + " unproved" + why,
				"C.TXT file 1000" + piece(v, 0, 30, 1000) + " unproved" + why,
				"D.TXT file 1000" + piece(v, 0, 50, 1000) + " unproved" + why,
			}
		}},
		{"second copy alone, which disagrees elsewhere", func(v *fatImage) {
			v.file(&v.root, "A       TXT", "", 1000, 9, 10)
			v.Lose(v.tableAt(0), 512)
			v.set(3000, last, 1)
		}, func(v *fatImage) []string {
			return []string{"A.TXT file 1000" + piece(v, 0, 9, 1000) + " unproved | its chain rests on the second copy of the allocation table, which does not agree with the first elsewhere"}
		}},
		{"chain without a name", func(v *fatImage) { v.chain(40, 41, 50) },
			func(v *fatImage) []string {
				return []string{"?/chain-40 file -1" + piece(v, 0, 40, 1024) + piece(v, 1024, 50, 512) + " unnamed unproved | a chain of 3 clusters without a name: its true size is at most 1536 bytes"}
			}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, s := range []shape{{width: width12, clusters: 4080}, {width: width16, clusters: 4090}, {width: width28, clusters: 66000}} {
				if strings.Contains(c.name, "out of range") {
					s.clusters = min(s.clusters, 4080) // so that cluster 4085 is none, in any width
					s.width = width12
				}
				v := build(t, s)
				c.do(v)
				want := c.want(v)
				got, _ := list(t, v)
				// chains that only a wrong copy tells of are not of interest here
				if !strings.Contains(c.name, "without a name") && !strings.Contains(c.name, "cross") {
					got = named(got)
				}
				for i := range got { // of FAT32, the root's chain rests on the same sector
					got[i] = strings.Replace(got[i], " | the folder it stands in cannot be vouched for", "", 1)
				}
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("%s: %s", v.kind(), diff)
				}
			}
		})
	}
}

func named(lines []string) []string {
	var out []string
	for _, l := range lines {
		if !strings.HasPrefix(l, "?/chain-") {
			out = append(out, l)
		}
	}
	return out
}

// TestFolders reads folders that are whole, partly unread and not to be found.
func TestFolders(t *testing.T) {
	make := func() (*fatImage, *fatDir) {
		v := build(t, shape{width: width16, clusters: 5000})
		f := v.sub(&v.root, "SHEETS     ", 100, 101)
		v.file(f, "BETULA~1TIF", "betula pendula.tif", 600, 200, 201)
		v.file(f, "CAREX   TIF", "", 512, 202)
		for f.at < 512-2*32 {
			v.slot(f, short("\xE5ONE    TIF", 0x20, 5, 5))
		}
		v.file(f, "DROSER~1TIF", "drosera rotundifolia.tif", 300, 203) // two slots of its name here, its entry in the next cluster
		v.file(f, "ERICA   TIF", "", 0)
		v.file(f, "FAGUS   TIF", "", 100, 204)
		return v, f
	}
	var zeros [512]byte
	strip := func(lines []string) []string {
		var out []string
		for _, l := range lines {
			i := strings.IndexByte(l, '[')
			j := strings.LastIndexByte(l, ']')
			if i >= 0 {
				l = l[:i] + "…" + l[j+1:]
			}
			out = append(out, l)
		}
		return out
	}
	for _, c := range []struct {
		name     string
		do       func(v *fatImage, f *fatDir)
		want     []string
		complete bool
		unread   int64
	}{
		{"whole", func(*fatImage, *fatDir) {}, []string{
			"SHEETS folder 0",
			"SHEETS/betula pendula.tif file 600 …",
			"SHEETS/CAREX.TIF file 512 …",
			"SHEETS/drosera rotundifolia.tif file 300 …",
			"SHEETS/ERICA.TIF file 0",
			"SHEETS/FAGUS.TIF file 100 …",
		}, true, 0},
		{"second cluster unread", func(v *fatImage, f *fatDir) { v.Lose(v.cluster(101), 512) }, []string{
			"SHEETS folder 0 entries-unread | 16 of its slots were not read",
			"SHEETS/betula pendula.tif file 600 …",
			"SHEETS/CAREX.TIF file 512 …",
			"SHEETS/drosera rotundifolia.tif file -1 name-only | only its long name was read: the entry with its place and size is unread | by its name alone it is not known whether it is a file or a folder: it is taken for a file, as its name looks like one's",
			"?/chain-203 file -1 … unnamed unproved | a chain of 1 clusters without a name: its true size is at most 512 bytes",
			"?/chain-204 file -1 … unnamed unproved | a chain of 1 clusters without a name: its true size is at most 512 bytes",
		}, false, 16},
		{"first cluster unread", func(v *fatImage, f *fatDir) { v.Lose(v.cluster(100), 512) }, []string{
			"SHEETS folder 0 entries-unread | 16 of its slots were not read",
			"SHEETS/DROSER~1.TIF file 300 … | its long name is partly or wholly unread: this is the short one",
			"SHEETS/ERICA.TIF file 0",
			"SHEETS/FAGUS.TIF file 100 …",
			"?/chain-200 file -1 … unnamed unproved | a chain of 2 clusters without a name: its true size is at most 1024 bytes",
			"?/chain-202 file -1 … unnamed unproved | a chain of 1 clusters without a name: its true size is at most 512 bytes",
		}, false, 16},
		{"its entry unread", func(v *fatImage, f *fatDir) { v.Lose(v.root.fixed, 512) }, []string{
			"?/ID folder 0 unnamed unproved | found by its own first slots: the entry with its name is unread",
			"?/ID/betula pendula.tif file 600 … unproved | the folder it stands in cannot be vouched for",
			"?/ID/CAREX.TIF file 512 … unproved | the folder it stands in cannot be vouched for",
			"?/ID/drosera rotundifolia.tif file 300 … unproved | the folder it stands in cannot be vouched for",
			"?/ID/ERICA.TIF file 0 unproved | the folder it stands in cannot be vouched for",
			"?/ID/FAGUS.TIF file 100 … unproved | the folder it stands in cannot be vouched for",
		}, false, 16},
		{"its chain is cut amid a long name", func(v *fatImage, f *fatDir) {
			at := v.tableAt(0) + int64(f.clusters[0])*int64(v.Width)/8/512*512
			v.Lose(at, 512)
			v.Lose(at-v.tableAt(0)+v.tableAt(1), 512)
		}, []string{
			"SHEETS folder 0 entries-unread | the allocation table's entry of cluster 100 is unread in every copy: bytes from 512 on are unlocated",
			"SHEETS/betula pendula.tif file 600 … | the allocation table's entry of cluster 200 is unread in every copy: bytes from 512 on are unlocated",
			"SHEETS/CAREX.TIF file 512 … unproved | the allocation table's entry of its last cluster, 202, is unread in every copy",
		}, false, 0},
		{"the table calls its last cluster free", func(v *fatImage, f *fatDir) { v.set(f.clusters[len(f.clusters)-1], 0) }, []string{
			"SHEETS folder 0",
			"SHEETS/betula pendula.tif file 600 … unproved | the folder it stands in cannot be vouched for",
			"SHEETS/CAREX.TIF file 512 … unproved | the folder it stands in cannot be vouched for",
			"SHEETS/drosera rotundifolia.tif file 300 … unproved | the folder it stands in cannot be vouched for",
			"SHEETS/ERICA.TIF file 0 unproved | the folder it stands in cannot be vouched for",
			"SHEETS/FAGUS.TIF file 100 … unproved | the folder it stands in cannot be vouched for",
		}, false, 0},
		{"named by what was found by itself", func(v *fatImage, f *fatDir) {
			d := v.sub(f, "INNER      ", 300)
			v.file(d, "A       TXT", "", 10, 301)
			d = v.sub(f, "STALE      ", 310)
			v.file(d, "B       TXT", "", 10, 311)
			v.Put16(v.cluster(310)+32+26, 77)
			v.Lose(v.root.fixed, 512)
		}, []string{
			"?/ID folder 0 unnamed unproved | found by its own first slots: the entry with its name is unread",
			"?/ID/betula pendula.tif file 600 … unproved | the folder it stands in cannot be vouched for",
			"?/ID/CAREX.TIF file 512 … unproved | the folder it stands in cannot be vouched for",
			"?/ID/drosera rotundifolia.tif file 300 … unproved | the folder it stands in cannot be vouched for",
			"?/ID/ERICA.TIF file 0 unproved | the folder it stands in cannot be vouched for",
			"?/ID/FAGUS.TIF file 100 … unproved | the folder it stands in cannot be vouched for",
			"?/ID/INNER folder 0 unproved | the folder it stands in cannot be vouched for",
			"?/ID/STALE folder 0 unproved | the folder it stands in cannot be vouched for",
			"?/ID/INNER/A.TXT file 10 …",
			"?/ID/STALE/B.TXT file 10 … unproved | the folder it stands in does not begin with slots that name it and its parent | the folder it stands in cannot be vouched for",
		}, false, 16},
		{"does not name itself", func(v *fatImage, f *fatDir) {
			v.Put16(v.cluster(100)+26, 999)
			v.sub(&v.root, "MAPS       ", 600)
			v.sub(&v.root, "PLOTS      ", 601)
		}, []string{
			"SHEETS folder 0",
			"MAPS folder 0",
			"PLOTS folder 0",
			"SHEETS/betula pendula.tif file 600 … unproved | the folder it stands in does not begin with slots that name it and its parent",
			"SHEETS/CAREX.TIF file 512 … unproved | the folder it stands in does not begin with slots that name it and its parent",
			"SHEETS/drosera rotundifolia.tif file 300 … unproved | the folder it stands in does not begin with slots that name it and its parent",
			"SHEETS/ERICA.TIF file 0 unproved | the folder it stands in does not begin with slots that name it and its parent",
			"SHEETS/FAGUS.TIF file 100 … unproved | the folder it stands in does not begin with slots that name it and its parent",
		}, false, 0},
		{"first sector read as zeros", func(v *fatImage, f *fatDir) {
			v.Write(v.cluster(100), zeros[:])
			v.sub(&v.root, "MAPS       ", 600)
			v.sub(&v.root, "PLOTS      ", 601)
		}, []string{
			"SHEETS folder 0 entries-unread | 16 of its slots make no sense",
			"MAPS folder 0",
			"PLOTS folder 0",
			"SHEETS/DROSER~1.TIF file 300 … unproved | its long name is partly or wholly unread: this is the short one | it stands past what ends its folder",
			"SHEETS/ERICA.TIF file 0 unproved | it stands past what ends its folder",
			"SHEETS/FAGUS.TIF file 100 … unproved | it stands past what ends its folder",
			"?/chain-200 file -1 … unnamed unproved | a chain of 2 clusters without a name: its true size is at most 1024 bytes",
			"?/chain-202 file -1 … unnamed unproved | a chain of 1 clusters without a name: its true size is at most 512 bytes",
		}, false, 16},
		{"second sector read as zeros", func(v *fatImage, f *fatDir) { v.Write(v.cluster(101), zeros[:]) }, []string{
			"SHEETS folder 0 entries-unread | 1 of its slots make no sense",
			"SHEETS/betula pendula.tif file 600 …",
			"SHEETS/CAREX.TIF file 512 …",
			"SHEETS/drosera rotundifolia.tif file -1 name-only | only its long name was read: the entry with its place and size is unread | by its name alone it is not known whether it is a file or a folder: it is taken for a file, as its name looks like one's",
			"?/chain-203 file -1 … unnamed unproved | a chain of 1 clusters without a name: its true size is at most 512 bytes",
			"?/chain-204 file -1 … unnamed unproved | a chain of 1 clusters without a name: its true size is at most 512 bytes",
		}, false, 0},
		{"a name stands twice", func(v *fatImage, f *fatDir) { v.file(f, "ERICA   TIF", "", 0) }, []string{
			"SHEETS folder 0",
			"SHEETS/betula pendula.tif file 600 …",
			"SHEETS/CAREX.TIF file 512 …",
			"SHEETS/drosera rotundifolia.tif file 300 …",
			"SHEETS/ERICA.TIF file 0",
			"SHEETS/FAGUS.TIF file 100 …",
			"SHEETS/ERICA.TIF file 0",
		}, false, 0},
		{"names another parent", func(v *fatImage, f *fatDir) { v.Put16(v.cluster(100)+32+26, 999) }, []string{
			"SHEETS folder 0",
			"SHEETS/betula pendula.tif file 600 … unproved | the folder it stands in does not begin with slots that name it and its parent",
			"SHEETS/CAREX.TIF file 512 … unproved | the folder it stands in does not begin with slots that name it and its parent",
			"SHEETS/drosera rotundifolia.tif file 300 … unproved | the folder it stands in does not begin with slots that name it and its parent",
			"SHEETS/ERICA.TIF file 0 unproved | the folder it stands in does not begin with slots that name it and its parent",
			"SHEETS/FAGUS.TIF file 100 … unproved | the folder it stands in does not begin with slots that name it and its parent",
		}, false, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			v, f := make()
			c.do(v, f)
			got, l := list(t, v)
			got = strip(got)
			for i := range got {
				got[i] = strings.ReplaceAll(got[i], fmt.Sprintf("?/%d", v.cluster(100)+1), "?/ID")
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
			if l.Complete != c.complete || l.UnreadRecords != c.unread || len(l.Why) == 0 != c.complete {
				t.Errorf("listing %+v, want complete %v and %d records unread", l, c.complete, c.unread)
			}
			v.Scribble(7)
			again, _ := list(t, v)
			for i := range again {
				again[i] = strings.ReplaceAll(again[i], fmt.Sprintf("?/%d", v.cluster(100)+1), "?/ID")
			}
			if diff := cmp.Diff(got, strip(again)); diff != "" {
				t.Errorf("what stands in unread sectors matters: %s", diff)
			}
		})
	}
}

// TestDeep lists a chain of folders deeper than a path can be.
func TestDeep(t *testing.T) {
	v := build(t, shape{width: width16, clusters: 60000})
	f := &v.root
	for i := range uint32(3000) {
		f = v.sub(f, fmt.Sprintf("F%07d   ", i), 10+i)
	}
	v.file(f, "DEEP    TXT", "", 10, 5000)
	vol, err := Open(context.Background(), v.Reader(), 0, v.Size, extract.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if deep, want := deeptest.List(t, vol, 1, 3000), 3001-deeptest.Shown("F0000000"); deep != want {
		t.Errorf("%d entries do not show their whole path, want %d", deep, want)
	}
}

// fillFolders gives a volume folders with files of some clusters, from a cluster on.
func fillFolders(v *fatImage, from uint32) {
	for i := range uint32(6) {
		c := from + 600*i
		f := v.sub(&v.root, fmt.Sprintf("PLOT%d      ", i), c)
		c += 3
		for k := range 8 {
			v.file(f, fmt.Sprintf("N%d      TXT", k), "", uint32(2*v.ClusterSize+100), c, c+2, c+5)
			c += 6
		}
	}
}

// TestRebuild opens FAT12 and FAT16 volumes without a boot sector.
func TestRebuild(t *testing.T) {
	make := func(s shape) *fatImage {
		v := build(t, s)
		fillFolders(v, 20)
		return v
	}
	for _, s := range []shape{{width: width12, clusters: 4000, spc: 2}, {width: width16, clusters: 9000, spc: 4}} {
		v := make(s)
		whole, _ := list(t, v)
		v.Lose(0, 512)
		got, _ := list(t, v)
		if diff := cmp.Diff(whole, got); diff != "" {
			t.Errorf("%s without boot sector: %s", v.kind(), diff)
		}
		vol, err := Open(context.Background(), v.Reader(), 0, v.Size, extract.Options{})
		if err != nil || len(vol.Info().Notes) == 0 {
			t.Errorf("%s: %v; it is not said that the volume was rebuilt", v.kind(), err)
		}
		// the first part of both tables is unread too: the rest proves them
		v.Lose(v.tableAt(0), 512)
		if got, _ = list(t, v); len(got) != len(whole) {
			t.Errorf("%s without boot sector and table start: %d lines, want %d", v.kind(), len(got), len(whole))
		}
	}
	// folders that stand far behind the begin are searched for where a table is
	for _, lost := range []int64{0, 1, 2} { // tables whose begin is unread
		v := build(t, shape{width: width16, clusters: 60000, spc: 4})
		fillFolders(v, firstLook/2048+1000)
		v.file(&v.root, "LONG    TIF", "", 2001*2048, row(1000, 2001)...) // without gaps
		whole, _ := list(t, v)
		v.Lose(0, 512)
		for i := range lost {
			v.Lose(v.tableAt(i), 512)
		}
		if got, _ := list(t, v); len(got) != len(whole) {
			t.Errorf("folders behind %d bytes, %d tables cut: %d lines, want %d", firstLook, lost, len(got), len(whole))
		}
	}
	// so much of one copy is unread that no chain proves it: it stands where
	// what is left of it is the same as in the other
	for _, copy := range []int64{0, 1} {
		v := make(shape{width: width12, clusters: 4000, spc: 2})
		whole, _ := list(t, v)
		v.Lose(0, 512)
		v.Lose(v.tableAt(copy), 8*512)
		got, _ := list(t, v)
		if diff := cmp.Diff(whole, got); diff != "" {
			t.Errorf("without boot sector and most of copy %d of the table: %s", copy+1, diff)
		}
		v.Scribble(3)
		again, _ := list(t, v)
		if diff := cmp.Diff(got, again); diff != "" {
			t.Errorf("what stands in unread sectors matters: %s", diff)
		}
	}
	// nothing of one copy is left that holds entries: where it stood is not known,
	// and what the folders name is listed without proof
	v := make(shape{width: width12, clusters: 4000, spc: 2})
	v.Lose(0, 512)
	v.Lose(v.tableAt(0), v.tableBytes())
	if got, l := list(t, v); len(got) < 54 || l.Complete || len(intact(t, v)) > 0 {
		t.Errorf("with one table: %d lines, %d proved: %+v", len(got), len(intact(t, v)), l)
	}
	var none *extract.NotVolumeError
	// nothing to prove it by
	v = build(t, shape{width: width16, clusters: 9000})
	v.file(&v.root, "A       TXT", "", 500, 9)
	v.Lose(0, 512)
	if _, err := Open(context.Background(), v.Reader(), 0, v.Size, extract.Options{}); !errors.As(err, &none) {
		t.Errorf("opened without proof: %v", err)
	}
}

// FuzzFolder decodes any bytes as a folder: no panic, and as many entries as
// there are slots at the most.
func FuzzFolder(f *testing.F) {
	var seed []byte
	for _, b := range long("betula pendula.tif", "BETULA~1TIF") {
		seed = append(seed, b...)
	}
	seed = append(seed, short("BETULA~1TIF", 0x20, 7, 100)...)
	f.Add(seed, uint8(0))
	f.Add(append(short(".          ", 0x10, 5, 0), short("..         ", 0x10, 0, 0)...), uint8(1))
	f.Fuzz(func(t *testing.T, b []byte, lose uint8) {
		d := &Disk{Size: 8 << 10}
		b = b[:min(len(b), 4096)]
		d.Write(0, b)
		for i := range 8 {
			if lose>>i&1 != 0 {
				d.Lose(int64(i)*512, 512)
			}
		}
		cp, _ := codepage("")
		geo := geometry{heap: 0, cluster: 4096, clusters: 1000, length: 8 << 10}
		dec := &fatFormat{boot: fatBoot{area: area{Width: width28}}, codepage: cp, geo: &geo}
		n := 0
		tally := dec.entries(folder{First: 2}, func(visit func(slot) bool) {
			eachSlot(d.Reader(), []extract.Extent{{Length: 4096}}, visit)
		}, func(e *entry) {
			n++
			if e.Name == "" || strings.ContainsAny(e.Name, "/\x00") {
				t.Fatalf("name %q", e.Name)
			}
		})
		if n > 128 || tally.Unread > 128 {
			t.Fatalf("%d entries, %d unread", n, tally.Unread)
		}
		dec.folderStart(2, b[:min(len(b), 512)/32*32])
	})
}

// FuzzVolume walks a volume with any bytes over its tables and root.
func FuzzVolume(f *testing.F) {
	f.Add([]byte{1, 2, 3}, uint16(600), uint32(5))
	f.Add(short("A       TXT", 0x10, 20, 100), uint16(33000), uint32(0xFFFF))
	f.Fuzz(func(t *testing.T, b []byte, at uint16, lose uint32) {
		var first []string
		for i := range 2 {
			v := build(t, shape{width: width16, clusters: 4200})
			s := v.sub(&v.root, "SHEETS     ", 20, 21)
			v.file(s, "BETULA~1TIF", "betula pendula.tif", 600, 30, 31)
			v.file(&v.root, "CAREX   TIF", "", 5000, 40, 41, 42, 45)
			v.Write(512+int64(at), b[:min(len(b), 4096)])
			for k := range int64(32) {
				if lose>>k&1 != 0 {
					v.Lose(k*1024, 512)
				}
			}
			if i == 1 {
				v.Scribble(3)
			}
			vol, err := Open(context.Background(), v.Reader(), 0, v.Size, extract.Options{})
			if err != nil {
				return
			}
			lines, _ := walk(t, vol)
			if len(lines) > 20000 {
				t.Fatalf("%d files", len(lines))
			}
			if i == 1 {
				if diff := cmp.Diff(first, lines); diff != "" {
					t.Fatalf("unread bytes matter: %s", diff)
				}
			}
			first = lines
		}
	})
}
