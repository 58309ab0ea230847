package imap

import (
	"bytes"
	"context"
)

// Area is a range that holds something odd.
type Area struct {
	Start  int64  `json:"start"`
	Length int64  `json:"length"`
	Filler string `json:"filler,omitempty"` // for people
}

// Areas are odd ranges: all are counted, and the first are named.
type Areas struct {
	Ranges int    `json:"ranges"`
	Bytes  int64  `json:"bytes"`
	First  []Area `json:"first,omitempty"`
}

func (a *Areas) add(r Range, filler string) {
	a.Ranges++
	a.Bytes += r.Length
	if len(a.First) < 10 {
		a.First = append(a.First, Area{r.Start, r.Length, filler})
	}
}

// Odd is what an image says against its map.
type Odd struct {
	ImageSize int64 `json:"image_size"`
	MapEnd    int64 `json:"map_end"`
	// Read and Unread are what stands in sectors of the two kinds, of up to
	// 512 each.
	Read   Content `json:"read"`
	Unread Content `json:"unread"`
	// FilledRead are ranges called read that hold one filler other than zeros
	// throughout; ZeroRead those that hold zeros wherever looked at, which is
	// common on sound drives too; DataUnread those called unread that hold
	// data.
	FilledRead Areas `json:"filled_read"`
	ZeroRead   Areas `json:"zero_read"`
	DataUnread Areas `json:"data_unread"`
	// Looked is the number of ranges looked at, of Ranges: every n-th if there
	// are very many, and those of which the image gave a sector.
	Looked int `json:"looked"`
	Ranges int `json:"ranges"`
}

// Bounds of what Odd reads of an image.
const (
	maxLooked  = 1 << 16 // ranges
	looks      = 8       // sectors in each
	maxThrough = 4 << 30 // bytes in all, to see that a filler goes through
)

// Odd compares the map with what stands in the image of size bytes. It reads
// a few sectors of each range, and all of those of one filler.
func (m *Map) Odd(ctx context.Context, src Source, size, sector int64) (Odd, error) {
	o := Odd{ImageSize: size, MapEnd: m.end}
	var read, unread []Range
	for r := range m.Over(0, size) {
		o.Ranges++
		if r.State == Read {
			read = append(read, r)
		} else {
			unread = append(unread, r)
		}
	}
	o.Read, o.Unread = Sample(src, sector, read), Sample(src, sector, unread)
	step := (o.Ranges + maxLooked - 1) / maxLooked
	through := int64(maxThrough)
	p := make([]byte, sector)
	i := 0
	for r := range m.Over(0, size) {
		if i++; (i-1)%step != 0 || r.Length < sector {
			continue
		}
		if err := ctx.Err(); err != nil {
			return o, err
		}
		var filler []byte
		same, data := true, false
		n := 0
		for off := range spread([]Range{r}, sector, looks) {
			if len(src.ReadReadable(p, off)) > 0 {
				continue
			}
			unit := repeats(p)
			if n++; n == 1 {
				filler = bytes.Clone(unit)
			}
			same = same && unit != nil && bytes.Equal(unit, filler)
			data = data || unit == nil && !bytes.Equal(p, o.Unread.Filler)
		}
		if n > 0 {
			o.Looked++
		}
		zeros := len(filler) == 1 && filler[0] == 0
		switch {
		case n == 0:
		case r.State != Read && data:
			o.DataUnread.add(r, "")
		case r.State == Read && same && zeros:
			o.ZeroRead.add(r, "")
		case r.State == Read && same && holdsThroughout(src, r, sector, filler, &through):
			o.FilledRead.add(r, Content{Same: 1, Filler: filler}.FillerText())
		}
	}
	return o, nil
}

// holdsThroughout reports whether each whole sector of r holds the filler, as
// far as left allows to read, which it takes from.
func holdsThroughout(src Source, r Range, sector int64, filler []byte, left *int64) bool {
	p := make([]byte, sector)
	for at := (r.Start + sector - 1) / sector * sector; at+sector <= r.End() && *left > 0; at += sector {
		*left -= sector
		if len(src.ReadReadable(p, at)) > 0 || !bytes.Equal(repeats(p), filler) {
			return false
		}
	}
	return true
}
