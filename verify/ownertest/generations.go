package ownertest

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"testing"

	"fileassay/extract/imap"
)

// Random makes the drive of a seed: partitioned and formatted twice, by tables,
// kinds and places that are drawn.
func Random(tb testing.TB, seed uint64) *Disk {
	tb.Helper()
	rnd := rand.New(rand.NewPCG(seed, 16))
	b := NewBuilder(tb, fmt.Sprintf("layout %d", seed), int64(14+rnd.IntN(11))*MiB)
	b.random(rnd)
	b.finish()
	return b.Disk
}

// random makes two generations of tenants.
func (b *Builder) random(rnd *rand.Rand) {
	b.tb.Helper()
	former := b.drawn(rnd)
	scheme := b.scheme(rnd, former)
	for _, p := range former {
		b.populate(rnd, p)
	}
	b.write(rnd, scheme, former)
	_, backup := b.table()

	next := former
	if scheme == "bare" || rnd.IntN(2) == 0 {
		next = b.drawn(rnd)
	}
	var stays []Volume // of a partition that both tables have
	same := scheme != "bare" && &next[0] == &former[0]
	if same && len(former) > 1 && rnd.IntN(2) == 0 {
		k := rnd.IntN(len(former))
		stays = b.Volumes[k : k+1 : k+1]
		b.Volumes = append(b.Volumes[:k:k], b.Volumes[k+1:]...)
	}
	b.Retire()
	b.Volumes = stays
	was := scheme
	if !same || rnd.IntN(3) == 0 {
		scheme = b.scheme(rnd, next)
		if len(stays) > 0 && scheme == "bare" {
			scheme = "gpt"
		}
	}
	if scheme == "bare" {
		next = []Part{{0, b.Size, "", "", false}}
	}
	for _, p := range next {
		if len(stays) == 0 || p.Start != stays[0].Start {
			b.populate(rnd, p)
		}
	}
	b.write(rnd, scheme, next)
	if was == "gpt" && scheme == "gpt" && rnd.IntN(3) == 0 { // the primary alone
		copy(b.Image[backup.At:], backup.Bytes)
	}
}

// drawn are places of partitions, with room before each for a record of the
// chain of logical drives.
func (b *Builder) drawn(rnd *rand.Rand) []Part {
	const unit = MiB / 4
	var out []Part
	at := int64(1 * MiB)
	for n := 1 + rnd.IntN(4); len(out) < n; {
		if len(out) > 0 || rnd.IntN(3) == 0 {
			at += MiB/2 + int64(rnd.IntN(6))*unit
		}
		length := 3*MiB + int64(rnd.IntN(24))*unit
		if room := b.Size - 1*MiB - at; room < length {
			if length = room / unit * unit; length < 3*MiB {
				break
			}
		}
		out = append(out, Part{at, length, "", "", false})
		at += length
	}
	return out
}

// scheme draws a table for partitions.
func (b *Builder) scheme(rnd *rand.Rand, parts []Part) string {
	list := []string{"gpt", "gpt", "mbr", "mbr", "bare"}
	if len(parts) > 1 {
		list = append(list, "logical")
	}
	return list[rnd.IntN(len(list))]
}

func (b *Builder) write(rnd *rand.Rand, scheme string, parts []Part) {
	b.tb.Helper()
	code := func(p Part, of map[string]string) Part {
		for _, v := range b.Volumes {
			if v.Start == p.Start {
				p.Type = of[family(v.Kind)]
			}
		}
		if p.Type == "" {
			p.Type = of["ntfs"]
		}
		return p
	}
	var list []Part
	switch scheme {
	case "gpt":
		for _, p := range parts {
			list = append(list, code(p, map[string]string{"ext": linux, "fat": basic, "ntfs": basic, "exfat": basic}))
		}
		if rnd.IntN(6) == 0 {
			b.GPT(list...)
		} else {
			b.OtherGPT(list...)
		}
	case "mbr", "logical":
		for i, p := range parts {
			p = code(p, map[string]string{"ext": "83", "fat": "6", "ntfs": "7", "exfat": "7"})
			if p.Logical = scheme == "logical" && i > 0; p.Logical && i == 1 {
				start := p.Start - MiB/4
				list = append(list, Part{start, parts[len(parts)-1].End() - start, "f", "", false})
			}
			list = append(list, p)
		}
		b.MBR(list...)
	}
}

