package report

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"strings"

	"github.com/dustin/go-humanize"

	"fileassay/verify/result"
	"fileassay/verify/shown"
	"fileassay/verify/wanted"
)

// The page is one file that asks for nothing outside itself: a policy in it
// lets only its own style and script run, by their hashes.

//go:embed page/page.html page/bench.html
var pageFiles embed.FS

//go:embed page/page.css
var pageStyle []byte

//go:embed page/list.js
var pageScript []byte

// HTML writes the report as one self-contained page. inv is the inventory of
// the same result, made with the details of the bench if o is for it.
func HTML(w io.Writer, r *result.Result, inv *Inventory, o Options) error {
	v, err := newView(r, inv, o)
	if err != nil {
		return err
	}
	t, err := template.ParseFS(pageFiles, "page/*.html")
	if err != nil {
		return err
	}
	return t.ExecuteTemplate(w, "page", v)
}

// Bounds of the tables that stand in the page itself, for print and for
// browsers without scripts.
const (
	maxFoldersShown  = 200
	maxNotWholeShown = 500
)

// view is what the template shows. All texts of the result are visible.
type view struct {
	For                   Audience
	Bench                 bool
	Title, Heading        string
	Logo                  template.URL
	Job                   [][2]string
	Parts                 [][2]string
	Style                 template.CSS
	Script                template.JS
	StyleHash, ScriptHash string
	Columns               template.HTML
	Confidential          string

	Sentence   string
	Bands      []band
	Verdicts   []verdictRow
	Complete   bool
	Listing    []string
	ListingWhy []string
	Kinds      []kindRow
	Steps      [][2]string
	First      *fileTable

	KindNames    []string
	LeftOut      string
	Folders      []folderRow
	FoldersAfter string
	NotWhole     *fileTable

	Disks      []diskView
	Legend     [][2]any
	Tenths     []tenth
	ReadWord   string // what "read" is called
	Checked    []string
	NotChecked []string
	Facts      [][2]string

	benchView
}

type band struct {
	Title string
	SVG   template.HTML
}

type verdictRow struct {
	Key                             template.HTML
	Name, Means, Files, Size, Bytes string
}

type kindRow struct{ Name, Count, Damage string }

// fileTable is a table of files in the page itself.
type fileTable struct {
	Label string
	More  []string // names of further columns
	Rows  []fileRow
	After string
}

type fileRow struct {
	Key                              template.HTML
	Verdict, Path, Note, Size, Bytes string
	Bar                              template.HTML
	Lines                            []string // for the bench: reasons and ranges
	More                             []string
}

type folderRow struct {
	Name                        string
	Level                       int
	Short                       bool
	Intact, Damaged, Lost, Size string
}

type diskView struct {
	SVG  template.HTML
	Text string
}

func newView(r *result.Result, inv *Inventory, o Options) (*view, error) {
	v := &view{For: o.For, Bench: o.For == Bench, Heading: "Recovery report", Title: "Recovery report", Sentence: outcomeWords(r),
		Complete: listComplete(r), Listing: listingWords(r)}
	v.Confidential = "This report names the files of a private drive. Keep it from anyone whom they do not concern."
	if o.Job.Number != "" {
		v.Title += " " + shown.Text(o.Job.Number)
	}
	for _, l := range o.Job.lines() {
		v.Job = append(v.Job, [2]string{l[0], shown.Lines(strings.TrimSpace(l[1]))})
	}
	lg, err := o.Job.loadLogo()
	if err != nil {
		return nil, err
	}
	if lg != nil {
		v.Logo = template.URL("data:" + lg.Type + ";base64," + base64.StdEncoding.EncodeToString(lg.Data))
	}
	if err := v.embed(inv); err != nil {
		return nil, err
	}
	v.outcome(r)
	v.advice(inv)
	v.paper(inv)
	v.picture(r, inv)
	v.Checked, v.NotChecked = basisWords(r)
	for _, k := range wanted.Kinds() {
		v.KindNames = append(v.KindNames, kindWords[k].name)
	}
	v.Parts = [][2]string{{"outcome", "Outcome"}, {"meaning", "What damaged means"}, {"next", "What to do next"}, {"list", "The files"}, {"drive", "The drive"}, {"basis", "What was checked"}}
	if v.Bench {
		if err := v.bench(r, inv, o); err != nil {
			return nil, err
		}
		v.Parts = [][2]string{{"outcome", "Outcome"}, {"drive", "The drive"}, {"value", "A further pass"}, {"volumes", "Volumes"}, {"list", "The files"}, {"basis", "What was checked"}}
	} else if len(v.Disks) == 0 {
		v.Parts = append(v.Parts[:4], v.Parts[5])
	}
	return v, nil
}

