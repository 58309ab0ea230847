package hfsplus

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/text/unicode/norm"

	"fileassay/extract"
	"fileassay/extract/fixture"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

var fixtures = []string{"hfsx-cs-1k", "hfsplus-journal-pending"}

// load loads an image of testdata with its truth: images filled by a kernel's
// driver; see testdata/README.md.
func load(tb testing.TB, name string) ([]byte, fixture.Truth) {
	tb.Helper()
	f := fixture.LoadFrom(tb, "testdata", name)
	return f.Image, f.Truth
}

func readerOf(b []byte, m *imap.Map) *image.Reader {
	return image.New(bytes.NewReader(b), int64(len(b)), m, image.Options{})
}

// joined are a file's plain pieces, joined.
func joined(f *extract.File) [][3]int64 {
	var out [][3]int64
	for _, p := range f.Pieces {
		if n := len(out); n > 0 && out[n-1][0]+out[n-1][2] == p.Offset && out[n-1][1]+out[n-1][2] == p.Image {
			out[n-1][2] += p.Length
			continue
		}
		out = append(out, [3]int64{p.Offset, p.Image, p.Length})
	}
	return out
}

func TestFixtures(t *testing.T) {
	for _, name := range fixtures {
		b, want := load(t, name)
		v, list := walk(t, readerOf(b, imap.All(int64(len(b)))), int64(len(b)), extract.Options{})
		got := map[string]*extract.File{}
		folders := 0
		for _, f := range list {
			if f.Kind == extract.KindFolder {
				folders++
				continue
			}
			got[norm.NFC.String(f.Path)] = f
		}
		if len(got) != len(want.Files)+len(want.Symlinks) || folders != len(want.Dirs) {
			t.Errorf("%s: %d files and links, %d folders; want %d, %d, %d", name, len(got), folders, len(want.Files), len(want.Symlinks), len(want.Dirs))
		}
		for _, w := range want.Files {
			f := got[norm.NFC.String(w.Path)]
			if f == nil {
				t.Errorf("%s: no %s", name, w.Path)
				continue
			}
			var where [][3]int64
			for _, r := range w.Runs {
				if n := len(where); n > 0 && where[n-1][0]+where[n-1][2] == r[0] && where[n-1][1]+where[n-1][2] == r[1] {
					where[n-1][2] += r[2]
				} else {
					where = append(where, r)
				}
			}
			if d := cmp.Diff(where, joined(f)); d != "" || f.Size != w.Size || f.Modified.Unix() != w.MTime {
				t.Errorf("%s: %s: size %d, want %d; modified %d, want %d; %s", name, w.Path, f.Size, w.Size, f.Modified.Unix(), w.MTime, d)
			}
		}
		for _, w := range want.Symlinks {
			if f := got[norm.NFC.String(w.Path)]; f == nil || f.Kind != extract.KindLink || f.Target != w.Target {
				t.Errorf("%s: link %s: %+v", name, w.Path, f)
			}
		}
		for _, w := range want.Hardlinks {
			for _, p := range w.Paths[1:] {
				if a, b := got[norm.NFC.String(w.Paths[0])], got[norm.NFC.String(p)]; a == nil || b == nil || a.ID != b.ID {
					t.Errorf("%s: %s and %s are not one file", name, w.Paths[0], p)
				}
			}
		}
		if l := v.Listing; !l.Complete || l.UnclaimedBytes != 0 || l.UnreadRecords != 0 {
			t.Errorf("%s: %+v", name, l)
		}
		for _, s := range v.Structures {
			if s.Health != extract.HealthRead || s.Unread != 0 || s.Image < 0 {
				t.Errorf("%s: %+v", name, s)
			}
		}
		sum := map[extract.Use]int64{}
		pos := int64(0)
		err := v.Space(t.Context(), func(start, n int64, use extract.Use) error {
			if start != pos {
				t.Errorf("%s: space goes on at %d, not %d", name, start, pos)
			}
			pos = start + n
			sum[use] += n
			return nil
		})
		if err != nil || pos != v.header.bytes() || sum[extract.UseUnknown] != 0 || sum[extract.UseFree] != int64(v.header.freeBlocks)*v.header.blockSize {
			t.Errorf("%s: space: %v to %d, error %v; %d blocks are free", name, sum, pos, err, v.header.freeBlocks)
		}
	}
}

