package verify

import (
	"fileassay/extract"
	"fileassay/verify/result"
)

// fillLine makes r the line of a judged file. What r held before is forgotten;
// room for its lists is used again. It is good until f and j change.
func fillLine(r *result.File, volume int, f *extract.File, j *Judgement) {
	*r = result.File{Volume: volume, ID: f.ID, Path: f.Path, NameBytes: f.NameBytes, Unnamed: f.Unnamed, Kind: string(f.Kind),
		Verdict: j.Verdict, Runs: f.Executable, Stored: string(f.Stored), Target: f.Target, Damage: j.Damage, Heads: j.Heads, NoHead: j.NoHead,
		Needs: j.Needs, Why: f.Why, Modified: result.FormatTime(f.Modified, f.LocalTime),
		Extents: triples(r.Extents, j.Extents), Patched: triples(r.Patched, j.Patched), Holes: j.Holes}
	if len(j.Packed) > 0 {
		r.Packing = result.Packing{Method: f.Packing.Method, Unit: f.Packing.Unit, Valid: f.Packing.Valid, Units: j.Packed}
	}
	if f.Size >= 0 {
		r.Size = &f.Size
	}
	if j.Counted {
		b := &j.Bytes
		r.Bytes = result.NullBytes{Read: &b.Read, Doubtful: &b.Doubtful, Failed: &b.Failed, Skipped: &b.Skipped, Unlocated: &b.Unlocated}
	}
}

// triples are extents as they stand in a line.
func triples(room [][3]int64, list []extract.Extent) [][3]int64 {
	room = room[:0]
	for _, e := range list {
		room = append(room, [3]int64{e.Offset, e.Image, e.Length})
	}
	return room
}
