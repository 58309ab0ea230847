package main

import (
	"errors"
	"os/exec"
	"strings"
	"testing"
)

// What the demo suggests is this program alone, so that it works on any system;
// and each of it does.
func TestDemoSuggestions(t *testing.T) {
	b := newBench(t)
	out, err := b.command("demo").Output()
	if err != nil {
		t.Fatal(err)
	}
	_, next, ok := strings.Cut(string(out), " Next:\n")
	if !ok {
		t.Fatalf("the demo suggests nothing:\n%s", out)
	}
	n := 0
	for line := range strings.Lines(next) {
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		n++
		if words[0] != "fileassay" {
			t.Errorf("suggests another program: %s", line)
			continue
		}
		var exit *exec.ExitError
		said, err := b.command(words[1:]...).CombinedOutput()
		if err != nil && (!errors.As(err, &exit) || exit.ExitCode() != exitFound) {
			t.Errorf("%s%v: %s", line, err, said)
		}
	}
	if n < 3 {
		t.Errorf("suggests %d commands", n)
	}
}