// damage is a map with a number of unread ranges, some in the catalog.
func damage(rnd *rand.Rand, size int64, v walked) *imap.Map {
	var over []imap.Range
	add := func(at, n int64) {
		at = at / 512 * 512
		if n = min(n, size-at); n > 0 {
			over = append(over, imap.Range{Start: at, Length: n, State: []imap.State{imap.Failed, imap.Skipped}[rnd.IntN(2)]})
		}
	}
	for range rnd.IntN(40) {
		add(rnd.Int64N(size), 512*(1+rnd.Int64N(64)))
	}
	for _, t := range []*tree{v.trees.catalog, v.trees.extents} {
		for range rnd.IntN(30) {
			r := t.fork.runs[rnd.IntN(len(t.fork.runs))]
			add(r.Image+rnd.Int64N(r.Length), 512*(1+rnd.Int64N(12)))
		}
	}
	if rnd.IntN(3) == 0 {
		add(v.trees.catalog.fork.runs[0].Image, 8192)
	}
	if rnd.IntN(4) == 0 {
		add(headerOffset, 512)
	}
	if v.journal.present && rnd.IntN(3) == 0 {
		add(v.journal.at+rnd.Int64N(v.journal.length), 512*(1+rnd.Int64N(200)))
	}
	return imap.All(size).With(over)
}

// dump is all that a listing says.
func dump(v walked, list []*extract.File) string {
	var s strings.Builder
	for _, f := range list {
		fmt.Fprintf(&s, "%+v\n", *f)
	}
	fmt.Fprintf(&s, "%+v\n%+v\n", v.Listing, v.Info())
	return s.String()
}

// Whatever is unread and whatever bytes stand there: the list is the same, no
// file is wholly read that was not, nothing is listed that was never there.
func TestDamage(t *testing.T) {
	for _, name := range fixtures {
		b, want := load(t, name)
		size := int64(len(b))
		whole, _ := walk(t, readerOf(b, imap.All(size)), size, extract.Options{})
		known := map[string][][3]int64{}
		for _, w := range want.Files {
			known[norm.NFC.String(w.Path)] = w.Runs
		}
		for _, w := range want.Symlinks {
			known[norm.NFC.String(w.Path)] = nil
		}
		cases := 16
		if testing.Short() {
			cases = 4
		}
		for seed := range uint64(cases) {
			rnd := rand.New(rand.NewPCG(seed, 7))
			m := damage(rnd, size, whole)
			first := ""
			for fill := range 4 {
				c := slices.Clone(b)
				for r := range m.Ranges() {
					if r.State == imap.Read {
						continue
					}
					part := c[r.Start:r.End()]
					switch fill {
					case 1:
						clear(part)
					case 2:
						for i := range part {
							part[i] = byte(rnd.Uint32())
						}
					case 3:
						copy(part, b[rnd.Int64N(size-r.Length)/512*512:])
					}
				}
				v, err := Open(t.Context(), readerOf(c, m), 0, size, extract.Options{Threads: 1 + fill})
				if err != nil {
					if first != "" && first != err.Error() {
						t.Fatalf("%s, seed %d, fill %d: %v", name, seed, fill, err)
					}
					first = err.Error()
					continue
				}
				var list []*extract.File
				s, err := v.Walk(t.Context(), func(f *extract.File) error { list = append(list, f); return nil })
				if err != nil {
					t.Fatal(err)
				}
				text := dump(walked{v, s}, list)
				if first == "" {
					first = text
				}
				if text != first {
					t.Fatalf("%s, seed %d: with fill %d the list is another: %s", name, seed, fill, cmp.Diff(first, text))
				}
				if fill > 0 {
					continue
				}
				listed := map[string]bool{}
				// where transactions cannot be read, files may be listed that
				// they delete; none is intact
				stale := v.stale()
				for _, f := range list {
					p := norm.NFC.String(f.Path)
					if f.Kind == extract.KindFolder || strings.HasPrefix(p, "?/") {
						continue
					}
					listed[p] = true
					truth, ok := known[p]
					if !ok && stale && (f.RecordUnread || f.NameOnly) {
						continue
					}
					if !ok {
						t.Errorf("%s, seed %d: %s was never there: %+v", name, seed, p, *f)
						continue
					}
					if f.RecordUnread || f.NameOnly || f.Size < 0 {
						continue
					}
					// what is located is where it truly is
					for _, x := range joined(f) {
						for _, y := range truth {
							lo, hi := max(x[0], y[0]), min(x[0]+x[2], y[0]+y[2])
							if lo < hi && x[1]-x[0] != y[1]-y[0] {
								t.Errorf("%s, seed %d: %s: %v, truly %v", name, seed, p, x, y)
							}
						}
					}
				}
				if len(listed) < len(known) && s.Listing.Complete {
					t.Errorf("%s, seed %d: %d of %d are listed, and the list is called complete", name, seed, len(listed), len(known))
				}
			}
		}
	}
}
