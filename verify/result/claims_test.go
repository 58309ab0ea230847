package result_test

import (
	"math"
	"strings"
	"testing"

	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
)

// claims is a result with all that verify says of volumes and of the image file.
func claims() *resulttest.Made {
	m := quay()
	m.Image.Content, m.Image.Broken = result.ContentRead, [][2]int64{{65536, 512}}
	v := &m.Volumes[1]
	v.Cluster, v.Notes = 4096, []string{v.PastEnd(m.Image.Size)}
	v.Structures = []result.Structure{{Name: "superblock", Start: resulttest.Num(1<<19 + 1024), Length: 1024, Unread: 1024, Health: "unread"},
		{Name: "boot sector", Start: resulttest.Num(1<<19 + 2048), Length: 2048, Health: "read"}}
	v.Proof = &result.Proof{Ranges: "524288+512 526336+2048", SHA256: "0123456789abcdef 0123456789abcdef"}
	m.Fill()
	s := m.Image.Map.ByteStates
	m.Image.Profile = &result.Profile{Slice: 1 << 19, Slices: [][5]int64{{0, 1<<19 - 1024 - 2560 - 512, 1024, 2560, 512}, {1, 1<<19 - 1536, 0, 1024, 512}}}
	m.Image.Heads = &result.Heads{Path: "heads.csv", Heads: []result.Head{{Head: 0, ByteStates: result.ByteStates{Read: 7 << 10, Failed: 512},
		Profile: &result.Profile{Slice: 1 << 20, Slices: [][5]int64{{0, 7 << 10, 0, 512, 0}}}}}}
	m.Image.Heads.Others = result.ByteStates{Read: s.Read - 7<<10, Doubtful: s.Doubtful, Failed: s.Failed - 512, Skipped: s.Skipped}
	return m
}

// What a result says of lists, structures, the image file, the drive's profile and
// the proof of its image is held to its other lines.
func TestOpenClaims(t *testing.T) {
	if _, err := result.Read(claims().Text(t)); err != nil {
		t.Fatalf("a result to begin with: %v", err)
	}
	all := func(m *resulttest.Made) { // both lists are called complete
		m.Image.Broken = nil
		for i := range m.Volumes {
			m.Volumes[i].Listing = result.Listing{Complete: true, Why: []string{}}
		}
		m.Summary.ListingComplete = true
	}
	for name, c := range map[string]struct {
		edit func(m *resulttest.Made)
		want string
	}{
		"complete, and entries lie in no known folder": {all, "called complete, and in which folders 1 entries lie"},
		"complete, and folders are damaged": {func(m *resulttest.Made) {
			all(m)
			m.Files = append(m.Files[:6:6], m.Files[7:]...) // that of no known folder
			m.Files[0].Verdict = result.Damaged
			m.Fill()
			all(m)
		}, "called complete, and 1 folders are damaged"},
		"unnamed files that are not counted": {func(m *resulttest.Made) { m.Volumes[0].Listing.UnnamedFiles = 0 }, "sums"},
		"deep entries that are not there":    {func(m *resulttest.Made) { m.Volumes[0].Listing.Deep = 2 }, "sums"},
		"complete without volumes": {func(m *resulttest.Made) {
			all(m)
			m.Files, m.Volumes = nil, []result.Volume{}
			for i := range m.Places {
				m.Places[i].In = nil
			}
			m.Image.Profile, m.Image.Heads, m.Summary.Heads = nil, nil, nil
			m.Fill()
			m.Summary.ListingComplete = true
		}, "sums"},
		"an unread superblock called read": {func(m *resulttest.Made) {
			s := &m.Volumes[1].Structures[0]
			s.Health, s.Unread = "read", 0
		}, "by the result's own map 1024"},
		"read descriptors called unread": {func(m *resulttest.Made) {
			s := &m.Volumes[1].Structures[1]
			s.Health, s.Unread = "partly read", 512
		}, "by the result's own map 0"},
		"a health that is none":            {func(m *resulttest.Made) { m.Volumes[1].Structures[1].Health = "zzz" }, `is "zzz"`},
		"read, with unread bytes":          {func(m *resulttest.Made) { m.Volumes[1].Structures[0].Health = "read" }, `is "read" with 1024`},
		"more unread than there is":        {func(m *resulttest.Made) { m.Volumes[1].Structures[0].Unread = 1 << 20 }, "numbers"},
		"a fault in a place that was read": {func(m *resulttest.Made) { m.Image.Broken[0][0] = 131072 }, "not called failed"},
		"a fault in a skipped place":       {func(m *resulttest.Made) { m.Image.Broken[0][0] = 20480 }, "not called failed"},
		"a content mode that is none":      {func(m *resulttest.Made) { m.Image.Content = "bogus" }, "numbers"},
		"a profile with another slice": {func(m *resulttest.Made) {
			p := m.Image.Profile.Slices
			p[0][1], p[0][3], p[1][1], p[1][3] = p[0][1]+512, p[0][3]-512, p[1][1]-512, p[1][3]+512
		}, "profile"},
		"a profile of all read":          {func(m *resulttest.Made) { m.Image.Profile.Slices = [][5]int64{} }, "numbers"},
		"a head that is not its profile": {func(m *resulttest.Made) { m.Image.Heads.Heads[0].Profile.Slices[0][1] = 512 }, "numbers"},
		"a proof emptied":                {func(m *resulttest.Made) { m.Volumes[1].Proof = &result.Proof{} }, "no proof"},
		"a proof without the start": {func(m *resulttest.Made) {
			*m.Volumes[1].Proof = result.Proof{Ranges: "526336+2048", SHA256: "0123456789abcdef"}
		}, "no proof"},
		"a proof of what was not read":             {func(m *resulttest.Made) { m.Volumes[1].Proof.Ranges = "524288+512 525312+1024" }, "was not read"},
		"a volume without end":                     {func(m *resulttest.Made) { m.Volumes[1].Length = 1 << 62 }, "does not lie on the drive"},
		"a volume past the end, and no word of it": {func(m *resulttest.Made) { m.Volumes[1].Notes = nil }, "does not lie on the drive"},
		"a volume that starts elsewhere":           {func(m *resulttest.Made) { m.Volumes[1].Start = math.MaxInt64 - 1<<20 }, "does not lie on the drive"},
		"holes on FAT": {func(m *resulttest.Made) {
			m.Volumes[0].Filesystem = "fat32"
			m.Files[1].Extents, m.Files[1].Holes = nil, 3000
		}, "bytes without storage"},
	} {
		m := claims()
		c.edit(m)
		if _, err := result.Read(m.Text(t)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}
