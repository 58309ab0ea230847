package report

import (
	"fileassay/verify/result"
	"strings"
	"testing"
)

// A band says in words what it draws, in the singular too, and no part that is
// not zero is too narrow to see.
func TestBand(t *testing.T) {
	svg := string(bandSVG(result.VerdictCount{Intact: 9_999_999, Damaged: 1}, "file", "files"))
	if want := `aria-label="9,999,999 files intact (over 99.99 %), 1 file damaged (under 0.01 %), 0 files lost (0 %)"`; !strings.Contains(svg, want) {
		t.Errorf("the band lacks %q: %s", want, svg)
	}
	if want := `<rect class="v-damaged" x="99.400%" y="0" width="0.600%"`; !strings.Contains(svg, want) {
		t.Errorf("the band lacks %q: %s", want, svg)
	}
}
