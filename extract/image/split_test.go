package image

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"fileassay/extract/imap"

	"github.com/google/go-cmp/cmp"
)

// put makes files of the given sizes in dir, one after the other of what
// pattern gives.
func put(t testing.TB, dir string, files ...any) (whole []byte) {
	t.Helper()
	sum := 0
	for i := 1; i < len(files); i += 2 {
		sum += files[i].(int)
	}
	whole = pattern(sum)
	at := 0
	for i := 0; i < len(files); i += 2 {
		n := files[i+1].(int)
		if err := os.WriteFile(filepath.Join(dir, files[i].(string)), whole[at:at+n], 0o600); err != nil {
			t.Fatal(err)
		}
		at += n
	}
	return whole
}

func TestParts(t *testing.T) {
	const k = 1024
	tests := []struct {
		name  string
		files []any
		give  string
		o     PartOptions
		reach int64 // of the map
		want  string
	}{
		// parts as "name start+length", short ones with what they hold
		{"from 001", []any{"d.001", 2 * k, "d.002", 2 * k, "d.003", k}, "d.001", PartOptions{}, 0, "d.001 0+2048, d.002 2048+2048, d.003 4096+1024"},
		{"from 000", []any{"d.000", k, "d.001", k}, "d.000", PartOptions{}, 0, "d.000 0+1024, d.001 1024+1024"},
		{"from 7, and says so", []any{"d.007", k, "d.008", k}, "d.007", PartOptions{}, 0, "d.007 0+1024, d.008 1024+1024; the parts begin with number 7 (d.007): it is taken for the start of the drive"},
		{"no leading zeros", []any{"d.9", k, "d.10", k, "d.11", 5}, "d.9", PartOptions{}, 0, "d.9 0+1024, d.10 1024+1024, d.11 2048+5; the parts begin with number 9 (d.9): it is taken for the start of the drive"},
		{"more digits than zeros", []any{"d.08", k, "d.09", k, "d.10", k, "d.100", 1}, "d.08", PartOptions{AllowMissing: false}, 0,
			"error: part d.11 is missing (and 88 more): find it, or count what it lacks as skipped with --allow-missing-parts; or, if it is a whole image of its own, say so with --whole"},
		{"99 to 100", []any{"d.99", k, "d.100", 1}, "d.99", PartOptions{}, 0, "d.99 0+1024, d.100 1024+1; the parts begin with number 99 (d.99): it is taken for the start of the drive"},
		{"letters", []any{"d.img.aa", k, "d.img.ab", k, "d.img.ac", 9, "d.img", 5}, "d.img.aa", PartOptions{}, 0, "d.img.aa 0+1024, d.img.ab 1024+1024, d.img.ac 2048+9"},
		{"letters over z", []any{"d.aaz", 0, "d.aaa", k}, "d.aaa", PartOptions{}, 0, "whole"},
		{"number in the name, by the map", []any{"disk-00.img", k, "disk-01.img", k}, "disk-00.img", PartOptions{}, 2 * k, "disk-00.img 0+1024, disk-01.img 1024+1024"},
		{"number in the name, no map", []any{"disk-00.img", k, "disk-01.img", k}, "disk-00.img", PartOptions{}, 0, "disk-00.img 0+1024, disk-01.img 1024+1024"},
		{"number before an ending with one", []any{"disk-00.ext4", k, "disk-01.ext4", k}, "disk-00.ext4", PartOptions{}, 2 * k, "disk-00.ext4 0+1024, disk-01.ext4 1024+1024"},
		{"number before another number", []any{"b2 part 1 of lab 3.raw.0", k, "b2 part 1 of lab 3.raw.1", 1}, "b2 part 1 of lab 3.raw.0", PartOptions{}, 0,
			"b2 part 1 of lab 3.raw.0 0+1024, b2 part 1 of lab 3.raw.1 1024+1"},

		// images that are no parts
		{"alone", []any{"d.001", k}, "d.001", PartOptions{}, 0, "whole"},
		{"no number", []any{"d.img", k, "e.img", k}, "d.img", PartOptions{}, 0, "whole"},
		{"other text", []any{"d.001", k, "d.002.txt", k, "e.002", k, "d.x02", k}, "d.001", PartOptions{}, 0, "whole"},
		{"asked for one", []any{"d.001", k, "d.002", k}, "d.001", PartOptions{Whole: true}, 0, "whole"},
		{"a date", []any{"d.20190402", k, "d.20190403", k}, "d.20190402", PartOptions{}, 0, "whole"},
		{"words, not letters that count", []any{"d.dd", k, "d.md", k, "d.raw", k, "d.log", 1}, "d.dd", PartOptions{}, 0, "whole"},
		{"a word beside letters that count", []any{"d.aa", k, "d.ab", k, "d.dd", k}, "d.dd", PartOptions{}, 0, "whole"},
		{"passes, by the map", []any{"pass-1.img", k, "pass-2.img", k}, "pass-1.img", PartOptions{}, k,
			"whole; pass-1.img is taken for an image of its own, and not for a part together with pass-2.img: the imaging map shows no more"},
		{"the second of them", []any{"pass-01.img", k, "pass-02.img", k, "pass-03.img", k}, "pass-02.img", PartOptions{}, k,
			"whole; pass-02.img is taken for an image of its own, and not for a part together with pass-01.img and pass-03.img: the imaging map shows no more"},
		{"passes, no map", []any{"pass1.img", k, "pass2.img", k, "pass3.img", k, "pass4.img", k}, "pass1.img", PartOptions{}, 0,
			"whole; pass1.img is taken for an image of its own, and not for a part together with pass2.img and 2 other files: an imaging map would show which"},

		// what is wrong with parts
		{"a later part", []any{"d.001", k, "d.002", k, "d.003", k}, "d.003", PartOptions{}, 0, "error: is part 3 of an image in parts: give the first, d.001; if it is a whole image of its own, say so with --whole"},
		{"a missing part", []any{"d.001", k, "d.003", k}, "d.001", PartOptions{}, 0, "error: part d.002 is missing: find it, or count what it lacks as skipped with --allow-missing-parts; or, "},
		{"a missing part, by the map", []any{"disk-00.img", k, "disk-02.img", k}, "disk-00.img", PartOptions{}, 3 * k, "error: part disk-01.img is missing: "},
		{"missing parts, allowed", []any{"d.001", k, "d.004", 7}, "d.001", PartOptions{AllowMissing: true}, 0, "d.001 0+1024, d.002 1024+1024 holds 0, d.003 2048+1024 holds 0, d.004 3072+7"},
		{"a missing first part in letters", []any{"d.ab", k, "d.ac", 7}, "d.ab", PartOptions{}, 0, "error: part d.aa is missing: "},
		{"that, allowed", []any{"d.ab", k, "d.ac", 7}, "d.ab", PartOptions{AllowMissing: true}, 0, "d.aa 0+1024 holds 0, d.ab 1024+1024, d.ac 2048+7"},
		{"a short part", []any{"d.1", k, "d.2", 100, "d.3", k, "d.4", 7}, "d.1", PartOptions{}, 0, "error: part d.2 is short, with 100 of 1024 bytes: find it"},
		{"that, allowed", []any{"d.1", k, "d.2", 100, "d.3", k, "d.4", 7}, "d.1", PartOptions{AllowMissing: true}, 0, "d.1 0+1024, d.2 1024+1024 holds 100, d.3 2048+1024, d.4 3072+7"},
		{"an empty part", []any{"d.1", k, "d.2", 0, "d.3", k}, "d.1", PartOptions{}, 0, "error: part d.2 is short, with 0 of 1024 bytes: find it"},
		{"a large part", []any{"d.1", k, "d.2", 2 * k, "d.3", k, "d.4", k}, "d.1", PartOptions{AllowMissing: true}, 0, "error: part d.2 has 2048 bytes, more than a whole one with 1024"},
		{"a large last part", []any{"d.1", k, "d.2", 2 * k}, "d.1", PartOptions{AllowMissing: true}, 0, "error: the last part d.2 has 2048 bytes, more than a whole one with 1024"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			dir := t.TempDir()
			put(t, dir, test.files...)
			s, err := Look(filepath.Join(dir, test.give), test.o)
			limit := int64(0)
			if err == nil {
				limit = s.Limit()
				err = s.Settle(test.reach)
			}
			if err != nil {
				got := strings.ReplaceAll(err.Error(), dir+string(filepath.Separator), "")
				want, fails := strings.CutPrefix(test.want, "error: ")
				if !fails || !strings.HasPrefix(got, "image "+test.give+": "+want) {
					t.Fatalf("got error %q, want %s", got, test.want)
				}
				return
			}
			if s.Size > limit {
				t.Errorf("size %d, but the limit was %d", s.Size, limit)
			}
			var parts []string
			for _, p := range s.Parts {
				text := fmt.Sprintf("%s %d+%d", filepath.Base(p.Path), p.Start, p.Length)
				if p.Held < p.Length {
					text += fmt.Sprintf(" holds %d", p.Held)
				}
				parts = append(parts, text)
			}
			got := strings.Join(parts, ", ")
			if len(parts) == 0 {
				got = "whole"
			} else if end := s.Parts[len(s.Parts)-1].End(); s.Size != end {
				t.Errorf("size %d, parts end at %d", s.Size, end)
			}
			got = strings.Join(append([]string{got}, s.Notes...), "; ")
			if got != test.want {
				t.Errorf("got %s\nwant %s", got, test.want)
			}
		})
	}
}

