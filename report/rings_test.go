package report

import (
	"encoding/xml"
	"fileassay/verify/result"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

var moves = regexp.MustCompile(`M(\S+) (\S+)A(\S+) \S+ 0 0 1 (\S+) (\S+)L(\S+) (\S+)A(\S+) \S+ 0 0 0 (\S+) (\S+)Z`)

// areaOf is the area of path data that consists of arcs of rings, computed from
// the numbers that are written.
func areaOf(t *testing.T, data string) (sum float64) {
	t.Helper()
	for piece := range strings.SplitAfterSeq(data, "Z") {
		if piece == "" {
			continue
		}
		m := moves.FindStringSubmatch(piece)
		if m == nil {
			t.Fatalf("path data %q is no arc of a ring", piece)
		}
		var n [10]float64
		for i, s := range m[1:] {
			var err error
			if n[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		// the angle from the outer side's ends; the inner side's must be the same
		angle := turnBetween(n[0], n[1], n[3], n[4])
		if inner := turnBetween(n[8], n[9], n[5], n[6]); math.Abs(angle-inner) > 0.001 {
			t.Errorf("path data %q: sides of %g and %g", piece, angle, inner)
		}
		if angle < 0 || angle > math.Pi+0.001 {
			t.Errorf("path data %q: angle %g", piece, angle)
		}
		sum += angle / 2 * (n[2]*n[2] - n[7]*n[7])
	}
	return sum
}

// turnBetween is the angle from one point to another, clockwise as drawn.
func turnBetween(x1, y1, x2, y2 float64) float64 {
	a := math.Atan2(x2, -y2) - math.Atan2(x1, -y1)
	if a < -1e-4 {
		a += 2 * math.Pi
	}
	return a
}

// The areas of a disk are the totals of the map: what is written in the page
// is measured.
func TestRingAreas(t *testing.T) {
	rnd := rand.New(rand.NewPCG(8, 15))
	all := math.Pi * (diskOuter*diskOuter - diskInner*diskInner)
	for round := range 40 {
		slices := make([]slice, 1+rnd.IntN(2048))
		var want [len(drawn)]int64
		for i := range slices {
			for k := range want {
				switch rnd.IntN(4) {
				case 0:
					slices[i].bytes[k] = rnd.Int64N(1 << 33)
				case 1:
					slices[i].bytes[0] += rnd.Int64N(1 << 33)
				}
			}
			for k, n := range slices[i].bytes {
				want[k] += n
			}
		}
		d := newDisk("a drive", slices)
		if d.Totals != want {
			t.Fatalf("round %d: totals %v, the slices have %v", round, d.Totals, want)
		}
		for k, n := range want {
			got := areaOf(t, d.Paths[k])
			share := all * float64(n) / float64(max(d.total, 1))
			// coordinates are written to a thousandth: each arc may err by some
			// thousandths of its height
			arcs := float64(strings.Count(d.Paths[k], "Z"))
			if math.Abs(got-share) > 0.02*arcs+1e-6*all {
				t.Errorf("round %d, %s: area %.3f, want %.3f (%.0f arcs)", round, drawn[k], got, share, arcs)
			}
		}
	}
}

// The areas of the page's picture sum to the exact totals of the map, and so
// do the numbers that stand in it.
func TestDrivePicture(t *testing.T) {
	m := bellows()
	m.Fill()
	im := &m.Image
	disks := driveDisks(im, newTouched(im.Profile))
	if len(disks) != 3 {
		t.Fatalf("%d disks, want the drive and two heads", len(disks))
	}
	if got, want := disks[0].Totals, [4]int64{im.Map.Read, im.Map.Doubtful, im.Map.Failed, im.Map.Skipped}; got != want {
		t.Errorf("the drive's areas are %v, its map has %v", got, want)
	}
	for i, h := range im.Heads.Heads {
		if got, want := disks[i+1].Totals, [4]int64{h.Read, h.Doubtful, h.Failed, h.Skipped}; got != want {
			t.Errorf("head %d: areas %v, want %v", h.Head, got, want)
		}
	}
	svg := string(disks[0].svg("d"))
	for k, n := range disks[0].Totals {
		if want := fmt.Sprintf(`<path class="s-%s" data-bytes="%d"`, drawn[k], n); !strings.Contains(svg, want) {
			t.Errorf("the picture lacks %s", want)
		}
	}
	dec := xml.NewDecoder(strings.NewReader(svg))
	for {
		if _, err := dec.Token(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatalf("the picture is no XML: %v", err)
		}
	}
}

// One unread sector in 20 TB shows, of each state, and where a wanted file
// waits.
func TestOneSectorShows(t *testing.T) {
	const size = 20_000_588_955_648 // the smallest size of a drive of 20 TB (IDEMA LBA1-03, from memory)
	const per = size/2048/512*512 + 512
	for k := 1; k < len(drawn); k++ {
		s := [5]int64{1500, per - 512}
		s[k+1] = 512
		im := result.Image{DriveSize: size, Sector: 512, Profile: &result.Profile{Slice: per, Slices: [][5]int64{s}}}
		tc := newTouched(im.Profile)
		tc.mark(1500*per+4096, 512)
		d := driveDisks(&im, tc)[0]
		if d.Totals[k] != 512 || d.Totals[0] != size-512 {
			t.Errorf("%s: totals %v", drawn[k], d.Totals)
		}
		if d.Marks[k] == "" || strings.Count(d.Marks[k], "M") != 1 {
			t.Errorf("%s: no mark, or more than one: %q", drawn[k], d.Marks[k])
		}
		if d.Wanted == "" {
			t.Errorf("%s: the wanted file's place does not show", drawn[k])
		}
		if want := fmt.Sprintf(`class="marks m-%s"`, drawn[k]); !strings.Contains(string(d.svg("d")), want) {
			t.Errorf("the picture lacks %s", want)
		}
	}
}

// Profiles that no drive has make no picture: what they do not tell must not be
// drawn as read.
func TestOddProfiles(t *testing.T) {
	for name, im := range map[string]result.Image{
		"none":            {DriveSize: 1 << 20},
		"no length":       {DriveSize: 1 << 20, Profile: &result.Profile{}},
		"too many slices": {DriveSize: 1 << 60, Profile: &result.Profile{Slice: 1}},
		"no drive":        {Profile: &result.Profile{Slice: 512}},
		"before it":       {DriveSize: 1024, Profile: &result.Profile{Slice: 512, Slices: [][5]int64{{-1, 0, 0, 0, 512}}}},
		"behind it":       {DriveSize: 1024, Profile: &result.Profile{Slice: 512, Slices: [][5]int64{{2, 0, 0, 0, 512}}}},
		"below zero":      {DriveSize: 1024, Profile: &result.Profile{Slice: 512, Slices: [][5]int64{{0, -512, 0, 0, 1024}}}},
		"too few bytes":   {DriveSize: 1024, Profile: &result.Profile{Slice: 512, Slices: [][5]int64{{0, 0, 0, 511, 0}}}},
		"sums that wrap":  {DriveSize: 1024, Profile: &result.Profile{Slice: 512, Slices: [][5]int64{{1, 1 << 62, 1 << 62, 1 << 62, 1 << 62}}}},
	} {
		if got := driveDisks(&im, newTouched(im.Profile)); got != nil {
			t.Errorf("%s: %d disks", name, len(got))
		}
	}
	// a slice that is longer than the drive, in numbers whose sum is none
	im := result.Image{DriveSize: 1 << 62, Profile: &result.Profile{Slice: 1<<63 - 1}}
	if got, want := driveDisks(&im, newTouched(im.Profile))[0].Totals, [4]int64{1 << 62, 0, 0, 0}; got != want {
		t.Errorf("totals %v, want %v", got, want)
	}
}

// The first and the last sector of a drive are drawn where it begins and ends,
// however large it is and however long its sectors are.
func TestDriveEnds(t *testing.T) {
	for name, c := range map[string]struct{ size, slice, sector int64 }{
		"small":           {1 << 20, 512, 512},
		"20 TB":           {20_000_588_955_648, 20_000_588_955_648/2048/512*512 + 512, 512},
		"sectors of 4096": {8_001_563_222_016, 8_001_563_222_016/2048/4096*4096 + 4096, 4096},
	} {
		last := (c.size - 1) / c.slice
		rest := c.size - last*c.slice
		im := result.Image{DriveSize: c.size, Sector: c.sector, Profile: &result.Profile{Slice: c.slice, Slices: [][5]int64{
			{0, 0, 0, 0, c.slice}, {last, rest - c.sector, 0, c.sector, 0}}}}
		d := driveDisks(&im, newTouched(im.Profile))[0]
		if want := "M0 -240A"; !strings.HasPrefix(d.Paths[3], want) {
			t.Errorf("%s: the first slice is drawn from %.20q, want %q", name, d.Paths[3], want)
		}
		if want := "L0 -80A80 80 0 0 0 "; !strings.Contains(d.Paths[2], want) {
			t.Errorf("%s: the last sector is drawn as %q, want it to end at %q", name, d.Paths[2], want)
		}
		if c.size > 1<<30 && strings.Count(d.Marks[2], "M") != 1 {
			t.Errorf("%s: the last sector has the marks %q", name, d.Marks[2])
		}
	}
}
