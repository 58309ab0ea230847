package ownertest

import "encoding/binary"

// MoveTable moves the file table of the last volume, which is NTFS, to so many
// eighths of it: others put it far into the volume. The tool puts it at the
// start, where nothing of it outlasts another format.
func (b *Builder) MoveTable(eighths int64) {
	b.tb.Helper()
	le := binary.LittleEndian
	v := &b.Volumes[len(b.Volumes)-1]
	img := b.Image[v.Start:v.End()]
	table := int64(le.Uint64(img[48:])) * v.Cluster
	const record = 1024
	length, at, run := b.firstRun(img[table : table+record])
	_, bitmap, _ := b.firstRun(img[table+6*record : table+7*record])
	used := img[bitmap*v.Cluster:]
	to := v.Length / v.Cluster * eighths / 8
	for k := int64(0); k < length; k++ { // the first place from there on that is free
		if used[(to+k)/8]&(1<<((to+k)%8)) != 0 {
			to, k = to+k+1, -1
		}
		if to+length > v.Length/v.Cluster {
			b.tb.Fatalf("%s has no room for its file table", v.Label)
		}
	}
	for k := int64(0); k < length; k++ {
		used[(to+k)/8] |= 1 << ((to + k) % 8)
	}
	// one byte of length, two of place, and the end of the list
	copy(run, []byte{0x21, byte(length), byte(to), byte(to >> 8), 0})
	copy(img[to*v.Cluster:(to+length)*v.Cluster], img[at*v.Cluster:])
	mirror := int64(le.Uint64(img[56:])) * v.Cluster
	copy(img[mirror:mirror+record], img[table:table+record])
	clear(img[table : table+length*v.Cluster])
	for _, boot := range []int64{0, v.Length - Sector} {
		le.PutUint64(img[boot+48:], uint64(to))
	}
}

// firstRun is the length and place in clusters of the only run of a record's
// content, and the list of runs itself.
func (b *Builder) firstRun(record []byte) (length, at int64, run []byte) {
	b.tb.Helper()
	le := binary.LittleEndian
	for a := record[le.Uint16(record[20:]):]; le.Uint32(a) != 0xffffffff; a = a[le.Uint32(a[4:]):] {
		if le.Uint32(a) != 0x80 || a[8] == 0 {
			continue
		}
		run = a[le.Uint16(a[32:]):le.Uint32(a[4:])]
		n, m := run[0]&15, run[0]>>4
		for k := range n {
			length |= int64(run[1+k]) << (8 * k)
		}
		for k := range m {
			at |= int64(run[1+n+k]) << (8 * k)
		}
		if end := 1 + n + m; run[end] != 0 || length > 127 || len(run) < 5 {
			b.tb.Fatalf("the runs % x are none that can be moved", run)
		}
		return length, at, run
	}
	b.tb.Fatal("the record has no content outside itself")
	return 0, 0, nil
}