// embed fills in the style, the script and the list.
func (v *view) embed(inv *Inventory) error {
	var notes []string
	for _, n := range noteTexts {
		notes = append(notes, n.text)
	}
	list, err := json.Marshal(notes)
	if err != nil {
		return err
	}
	script := bytes.Replace(pageScript, []byte(`"%NOTES%"`), list, 1)
	v.Style, v.StyleHash = template.CSS(pageStyle), hashOf(pageStyle)
	v.Script, v.ScriptHash = template.JS(script), hashOf(script)

	packed, err := inv.pack()
	if err != nil {
		return err
	}
	if packed.LeftOut > 0 {
		v.LeftOut = fmt.Sprintf("This page has room for %s: %s are left out here, and stand in the tables (CSV, XLSX).",
			count(int64(packed.Rows), "file", "files"), humanize.Comma(packed.LeftOut))
	}
	var b strings.Builder
	fmt.Fprintf(&b, "<div id=\"columns\" hidden data-rows=\"%d\" data-folders=\"%d\"></div>\n", packed.Rows, packed.Folders)
	for _, c := range packed.Columns {
		b.WriteString(`<script type="application/octet-stream" id="c-` + c.ID + `">`)
		b.WriteString(c.Data)
		b.WriteString("</script>\n")
	}
	v.Columns = template.HTML(b.String()) // names of columns and base64
	return nil
}

func hashOf(b []byte) string {
	sum := sha256.Sum256(b)
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}

// outcome fills in the first part of the page.
func (v *view) outcome(r *result.Result) {
	f, z := r.Summary.Files, r.Summary.Sizes
	if f.Total() > 0 {
		v.Bands = append(v.Bands, band{"By number of files", bandSVG(f, "file", "files")})
	}
	if z.Total() > 0 {
		v.Bands = append(v.Bands, band{"By size", bandSVG(z, "byte", "bytes")})
	}
	means, bytes := [...]string{intactMeans(r), "a part is missing or uncertain", "nothing of it came off"}, byVerdict(z)
	for i, n := range byVerdict(f) {
		v.Verdicts = append(v.Verdicts, verdictRow{keySVG(verdicts[i]), string(verdicts[i]), means[i], humanize.Comma(n), size(bytes[i]), humanize.Comma(bytes[i])})
	}
}

// advice fills in what the customer is told to make of it.
func (v *view) advice(inv *Inventory) {
	damaged := false
	for _, t := range inv.kindTotals() {
		if t.files.Damaged > 0 {
			damaged = true
			v.Kinds = append(v.Kinds, kindRow{kindWords[t.kind].name, count(t.files.Damaged, "file", "files"), kindWords[t.kind].damage})
		}
	}
	if damaged {
		v.Steps = append(v.Steps, [2]string{"Open the damaged files you need, from a copy.", "Only you can say whether what is left of them is enough."})
	}
	v.Steps = append(v.Steps,
		[2]string{"Check what matters most.", "Open some of the intact files too, the important ones first, while the workshop still has the drive."},
		[2]string{"Keep two copies.", "Put everything on two different disks, and one of them in another place."},
		[2]string{"Do not use the old drive again.", "It has failed once. Do not even plug it in to look: that can cost what might still be read."},
		[2]string{"Tell the workshop what is missing.", "Tick it in the list below and send the saved list. The technician in charge says whether another try is worth the risk."})
	if len(inv.first) > 0 {
		v.First = &fileTable{Label: "Files that are not whole and probably matter most"}
		for _, c := range inv.first[:min(len(inv.first), 10)] {
			v.First.Rows = append(v.First.Rows, inv.candidateRow(c))
		}
	}
}

func (inv *Inventory) candidateRow(c candidate) fileRow {
	row := fileRow{Key: keySVG(c.verdict), Verdict: string(c.verdict), Path: shorten(inv.pathOf(c.folder, c.name)), Size: "unknown", Bytes: "size not known"}
	if c.size >= 0 {
		row.Size, row.Bytes = size(c.size), humanize.Comma(c.size)+" bytes"
	}
	row.Bar = barSVG(c.verdict, c.bar)
	return row
}

