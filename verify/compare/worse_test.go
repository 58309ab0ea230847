package compare

import (
	"fileassay/extract/imap"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
	"strings"
	"testing"
)

// written opens a result of these files; places are its unread sectors, nil for
// those that the files tell of.
func written(t *testing.T, missing []string, places []result.Place, files ...*result.File) *result.Result {
	t.Helper()
	m := resulttest.Made{Image: result.Image{Path: "depot.img", Missing: missing}, Places: places, Files: files,
		Volumes: []result.Volume{{Length: 1 << 20, Filesystem: "ext4"}}}
	return m.Open(t)
}

// entryOf is a file of so many bytes, of which those that were neither read nor
// doubtful have no place.
func entryOf(path string, verdict result.Verdict, size, read, doubtful int64) *result.File {
	f := &result.File{ID: 7, Path: path, Size: &size, Verdict: verdict, Unnamed: path == "?/7", Damage: []result.Damage{}}
	if doubtful > 0 {
		f.Damage = append(f.Damage, result.Damage{Offset: read, Image: 32768, Length: doubtful, What: "doubtful"})
	}
	if rest := size - read - doubtful; rest > 0 {
		f.Damage = append(f.Damage, result.Damage{Offset: read + doubtful, Image: -1, Length: rest, What: result.Unlocated})
	}
	return f
}

// What is worse is told as worse, also where the verdict stays, or rises.
func TestWorseUnderItsName(t *testing.T) {
	whole := entryOf("Casks/ledger.odt", "intact", 2048, 2048, 0)
	for _, c := range []struct {
		name          string
		before, after *result.File
		what          What // "" for nothing
		why           string
	}{
		{"the same", whole, whole, "", ""},
		{"its folder is known no more", whole, entryOf("?/5/ledger.odt", "intact", 2048, 2048, 0), Fell, "was known before"},
		{"its name is known no more", entryOf("?/5/ledger.odt", "intact", 2048, 2048, 0), entryOf("?/7", "intact", 2048, 2048, 0), Fell, "was known before"},
		{"whole, without its folder", entryOf("Casks/ledger.odt", "lost", 2048, 0, 0), entryOf("?/5/ledger.odt", "intact", 2048, 2048, 0), Changed, "was known before"},
		{"its name is found, its folder is not", entryOf("?/7", "intact", 2048, 2048, 0), entryOf("?/5/ledger.odt", "intact", 2048, 2048, 0), Named, ""},
		{"doubtful data failed", entryOf("Casks/ledger.odt", "damaged", 2048, 512, 1536), entryOf("Casks/ledger.odt", "damaged", 2048, 512, 512), Fell, "did not vouch"},
		{"doubtful data failed, other data was read", entryOf("Casks/ledger.odt", "damaged", 2048, 512, 1536), entryOf("Casks/ledger.odt", "damaged", 2048, 1024, 0), Fell, "did not vouch"},
		{"doubtful data was read", entryOf("Casks/ledger.odt", "damaged", 2048, 512, 1024), entryOf("Casks/ledger.odt", "damaged", 2048, 1024, 512), More, ""},
		{"whole, and shorter than what was read", entryOf("Casks/ledger.odt", "damaged", 2048, 1024, 0), entryOf("Casks/ledger.odt", "intact", 512, 512, 0), Changed, "less of its content"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := Results(written(t, nil, nil, c.before), written(t, nil, nil, c.after), nil)
			if err != nil {
				t.Fatal(err)
			}
			list := told(t, r)
			if c.what == "" {
				if len(list) != 0 || r.Worse() {
					t.Errorf("%+v, worse %v", list, r.Worse())
				}
				return
			}
			if len(list) != 1 || list[0].What != c.what || !strings.Contains(list[0].Why, c.why) || r.Worse() != (c.what == Fell || c.what == Changed) {
				t.Errorf("%+v, worse %v; want %s: %s", list, r.Worse(), c.what, c.why)
			}
		})
	}
}

// A doubtful sector that failed in the further pass was unread before too, and
// its data is gone all the same. So is the word on volumes.
func TestWorseSectors(t *testing.T) {
	state := func(state imap.State, at, n int64) []result.Place {
		return resulttest.Unread(state, result.HoldsFiles, [2]int64{at, n})
	}
	none := []result.Place{}
	for _, c := range []struct {
		before, after []result.Place
		want          string
	}{
		{state(imap.Doubtful, 8192, 1024), state(imap.Doubtful, 8192, 1024), ""},
		{state(imap.Doubtful, 8192, 1024), none, ""},
		{state(imap.Failed, 8192, 1024), state(imap.Skipped, 8192, 1024), ""},
		{state(imap.Doubtful, 8192, 1024), state(imap.Failed, 8704, 4096), "1 sector was doubtful before and is failed or not tried now, at byte 8704: "},
		{state(imap.Doubtful, 8192, 1024), state(imap.Skipped, 4096, 65536), "2 sectors were doubtful before and are failed or not tried now, the first at byte 8192: "},
	} {
		r, err := Results(written(t, nil, c.before), written(t, nil, c.after), nil)
		if err != nil {
			t.Fatal(err)
		}
		told := ""
		for _, w := range r.Warnings {
			told += w
		}
		if !strings.HasPrefix(told, c.want) || r.Worse() != (c.want != "" || r.Lost > 0) {
			t.Errorf("%v to %v: %q, worse %v, want %q", c.before, c.after, told, r.Worse(), c.want)
		}
		if c.want == "" && told != "" {
			t.Errorf("%v to %v: %q, want nothing", c.before, c.after, told)
		}
	}
	r, err := Results(written(t, nil, none), written(t, []string{"the second table is unread"}, none), nil)
	if err != nil || !r.Worse() || len(r.Warnings) != 1 || !strings.Contains(r.Warnings[0], "volumes may be missing now, and nothing said so before: the second table is unread") {
		t.Errorf("%v: %q, want a warning on volumes", err, r.Warnings)
	}
}

// A guess that a complete list no longer has was no file.
func TestGuessGone(t *testing.T) {
	chain := entryOf("?/chain-9", "damaged", 2048, 512, 0)
	folder := &result.File{Path: "Casks/ledger.odt", Kind: "folder", Verdict: result.Lost}
	for _, guess := range []*result.File{chain, folder} {
		guess.ID = 77
		for _, complete := range []bool{true, false} {
			named := entryOf("Casks/ledger.odt", "intact", 2048, 2048, 0)
			after := written(t, nil, nil, named)
			after.Volumes[0].Listing.Complete = complete
			before := written(t, nil, nil, guess)
			if guess == chain {
				before = written(t, nil, nil, named, guess)
			}
			c, err := Results(before, after, nil)
			if err != nil {
				t.Fatal(err)
			}
			if c.Worse() == complete || (len(c.Notes) == 1) != complete {
				t.Errorf("%s, complete %v: worse %v, notes %q", guess.Path, complete, c.Worse(), c.Notes)
			}
		}
	}
}
