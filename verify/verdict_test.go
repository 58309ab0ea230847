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
		want    Verdict
		bytes   Bytes
		damage  []Damage
		unknown bool // the counts are
	}{
		{name: "all read", f: extract.File{Size: 2 * s, Pieces: []extract.Piece{dataPiece(0, 2*s, 0)}}, want: Intact, bytes: Bytes{Read: 2 * s}},
		{name: "empty, record read", f: extract.File{}, want: Intact},
		{name: "empty, a part of its record unread", f: extract.File{RecordUnread: true}, want: Damaged},
		{name: "empty, known by name only", f: extract.File{NameOnly: true}, want: Lost},
		{name: "holes only", f: extract.File{Size: 3 * s, Pieces: []extract.Piece{{Length: 3 * s, Kind: extract.Hole}}}, want: Intact, bytes: Bytes{Read: 3 * s}},
		{name: "one sector failed", f: extract.File{Size: 3 * s, Pieces: []extract.Piece{dataPiece(0, 3*s, 19*s)}}, want: Damaged,
			bytes: Bytes{Read: 2 * s, Failed: s}, damage: []Damage{{s, 20 * s, s, "failed"}}},
		{name: "one sector skipped", f: extract.File{Size: 3 * s, Pieces: []extract.Piece{dataPiece(0, 3*s, 29*s)}}, want: Damaged,
			bytes: Bytes{Read: 2 * s, Skipped: s}, damage: []Damage{{s, 30 * s, s, "skipped"}}},
		{name: "the last byte", f: extract.File{Size: s + 1, Pieces: []extract.Piece{dataPiece(0, s+1, 19*s)}}, want: Damaged,
			bytes: Bytes{Read: s, Failed: 1}, damage: []Damage{{s, 20 * s, 1, "failed"}}},
		{name: "slack", f: extract.File{Size: s, Pieces: []extract.Piece{dataPiece(0, s, 19*s)}}, want: Intact, bytes: Bytes{Read: s}},
		{name: "slack inside a sector", f: extract.File{Size: 10, Pieces: []extract.Piece{dataPiece(0, 10, 19*s+500)}}, want: Intact, bytes: Bytes{Read: 10}},
		{name: "a piece longer than the file", f: extract.File{Size: s, Pieces: []extract.Piece{dataPiece(0, 9*s, 19*s)}}, want: Intact, bytes: Bytes{Read: s}},
		{name: "all gone", f: extract.File{Size: 2 * s, Pieces: []extract.Piece{dataPiece(0, 2*s, 40*s)}}, want: Lost,
			bytes: Bytes{Failed: 2 * s}, damage: []Damage{{0, 40 * s, 2 * s, "failed"}}},
		{name: "every stored byte gone, with holes", f: extract.File{Size: 4 * s, Pieces: []extract.Piece{{Length: 3 * s, Kind: extract.Hole}, dataPiece(3*s, s, 40*s)}}, want: Lost,
			bytes: Bytes{Read: 3 * s, Failed: s}, damage: []Damage{{3 * s, 40 * s, s, "failed"}}},
		{name: "doubtful", f: extract.File{Size: 3 * s, Pieces: []extract.Piece{dataPiece(0, 3*s, 9*s)}}, want: Damaged,
			bytes: Bytes{Read: 2 * s, Doubtful: s}, damage: []Damage{{s, 10 * s, s, "doubtful"}}},
		{name: "all doubtful is not lost", f: extract.File{Size: s, Pieces: []extract.Piece{dataPiece(0, s, 10*s)}}, want: Damaged,
			bytes: Bytes{Doubtful: s}, damage: []Damage{{0, 10 * s, s, "doubtful"}}},
		{name: "doubtful, trusted", trust: true, f: extract.File{Size: 3 * s, Pieces: []extract.Piece{dataPiece(0, 3*s, 9*s)}}, want: Intact, bytes: Bytes{Read: 3 * s}},
		{name: "unlocated", f: extract.File{Size: 3 * s, Pieces: []extract.Piece{dataPiece(0, s, 0), {Offset: s, Length: 2 * s, Kind: extract.Unlocated}}}, want: Damaged,
			bytes: Bytes{Read: s, Unlocated: 2 * s}, damage: []Damage{{s, -1, 2 * s, "unlocated"}}},
		{name: "what pieces leave out", f: extract.File{Size: 5 * s, Pieces: []extract.Piece{dataPiece(s, s, 0), dataPiece(3*s, s, 2*s)}}, want: Damaged,
			bytes: Bytes{Read: 2 * s, Unlocated: 3 * s}, damage: []Damage{{0, -1, s, "unlocated"}, {2 * s, -1, s, "unlocated"}, {4 * s, -1, s, "unlocated"}}},
		{name: "no pieces at all", f: extract.File{Size: 5 * s}, want: Lost, bytes: Bytes{Unlocated: 5 * s}, damage: []Damage{{0, -1, 5 * s, "unlocated"}}},
		{name: "overlapping pieces count once", f: extract.File{Size: 2 * s, Pieces: []extract.Piece{dataPiece(0, 2*s, 0), dataPiece(s, s, 50*s)}}, want: Intact, bytes: Bytes{Read: 2 * s}},
		{name: "all read, but its record is not", f: extract.File{Size: s, RecordUnread: true, Pieces: []extract.Piece{dataPiece(0, s, 0)}}, want: Damaged, bytes: Bytes{Read: s}},
		{name: "name and size only", f: extract.File{Size: s, NameOnly: true}, want: Lost, bytes: Bytes{Unlocated: s}, damage: []Damage{{0, -1, s, "unlocated"}}},
		{name: "name only", f: extract.File{Size: -1, NameOnly: true}, want: Lost, unknown: true},
		{name: "size unknown", f: extract.File{Size: -1}, want: Lost, unknown: true},
		{name: "past the end of the image", f: extract.File{Size: 2 * s, Pieces: []extract.Piece{dataPiece(0, 2*s, 99*s)}}, want: Damaged,
			bytes: Bytes{Read: s, Skipped: s}, damage: []Damage{{s, 100 * s, s, "skipped"}}},
		{name: "damage in a row is one", f: extract.File{Size: 4 * s, Pieces: []extract.Piece{dataPiece(0, 2*s, 40*s), dataPiece(2*s, 2*s, 42*s)}}, want: Lost,
			bytes: Bytes{Failed: 4 * s}, damage: []Damage{{0, 40 * s, 4 * s, "failed"}}},

		{name: "unit read", f: extract.File{Size: 8 * s, Pieces: []extract.Piece{{Length: 8 * s, Kind: extract.Unit, Units: []extract.Extent{{Image: 0, Length: 3 * s}, {Offset: 3 * s, Image: 50 * s, Length: s}}}}},
			want: Intact, bytes: Bytes{Read: 8 * s}},
		{name: "one unread sector takes the unit", f: extract.File{Size: 16 * s, Pieces: []extract.Piece{
			{Length: 8 * s, Kind: extract.Unit, Units: []extract.Extent{{Image: 18 * s, Length: 3 * s}}}, {Offset: 8 * s, Length: 8 * s, Kind: extract.Unit, Units: []extract.Extent{{Offset: 8 * s, Image: 0, Length: 3 * s}}}}},
			want: Damaged, bytes: Bytes{Read: 8 * s, Failed: 8 * s}, damage: []Damage{{0, 20 * s, 8 * s, "failed"}}},
		{name: "a unit is as bad as its worst sector", f: extract.File{Size: 8 * s, Pieces: []extract.Piece{{Length: 8 * s, Kind: extract.Unit, Units: []extract.Extent{{Image: 10 * s, Length: s}, {Offset: s, Image: 40 * s, Length: s}, {Offset: 2 * s, Image: 30 * s, Length: s}}}}},
			want: Lost, bytes: Bytes{Failed: 8 * s}, damage: []Damage{{0, 10 * s, 8 * s, "failed"}}},
		{name: "a unit of nothing", f: extract.File{Size: s, Pieces: []extract.Piece{{Length: s, Kind: extract.Unit}}}, want: Lost, bytes: Bytes{Unlocated: s}, damage: []Damage{{0, -1, s, "unlocated"}}},

		{name: "patched", f: extract.File{Size: s, Pieces: []extract.Piece{dataPiece(0, s-2, 0), {Offset: s - 2, Length: 2, Kind: extract.Patched, Image: 100, Also: 510, AlsoLength: 2}}}, want: Intact, bytes: Bytes{Read: s}},
		{name: "patched, head unread", f: extract.File{Size: s, Pieces: []extract.Piece{dataPiece(0, s-2, 0), {Offset: s - 2, Length: 2, Kind: extract.Patched, Image: 20*s + 5, Also: 510, AlsoLength: 2}}}, want: Damaged,
			bytes: Bytes{Read: s - 2, Failed: 2}, damage: []Damage{{s - 2, 20*s + 5, 2, "failed"}}},
		{name: "patched, its own sector unread", f: extract.File{Size: s, Pieces: []extract.Piece{dataPiece(0, s-2, 0), {Offset: s - 2, Length: 2, Kind: extract.Patched, Image: 100, Also: 30*s + 510, AlsoLength: 2}}}, want: Damaged,
			bytes: Bytes{Read: s - 2, Skipped: 2}, damage: []Damage{{s - 2, 30*s + 510, 2, "skipped"}}},

		{name: "folder", f: extract.File{Kind: extract.KindFolder}, want: Intact},
		{name: "folder with unread entries", f: extract.File{Kind: extract.KindFolder, EntriesUnread: true}, want: Damaged},
		{name: "folder known by name", f: extract.File{Kind: extract.KindFolder, Size: -1, NameOnly: true}, want: Lost, unknown: true},
		{name: "link", f: extract.File{Kind: extract.KindLink}, want: Intact},
		{name: "link with content", f: extract.File{Kind: extract.KindLink, Size: s, Pieces: []extract.Piece{dataPiece(0, s, 20*s)}}, want: Lost, bytes: Bytes{Failed: s}, damage: []Damage{{0, 20 * s, s, "failed"}}},
		{name: "link whose record is not whole", f: extract.File{Kind: extract.KindLink, RecordUnread: true, Size: s, Pieces: []extract.Piece{dataPiece(0, s, 0)}}, want: Damaged, bytes: Bytes{Read: s}},
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
		want := Bytes{}
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
				want.add(state, 1)
				if state == imap.Read || state == imap.Doubtful {
					stored++
				}
			}
		}
		verdict := Damaged
		switch {
		case want.Read == f.Size:
			verdict = Intact
		case stored == 0:
			verdict = Lost
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
	var b Bytes
	var c VerdictCount
	for range 5 {
		b.Add(Bytes{Read: most / 2, Doubtful: most / 2, Failed: most / 2, Skipped: most / 2, Unlocated: most / 2})
		c.add(Lost, most/2)
		c.Add(VerdictCount{Intact: most / 2, Damaged: most / 2})
	}
	if want := (Bytes{most, most, most, most, most}); b != want || b.Total() != most {
		t.Errorf("%+v, total %d", b, b.Total())
	}
	if want := (VerdictCount{most, most, most}); c != want || c.Total() != most {
		t.Errorf("%+v, total %d", c, c.Total())
	}
}
