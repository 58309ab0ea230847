package main

import (
	"os"
	"strings"
	"testing"
)

// TestReadme holds the README to show what the demo prints.
func TestReadme(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	b := newBench(t)
	out, err := b.command("demo").Output()
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(out), "\nIn all\n")
	block, _, ends := strings.Cut("In all\n"+rest, "Result: ")
	if !found || !ends {
		t.Fatalf("the demo prints no summary:\n%s", out)
	}
	lines := strings.Split(strings.TrimSpace(block), "\n")
	for i, l := range lines {
		if l != "" {
			lines[i] = "    " + l
		}
	}
	if want := strings.Join(lines, "\n"); !strings.Contains(string(readme), want) {
		t.Errorf("README.md does not show the demo's summary:\n%s", want)
	}
}
