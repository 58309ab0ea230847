package delivery

import (
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"fileassay/verify/glob"
	"fileassay/verify/wanted"
)

// Selection says which files of a result are wanted.
type Selection struct {
	Verdicts []result.Verdict // intact, damaged or both; none is intact
	Paths    []string         // patterns of package glob of which a path fits one; none fits all
	Volumes  []int            // none is all
	Wanted   string           // path of a wanted list; "" for none
	patterns []*glob.Pattern  // of Paths
	list     *wanted.List     // that is Wanted; nil for none
}

// maxSelection bounds a selection, which a bag has in one line.
const maxSelection = maxLine / 2

// prepare checks a selection, and reads the list it names.
func (s *Selection) prepare() error {
	if len(s.Verdicts) == 0 {
		s.Verdicts = []result.Verdict{result.Intact}
	}
	for _, v := range s.Verdicts {
		if v != result.Intact && v != result.Damaged {
			return &files.InputError{Err: fmt.Errorf("verdict %q: files that are intact or damaged can be delivered; of a lost one there is nothing", v)}
		}
	}
	s.patterns = nil
	for _, p := range s.Paths {
		pattern, err := glob.Compile(p)
		if err != nil {
			return &files.InputError{Err: fmt.Errorf("paths: %w", err)}
		}
		s.patterns = append(s.patterns, pattern)
	}
	if len(s.Paths) > 0 && len(s.String()) > maxSelection {
		return &files.InputError{Err: fmt.Errorf("paths: they have more than %d bytes together; write them as a wanted list", maxSelection)}
	}
	var err error
	if s.list, err = wanted.Load(s.Wanted); err != nil {
		return &files.InputError{Err: err}
	}
	return nil
}

// takes reports whether a file is wanted.
func (s *Selection) takes(f *result.File) bool {
	if f.Kind == "folder" || !slices.Contains(s.Verdicts, f.Verdict) {
		return false
	}
	if len(s.Volumes) > 0 && !slices.Contains(s.Volumes, f.Volume) {
		return false
	}
	if len(s.patterns) > 0 && !slices.ContainsFunc(s.patterns, func(p *glob.Pattern) bool { return p.Match(f.Path) }) {
		return false
	}
	return s.list == nil || f.Weight(s.list) > 0
}

// String is the selection in one line, the same for the same choice.
func (s *Selection) String() string {
	var b strings.Builder
	verdicts := slices.Clone(s.Verdicts)
	slices.Sort(verdicts)
	b.WriteString("verdict")
	for _, v := range slices.Compact(verdicts) {
		b.WriteString(" " + string(v))
	}
	volumes := slices.Clone(s.Volumes)
	slices.Sort(volumes)
	for _, v := range slices.Compact(volumes) {
		b.WriteString("; volume " + strconv.Itoa(v))
	}
	for _, p := range s.Paths {
		b.WriteString("; path " + strconv.Quote(p))
	}
	return b.String()
}