// Devices stand beside each other with numbers in their names, and are no
// parts; nor are folders.
func TestOnlyFilesAreParts(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "d.001", 512)
	if err := os.Mkdir(filepath.Join(dir, "d.002"), 0o700); err != nil {
		t.Fatal(err)
	}
	if s, err := Look(filepath.Join(dir, "d.001"), PartOptions{}); err != nil || s.Parts != nil {
		t.Errorf("%+v, %v", s, err)
	}
}

// A path without a folder is looked up in the current one.
func TestPartsInTheCurrentFolder(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "d.001", 512, "d.002", 512)
	t.Chdir(dir)
	s, err := Look("d.001", PartOptions{})
	if err != nil || s.Size != 1024 || s.Parts[1].Path != "d.002" || s.Path != "d.001" {
		t.Errorf("%+v, %v", s, err)
	}
}

// Parts read like the one file that they make, at any place and length, by
// several readers, with more parts than are kept open.
func TestPartsReadAsOne(t *testing.T) {
	dir := t.TempDir()
	const parts, each = 3 * maxHandles, 700 // which no sector ends with
	var files []any
	for i := range parts {
		files = append(files, fmt.Sprintf("d.%03d", i), each)
	}
	whole := put(t, dir, append(files, fmt.Sprintf("d.%03d", parts), 13)...)
	s, err := Look(filepath.Join(dir, "d.000"), PartOptions{})
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.Open(imap.All(s.Size), Options{})
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for seed := range uint64(4) {
		wg.Go(func() {
			rnd := rand.New(rand.NewPCG(seed, 1))
			for range 400 {
				off := rnd.IntN(len(whole))
				p := make([]byte, 1+rnd.IntN(min(5*each, len(whole)-off)))
				if _, err := r.ReadAt(p, int64(off)); err != nil || !bytes.Equal(p, whole[off:off+len(p)]) {
					t.Errorf("%d bytes at %d: %v", len(p), off, err)
					return
				}
			}
		})
	}
	wg.Wait()
	if n := len(r.src.(*joined).open); n > maxHandles+4 {
		t.Errorf("%d parts are open", n)
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	if r.Broken() != nil {
		t.Errorf("broken: %v", r.Broken())
	}
}

// What a missing or short part lacks is skipped, in whole sectors, whatever
// the map says; the rest reads as it is.
func TestMissingPartsAreSkipped(t *testing.T) {
	dir := t.TempDir()
	whole := put(t, dir, "d.1", 2048, "d.2", 2048, "d.3", 2048, "d.4", 2048, "d.5", 2048)
	for name, size := range map[string]int64{"d.2": 1000, "d.4": -1} {
		var err error
		if path := filepath.Join(dir, name); size < 0 {
			err = os.Remove(path)
		} else {
			err = os.Truncate(path, size)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	s, err := Look(filepath.Join(dir, "d.1"), PartOptions{AllowMissing: true})
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.Open(imap.All(s.Size), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	want := []imap.Range{rng(2048+512, 1536, imap.Skipped), rng(3*2048, 2048, imap.Skipped)}
	p := make([]byte, len(whole))
	if diff := cmp.Diff(want, r.ReadReadable(p, 0)); diff != "" {
		t.Errorf("unread (-want +got):\n%s", diff)
	}
	for _, u := range want {
		clear(whole[u.Start:u.End()])
	}
	if !bytes.Equal(p, whole) {
		t.Error("not what the parts hold")
	}
	if got, want := r.Tally(), (imap.Tally{5*2048 - 1536 - 2048, 0, 1536 + 2048, 0}); got != want {
		t.Errorf("tally %v, want %v", got, want)
	}
	if r.Broken() != nil {
		t.Errorf("a missing part was asked for: %v", r.Broken())
	}
}

// A part that becomes shorter while it is read is a fault of the image file.
func TestPartThatShrinks(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "d.1", 2048, "d.2", 2048)
	s, err := Look(filepath.Join(dir, "d.1"), PartOptions{})
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.Open(imap.All(s.Size), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := os.Truncate(filepath.Join(dir, "d.1"), 1024); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]imap.Range{rng(1024, 1024, imap.Failed)}, r.ReadReadable(make([]byte, 4096), 0)); diff != "" {
		t.Error(diff)
	}
}

func FuzzPartNames(f *testing.F) {
	for _, name := range []string{"d.001", "disk-00.img", "d.img.aa", "d.zzz", "00000", "99999", "d.aaa.9", ".", "", "x.20190402", "é.00"} {
		f.Add(name)
	}
	f.Fuzz(func(t *testing.T, name string) {
		for _, n := range partNames(name) {
			if got := n.at(n.number); got != name {
				t.Errorf("%+v of %q makes %q", n, name, got)
			}
			if number, ok := n.of(name); !ok || number != n.number || number < 0 {
				t.Errorf("%+v of %q is no part of its own set: %d", n, name, number)
			}
			next := n.at(n.number + 1)
			if number, ok := n.of(next); ok && number != n.number+1 && number != 0 { // 0 past zz, where a set ends
				t.Errorf("%q after %q is number %d", next, name, number)
			}
		}
	})
}
