package result_test

import (
	"math"
	"math/rand/v2"
	"reflect"
	"runtime/metrics"
	"slices"
	"strings"
	"testing"

	"fileassay/extract/fixture"
	"fileassay/extract/imap"
	"fileassay/extract/lawtest"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
	"fileassay/verify/truthtest"
)

// taken reads a result that is held to be good, to be edited.
func taken(tb testing.TB, text []byte) *resulttest.Made {
	tb.Helper()
	r, err := result.Read(text)
	if err != nil {
		tb.Fatal(err)
	}
	m := &resulttest.Made{Image: r.Image, Volumes: r.Volumes, Summary: r.Summary}
	for p, err := range r.Places() {
		if err != nil {
			tb.Fatal(err)
		}
		m.Places = append(m.Places, result.Place{Start: p.Start, Length: p.Length, Kind: result.Kind{State: p.State, In: slices.Clone(p.In)}})
	}
	for f, err := range r.Files() {
		if err != nil {
			tb.Fatal(err)
		}
		m.Files = append(m.Files, f)
	}
	return m
}

// shapes are results of several forms: all kinds of lines, volumes that overlap,
// heads, doubtful sectors that are trusted, and parts of what verify says of
// volumes that a driver wrote.
func shapes(tb testing.TB) (list [][]byte) {
	tb.Helper()
	add := func(m *resulttest.Made) {
		m.Fill()
		list = append(list, m.Text(tb))
	}
	add(quay())
	add(&resulttest.Made{})
	add(overlap())
	num := resulttest.Num
	add(&resulttest.Made{Image: result.Image{DriveSize: 1<<20 + 100, Size: 1 << 19, Map: result.Map{TrustDoubtful: true, ByteStates: result.ByteStates{Doubtful: 4096}}},
		Places: append(resulttest.Unread(imap.Failed, "files", [2]int64{8192, 512}), resulttest.Unread(imap.Skipped, "", [2]int64{1 << 19, 1<<19 + 100})...),
		Files: []*result.File{{ID: 1, Path: "a", Size: num(2000), Extents: [][3]int64{{0, 8000, 1000}, {1000, 1<<19 - 500, 1000}}, Heads: []int{1}},
			{ID: 1, Path: "b", Kind: "link", Target: "a"}, {ID: 2, Path: "c", Size: num(0)}, {ID: 3, Path: "b:s", Kind: "stream", Size: num(10), Extents: [][3]int64{{4, 4096, 6}}}},
		Summary: result.Summary{Heads: []result.HeadFiles{{Head: 0}, {Head: 1, Alone: 1}}}})
	f := fixture.Load(tb, "ntfs3-kernel")
	d := truthtest.NewDrive(tb, f)
	for _, p := range truthtest.Profiles() {
		if p.Name != "singles" && p.Name != "bands" {
			continue
		}
		m := taken(tb, d.Verify(tb, p.Unread(f, rand.New(rand.NewPCG(14, 7))), 1).Raw)
		kept := map[result.Verdict]int{}
		m.Files = slices.DeleteFunc(m.Files, func(f *result.File) bool {
			kept[f.Verdict]++
			return kept[f.Verdict] > 12 && (f.Stored == "" || kept[f.Verdict] > 60) && (len(f.Patched) == 0 || kept[f.Verdict] > 40)
		})
		m.LeftOut()
		mend(m, func() bool { return true })
		list = append(list, m.Text(tb))
	}
	for _, text := range list {
		r, err := result.Read(text)
		if err == nil {
			err = keepsLaws(r)
		}
		if err != nil {
			tb.Fatalf("a result to begin with: %v", err)
		}
	}
	return list
}

// mend makes sums right of which take says so.
func mend(m *resulttest.Made, take func() bool) {
	for _, f := range m.Files {
		if b := f.Bytes; b.Read != nil && f.Size != nil && b.Doubtful != nil && b.Failed != nil && b.Skipped != nil && b.Unlocated != nil && take() {
			var n result.Bytes
			for _, d := range f.Damage {
				if s, ok := imap.ParseState(d.What); ok {
					n.Count(s, d.Length)
				} else {
					n.Unlocated += d.Length
				}
			}
			n.Read = *f.Size - n.Doubtful - n.Failed - n.Skipped - n.Unlocated
			f.Bytes = result.NullBytes{Read: &n.Read, Doubtful: &n.Doubtful, Failed: &n.Failed, Skipped: &n.Skipped, Unlocated: &n.Unlocated}
		}
	}
	if !countable(m) {
		return
	}
	s := recount(len(m.Volumes), m.Files, m.Places)
	for i := range m.Volumes {
		v, w := &m.Volumes[i], &s.volumes[i]
		if take() {
			v.Files, v.Folders, v.Sizes, v.Bytes = w.Files, w.Folders, w.Sizes, w.Bytes
		}
		if take() {
			v.Unread = w.Unread
		}
	}
	if take() {
		m.Summary.Files, m.Summary.Folders, m.Summary.Sizes, m.Summary.Bytes = s.summary.Files, s.summary.Folders, s.summary.Sizes, s.summary.Bytes
	}
	if take() {
		m.Summary.Unread = s.summary.Unread
	}
	if take() {
		if m.Image.Map.TrustDoubtful {
			s.unread.Doubtful = m.Image.Map.Doubtful
		}
		m.Image.Map.Doubtful, m.Image.Map.Failed, m.Image.Map.Skipped = s.unread.Doubtful, s.unread.Failed, s.unread.Skipped
		m.Image.Map.Read = m.Image.DriveSize - s.unread.Total()
	}
	if take() {
		waiting := map[int]int64{}
		for _, f := range m.Files {
			for _, h := range f.Heads {
				waiting[h]++
			}
		}
		for i := range m.Summary.Heads {
			h := &m.Summary.Heads[i]
			h.Files = waiting[h.Head]
			h.Alone = min(h.Alone, h.Files)
		}
	}
}

