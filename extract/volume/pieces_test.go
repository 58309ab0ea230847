package volume

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"

	"github.com/google/go-cmp/cmp"
)

// account is all that a volume tells, with the places of a layer.
type account struct {
	Files      []string
	Structures map[string]int64 // unread bytes by name
	Space      []extract.Use    // of each sector
	Needs      []ranges.Range
	Complete   bool
	Unclaimed  int64
}

// tell walks a volume; back gives the place in the layer of one in the image.
func tell(t *testing.T, r *image.Reader, v *Volume, back func(at int64) int64) account {
	t.Helper()
	out := account{Structures: map[string]int64{}, Space: make([]extract.Use, v.Length/step)}
	fs, err := Open(t.Context(), r, v, extract.Options{Threads: 1})
	if err != nil {
		t.Fatal(err)
	}
	spans := func(list []ranges.Range) []ranges.Range { // by sector, since they may be cut
		var set ranges.Set
		for _, s := range list {
			for at := s.Start; at < s.End; at = (at/step + 1) * step {
				set.Add(back(at), min(s.End, (at/step+1)*step)-at)
			}
		}
		return slices.Collect(set.All())
	}
	survey, err := fs.Walk(t.Context(), func(f *extract.File) error {
		line := fmt.Sprintf("%s %d %v %v %v %v:", f.Path, f.Size, f.RecordUnread, f.EntriesUnread, f.NameOnly, spans(f.Needs))
		for _, p := range f.Pieces {
			switch p.Kind {
			case extract.Data, extract.Patched:
				for at := p.Image; at < p.Image+p.Length; at = (at/step + 1) * step {
					line += fmt.Sprintf(" %d@%d,%d", p.Offset+at-p.Image, back(at), min(p.Image+p.Length, (at/step+1)*step)-at)
				}
			case extract.Unit:
				for _, u := range p.Units {
					line += fmt.Sprintf(" unit %d %v", p.Offset, spans([]ranges.Range{{Start: u.Image, End: u.Image + u.Length}}))
				}
			default:
				line += fmt.Sprintf(" %d+%d of kind %d", p.Offset, p.Length, p.Kind)
			}
		}
		out.Files = append(out.Files, line)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range survey.Structures {
		out.Structures[s.Name] += s.Unread
	}
	end := int64(0)
	err = survey.Space(t.Context(), func(start, length int64, use extract.Use) error {
		if start < end {
			t.Fatalf("space at %d comes after %d", start, end)
		}
		for end = start + length; start < end; start += step {
			if at := back(start) / step; at < int64(len(out.Space)) {
				out.Space[at] = use
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	out.Needs, out.Complete, out.Unclaimed = spans(survey.Listing.Needs), survey.Listing.Complete, survey.Listing.UnclaimedBytes
	return out
}

// A volume that is cut into pieces and put together again tells the same of every
// byte as in one piece, whatever was not read.
func TestComposed(t *testing.T) {
	const unit = 16 * step
	rnd := rand.New(rand.NewPCG(3, 31))
	for _, c := range []struct{ filesystem, path string }{
		{"ext4", "../ext/testdata/ext4-1k.img.zst"},
		{"ext2", "../ext/testdata/ext2-1k.img.zst"},
		{"ntfs", "../../cmd/fileassay/testdata/ferry.img.zst"},
		{"fat12", "../../testdata/v02-fat12.img.zst"},
		{"hfsx", "../hfsplus/testdata/hfsx-cs-1k.img.zst"},
	} {
		vol := unpack(t, c.path)
		if c.filesystem == "ntfs" {
			vol = vol[32768:]
		}
		vol = vol[:len(vol)/unit*unit]
		for range max(1, 8<<20/len(vol)) { // as the work allows
			var unread []imap.Range
			for range rnd.IntN(4) {
				n := rnd.Int64N(min(int64(len(vol)), 1<<20) / step)
				unread = append(unread, imap.Range{Start: n * step, Length: step * (1 + rnd.Int64N(4)), State: imap.Failed})
			}
			// pieces of whole units in another order, with room between
			cuts := []int64{0, int64(len(vol))}
			for range 1 + rnd.IntN(12) {
				cuts = append(cuts, rnd.Int64N(int64(len(vol)/unit))*unit)
			}
			slices.Sort(cuts)
			cuts = slices.Compact(cuts)
			runs := make(image.Runs, len(cuts)-1)
			var drive []byte
			for _, i := range rnd.Perm(len(runs)) {
				drive = append(drive, make([]byte, rnd.IntN(3)*unit)...)
				runs[i] = image.Run{Offset: cuts[i], Image: int64(len(drive)), Length: cuts[i+1] - cuts[i]}
				drive = append(drive, vol[cuts[i]:cuts[i+1]]...)
			}
			var moved []imap.Range
			for _, u := range unread {
				for p := range runs.Each(u.Start, min(u.Length, int64(len(vol))-u.Start)) {
					moved = append(moved, imap.Range{Start: p.Image, Length: p.Length, State: u.State})
				}
			}
			whole := image.New(bytes.NewReader(vol), int64(len(vol)), imap.All(int64(len(vol))).With(unread), image.Options{})
			cut := image.New(bytes.NewReader(drive), int64(len(drive)), imap.All(int64(len(drive))).With(moved), image.Options{})
			v := Volume{Start: 0, Length: int64(len(vol)), Filesystem: c.filesystem}
			want := tell(t, whole, &v, func(at int64) int64 { return at })
			v.Start, v.Pieces = runs[0].Image, runs
			got := tell(t, cut, &v, func(at int64) int64 {
				for _, r := range runs {
					if r.Image <= at && at < r.Image+r.Length {
						return at - r.Image + r.Offset
					}
				}
				t.Fatalf("%d lies in no piece", at)
				return 0
			})
			if d := cmp.Diff(want, got); d != "" {
				t.Fatalf("%s, unread %v, pieces %v (-in one piece +put together):\n%s", c.filesystem, unread, runs, d[:min(len(d), 3000)])
			}
		}
	}
}
