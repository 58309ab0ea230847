package delivery

import (
	"cmp"
	"encoding/base64"
	"encoding/csv"
	"io"
	"iter"
	"slices"
	"strconv"
	"strings"

	"fileassay/verify/paths"
	"fileassay/verify/sheet"
	"fileassay/verify/shown"
)

// held is what a delivery holds of its plan. Extract writes what stands beside
// the payload from it; audit makes it again, and compares.
type held struct {
	paths *paths.Store // of the plan
	files []*file      // by place
	links []link       // by place
	left  []leftOut    // what was chosen and is not there, by volume, path and number
}

// Why a run left something out that its plan has. Only these reasons are not in
// the result.
const (
	becauseImage  = "image file: "              // the image file did not give its content; then how it failed
	becausePacked = "what is stored from byte " // see packedFault
	becauseGoal   = ", which is left out"       // of a link
	becauseTarget = ": the target cannot hold links"
)

const becauseElsewhere = ": not to a file of this delivery" // of a link

// linkWhy is why a link to a target is left out.
func linkWhy(target, why string) string { return "a link to " + target + why }

// settle says what came of a plan. make makes a link to a file of it, or says
// which of the reasons above forbids that.
func (p *plan) settle(make func(l *link, to *file) (because string, err error)) (*held, error) {
	h := &held{paths: p.paths, left: slices.Concat(p.left, p.resolve())}
	for _, f := range p.files {
		if f.failed == "" {
			h.files = append(h.files, f)
		} else {
			h.left = append(h.left, leftOut{volume: f.volume, id: f.id, original: f.original, why: f.failed})
		}
	}
	for i := range p.links {
		l := &p.links[i]
		f := l.to
		if f == nil {
			continue
		}
		because := becauseGoal
		if f.failed == "" {
			var err error
			if because, err = make(l, f); err != nil {
				return nil, err
			}
		}
		if because != "" {
			h.left = append(h.left, leftOut{l.volume, l.id, l.original, l.target, because})
			continue
		}
		h.links = append(h.links, *l)
	}
	slices.SortFunc(h.files, func(a, b *file) int { return h.paths.Compare(a.place, b.place) })
	slices.SortFunc(h.links, func(a, b link) int { return h.paths.Compare(a.place, b.place) })
	slices.SortStableFunc(h.left, func(a, b leftOut) int {
		return cmp.Or(cmp.Compare(a.volume, b.volume), h.paths.Compare(a.original, b.original), cmp.Compare(a.id, b.id))
	})
	return h, nil
}

// payload yields what the payload folder holds, by place: a link stands there
// with the file that it leads to.
func (h *held) payload() iter.Seq2[paths.Path, *file] {
	return func(yield func(paths.Path, *file) bool) {
		links := h.links
		for _, f := range h.files {
			for ; len(links) > 0 && h.paths.Compare(links[0].place, f.place) < 0; links = links[1:] {
				if !yield(links[0].place, links[0].to) {
					return
				}
			}
			if !yield(f.place, f) {
				return
			}
		}
		for _, l := range links {
			if !yield(l.place, l.to) {
				return
			}
		}
	}
}

// table is a list of a delivery that the customer may open with a spreadsheet
// program.
type table struct {
	name string
	head []string
	rows iter.Seq[[]string]
}

// cell is a text from outside as a table shows it.
func cell(s string) string { return sheet.Guard(shown.Text(s)) }

// write writes a table as a CSV file.
func (t *table) write(w io.Writer) error {
	if _, err := io.WriteString(w, sheet.Mark); err != nil {
		return err
	}
	c := csv.NewWriter(w)
	err := c.Write(t.head)
	for row := range t.rows {
		if err != nil {
			return err
		}
		err = c.Write(row)
	}
	c.Flush()
	return cmp.Or(err, c.Error())
}

// tables are the lists of a delivery.
func (h *held) tables() []table {
	delivered := func(place paths.Path) string { return cell(payloadName + "/" + h.paths.String(place)) }
	number := func(n int64) string { return strconv.FormatInt(n, 10) }
	return []table{
		{renamedName, []string{"volume", "id", "delivered", "original", "name_bytes_base64"}, func(yield func([]string) bool) {
			row := func(volume int, id uint64, place, original paths.Path, exact []byte) bool {
				return !h.renamed(volume, place, original, exact) ||
					yield([]string{strconv.Itoa(volume), strconv.FormatUint(id, 10), delivered(place), cell(h.paths.String(original)), base64.StdEncoding.EncodeToString(exact)})
			}
			for _, f := range h.files {
				if !row(f.volume, f.id, f.place, f.original, f.exact) {
					return
				}
			}
			for i := range h.links {
				if l := &h.links[i]; !row(l.volume, l.id, l.place, l.original, nil) {
					return
				}
			}
		}},
		{missingName, []string{"delivered", "offset", "length"}, func(yield func([]string) bool) {
			for _, f := range h.files {
				for _, m := range f.missing {
					if !yield([]string{delivered(f.place), number(m.off), number(m.length)}) {
						return
					}
				}
			}
		}},
		{marksName, []string{"delivered", "mark"}, func(yield func([]string) bool) {
			for _, f := range h.files {
				for _, mark := range marks(f) {
					if !yield([]string{delivered(f.place), mark}) {
						return
					}
				}
			}
		}},
		{leftName, []string{"volume", "id", "original", "why"}, func(yield func([]string) bool) {
			for i := range h.left {
				l := &h.left[i]
				if !yield([]string{strconv.Itoa(l.volume), strconv.FormatUint(l.id, 10), cell(h.paths.String(l.original)), cell(l.reason(h.paths))}) {
					return
				}
			}
		}},
	}
}

// renamed reports whether a name in the delivery is not that of the image.
func (h *held) renamed(volume int, place, original paths.Path, exact []byte) bool {
	at := h.paths.String(place)
	branch, _, _ := strings.Cut(at, "/")
	return exact != nil || strings.TrimPrefix(at, volumeFolder(branch, volume)+"/") != h.paths.String(original)
}

// marks say of a file that its content is not what it seems.
func marks(f *file) (list []string) {
	switch f.stored {
	case "encrypted":
		list = append(list, "encrypted: copied as stored, readable only with the owner's key")
	case "elsewhere":
		list = append(list, "a part of its content was never on this drive")
	}
	if f.damaged && len(f.missing) == 0 {
		list = append(list, "not proved: metadata that may change its content was not read")
	}
	return list
}
