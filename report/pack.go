package report

import (
	"bytes"
	"cmp"
	"encoding/base64"
	"encoding/binary"
	"slices"
	"unicode/utf16"
	"unicode/utf8"

	"github.com/klauspost/compress/flate"
)

// The list in the page: columns of numbers and texts, each packed by itself,
// so that the page unpacks what it needs. page/list.js reads them.
//
// A column of numbers holds one varint (as encoding/binary has it) a row. A
// column of texts is two: the lengths in UTF-16 units, and all texts in UTF-8.
// Then comes DEFLATE (RFC 1951), then base64.

// Column is a part of the list in the page.
type Column struct {
	ID   string
	Data string // base64
}

// packer makes columns.
type packer struct {
	out  []Column
	size int // of all, as they stand in the page
	err  error
}

func (p *packer) add(id string, raw []byte) {
	var packed bytes.Buffer
	w, err := flate.NewWriter(&packed, 7)
	if err == nil {
		_, err = w.Write(raw)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil && p.err == nil {
		p.err = err
	}
	data := base64.StdEncoding.EncodeToString(packed.Bytes())
	p.size += len(data)
	p.out = append(p.out, Column{id, data})
}

// numbers packs one number for each of n rows.
func (p *packer) numbers(id string, n int, at func(int) uint64) {
	raw := make([]byte, 0, 2*n)
	for i := range n {
		raw = binary.AppendUvarint(raw, at(i))
	}
	p.add(id, raw)
}

// texts packs one text for each of n rows.
func (p *packer) texts(id string, n int, at func(int) string) {
	var lengths, raw []byte
	for i := range n {
		s := at(i)
		units := 0
		for _, r := range s {
			units += max(utf16.RuneLen(r), 1)
		}
		if !utf8.ValidString(s) {
			s = string([]rune(s)) // each bad byte becomes one U+FFFD, as was counted
		}
		lengths = binary.AppendUvarint(lengths, uint64(units))
		raw = append(raw, s...)
	}
	p.add(id+"-length", lengths)
	p.add(id+"-text", raw)
}

// zigzag makes small numbers of either sign small.
func zigzag(n int64) uint64 { return uint64(n)<<1 ^ uint64(n>>63) }

// exactInPage is the largest number that the page's language holds exactly.
const exactInPage = 1<<53 - 1

// Bounds of a page.
const (
	maxListSize = 54 << 20 // bytes of the list in the page, which has 60 MB in all
	maxListRows = 4 << 20
)

// packedList is the list as it stands in a page.
type packedList struct {
	Columns []Column
	Rows    int   // files that it lists
	LeftOut int64 // intact files that were left out, for the page's size
	Folders int
}

// pack makes the list of the page. Where it would be too large, intact files
// are left out from the end, and then others.
func (inv *Inventory) pack() (*packedList, error) {
	return inv.packWithin(maxListRows, maxListSize)
}

func (inv *Inventory) packWithin(rows, limit int) (*packedList, error) {
	for {
		list := inv.choose(rows)
		p := &packer{}
		inv.packFolders(p)
		inv.packRows(p, list)
		if p.err != nil {
			return nil, p.err
		}
		if p.size <= limit || rows == 0 {
			return &packedList{p.out, len(list), int64(len(inv.rows) - len(list)), len(inv.folders)}, nil
		}
		rows = min(rows, len(list)) / 2
	}
}

// choose takes at most n rows: what is not intact first.
func (inv *Inventory) choose(n int) []int32 {
	list := make([]int32, 0, min(n, len(inv.rows)))
	for _, intact := range []bool{false, true} {
		for i := range inv.rows {
			if len(list) < n && (inv.rows[i].verdict == 0) == intact {
				list = append(list, int32(i))
			}
		}
	}
	slices.Sort(list)
	return list
}

func (inv *Inventory) packFolders(p *packer) {
	n := len(inv.folders)
	p.texts("f-name", n, func(i int) string { return inv.folders[i].name })
	p.numbers("f-parent", n, func(i int) uint64 { return uint64(int32(i) - inv.folders[i].parent) })
	p.numbers("f-flags", n, func(i int) uint64 {
		flags := uint64(0)
		if inv.folders[i].short {
			flags |= 1
		}
		if inv.folders[i].top {
			flags |= 2 // a root
		}
		if inv.folders[i].adrift {
			flags |= 4 // holds what has no known place
		}
		return flags
	})
	for _, c := range []struct {
		id string
		at func(*totals) int64
	}{
		{"f-intact", func(t *totals) int64 { return t.files.Intact }},
		{"f-damaged", func(t *totals) int64 { return t.files.Damaged }},
		{"f-lost", func(t *totals) int64 { return t.files.Lost }},
		{"f-size", func(t *totals) int64 { return t.sizes.Total() }},
	} {
		p.numbers(c.id, n, func(i int) uint64 { return uint64(min(max(c.at(&inv.folders[i].totals), 0), exactInPage)) })
	}
}

func (inv *Inventory) packRows(p *packer, list []int32) {
	n := len(list)
	row := func(i int) *row { return &inv.rows[list[i]] }
	p.texts("name", n, func(i int) string { return row(i).name })
	last := int32(0)
	p.numbers("folder", n, func(i int) uint64 {
		d := row(i).folder - last
		last = row(i).folder
		return uint64(d)
	})
	p.numbers("what", n, func(i int) uint64 {
		w := row(i)
		return uint64(w.verdict) | uint64(w.kind)<<2 | uint64(w.notes)<<6
	})
	p.numbers("size", n, func(i int) uint64 { return uint64(min(max(row(i).size, -1), exactInPage-1) + 1) })
	before := int64(0)
	p.numbers("modified", n, func(i int) uint64 {
		w := row(i)
		if w.modified == noTime {
			return 0
		}
		d := w.modified - before
		before = w.modified
		local := uint64(0)
		if w.local {
			local = 1
		}
		return (zigzag(d)<<1 | local) + 1
	})
	// the place of each row when all stand by name
	order := make([]int32, n)
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortFunc(order, func(x, y int32) int { return cmp.Or(byName(row(int(x)), row(int(y))), cmp.Compare(x, y)) })
	raw := make([]byte, 0, 4*n)
	for _, i := range order {
		raw = binary.LittleEndian.AppendUint32(raw, uint32(i))
	}
	p.add("by-name", planes(raw))

	var bad []int32 // rows that are not intact
	for _, i := range list {
		if inv.rows[i].bar >= 0 {
			bad = append(bad, i)
		}
	}
	p.numbers("got", len(bad), func(i int) uint64 { return uint64(min(max(inv.rows[bad[i]].got, 0), exactInPage)) })
	for half := range 2 {
		raw := make([]byte, 0, 4*len(bad))
		for _, i := range bad {
			raw = binary.LittleEndian.AppendUint32(raw, inv.bars[inv.rows[i].bar][half])
		}
		p.add([]string{"bar-first", "bar-second"}[half], raw)
	}
	if inv.bench {
		p.texts("detail", len(bad), func(i int) string { return inv.details[inv.rows[bad[i]].bar] })
	}
}

// planes puts the first bytes of all four-byte numbers before all second
// ones, and so on: the high ones pack better together.
func planes(raw []byte) []byte {
	out := make([]byte, len(raw))
	n := len(raw) / 4
	for i := range n {
		for k := range 4 {
			out[k*n+i] = raw[4*i+k]
		}
	}
	return out
}
