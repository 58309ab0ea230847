package report

import (
	"fmt"
	"html/template"
	"slices"
	"strings"

	"github.com/dustin/go-humanize"

	"fileassay/extract"
	"fileassay/verify"
	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/shown"
)

// benchView is what only the bench is shown.
type benchView struct {
	MapTotals  []namedCells
	Content    []namedCells // of the listed files, and in all
	Places     []namedCells
	AllRead    string // where there are no Places
	Advice     string
	Heads      []namedCells
	Notes      []string
	WantedName string
	KindValue  []namedCells
	Value      *fileTable
	Curve      template.HTML
	CurveWords string
	Volumes    []volumeView
}

// contentStates are the states of content, which add up to its size.
var contentStates = [...]string{"read", "doubtful", "failed", "not tried", "unlocated: where it lies is unread", "in all"}

type namedCells struct {
	Name  string
	Cells []string
}

type volumeView struct {
	Title      string
	Facts      [][2]string
	Notes      []string
	Listing    string
	Why        []string
	Structures []structureRow
}

type structureRow struct {
	Name, Place, Size, Unread, Health, Note string
	Bad                                     bool
}

func (v *view) bench(r *result.Result, inv *Inventory, o Options) error {
	im := &r.Image
	v.ListingWhy = append(v.ListingWhy, visibleAll(im.Missing)...)
	for i, n := range []int64{im.Map.Read, im.Map.Doubtful, im.Map.Failed, im.Map.Skipped} {
		v.MapTotals = append(v.MapTotals, namedCells{stateWords(im)[i], []string{size(n), share(n, im.Map.Total()), humanize.Comma(n)}})
	}
	c := r.Summary.Bytes
	for i, n := range []int64{c.Read, c.Doubtful, c.Failed, c.Skipped, c.Unlocated, c.Total()} {
		v.Content = append(v.Content, namedCells{contentStates[i], []string{size(n), share(n, c.Total()), humanize.Comma(n)}})
	}
	u := r.Summary.Unread
	for _, p := range []struct {
		name string
		n    result.Unread
	}{{"listed files", u.Files}, {"structures: folders, records and others", u.Structures}, {"free space and slack: nothing is missed", u.Free}, {"outside any volume", u.Outside}, {"unknown", u.Unknown}} {
		if p.n.Total() > 0 {
			v.Places = append(v.Places, namedCells{p.name, []string{size(p.n.Total()), size(p.n.Failed), size(p.n.Skipped), size(p.n.Doubtful)}})
		}
	}
	v.AllRead = "Every byte of the drive was read."
	switch {
	case im.Map.Total() > im.Map.Read:
		v.AllRead = "The result does not say; make it again with verify."
		if im.Map.TrustDoubtful && im.Map.Failed+im.Map.Skipped == 0 {
			v.AllRead = "Doubtful sectors are taken as read, and all others were."
		}
	case im.Map.AssumedRead:
		v.AllRead = "There is no map: every byte of the drive is assumed to have been read."
	}
	v.Advice = advice(&verify.Outcome{Image: r.Image, Volumes: r.Volumes, Summary: r.Summary})
	v.heads(r)
	v.Notes = append(append(visibleAll(im.Notes), imageFileWords(im)...), readAgainWords(im))
	v.value(inv, o)
	for i := range r.Volumes {
		v.Volumes = append(v.Volumes, volumeOf(&r.Volumes[i], max(im.Sector, 1)))
	}
	v.Facts = imageFacts(im, inv)
	return v.curve(r, o)
}

// curve draws wanted files whole against time, by the plan that reread makes
// with the default costs.
func (v *view) curve(r *result.Result, o Options) error {
	pl, err := reread.New(r, reread.Options{Wanted: o.list(), Costs: reread.DefaultCosts()})
	if err != nil {
		return err
	}
	if v.Curve = curveSVG(pl, Curve(pl, 200)); v.Curve == "" {
		return nil
	}
	v.CurveWords = "A further pass would read " + planWords(pl) + perhapsWords(pl) + ". Times are by common practice and have no source; reread takes others. " + strings.ReplaceAll(reread.Caution, "\n", " ")
	return nil
}

// imageFacts are the files that the result was made from.
func imageFacts(im *result.Image, inv *Inventory) [][2]string {
	out := [][2]string{{"Image", shown.Text(im.Path)}, {"Bytes", humanize.Comma(im.Size)}, {"Bytes of the drive", humanize.Comma(im.DriveSize)},
		{"Sector", fmt.Sprint(im.Sector)}, {"Partition table", shown.Text(im.Table)}}
	if im.Offset > 0 {
		out = append(out, [2]string{"The drive begins at", fmt.Sprintf("byte %s of the image; sectors are counted from the image's first byte", humanize.Comma(im.Offset))})
	}
	if im.Parts != nil {
		out = append(out, [2]string{"Parts", fmt.Sprintf("%d, missing or short: %d", im.Parts.Count, len(im.Parts.Short))})
	}
	if im.Map.AssumedRead {
		out = append(out, [2]string{"Imaging map", "none: every sector is assumed to have been read"})
	} else {
		out = append(out, [2]string{"Imaging map", shown.Text(im.Map.Path)}, [2]string{"Its SHA-256", shown.Text(im.Map.SHA256)})
	}
	if im.Map.TrustDoubtful {
		out = append(out, [2]string{"Doubtful sectors", "taken as read"})
	}
	if im.Heads != nil {
		out = append(out, [2]string{"Head map", shown.Text(im.Heads.Path)})
	}
	if inv.cut > 0 {
		out = append(out, [2]string{"Ranges left out", fmt.Sprintf("of %s, for the page's size; the result has them", count(inv.cut, "file", "files"))})
	}
	return out
}

