package verify

import (
	"bytes"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// drive is 100 sectors, of which sector 10 is doubtful, 20 failed, 30 skipped,
// and 40 to 49 failed.
func drive(t testing.TB, o image.Options) *image.Reader {
	t.Helper()
	const s = 512
	var list []imap.Range
	for i := range int64(100) {
		state := imap.Read
		switch {
		case i == 10:
			state = imap.Doubtful
		case i == 20, i >= 40 && i < 50:
			state = imap.Failed
		case i == 30:
			state = imap.Skipped
		}
		list = append(list, imap.Range{Start: i * s, Length: s, State: state})
	}
	m, err := imap.New(list)
	if err != nil {
		t.Fatal(err)
	}
	return image.New(bytes.NewReader(make([]byte, 100*s)), 100*s, m, o)
}

func dataPiece(off, n, at int64) extract.Piece {
	return extract.Piece{Offset: off, Length: n, Kind: extract.Data, Image: at}
}

// The rules of the design, section 2.
func TestJudge(t *testing.T) {
	const s = 512
	for _, tt := range []struct {
		name    string
		f       extract.File
		trust   bool
		want    result.Verdict
		bytes   result.Bytes
		damage  []result.Damage
		unknown bool // the counts are
	}{
		{name: "all read", f: extract.File{Size: 2 * s, Pieces: []extract.Piece{dataPiece(0, 2*s, 0)}}, want: result.Intact, bytes: result.Bytes{Read: 2 * s}},
		{name: "empty, record read", f: extract.File{}, want: result.Intact},
		{name: "empty, a part of its record unread", f: extract.File{RecordUnread: true}, want: result.Damaged},
		{name: "empty, known by name only", f: extract.File{NameOnly: true}, want: result.Lost},
		{name: "holes only", f: extract.File{Size: 3 * s, Pieces: []extract.Piece{{Length: 3 * s, Kind: extract.Hole}}}, want: result.Intact, bytes: result.Bytes{Read: 3 * s}},
		{name: "one sector failed", f: extract.File{Size: 3 * s, Pieces: []extract.Piece{dataPiece(0, 3*s, 19*s)}}, want: result.Damaged,
			bytes: result.Bytes{Read: 2 * s, Failed: s}, damage: []result.Damage{{Offset: s, Image: 20 * s, Length: s, What: "failed"}}},
		{name: "one sector skipped", f: extract.File{Size: 3 * s, Pieces: []extract.Piece{dataPiece(0, 3*s, 29*s)}}, want: result.Damaged,
			bytes: result.Bytes{Read: 2 * s, Skipped: s}, damage: []result.Damage{{Offset: s, Image: 30 * s, Length: s, What: "skipped"}}},
		{name: "the last byte", f: extract.File{Size: s + 1, Pieces: []extract.Piece{dataPiece(0, s+1, 19*s)}}, want: result.Damaged,
			bytes: result.Bytes{Read: s, Failed: 1}, damage: []result.Damage{{Offset: s, Image: 20 * s, Length: 1, What: "failed"}}},
		{name: "slack", f: extract.File{Size: s, Pieces: []extract.Piece{dataPiece(0, s, 19*s)}}, want: result.Intact, bytes: result.Bytes{Read: s}},
		{name: "slack inside a sector", f: extract.File{Size: 10, Pieces: []extract.Piece{dataPiece(0, 10, 19*s+500)}}, want: result.Intact, bytes: result.Bytes{Read: 10}},
		{name: "a piece longer than the file", f: extract.File{Size: s, Pieces: []extract.Piece{dataPiece(0, 9*s, 19*s)}}, want: result.Intact, bytes: result.Bytes{Read: s}},
		{name: "all gone", f: extract.File{Size: 2 * s, Pieces: []extract.Piece{dataPiece(0, 2*s, 40*s)}}, want: result.Lost,
			bytes: result.Bytes{Failed: 2 * s}, damage: []result.Damage{{Offset: 0, Image: 40 * s, Length: 2 * s, What: "failed"}}},
		{name: "every stored byte gone, with holes", f: extract.File{Size: 4 * s, Pieces: []extract.Piece{{Length: 3 * s, Kind: extract.Hole}, dataPiece(3*s, s, 40*s)}}, want: result.Lost,
			bytes: result.Bytes{Read: 3 * s, Failed: s}, damage: []result.Damage{{Offset: 3 * s, Image: 40 * s, Length: s, What: "failed"}}},
		{name: "doubtful", f: extract.File{Size: 3 * s, Pieces: []extract.Piece{dataPiece(0, 3*s, 9*s)}}, want: result.Damaged,
			bytes: result.Bytes{Read: 2 * s, Doubtful: s}, damage: []result.Damage{{Offset: s, Image: 10 * s, Length: s, What: "doubtful"}}},
		{name: "all doubtful is not lost", f: extract.File{Size: s, Pieces: []extract.Piece{dataPiece(0, s, 10*s)}}, want: result.Damaged,
			bytes: result.Bytes{Doubtful: s}, damage: []result.Damage{{Offset: 0, Image: 10 * s, Length: s, What: "doubtful"}}},
		{name: "doubtful, trusted", trust: true, f: extract.File{Size: 3 * s, Pieces: []extract.Piece{dataPiece(0, 3*s, 9*s)}}, want: result.Intact, bytes: result.Bytes{Read: 3 * s}},
		{name: "unlocated", f: extract.File{Size: 3 * s, Pieces: []extract.Piece{dataPiece(0, s, 0), {Offset: s, Length: 2 * s, Kind: extract.Unlocated}}}, want: result.Damaged,
			bytes: result.Bytes{Read: s, Unlocated: 2 * s}, damage: []result.Damage{{Offset: s, Image: -1, Length: 2 * s, What: "unlocated"}}},
		{name: "what pieces leave out", f: extract.File{Size: 5 * s, Pieces: []extract.Piece{dataPiece(s, s, 0), dataPiece(3*s, s, 2*s)}}, want: result.Damaged,
			bytes: result.Bytes{Read: 2 * s, Unlocated: 3 * s}, damage: []result.Damage{{Offset: 0, Image: -1, Length: s, What: "unlocated"}, {Offset: 2 * s, Image: -1, Length: s, What: "unlocated"}, {Offset: 4 * s, Image: -1, Length: s, What: "unlocated"}}},
		{name: "no pieces at all", f: extract.File{Size: 5 * s}, want: result.Lost, bytes: result.Bytes{Unlocated: 5 * s}, damage: []result.Damage{{Offset: 0, Image: -1, Length: 5 * s, What: "unlocated"}}},
		{name: "overlapping pieces count once", f: extract.File{Size: 2 * s, Pieces: []extract.Piece{dataPiece(0, 2*s, 0), dataPiece(s, s, 50*s)}}, want: result.Intact, bytes: result.Bytes{Read: 2 * s}},
		{name: "all read, but its record is not", f: extract.File{Size: s, RecordUnread: true, Pieces: []extract.Piece{dataPiece(0, s, 0)}}, want: result.Damaged, bytes: result.Bytes{Read: s}},
		{name: "name and size only", f: extract.File{Size: s, NameOnly: true}, want: result.Lost, bytes: result.Bytes{Unlocated: s}, damage: []result.Damage{{Offset: 0, Image: -1, Length: s, What: "unlocated"}}},
		{name: "name only", f: extract.File{Size: -1, NameOnly: true}, want: result.Lost, unknown: true},
		{name: "size unknown", f: extract.File{Size: -1}, want: result.Lost, unknown: true},
		{name: "past the end of the image", f: extract.File{Size: 2 * s, Pieces: []extract.Piece{dataPiece(0, 2*s, 99*s)}}, want: result.Damaged,
			bytes: result.Bytes{Read: s, Skipped: s}, damage: []result.Damage{{Offset: s, Image: 100 * s, Length: s, What: "skipped"}}},
		{name: "damage in a row is one", f: extract.File{Size: 4 * s, Pieces: []extract.Piece{dataPiece(0, 2*s, 40*s), dataPiece(2*s, 2*s, 42*s)}}, want: result.Lost,
			bytes: result.Bytes{Failed: 4 * s}, damage: []result.Damage{{Offset: 0, Image: 40 * s, Length: 4 * s, What: "failed"}}},

		{name: "unit read", f: extract.File{Size: 8 * s, Pieces: []extract.Piece{{Length: 8 * s, Kind: extract.Unit, Units: []extract.Extent{{Image: 0, Length: 3 * s}, {Offset: 3 * s, Image: 50 * s, Length: s}}}}},
			want: result.Intact, bytes: result.Bytes{Read: 8 * s}},
		{name: "one unread sector takes the unit", f: extract.File{Size: 16 * s, Pieces: []extract.Piece{
			{Length: 8 * s, Kind: extract.Unit, Units: []extract.Extent{{Image: 18 * s, Length: 3 * s}}}, {Offset: 8 * s, Length: 8 * s, Kind: extract.Unit, Units: []extract.Extent{{Offset: 8 * s, Image: 0, Length: 3 * s}}}}},
			want: result.Damaged, bytes: result.Bytes{Read: 8 * s, Failed: 8 * s}, damage: []result.Damage{{Offset: 0, Image: 20 * s, Length: 8 * s, What: "failed"}}},
		{name: "a unit is as bad as its worst sector", f: extract.File{Size: 8 * s, Pieces: []extract.Piece{{Length: 8 * s, Kind: extract.Unit, Units: []extract.Extent{{Image: 10 * s, Length: s}, {Offset: s, Image: 40 * s, Length: s}, {Offset: 2 * s, Image: 30 * s, Length: s}}}}},
			want: result.Lost, bytes: result.Bytes{Failed: 8 * s}, damage: []result.Damage{{Offset: 0, Image: 10 * s, Length: 8 * s, What: "failed"}}},
		{name: "a unit of nothing", f: extract.File{Size: s, Pieces: []extract.Piece{{Length: s, Kind: extract.Unit}}}, want: result.Lost, bytes: result.Bytes{Unlocated: s}, damage: []result.Damage{{Offset: 0, Image: -1, Length: s, What: "unlocated"}}},

		{name: "patched", f: extract.File{Size: s, Pieces: []extract.Piece{dataPiece(0, s-2, 0), {Offset: s - 2, Length: 2, Kind: extract.Patched, Image: 100, Also: 510, AlsoLength: 2}}}, want: result.Intact, bytes: result.Bytes{Read: s}},
		{name: "patched, head unread", f: extract.File{Size: s, Pieces: []extract.Piece{dataPiece(0, s-2, 0), {Offset: s - 2, Length: 2, Kind: extract.Patched, Image: 20*s + 5, Also: 510, AlsoLength: 2}}}, want: result.Damaged,
			bytes: result.Bytes{Read: s - 2, Failed: 2}, damage: []result.Damage{{Offset: s - 2, Image: 20*s + 5, Length: 2, What: "failed"}}},
		{name: "patched, its own sector unread", f: extract.File{Size: s, Pieces: []extract.Piece{dataPiece(0, s-2, 0), {Offset: s - 2, Length: 2, Kind: extract.Patched, Image: 100, Also: 30*s + 510, AlsoLength: 2}}}, want: result.Damaged,
			bytes: result.Bytes{Read: s - 2, Skipped: 2}, damage: []result.Damage{{Offset: s - 2, Image: 30*s + 510, Length: 2, What: "skipped"}}},

		{name: "folder", f: extract.File{Kind: extract.KindFolder}, want: result.Intact},
		{name: "folder with unread entries", f: extract.File{Kind: extract.KindFolder, EntriesUnread: true}, want: result.Damaged},
		{name: "folder known by name", f: extract.File{Kind: extract.KindFolder, Size: -1, NameOnly: true}, want: result.Lost, unknown: true},
		{name: "link", f: extract.File{Kind: extract.KindLink}, want: result.Intact},
		{name: "link with content", f: extract.File{Kind: extract.KindLink, Size: s, Pieces: []extract.Piece{dataPiece(0, s, 20*s)}}, want: result.Lost, bytes: result.Bytes{Failed: s}, damage: []result.Damage{{Offset: 0, Image: 20 * s, Length: s, What: "failed"}}},
		{name: "link whose record is not whole", f: extract.File{Kind: extract.KindLink, RecordUnread: true, Size: s, Pieces: []extract.Piece{dataPiece(0, s, 0)}}, want: result.Damaged, bytes: result.Bytes{Read: s}},
	} {
		if tt.f.Kind == "" {
			tt.f.Kind = extract.KindFile
		}
		j := Judge(&tt.f, drive(t, image.Options{TrustDoubtful: tt.trust}))
		if j.Verdict != tt.want || j.Bytes != tt.bytes || j.Counted == tt.unknown {
			t.Errorf("%s: %s, %+v, counted %v; want %s, %+v", tt.name, j.Verdict, j.Bytes, j.Counted, tt.want, tt.bytes)
		}
		if diff := cmp.Diff(tt.damage, j.Damage, cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%s: damage %s", tt.name, diff)
		}
		if j.Counted && j.Bytes.Total() != max(tt.f.Size, 0) {
			t.Errorf("%s: counts do not add up", tt.name)
		}
	}
}

// Whatever the pieces, the counts add up, and are those of a count byte by
// byte.
func TestJudgeAgainstMarking(t *testing.T) {
	r := drive(t, image.Options{})
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		f := extract.File{Kind: extract.KindFile, Size: rnd.Int64N(9000)}
		pos := int64(0)
		for pos < f.Size+500 && rnd.IntN(12) > 0 {
			p := extract.Piece{Offset: pos + rnd.Int64N(2)*rnd.Int64N(700), Length: 1 + rnd.Int64N(2500), Kind: extract.PieceKind(rnd.IntN(3)), Image: rnd.Int64N(100 * 512)}
			f.Pieces = append(f.Pieces, p)
			pos = p.Offset + p.Length
		}
		want := result.Bytes{}
		stored := int64(0)
		for i := range f.Size {
			at := slices.IndexFunc(f.Pieces, func(p extract.Piece) bool { return p.Offset <= i && i < p.Offset+p.Length })
			switch {
			case at < 0 || f.Pieces[at].Kind == extract.Unlocated:
				want.Unlocated++
			case f.Pieces[at].Kind == extract.Hole:
				want.Read++
			default:
				p := f.Pieces[at]
				state := imap.Skipped
				for o := range r.Over(p.Image+i-p.Offset, 1) {
					state = o.State
				}
				want.Count(state, 1)
				if state == imap.Read || state == imap.Doubtful {
					stored++
				}
			}
		}
		verdict := result.Damaged
		switch {
		case want.Read == f.Size:
			verdict = result.Intact
		case stored == 0:
			verdict = result.Lost
		}
		j := Judge(&f, r)
		if j.Bytes != want || j.Verdict != verdict {
			t.Fatalf("%+v: %s %+v, by marking %s %+v", f, j.Verdict, j.Bytes, verdict, want)
		}
		harm := int64(0)
		end := int64(0)
		for _, d := range j.Damage {
			if d.Offset < end || d.Length <= 0 {
				t.Fatalf("damage %+v after %d", d, end)
			}
			harm, end = harm+d.Length, d.Offset+d.Length
		}
		if harm != f.Size-want.Read {
			t.Fatalf("%d bytes of damage, %d unread", harm, f.Size-want.Read)
		}
	}
}

// What damaged metadata claims adds up to no more than there can be.
func TestAbsurdSums(t *testing.T) {
	const most = math.MaxInt64
	var b result.Bytes
	var c result.VerdictCount
	for range 5 {
		b.Add(result.Bytes{Read: most / 2, Doubtful: most / 2, Failed: most / 2, Skipped: most / 2, Unlocated: most / 2})
		c.Count(result.Lost, most/2)
		c.Add(result.VerdictCount{Intact: most / 2, Damaged: most / 2})
	}
	if want := (result.Bytes{Read: most, Doubtful: most, Failed: most, Skipped: most, Unlocated: most}); b != want || b.Total() != most {
		t.Errorf("%+v, total %d", b, b.Total())
	}
	if want := (result.VerdictCount{Intact: most, Damaged: most, Lost: most}); c != want || c.Total() != most {
		t.Errorf("%+v, total %d", c, c.Total())
	}
}
