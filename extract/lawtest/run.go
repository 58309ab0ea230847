package lawtest

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"fileassay/extract/fixture"
)

// Times is how often a property is tried: n times, or as many times more as
// FILEASSAY_PROPERTIES says.
func Times(tb testing.TB, n int) int {
	tb.Helper()
	if more := os.Getenv("FILEASSAY_PROPERTIES"); more != "" {
		k, err := strconv.Atoi(more)
		if err != nil || k < 1 {
			tb.Fatalf("FILEASSAY_PROPERTIES=%q is no count", more)
		}
		n *= k
	}
	return n
}

// Run tries each property n times, or as [Times] says, on an image, and each
// entry of the list of known failures that is of this image. In short tests n is
// halved.
func Run(t *testing.T, r Reader, im Image, n int) {
	t.Helper()
	if testing.Short() {
		n = (n + 1) / 2
	}
	t.Run(im.Name, func(t *testing.T) {
		s := prepare(t, r, im)
		for _, p := range properties() {
			t.Run(p.name, func(t *testing.T) {
				if text := os.Getenv("FILEASSAY_CASE"); text != "" {
					s.repeat(t, p, text)
					return
				}
				for _, cause := range s.mended(p, knownFailures) {
					t.Errorf("%s, image %s, property %s: %q no longer fails: take it out of extract/lawtest/known.go", r.Name, im.Name, p.name, cause)
				}
				told := map[string]bool{}
				for seed := range uint64(Times(t, n)) {
					for _, f := range s.tryCase(p, s.drawn(p, seed)) {
						if told[f.cause] || isKnown(knownFailures, r.Name, p.name, f.cause) {
							continue
						}
						told[f.cause] = true
						if text := s.tell(t, p, f, fmt.Sprintf("seed %d", seed)); im.Varies && mayFail(knownFailures, r.Name, p.name) {
							t.Log(text) // another volume meets another cause of what is known to fail
						} else {
							t.Error(text)
						}
					}
				}
			})
		}
	})
}

// drawn is the case of a seed.
func (s *subject) drawn(p property, seed uint64) testCase {
	return p.draw(s, rand.New(rand.NewPCG(seed, uint64(len(p.name)))))
}

// failure is a breach with the smallest case that was found for it.
type failure struct {
	breach
	cause string
	small testCase
}

// tryCase tries a case, and makes it small for each sort of breach.
func (s *subject) tryCase(p property, c testCase) []failure {
	var out []failure
	seen := map[string]bool{}
	for _, b := range p.try(s, c) {
		if seen[b.what] {
			continue
		}
		seen[b.what] = true
		small := shrink(s, p, c, b.what)
		for _, x := range p.try(s, small) {
			if x.what == b.what {
				b = x
				break
			}
		}
		out = append(out, failure{b, causeOf(s, p, b.what, small), small})
	}
	return out
}

// causeOf says in few words what fails and what it is about.
func causeOf(s *subject, p property, what string, c testCase) string {
	return strings.TrimSuffix(what+": "+p.cause(s, c), ": ")
}

// tell says what fails, with the lines that repeat it.
func (s *subject) tell(t *testing.T, p property, f failure, from string) string {
	return fmt.Sprintf("%s, image %s, property %s, %s: %s\n\t%s\n\tthe smallest case found: %s\n\trepeat it:  FILEASSAY_CASE='%s' go test %s -run '%s'\n\tor drawn:   FILEASSAY_CASE='%s' go test %s -run '%s'",
		s.reader.Name, s.image.Name, p.name, from, f.cause, strings.ReplaceAll(f.detail, "\n", `\n`), f.small, f.small, folder(t), pattern(t), from, folder(t), pattern(t))
}

// SoundEdits gives the volumes that n single edits leave which [Structure.Sound]
// allows, each with the edit, so that a checker of the format may be asked. It
// returns how many there were.
func SoundEdits(r Reader, im Image, n int, check func(edit string, volume []byte)) (found int) {
	known := newStructures(im.Volume, r.Structures(im.Volume))
	for seed := uint64(0); found < n && seed < 400*uint64(n); seed++ {
		e, ok := known.draw(im.Volume, rand.New(rand.NewPCG(seed, 11)))
		if !ok || !known.sound(im.Volume, []edit{e}) {
			continue
		}
		found++
		d := disk{base: im.Volume}
		known.apply(&d, e)
		check(e.String(), d.bytes(0, int64(len(im.Volume))))
	}
	return found
}

// folder is the package under test as go test wants it.
func folder(t *testing.T) string {
	dir, err := os.Getwd()
	if err != nil {
		return "."
	}
	rel, err := filepath.Rel(filepath.Dir(fixture.Folder(t)), dir)
	if err != nil {
		return "."
	}
	return "./" + filepath.ToSlash(rel)
}

// pattern is a -run pattern for this test alone.
func pattern(t *testing.T) string {
	return "^" + strings.ReplaceAll(t.Name(), "/", "$/^") + "$"
}

// repeat tries one case by its text or by its seed.
func (s *subject) repeat(t *testing.T, p property, text string) {
	var c testCase
	if word, ok := strings.CutPrefix(text, "seed "); ok {
		seed, err := strconv.ParseUint(word, 10, 64)
		if err != nil {
			t.Fatalf("FILEASSAY_CASE=%q: %v", text, err)
		}
		c = s.drawn(p, seed)
	} else {
		var err error
		if c, err = parseCase(text); err != nil {
			t.Fatal(err)
		}
	}
	for _, b := range s.tryCase(p, c) {
		t.Error(s.tell(t, p, b, text))
	}
}
