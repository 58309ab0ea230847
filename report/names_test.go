package report

import (
	"strings"
	"testing"
)

func TestShorten(t *testing.T) {
	long := strings.Repeat("ä", maxPath)
	if got := shorten(long); got != long {
		t.Errorf("%q", got)
	}
	if got, want := shorten("a"+long+"b"), "a"+strings.Repeat("ä", maxPath/2-1)+" … (cut) … "+strings.Repeat("ä", maxPath/2-1)+"b"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
