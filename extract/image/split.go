package image

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
)

// partSet are the files of a folder whose names are that of a part and its
// neighbours.
type partSet struct {
	dir   string
	name  partName // of the file that was given
	found []found  // by number
}

type found struct {
	number int
	name   string
	size   int64
}

// findParts finds the files that would be parts of an image together with the
// one at path; nil where there are none.
func findParts(path string) *partSet {
	dir, base := filepath.Split(path)
	names := partNames(base)
	if len(names) == 0 {
		return nil
	}
	list := "."
	if dir != "" {
		list = dir
	}
	entries, err := os.ReadDir(list)
	if err != nil {
		return nil // a folder that may be entered and not listed: the file stands for itself
	}
	for _, n := range names {
		set := &partSet{dir: dir, name: n}
		for _, e := range entries {
			number, ok := n.of(e.Name())
			if !ok {
				continue
			}
			st, err := os.Stat(filepath.Join(list, e.Name())) // a link to a part is one
			if err != nil || !st.Mode().IsRegular() {
				continue
			}
			set.found = append(set.found, found{number, e.Name(), st.Size()})
		}
		if set.settle(base) {
			return set
		}
	}
	return nil
}

// settle sorts what was found and reports whether it is more than one file.
func (s *partSet) settle(given string) bool {
	slices.SortFunc(s.found, func(a, b found) int {
		switch {
		case a.number != b.number:
			return a.number - b.number
		case a.name == given:
			return -1
		case b.name == given:
			return +1
		}
		return len(b.name) - len(a.name)
	})
	s.found = slices.CompactFunc(s.found, func(a, b found) bool { return a.number == b.number })
	if s.name.letters && !s.joinsLetters() {
		return false
	}
	return len(s.found) > 1
}

// joinsLetters leaves of names that end in letters only those that count: any
// two words of two or three letters could be numbers, so a set must begin with
// a's, or else be in want of its first part alone.
func (s *partSet) joinsLetters() bool {
	i := slices.IndexFunc(s.found, func(f found) bool { return f.number == s.name.number })
	if i < 0 {
		return false
	}
	if s.found[0].number > 1 {
		return false
	}
	// what lies far past the last part is some other file's ending: .aa and .img
	end := 1
	for end < len(s.found) && s.found[end].number-s.found[end-1].number <= maxLetterGap {
		end++
	}
	s.found = s.found[:end]
	return i < end
}

// maxLetterGap is how many parts in a row may be missing of a set that counts
// in letters.
const maxLetterGap = 8

// first is the number of the first part that there is.
func (s *partSet) first() int {
	if s.name.letters {
		return 0 // letters begin with a's
	}
	return s.found[0].number
}

func (s *partSet) last() *found { return &s.found[len(s.found)-1] }

// counted reports whether the names are those of parts more likely than not:
// with leading zeros, from 0 or 1.
func (s *partSet) counted() bool {
	f := s.found[0]
	n := partNames(f.name)
	padded := slices.ContainsFunc(n, func(n partName) bool {
		return n.prefix == s.name.prefix && n.suffix == s.name.suffix && n.padded
	})
	return padded && f.number <= 1
}

// beside names the other files of the set for a message.
func (s *partSet) beside() string {
	var other []string
	for _, f := range s.found {
		if f.number != s.name.number {
			other = append(other, f.name)
		}
	}
	if len(other) > 2 {
		return fmt.Sprintf("%s and %d other files", other[0], len(other)-1)
	}
	if len(other) == 2 {
		return other[0] + " and " + other[1]
	}
	return other[0]
}

// whole is the size of a whole part: that of most parts but the last.
func (s *partSet) whole() int64 {
	counts := map[int64]int{}
	best := int64(0)
	for _, f := range s.found[:len(s.found)-1] {
		counts[f.size]++
		if n := counts[f.size]; n > counts[best] || n == counts[best] && f.size > best {
			best = f.size
		}
	}
	return best
}

// reach is the size of the image that the parts make, missing ones counted.
func (s *partSet) reach() int64 {
	return min(s.whole(), maxPart)*int64(s.last().number-s.first()) + s.last().size
}

// maxPart bounds the size of parts, so that the sum of all that names can
// count fits.
const maxPart = 1 << 44

// ownImage is what to do where a file is no part.
const ownImage = "if it is a whole image of its own, say so with --whole"

// parts are the parts in order. Where one is missing or short that is an
// error unless it is allowed.
func (s *partSet) parts(allow bool) ([]Part, error) {
	first, whole := s.first(), s.whole()
	if s.name.number != s.found[0].number {
		return nil, fmt.Errorf("is part %d of an image in parts: give the first, %s; %s",
			s.name.number-s.found[0].number+1, filepath.Join(s.dir, s.found[0].name), ownImage)
	}
	if s.last().size > whole || whole > maxPart {
		return nil, fmt.Errorf("the last part %s has %d bytes, more than a whole one with %d: which parts are short cannot be told; join them into one file, or, %s",
			s.last().name, s.last().size, whole, ownImage)
	}
	out := make([]Part, 0, s.last().number-first+1)
	var wrong []string // missing or short parts, in words
	next := 0          // in found
	at := int64(0)
	for number := first; number <= s.last().number; number++ {
		f, missing := found{number: number, name: s.name.at(number)}, true
		if s.found[next].number == number {
			f, missing = s.found[next], false
			next++
		}
		p := Part{Path: filepath.Join(s.dir, f.name), Start: at, Length: whole, Held: f.size}
		switch {
		case number == s.last().number:
			p.Length = f.size
		case f.size > whole:
			return nil, fmt.Errorf("part %s has %d bytes, more than a whole one with %d: parts of different sizes have no certain places; join them into one file, or, %s",
				f.name, f.size, whole, ownImage)
		case missing:
			wrong = append(wrong, fmt.Sprintf("%s is missing", f.name))
		case f.size < whole:
			wrong = append(wrong, fmt.Sprintf("%s is short, with %d of %d bytes", f.name, f.size, whole))
		}
		at += p.Length
		out = append(out, p)
	}
	if len(wrong) > 0 && !allow {
		more := ""
		if len(wrong) > 1 {
			more = fmt.Sprintf(" (and %d more)", len(wrong)-1)
		}
		return nil, fmt.Errorf("part %s%s: find it, or count what it lacks as skipped with --allow-missing-parts; or, %s", wrong[0], more, ownImage)
	}
	if at == 0 {
		return nil, errors.New("all parts are empty: there is no image in them")
	}
	return out, nil
}

// Files are the files that may hold an image: the one at path and, unless that
// is all of it, those that its name counts on into, with those that are missing
// between them.
func Files(path string, whole bool) []string {
	list := []string{path}
	if whole {
		return list
	}
	set := findParts(path)
	if set == nil {
		return list
	}
	for _, f := range set.found {
		list = append(list, filepath.Join(set.dir, f.name))
	}
	next := 0 // in found
	for number := set.first(); number < set.last().number; number++ {
		if set.found[next].number == number {
			next++
		} else {
			list = append(list, filepath.Join(set.dir, set.name.at(number)))
		}
	}
	return list
}