// countable reports whether sums can be made of the lines.
func countable(m *resulttest.Made) bool {
	for _, f := range m.Files {
		if f.Volume < 1 || f.Volume > len(m.Volumes) || byVerdict(&result.VerdictCount{}, f.Verdict) == nil || f.Bytes.Read != nil &&
			(f.Size == nil || *f.Size < 0 || f.Bytes.Doubtful == nil || f.Bytes.Failed == nil || f.Bytes.Skipped == nil || f.Bytes.Unlocated == nil ||
				min(*f.Bytes.Read, *f.Bytes.Doubtful, *f.Bytes.Failed, *f.Bytes.Skipped, *f.Bytes.Unlocated) < 0) {
			return false
		}
	}
	for _, p := range m.Places {
		if byState(&result.Unread{}, p.State) == nil {
			return false
		}
		for _, h := range p.In {
			if h.Volume < 1 || h.Volume > len(m.Volumes) || h.Holds == "" || byWord(&result.Places{}, h.Holds) == nil {
				return false
			}
		}
	}
	return true
}

// editor edits fields at random.
type editor struct {
	rnd *rand.Rand
	n   []int64 // numbers that stood in the result
}

// words are texts that may stand for each other.
var words = [][]string{{"intact", "damaged", "lost"}, {"doubtful", "failed", "skipped", "unlocated", "read"}, {"file", "folder", "link", "stream"},
	{"files", "structures", "unknown", "free"}, {"", "compressed", "encrypted", "elsewhere"}}

// edit changes one field below v, or the number or order of what a list holds.
func (e *editor) edit(v reflect.Value) bool {
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			if v.Type().Elem().Kind() == reflect.Int64 {
				v.Set(reflect.ValueOf(resulttest.Num(e.number(0))))
				return true
			}
			return false
		}
		if v.Type().Elem().Kind() == reflect.Int64 {
			if e.rnd.IntN(8) == 0 {
				v.SetZero()
				return true
			}
			v.Set(reflect.ValueOf(resulttest.Num(e.number(v.Elem().Int()))))
			return true
		}
		return e.edit(v.Elem())
	case reflect.Struct:
		for range 20 { // until there is something to edit
			if e.edit(v.Field(e.rnd.IntN(v.NumField()))) {
				return true
			}
		}
		return false
	case reflect.Array:
		return e.edit(v.Index(e.rnd.IntN(v.Len())))
	case reflect.Slice:
		return e.list(v)
	case reflect.Bool:
		v.SetBool(!v.Bool())
	case reflect.Int, reflect.Int64:
		if v.Kind() == reflect.Int {
			v.SetInt(v.Int() + int64(e.rnd.IntN(5)) - 2)
		} else {
			v.SetInt(e.number(v.Int()))
		}
	case reflect.Uint64:
		v.SetUint(v.Uint() + uint64(e.rnd.IntN(5)) - 2)
	case reflect.Uint8:
		v.SetUint(uint64(e.rnd.IntN(4)))
	case reflect.String:
		for _, w := range words {
			if slices.Contains(w, v.String()) {
				v.SetString(w[e.rnd.IntN(len(w))])
				return true
			}
		}
		v.SetString([]string{v.String() + "x", "", "gone.bin"}[e.rnd.IntN(3)])
	default:
		return false
	}
	return true
}

// list edits an element, or drops, doubles, moves or makes one.
func (e *editor) list(v reflect.Value) bool {
	n := v.Len()
	if n == 0 {
		if e.rnd.IntN(3) > 0 {
			return false
		}
		one := reflect.New(v.Type().Elem()).Elem()
		if one.Kind() == reflect.Pointer {
			one.Set(reflect.New(one.Type().Elem()))
		}
		v.Set(reflect.Append(v, one))
		return e.edit(v.Index(0))
	}
	i, k := e.rnd.IntN(n), e.rnd.IntN(n)
	switch e.rnd.IntN(8) {
	case 0:
		v.Set(reflect.AppendSlice(v.Slice3(0, i, i), v.Slice(i+1, n)))
	case 1:
		v.Set(reflect.AppendSlice(reflect.Append(v.Slice3(0, i+1, i+1), e.own(v.Index(i))), v.Slice(i+1, n)))
	case 2:
		list := reflect.AppendSlice(reflect.Zero(v.Type()), v)
		list.Index(i).Set(v.Index(k))
		list.Index(k).Set(v.Index(i))
		v.Set(list)
	default:
		return e.edit(v.Index(i))
	}
	return true
}

