package verify

import (
	"math/rand/v2"
	"testing"

	"fileassay/extract/heads"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// The slices of a profile sum to the map's totals, of the drive and of each
// head, and one unread sector in 20 TB has a slice.
func TestProfile(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 9))
	for _, size := range []int64{1, 512, 513, 4096 * 512, 1 << 24, 1<<24 + 1000, 20_000_588_955_648} {
		var ranges []imap.Range
		for at := int64(0); at < size; {
			n := min(max(512, rnd.Int64N(size/8+1024)/512*512), size-at)
			ranges = append(ranges, imap.Range{Start: at, Length: n, State: imap.State(rnd.IntN(4))})
			at += n
		}
		if size > 1<<40 {
			ranges = []imap.Range{{Length: size / 1024 * 512, State: imap.Read}, {Start: size / 1024 * 512, Length: 512, State: imap.Failed},
				{Start: size/1024*512 + 512, Length: size - size/1024*512 - 512, State: imap.Read}}
		}
		m, err := imap.New(ranges)
		if err != nil {
			t.Fatal(err)
		}
		r := image.New(nil, size, m, image.Options{})
		p := driveProfile(r)
		if n := (size + p.Slice - 1) / p.Slice; n > driveSlices {
			t.Errorf("size %d: %d slices, want at most %d", size, n, driveSlices)
		}
		var want result.ByteStates
		want.Count(r.Tally(), 1)
		got := result.ByteStates{Read: size}
		for _, s := range p.Slices {
			n := min(p.Slice, size-s[0]*p.Slice)
			if s[1]+s[2]+s[3]+s[4] != n {
				t.Errorf("size %d, slice %d: counts %v do not sum to its %d bytes", size, s[0], s[1:], n)
			}
			got.Read -= n - s[1]
			got.Doubtful += s[2]
			got.Failed += s[3]
			got.Skipped += s[4]
		}
		if got != want {
			t.Errorf("size %d: slices sum to %+v, the map has %+v", size, got, want)
		}

		var served []heads.Range
		for at, h := int64(0), 0; at < size; h = (h + 1) % 3 {
			n := min(max(512, rnd.Int64N(size/20+1024)/512*512), size-at)
			served = append(served, heads.Range{Start: at, Length: n, Head: h})
			at += n
		}
		hm, err := heads.New(served)
		if err != nil {
			t.Fatal(err)
		}
		h := &heads.File{Map: hm}
		profiles := headProfiles(h, r)
		for _, rec := range headsRecord(h, r).Heads {
			var sum result.ByteStates
			for _, s := range profiles[rec.Head].Slices {
				sum.Read += s[1]
				sum.Doubtful += s[2]
				sum.Failed += s[3]
				sum.Skipped += s[4]
			}
			if sum != rec.ByteStates {
				t.Errorf("size %d, head %d: slices sum to %+v, the head has %+v", size, rec.Head, sum, rec.ByteStates)
			}
		}
	}
}
