package report

import (
	"strings"
	"testing"
)

// Characters that are none are shown as escapes, however many a name has.
func TestUnseen(t *testing.T) {
	for in, want := range map[string]string{
		"\ufdd0\ufdef\ufdf0":            `\ufdd0\ufdef` + "\ufdf0",
		strings.Repeat("\u2066", 10000): strings.Repeat(`\u2066`, 10000),
	} {
		if got := visible(in); got != want {
			t.Errorf("visible(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestVisibleLines(t *testing.T) {
	if got, want := visibleLines("one\r\ntwo\x1b\nthree\n"), "one\ntwo\\u001b\nthree"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestShorten(t *testing.T) {
	long := strings.Repeat("ä", maxPath)
	if got := shorten(long); got != long {
		t.Errorf("%q", got)
	}
	if got, want := shorten("a"+long+"b"), "a"+strings.Repeat("ä", maxPath/2-1)+" … (cut) … "+strings.Repeat("ä", maxPath/2-1)+"b"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