// populate formats a place by a kind that is drawn.
func (b *Builder) populate(rnd *rand.Rand, p Part) {
	b.tb.Helper()
	kinds := []string{"ext4-1k", "ext4-4k", "ext2-1k", "ext4-g", "fat16", "ntfs", "exfat"}
	if p.Length >= 9*MiB {
		kinds = append(kinds, "fat16-2k")
	}
	kind := kinds[rnd.IntN(len(kinds))]
	var sizes []int
	for range 3 + rnd.IntN(8) {
		sizes = append(sizes, 1500+rnd.IntN(1+rnd.IntN(120_000)))
	}
	b.Format(p.Start, p.Length, kind, sizes...)
	if kind == "ntfs" && rnd.IntN(2) == 0 {
		b.MoveTable(int64(5 + rnd.IntN(3)))
	}
}

// Site is a part of a drive that a case takes away.
type Site struct {
	Name   string // of what stands there
	Ranges []imap.Range
}

// Sites are the sectors of the tables of a drive and of the first structures of
// its volumes of now, one by one and some together.
func (d *Disk) Sites() []Site {
	var out []Site
	sector := func(name string, list ...int64) {
		s := Site{Name: name}
		for _, at := range list {
			s.Ranges = append(s.Ranges, imap.Range{Start: at, Length: Sector, State: imap.Failed})
		}
		out = append(out, s)
	}
	whole := func(name string, at, n int64) {
		out = append(out, Site{name, []imap.Range{{Start: at, Length: n, State: imap.Failed}}})
	}
	sector("sector 0", 0)
	whole("the first 34 sectors", 0, 34*Sector)
	if end := d.Size - Sector; string(d.Image[Sector:Sector+8]) == "EFI PART" || string(d.Image[end:end+8]) == "EFI PART" {
		sector("GPT header", Sector)
		sector("GPT entries", 2*Sector)
		sector("GPT entries without any", 7*Sector)
		sector("GPT entries' last sector", 33*Sector)
		sector("GPT backup header", end)
		sector("GPT backup entries", end-32*Sector)
		sector("GPT backup entries without any", end-3*Sector)
		whole("GPT backup", end-32*Sector, 33*Sector)
	}
	for _, at := range d.chain() {
		sector("record of a logical drive", at)
	}
	for i := range d.Volumes {
		v := &d.Volumes[i]
		p := Primary(v)
		for at := p.Start; at < p.End(); at += Sector {
			sector("first structure, a sector", at)
		}
		if p.Length > Sector {
			whole("first structure", p.Start, p.Length)
		}
		if p.Start > v.Start {
			sector("sector 0 of ext", v.Start)
		}
		whole("first 4 KiB", v.Start, 4096)
		if p.Start > 0 {
			out = append(out, Site{"sector 0 and a first structure", []imap.Range{{Start: 0, Length: Sector, State: imap.Failed}, p}})
		}
		for _, c := range Copies(v) {
			out = append(out, Site{"first structure and a copy", []imap.Range{p, c}})
			whole("copy of a first structure", c.Start, c.Length)
		}
	}
	return out
}

// chain are the places of the records of the logical drives, if any.
func (d *Disk) chain() []int64 {
	le := binary.LittleEndian
	for i := range 4 {
		e := d.Image[Entry(0, i):]
		if e[4] != 5 && e[4] != 0xf {
			continue
		}
		extended := int64(le.Uint32(e[8:])) * Sector
		var out []int64
		for at := extended; at < d.Size && len(out) < 32; {
			out = append(out, at)
			link := d.Image[Entry(at, 1):]
			if link[4] == 0 {
				break
			}
			at = extended + int64(le.Uint32(link[8:]))*Sector
		}
		return out
	}
	return nil
}

// Ways are what is done to a site.
var Ways = []string{"unread", "zeros", "noise"}

// Hurt is the drive with a site that was not read, or was read as something
// else, and what of it was not read.
func (d *Disk) Hurt(s Site, way string) (*Disk, []imap.Range) {
	if way == "unread" {
		return d, s.Ranges
	}
	return d.Edited(func(img []byte) {
		rnd := rand.NewChaCha8([32]byte{16})
		for _, r := range s.Ranges {
			part := img[r.Start:r.End()]
			if clear(part); way == "noise" {
				_, _ = rnd.Read(part)
			}
		}
	}), nil
}
