package verify_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"fileassay/extract/fixture"
	"fileassay/extract/imap"
	"fileassay/verify/result"
	"fileassay/verify/truthtest"
)

// fixtures are the images of testdata that the laws are tested with.
var fixtures = []string{"v01-ntfs-4k", "ntfs3-kernel"}

// The laws of the design hold for every image, however it is damaged, and
// whatever stands in the unread sectors, in any number of threads.
func TestLaws(t *testing.T) {
	for _, name := range fixtures {
		f := fixture.Load(t, name)
		d := truthtest.NewDrive(t, f)
		for _, p := range truthtest.Profiles() {
			seeds := uint64(2)
			if p.Name == "none" || p.Name == "tail" || p.Name == "mirror" || p.Name == "first records" || testing.Short() {
				seeds = 1
			}
			for seed := range seeds {
				t.Run(fmt.Sprintf("%s/%s/%d", name, p.Name, seed), func(t *testing.T) {
					laws(t, d, p, seed)
				})
			}
		}
	}
}

func laws(t *testing.T, d *truthtest.Drive, p truthtest.Profile, seed uint64) {
	rnd := rand.New(rand.NewPCG(seed, 1))
	unread := p.Unread(d.Fixture, rnd)
	var want []byte
	for i, fill := range truthtest.Fills {
		if i > 0 && len(unread) == 0 {
			break
		}
		d.Fill(t, unread, func(img []byte) { truthtest.Fill(img, d.Fixture.Image, unread, fill, rnd) })
		r := d.Verify(t, unread, []int{2, 1, 7, 2}[i])
		if want != nil {
			if !bytes.Equal(want, r.Raw) {
				t.Errorf("the result with %s in the unread sectors differs: %s", fill, firstDifference(want, r.Raw))
			}
			continue
		}
		want = r.Raw
		s := truthtest.Compare(d.Fixture, unread, r)
		for _, b := range s.Broken {
			t.Error(b)
		}
		if p.Spares {
			for i, m := range s.Missed {
				if i < 5 {
					t.Errorf("not called intact: %s", m)
				}
			}
			if s.Called != s.AllRead || len(s.Missing) > 0 {
				t.Errorf("%d of %d called intact, %d missing", s.Called, s.AllRead, len(s.Missing))
			}
			// the mark of a volume that was not closed stands in record 3, and the mirror's may be older
			if !r.Summary.ListingComplete && p.Name != "first records" {
				t.Errorf("the list is not called complete: %q", r.Volumes[0].Listing.Why)
			}
		}
		t.Logf("%d of %d called intact, %d listed, %d missing", s.Called, s.AllRead, s.Listed, len(s.Missing))
	}
	if len(unread) == 0 { // threads alone
		for _, threads := range []int{1, 7} {
			if r := d.Verify(t, unread, threads); !bytes.Equal(want, r.Raw) {
				t.Errorf("the result of %d threads differs: %s", threads, firstDifference(want, r.Raw))
			}
		}
	}
}

func firstDifference(a, b []byte) string {
	x, y := bytes.Split(a, []byte("\n")), bytes.Split(b, []byte("\n"))
	for i := range min(len(x), len(y)) {
		if !bytes.Equal(x[i], y[i]) {
			return fmt.Sprintf("line %d:\n%.400s\n%.400s", i+1, x[i], y[i])
		}
	}
	return fmt.Sprintf("%d lines and %d", len(x), len(y))
}

// entity names a file or stream whatever path it is listed under.
type entity struct {
	volume int
	id     uint64
	stream string
}

type standing struct {
	verdict result.Verdict
	read    int64
}

func standings(r *truthtest.Result) map[entity]standing {
	out := map[entity]standing{}
	for _, f := range r.Files {
		if f.Kind == "folder" || f.Kind == "link" {
			continue
		}
		e := entity{volume: f.Volume, id: f.ID}
		if f.Kind == "stream" {
			e.stream = f.Path[strings.LastIndexByte(f.Path, ':'):]
		}
		s := standing{verdict: f.Verdict}
		if f.Bytes.Read != nil {
			s.read = *f.Bytes.Read
		}
		out[e] = s
	}
	return out
}

// A further unread sector never improves a verdict, nor wins bytes.
func TestMonotone(t *testing.T) {
	rank := map[result.Verdict]int{result.Lost: 0, result.Damaged: 1, result.Intact: 2}
	for _, name := range fixtures {
		f := fixture.Load(t, name)
		d := truthtest.NewDrive(t, f)
		rnd := rand.New(rand.NewPCG(7, 7))
		sectors := int64(len(f.Image)) / f.Truth.Sector
		var list []int64
		before := standings(d.Verify(t, nil, 2))
		steps := 10
		if testing.Short() {
			steps = 3
		}
		for step := range steps {
			for range 1 + rnd.IntN(400) {
				at := rnd.Int64N(sectors)
				if rnd.IntN(3) == 0 { // where there is more metadata
					at = rnd.Int64N(sectors / 10)
				}
				list = append(list, at)
			}
			after := standings(d.Verify(t, truthtest.Sectors(f.Truth.Sector, list, imap.Failed), 2))
			for e, a := range after {
				b, known := before[e]
				if !known && a.verdict == result.Intact || known && rank[a.verdict] > rank[b.verdict] {
					t.Errorf("%s: step %d: %v was %q, and is %q with more unread", name, step, e, b.verdict, a.verdict)
				}
				if known && a.read > b.read {
					t.Errorf("%s: step %d: %v had %d bytes, and has %d with more unread", name, step, e, b.read, a.read)
				}
			}
			before = after
		}
	}
}
