package report

import (
	"fileassay/verify/result"
	"fmt"
	"html/template"
	"strings"
)

// The small pictures of the page: bands, bars and the keys of legends. Their
// colours and hatching are those of page/page.css.

// bandSVG draws counts by verdict as parts of one band. No part that is not
// zero is too narrow to see.
func bandSVG(c result.VerdictCount, one, many string) template.HTML {
	const least = 0.6
	n := byVerdict(c)
	var width [len(n)]float64
	total, most := c.Total(), 0
	var words []string
	for i := range n {
		width[i] = 100 * float64(n[i]) / float64(total)
		if n[i] > n[most] {
			most = i
		}
		words = append(words, fmt.Sprintf("%s %s (%s)", count(n[i], one, many), verdicts[i], share(n[i], total)))
	}
	for i := range n {
		if n[i] > 0 && width[i] < least {
			width[most] -= least - width[i]
			width[i] = least
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg role="img" aria-label="%s">`, template.HTMLEscapeString(strings.Join(words, ", ")))
	x := 0.0
	for i := range n {
		if n[i] == 0 {
			continue
		}
		for _, class := range []string{"v-", "x-"} {
			if class == "v-" || i > 0 {
				fmt.Fprintf(&b, `<rect class="%s%s" x="%.3f%%" y="0" width="%.3f%%" height="100%%"/>`, class, verdicts[i], x, width[i])
			}
		}
		x += width[i]
	}
	b.WriteString(`<rect class="frame" width="100%" height="100%"/></svg>`)
	return template.HTML(b.String()) // numbers, and words of our own
}

// keySVG is the small box that stands for a verdict.
func keySVG(v result.Verdict) template.HTML {
	return boxSVG(template.HTMLEscapeString(string(v)), "v-", "x-", v != result.Intact)
}

// drawnKey is the small box that stands for a state in the picture of a drive.
func drawnKey(state string) template.HTML {
	return boxSVG(state, "s-", "h-", state != drawn[0])
}

// boxSVG is a box in the colour of a class, hatched by another or not.
func boxSVG(name, colour, hatching string, hatched bool) template.HTML {
	hatch := ""
	if hatched {
		hatch = `<rect class="` + hatching + name + `" width="12" height="12"/>`
	}
	return template.HTML(`<svg class="key" viewBox="0 0 12 12" aria-hidden="true"><rect class="` + colour + name + `" width="12" height="12"/>` + hatch + `<rect class="frame" width="12" height="12"/></svg>`)
}

const (
	rimKey  = template.HTML(`<svg class="key" viewBox="0 0 12 12" aria-hidden="true"><path class="rims" d="M0 6H12"/></svg>`)
	markKey = template.HTML(`<svg class="key" viewBox="0 0 12 12" aria-hidden="true"><rect class="s-read" width="12" height="12"/><path class="marks m-failed" d="M6 0V12"/></svg>`)
)

// barSVG draws a file from its first byte to its last, with where its damage
// lies.
func barSVG(v result.Verdict, cells bar) template.HTML {
	var b strings.Builder
	b.WriteString(`<svg class="bar" viewBox="0 0 64 8" preserveAspectRatio="none" role="img" aria-label="`)
	rect := func(name string, x, n int) {
		fmt.Fprintf(&b, `<rect class="v-%s" x="%d" width="%d" height="8"/>`, name, x, n)
		if name != "intact" {
			fmt.Fprintf(&b, `<rect class="x-%s" x="%d" width="%d" height="8"/>`, name, x, n)
		}
	}
	if v == result.Lost {
		b.WriteString(`nothing of it was read">`)
		rect("lost", 0, barCells)
	} else {
		b.WriteString(template.HTMLEscapeString(cells.text()) + `">`)
		rect("intact", 0, barCells)
		cells.runs(func(from, to int) { rect("damaged", from, to-from) })
	}
	b.WriteString(`<rect class="frame" width="64" height="8"/></svg>`)
	return template.HTML(b.String()) // numbers, and words of our own
}

// runs gives the cells that are marked, run by run.
func (b bar) runs(yield func(from, to int)) {
	marked := func(i int) bool { return b[i/32]>>(i%32)&1 == 1 }
	for i := 0; i < barCells; i++ {
		if !marked(i) {
			continue
		}
		from := i
		for i < barCells && marked(i) {
			i++
		}
		yield(from, i)
	}
}

// text says where the damage lies, in hundredths of the file.
func (b bar) text() string {
	var parts []string
	b.runs(func(from, to int) {
		parts = append(parts, fmt.Sprintf("%d to %d %%", from*100/barCells, (to*100+barCells-1)/barCells))
	})
	if len(parts) == 0 {
		return "no damage"
	}
	return "damage at " + strings.Join(parts, ", ") + " of its length"
}