// paper fills in the tables for print and for browsers without scripts.
func (v *view) paper(inv *Inventory) {
	depth := make([]int, len(inv.folders))
	atDepth := map[int]int{}
	for i, f := range inv.folders {
		if i > 0 {
			depth[i] = depth[f.parent] + 1
		}
		atDepth[depth[i]]++
	}
	deepest, n := 0, atDepth[0]
	for n+atDepth[deepest+1] <= maxFoldersShown && atDepth[deepest+1] > 0 {
		deepest++
		n += atDepth[deepest]
	}
	if deepest == 0 {
		deepest = 1
	}
	for i, f := range inv.folders {
		if depth[i] > deepest || len(v.Folders) == maxFoldersShown {
			continue
		}
		t := f.totals.files
		v.Folders = append(v.Folders, folderRow{shorten(f.shown()), min(depth[i], 5), f.short, humanize.Comma(t.Intact), humanize.Comma(t.Damaged), humanize.Comma(t.Lost), size(f.totals.sizes.Total())})
	}
	if left := len(inv.folders) - len(v.Folders); left > 0 {
		v.FoldersAfter = fmt.Sprintf("%s of %s are shown, at most %d; the others are counted in those that they lie in.",
			humanize.Comma(int64(len(v.Folders))), count(int64(len(inv.folders)), "folder", "folders"), maxFoldersShown)
	}
	v.NotWhole = &fileTable{Label: "Damaged and lost files"}
	for i := range inv.rows {
		w := &inv.rows[i]
		if w.bar < 0 {
			continue
		}
		if len(v.NotWhole.Rows) == maxNotWholeShown {
			v.NotWhole.After = fmt.Sprintf("The first %d of %s that are not whole. The others stand in the list of this page, which needs scripts, and in the tables (CSV, XLSX).",
				maxNotWholeShown, count(int64(len(inv.bars)), "file", "files"))
			break
		}
		row := inv.candidateRow(candidate{folder: w.folder, name: w.name, verdict: verdicts[w.verdict], size: w.size, bar: inv.bars[w.bar]})
		if inv.bench {
			row.Lines = firstLines(inv.details[w.bar])
		} else {
			row.Note = strings.Join(noteWords(w.notes), "; ")
		}
		v.NotWhole.Rows = append(v.NotWhole.Rows, row)
	}
}

// firstLines are the first lines of a file's details, as many as the table in
// the page has room for.
func firstLines(detail string) []string {
	const most = 8
	lines := strings.Split(detail, "\n")
	if detail == "" {
		return nil
	}
	if len(lines) > most {
		lines = append(lines[:most-1], fmt.Sprintf("and %d more lines in the list of this page", len(lines)-most+1))
	}
	return lines
}

// tenth is a tenth of the drive in the table that tells what the picture
// shows.
type tenth struct {
	Name   string
	Bytes  []string
	Wanted string
}

// picture fills in the drive.
func (v *view) picture(r *result.Result, inv *Inventory) {
	for i, d := range driveDisks(&r.Image, inv.touched) {
		v.Disks = append(v.Disks, diskView{d.svg(fmt.Sprintf("disk%d", i)), d.text()})
		for state, n := range d.Totals {
			if i == 0 && (n > 0 || state == 0) {
				text := drawnLegend[state]
				if state == 0 {
					text = d.words[0]
				}
				v.Legend = append(v.Legend, [2]any{drawnKey(drawn[state]), text})
			}
		}
		if i == 0 && d.Wanted != "" {
			v.Legend = append(v.Legend, [2]any{rimKey, "line along a ring: files that probably matter wait for a place here"})
		}
		if i == 0 && d.Marks != [len(drawn)]string{} {
			v.Legend = append(v.Legend, [2]any{markKey, "stroke: a place too small to see at its true size"})
		}
	}
	v.ReadWord = stateWords(&r.Image)[0]
	if len(v.Disks) > 0 {
		v.Tenths = tenths(&r.Image, inv.touched)
	}
}

var drawnLegend = [...]string{"", "doubtful: data came, but the drive did not vouch for it", "failed: tried, and could not be read", "not tried yet"}

// tenths sum the slices of a drive by tenths of their number.
func tenths(im *result.Image, t *touched) []tenth {
	slices := driveSlices(im, t)
	n := min(10, len(slices))
	var out []tenth
	for i := range n {
		from, to := i*len(slices)/n, (i+1)*len(slices)/n
		var sum [len(drawn)]int64
		row := tenth{Name: fmt.Sprintf("%s to %s", size(int64(from)*im.Profile.Slice), size(min(int64(to)*im.Profile.Slice, im.DriveSize)))}
		for _, s := range slices[from:to] {
			for k, b := range s.bytes {
				sum[k] += b
			}
			if s.touched {
				row.Wanted = "yes"
			}
		}
		for _, b := range sum {
			row.Bytes = append(row.Bytes, humanize.Comma(b))
		}
		out = append(out, row)
	}
	return out
}