func (v *view) heads(r *result.Result) {
	if r.Image.Heads == nil {
		return
	}
	waiting := map[int]result.HeadFiles{}
	for _, h := range r.Summary.Heads {
		waiting[h.Head] = h
	}
	row := func(name string, s result.ByteStates, w result.HeadFiles) {
		v.Heads = append(v.Heads, namedCells{name, []string{size(s.Total()), fmt.Sprintf("%s (%s)", size(s.Read), share(s.Read, s.Total())),
			size(s.Doubtful), size(s.Failed), size(s.Skipped), humanize.Comma(w.Files), humanize.Comma(w.Alone)}})
	}
	for _, h := range r.Image.Heads.Heads {
		row(fmt.Sprintf("head %d", h.Head), h.ByteStates, waiting[h.Head])
	}
	if o := r.Image.Heads.Others; o.Total() > 0 {
		row("no head named", o, result.HeadFiles{})
	}
}

// value fills in what reading again would win.
func (v *view) value(inv *Inventory, o Options) {
	v.WantedName = shown.Text(o.list().Name)
	for _, t := range inv.kindTotals() {
		if t.files.Damaged+t.files.Lost > 0 {
			v.KindValue = append(v.KindValue, namedCells{kindWords[t.kind].name, []string{humanize.Comma(t.files.Damaged), humanize.Comma(t.files.Lost),
				size(t.sizes.Damaged + t.sizes.Lost), size(t.unread)}})
		}
	}
	if len(inv.value) == 0 {
		return
	}
	v.Value = &fileTable{Label: "Files that a further pass wins with the least reading", More: []string{"Sectors to read", "Weight"}}
	for _, c := range inv.value {
		row := inv.candidateRow(c)
		row.More = []string{humanize.Comma(c.sectors), weight(c.weight)}
		v.Value.Rows = append(v.Value.Rows, row)
	}
}

// maxStructures bounds how many structures of a volume the page shows.
const maxStructures = 300

func volumeOf(rec *result.Volume, sector int64) volumeView {
	v := volumeView{Title: fmt.Sprintf("Volume %d: %s%s", rec.Volume, shown.Text(rec.Filesystem), shown.Text(quoted(rec.Label)))}
	f := rec.Files
	v.Facts = [][2]string{{"Place", sectors(rec.Start, rec.Length, sector)}, {"Size", exact(rec.Length)}, {"Allocation unit", size(rec.Cluster)}, {"Found by", shown.Text(rec.Found)},
		{"Files", fmt.Sprintf("%s intact, %s damaged, %s lost", humanize.Comma(f.Intact), humanize.Comma(f.Damaged), humanize.Comma(f.Lost))},
		{"Folders", fmt.Sprintf("%s, of which %s not read whole", humanize.Comma(rec.Folders.Total()), humanize.Comma(rec.Folders.Damaged+rec.Folders.Lost))},
		{"Content", fmt.Sprintf("%s read, %s doubtful, %s failed, %s not tried, %s unlocated", size(rec.Bytes.Read), size(rec.Bytes.Doubtful), size(rec.Bytes.Failed), size(rec.Bytes.Skipped), size(rec.Bytes.Unlocated))}}
	if rec.Cluster == 0 {
		v.Facts = slices.DeleteFunc(v.Facts, func(f [2]string) bool { return f[0] == "Allocation unit" })
	}
	v.Notes, v.Why = visibleAll(rec.Notes), visibleAll(rec.Listing.Why)
	v.Listing = "The list of its files may be short"
	if rec.Listing.Complete {
		v.Listing = "The list of its files is complete"
	}
	for i, s := range rec.Structures {
		if i == maxStructures {
			v.Structures = append(v.Structures, structureRow{Name: fmt.Sprintf("and %d more in the result", len(rec.Structures)-i)})
			break
		}
		row := structureRow{Name: shown.Text(s.Name), Place: "unknown", Size: size(s.Length), Unread: size(s.Unread), Health: shown.Text(strings.TrimSpace(s.Health)), Note: shown.Text(s.Note)}
		if s.Start != nil {
			row.Place = humanize.Comma(*s.Start / sector)
		}
		row.Bad = s.Health != string(extract.HealthRead)
		v.Structures = append(v.Structures, row)
	}
	return v
}
