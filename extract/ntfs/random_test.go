package ntfs

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/ntfs/ntfsimage"
)

// However a volume is damaged: a file of which every piece was read has the
// very content that was written, under the name that it was given; what is
// listed is on the volume; and a list called complete has every file.
func TestRandomDamage(t *testing.T) {
	rounds := 40
	if testing.Short() {
		rounds = 8
	}
	for i, p := range shapes {
		if p.Cluster > 64<<10 {
			continue
		}
		p.Clusters = p.Clusters * 3 / 2
		p.Records = max(p.Records, 96)
		v := ntfsimage.New(p)
		want := populate(v)
		box := v.AddFolder(root, "box")
		few := min(6, 300<<10/v.P.Cluster)
		for k, f := range []ntfsimage.File{{RunsPerRecord: 1}, {RunsPerRecord: 2, ListOut: true}, {DataOut: true}, {NamesOut: true}, {}} {
			name := fmt.Sprintf("split %d", k)
			body := ntfsimage.Content(uint64(900+k), few*v.P.Cluster-77)
			f.Names, f.Streams = win(box, name), []ntfsimage.Stream{{Data: body, Pieces: few}, {Name: "side", Data: ntfsimage.Content(uint64(950+k), 200), Resident: true}}
			if v.P.Record < 1024 {
				f.Streams = f.Streams[:1]
			} else {
				want["box/"+name+":side"] = f.Streams[1].Data
			}
			want["box/"+name] = body
			v.Add(f)
		}
		img := v.Finish().Image
		folders := map[string]bool{"box": true, "Plates": true, "Plates/2019": true}
		rnd := rand.New(rand.NewPCG(uint64(i), 3))
		sectors := int64(len(img)) / 512
		table := v.RecordAt(0) / 512
		for round := range rounds {
			var unread []span
			for range 1 + rnd.IntN(1<<(round%8)) {
				at := rnd.Int64N(sectors)
				switch rnd.IntN(4) {
				case 0:
					at = table + rnd.Int64N(min(200, sectors-table))
				case 1:
					at = v.At(v.Mirror)/512 + rnd.Int64N(8)
				case 2:
					if at = 0; rnd.IntN(2) == 0 {
						at = sectors - 1
					}
				}
				unread = append(unread, span{at * 512, 512 * (1 + rnd.Int64N(3))})
			}
			l, err := listReader(reader(t, img, unread...), int64(len(img)))
			if err != nil {
				continue // nothing of it was found
			}
			seen := map[string]bool{}
			for path, list := range l.files {
				f := list[0]
				seen[path] = true
				body, known := want[path]
				switch {
				case len(list) > 1:
					t.Fatalf("shape %d, round %d: %q is listed %d times", i, round, path, len(list))
				case strings.HasPrefix(path, "?/"):
					if !known && !f.NameOnly && f.Kind != extract.KindFolder { // compare with any
						for name, b := range want {
							if strings.HasSuffix(path, "/"+name[strings.LastIndexByte(name, '/')+1:]) {
								body, known = b, true
							}
						}
						if !known {
							continue
						}
					}
				case f.Kind == extract.KindFolder:
					if !folders[path] {
						t.Fatalf("shape %d, round %d: folder %q", i, round, path)
					}
				case !known:
					t.Fatalf("shape %d, round %d: %q is not on the volume", i, round, path)
				}
				if f.Kind == extract.KindFolder || !known {
					continue
				}
				if f.Size >= 0 {
					checkPieces(t, f.Pieces, f.Size)
				}
				if f.Size >= 0 && f.Size != int64(len(body)) {
					t.Fatalf("shape %d, round %d: %q has %d bytes, not %d", i, round, path, f.Size, len(body))
				}
				got, gaps := content(l.v.r, img, f)
				if len(gaps) == 0 && f.Size >= 0 && !f.RecordUnread && !f.NameOnly && !bytes.Equal(got, body) {
					t.Fatalf("shape %d, round %d: FALSE INTACT: %q", i, round, path)
				}
				for _, p := range f.Pieces { // each piece alone, too
					if (p.Kind == extract.Data || p.Kind == extract.Hole) && !bytes.Equal(got[p.Offset:p.Offset+p.Length], body[p.Offset:p.Offset+p.Length]) {
						t.Fatalf("shape %d, round %d: %q: piece %+v is not the file's", i, round, path, p)
					}
				}
			}
			if l.Complete {
				for path := range want {
					if !seen[path] {
						t.Fatalf("shape %d, round %d: called complete, and %q is missing", i, round, path)
					}
				}
			}
		}
	}
}