// own is a value of which a pointer leads to no other's.
func (e *editor) own(v reflect.Value) reflect.Value {
	if v.Kind() != reflect.Pointer || v.IsNil() {
		return v
	}
	c := reflect.New(v.Type().Elem())
	c.Elem().Set(v.Elem())
	if f, ok := c.Interface().(*result.File); ok && e.rnd.IntN(2) == 0 {
		f.ID += 1000 // another file, of the same content
		f.Extents, f.Damage, f.Patched = slices.Clone(f.Extents), slices.Clone(f.Damage), slices.Clone(f.Patched)
	}
	return c
}

// number is another number than n.
func (e *editor) number(n int64) int64 {
	switch e.rnd.IntN(8) {
	case 0:
		return n + 1
	case 1:
		return n - 1
	case 2:
		return n + 512*(1+e.rnd.Int64N(8))
	case 3:
		return n - 512*(1+e.rnd.Int64N(8))
	case 4:
		return 0
	case 5:
		return []int64{-1, math.MaxInt64, 1 << 60, 1 << 58, 1 << 20}[e.rnd.IntN(5)]
	}
	return e.n[e.rnd.IntN(len(e.n))]
}

// numbers are those of some fields.
func numbers(m *resulttest.Made) []int64 {
	n := []int64{0, m.Image.DriveSize, m.Image.Size}
	for _, f := range m.Files {
		if f.Size != nil {
			n = append(n, *f.Size)
		}
		for _, e := range f.Extents {
			n = append(n, e[:]...)
		}
	}
	for _, p := range m.Places {
		n = append(n, p.Start, p.Length)
	}
	return n
}

// Fields of a result edited and only some of the sums mended, or lines dropped,
// doubled or moved: it is refused, or all that it says keeps the laws.
func TestEdited(t *testing.T) {
	all := shapes(t)
	rnd := rand.New(rand.NewPCG(8, 15))
	times := lawtest.Times(t, 1500)
	kept := 0
	for n := range times {
		text := all[rnd.IntN(len(all))]
		if rnd.IntN(4) > 0 && len(text) > 30000 { // small ones are quicker
			text = all[rnd.IntN(4)]
		}
		m := taken(t, text)
		e := editor{rnd, numbers(m)}
		for range 1 + rnd.IntN(3) {
			switch k := rnd.IntN(16); {
			case k < 1:
				e.edit(reflect.ValueOf(&m.Image).Elem())
			case k < 3:
				e.list(reflect.ValueOf(&m.Volumes).Elem())
			case k < 6:
				e.list(reflect.ValueOf(&m.Places).Elem())
			case k < 7:
				e.edit(reflect.ValueOf(&m.Summary).Elem())
			default:
				e.list(reflect.ValueOf(&m.Files).Elem())
			}
		}
		switch rnd.IntN(4) {
		case 0:
		case 1:
			mend(m, func() bool { return rnd.IntN(4) > 0 })
		default:
			mend(m, func() bool { return true })
		}
		edited := m.Text(t)
		if rnd.IntN(16) == 0 {
			edited = e.lines(edited)
		}
		r, err := result.Read(edited)
		if err != nil {
			continue
		}
		kept++
		if err := keepsLaws(r); err != nil {
			t.Errorf("edit %d is taken: %v", n, err)
		}
	}
	t.Logf("%d of %d taken", kept, times)
	if kept == 0 {
		t.Error("no edit is taken: nothing was held to the laws")
	}
}

// lines drops, doubles or moves a line of the text.
func (e *editor) lines(text []byte) []byte {
	l := strings.SplitAfter(strings.TrimSuffix(string(text), "\n"), "\n")
	i, k := e.rnd.IntN(len(l)), e.rnd.IntN(len(l))
	switch e.rnd.IntN(3) {
	case 0:
		l[i] = ""
	case 1:
		l[i] += "\n" + l[i]
	default:
		l[i], l[k] = l[k]+"\n", l[i]+"\n"
	}
	return []byte(strings.Join(l, ""))
}

// allocated is how much the program has allocated.
func allocated() uint64 {
	s := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}

// Whatever bytes a result is of: it is refused, or all that it says keeps the
// laws; and memory does not grow beyond what the bytes can be worth.
func FuzzOpen(f *testing.F) {
	for _, text := range shapes(f) {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		if len(text) > 64<<10 {
			return
		}
		before := allocated()
		r, err := result.Read(text)
		if n := allocated() - before; n > 16<<20+256*uint64(len(text)) {
			t.Errorf("%d bytes take %d", len(text), n)
		}
		if err != nil {
			return
		}
		if err := keepsLaws(r); err != nil {
			t.Error(err)
		}
	})
}
