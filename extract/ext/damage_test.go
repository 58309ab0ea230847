package ext

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/imap"

	"github.com/google/go-cmp/cmp"
)

func countFiles(n *int) func(*extract.File) error {
	return func(*extract.File) error { *n++; return nil }
}

// report is everything that is said of a volume.
func report(t testing.TB, img []byte, unread []imap.Range, o extract.Options) (lines []string, files []*extract.File) {
	t.Helper()
	r := reader(t, img, unread...)
	v, err := Open(t.Context(), r, 0, int64(len(img)), o)
	if err != nil {
		return []string{err.Error()}, nil // not opened
	}
	err = v.Walk(t.Context(), func(f *extract.File) error {
		files = append(files, f)
		lines = append(lines, fmt.Sprintf("%+v", *f))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	lines = append(lines, fmt.Sprintf("%+v %+v", v.Listing(), v.Info())) // at len(files)
	err = v.Space(t.Context(), func(start, length int64, use extract.Use) error {
		lines = append(lines, fmt.Sprint(start, length, use))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	s, err := v.Structures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range s {
		lines = append(lines, fmt.Sprintf("%+v", x))
	}
	return lines, files
}

// scatter makes a map with unread sectors: some alone, some runs, and some of
// the first MiB, where most metadata lies.
func scatter(rnd *rand.Rand, size int64) []imap.Range {
	var out []imap.Range
	add := func(limit int64, n int64) {
		out = append(out, imap.Range{Start: rnd.Int64N(limit/512) * 512, Length: n * 512, State: imap.Failed})
	}
	for range 1 + rnd.IntN(8) {
		add(size, 1+rnd.Int64N(4))
	}
	for range rnd.IntN(6) {
		add(min(size, 1<<20), 1+rnd.Int64N(20))
	}
	if rnd.IntN(3) == 0 {
		add(size, rnd.Int64N(size/512/8)+1)
	}
	return out
}

// TestUnreadBytes checks that nothing depends on what stands in unread
// sectors, nor on the number of goroutines, that what is called whole is what
// the kernel reads, and that no file is missing from a list that is called
// complete.
func TestUnreadBytes(t *testing.T) {
	for _, c := range volumes {
		t.Run(c.name, func(t *testing.T) {
			img := unpack(t, c.name)
			truth := map[string]bool{}
			paths := map[string]bool{}
			for _, s := range sums(t, c.name) {
				truth[s] = true
				paths[s[strings.LastIndex(s, " ")+1:]] = true
			}
			seeds := uint64(10)
			if testing.Short() {
				seeds = 2
			}
			for seed := range seeds {
				rnd := rand.New(rand.NewPCG(seed, 7))
				unread := scatter(rnd, int64(len(img)))
				want, files := report(t, img, slices.Clone(unread), extract.Options{Threads: 2})
				for _, how := range []string{"zero", "random", "other"} {
					other := bytes.Clone(img)
					for _, u := range unread {
						end := min(u.End(), int64(len(other)))
						switch b := other[u.Start:end]; how {
						case "zero":
							clear(b)
						case "random":
							for i := range b {
								b[i] = byte(rnd.Uint32())
							}
						default:
							copy(b, img[rnd.Int64N(int64(len(img))/512)*512:])
						}
					}
					got, _ := report(t, other, slices.Clone(unread), extract.Options{Threads: 1})
					if diff := cmp.Diff(want, got); diff != "" {
						t.Fatalf("seed %d, %s:\n%s", seed, how, diff)
					}
				}
				r := reader(t, img, slices.Clone(unread)...)
				for _, f := range files {
					if f.Unnamed || strings.HasPrefix(f.Path, "?/") || f.Kind != extract.KindFile || f.RecordUnread {
						continue
					}
					s := line(r, f)
					if !strings.HasPrefix(s, "not whole") && !truth[s] {
						t.Errorf("seed %d: called whole, but is not: %s", seed, s)
					}
				}
			}
		})
	}
}

// TestUnknownClose checks that nothing is called whole where neither the
// superblock nor the journal can say whether newer metadata stands in the
// journal, and that all is where the journal says that it is empty.
func TestUnknownClose(t *testing.T) {
	for _, c := range []struct {
		name         string
		journalSuper bool // unread too
		whole        bool
	}{
		{"ext4-super2", false, true},
		{"ext4-nocsum", false, true}, // without a journal nothing can be newer
		{"ext4-1k", false, true},
		{"ext4-1k", true, false},
		{"ext3-journal", false, true},
		{"ext3-journal", true, false},
		{"ext4-journal", true, false},
	} {
		img := unpack(t, c.name)
		v, _ := walk(t, reader(t, img), extract.Options{})
		unread := []imap.Range{{Start: superblockAt, Length: superblockSize, State: imap.Failed}}
		if c.journalSuper {
			at, ok := v.journalPlace(0)
			if !ok {
				t.Fatalf("%s: no journal", c.name)
			}
			unread = append(unread, imap.Range{Start: at, Length: 512, State: imap.Failed})
		}
		r := reader(t, img, unread...)
		v, files := walk(t, r, extract.Options{})
		whole := 0
		for _, l := range lines(r, files) {
			if !strings.HasPrefix(l, "/") && !strings.HasPrefix(l, "->") && !strings.HasPrefix(l, "not whole") {
				whole++
			}
		}
		l := v.Listing()
		if whole > 0 != c.whole || l.Complete != c.whole {
			t.Errorf("%s, journal's superblock unread %v: %d files whole, listing %+v", c.name, c.journalSuper, whole, l)
		}
		if c.whole {
			if diff := cmp.Diff(sums(t, c.name), lines(r, files)); diff != "" {
				t.Errorf("%s: files (-kernel +here):\n%s", c.name, diff)
			}
		}
		for _, f := range files {
			if !c.whole && (!f.RecordUnread || !strings.Contains(strings.Join(f.Why, "\n"), "whether the volume was closed is not known")) {
				t.Fatalf("%s: %+v", c.name, f)
			}
		}
	}
}

// TestBackups checks that nothing is lost where the primary superblock and
// descriptors are, as long as copies exist.
func TestBackups(t *testing.T) {
	for _, name := range []string{"ext4-1k", "ext4-super2", "ext4-nocsum", "ext4-metabg", "ext4-journal"} {
		t.Run(name, func(t *testing.T) {
			img := unpack(t, name)
			sb, _ := parseSuperblock(img[superblockAt : superblockAt+superblockSize])
			n := int64(2+descBlocks(&sb)) * sb.blockSize()
			if sb.Incompat&incompatMetaBG != 0 {
				n = 3 * sb.blockSize()
			}
			r := reader(t, img, imap.Range{Start: 0, Length: n, State: imap.Failed})
			v, files := walk(t, r, extract.Options{})
			if diff := cmp.Diff(sums(t, name), lines(r, files)); diff != "" {
				t.Errorf("files (-kernel +here):\n%s", diff)
			}
			if v.sbAt == superblockAt || len(v.notes) == 0 {
				t.Errorf("superblock at %d, notes %q", v.sbAt, v.notes)
			}
			if l := v.Listing(); !l.Complete {
				t.Errorf("listing %+v", l)
			}
		})
	}
}

// TestNoJournal checks that the older state is listed where that is asked for,
// and that the listing says so.
func TestNoJournal(t *testing.T) {
	img := unpack(t, "ext4-journal")
	v, _ := walk(t, reader(t, img), extract.Options{NoJournal: true})
	if l := v.Listing(); l.Complete || !strings.Contains(strings.Join(l.Why, "\n"), "journal") {
		t.Errorf("listing %+v", l)
	}
	if len(v.overlay) != 0 {
		t.Errorf("%d blocks of the journal used", len(v.overlay))
	}
}
