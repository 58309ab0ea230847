package imap

import (
	"crypto/sha256"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
)

const header = "start,length,state\n"

func TestParse(t *testing.T) {
	tests := []struct {
		name, give string
		limit      int64
		want       []Range
	}{
		{"decimal and hexadecimal", header + "0,512,read\n0x200,0X1ff,failed\n", 0, []Range{{0, 512, Read}, {512, 511, Failed}}},
		{"capitals in hexadecimal", header + "0xAbC,0x1,doubtful\n", 0, []Range{{0xabc, 1, Doubtful}}},
		{"leading zeros are decimal", header + "010,00001,read", 0, []Range{{10, 1, Read}}},
		{"any order", header + "20,10,failed\n0,10,read\n10,10,doubtful\n", 0, []Range{{0, 10, Read}, {10, 10, Doubtful}, {20, 10, Failed}}},
		{"neighbours of one state join", header + "20,10,read\n0,10,read\n10,10,read\n", 0, []Range{{0, 30, Read}}},
		{"skipped is what was not given", header + "0,10,read\n10,10,skipped\n20,10,read\n", 0, []Range{{0, 10, Read}, {20, 10, Read}}},
		{"header alone: all skipped", header, 512, nil},
		{"header alone, no newline", "start,length,state", 512, nil},
		{"no final newline", header + "0,1,read", 0, []Range{{0, 1, Read}}},
		{"line ends of another system", "start,length,state\r\n# so\r\n0,1,read\r\n", 0, []Range{{0, 1, Read}}},
		{"byte order mark", "\xef\xbb\xbf" + header + "0,1,read\n", 0, []Range{{0, 1, Read}}},
		{"byte order mark before a comment", "\xef\xbb\xbf# map\n" + header + "0,1,read\n", 0, []Range{{0, 1, Read}}},
		{"comments and empty lines", "# pass 2, head 1 off\n\n  \n" + header + "\n# here, too, commas\n  # indented\n0,1,read\n\n", 0, []Range{{0, 1, Read}}},
		{"spaces", " start , length , state \n 0 ,\t1 , read \n", 0, []Range{{0, 1, Read}}},
		{"no length says nothing", header + "5,0,failed\n0,10,read\n5,0,read\n", 0, []Range{{0, 10, Read}}},
		{"as far as the image", header + "0,512,read\n", 512, []Range{{0, 512, Read}}},
		{"as far as any drive", header + "0,36028797018963968,read\n", 0, []Range{{0, 1 << 55, Read}}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			m, err := Parse(strings.NewReader(test.give), "a.map", test.limit)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(test.want, slices.Collect(m.Ranges())); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestParseRefuses(t *testing.T) {
	const at2 = "imaging map a.map, line 2: "
	tests := []struct{ name, give, want string }{
		{"empty", "", "imaging map a.map: has no header start,length,state: is this an imaging map?"},
		{"comments alone", "# nothing\n", "imaging map a.map: has no header start,length,state: is this an imaging map?"},
		{"no header", "0,512,read\n", `imaging map a.map, line 1: the first line that is no comment should be the header start,length,state, not "0,512,read"`},
		{"other columns", "#\nstart,end,state\n", `imaging map a.map, line 2: the first line that is no comment should be the header start,length,state, not "start,end,state"`},
		{"header twice", header + header, at2 + `start "start" is no number of bytes (decimal, or hexadecimal after 0x)`},
		{"two fields", header + "0,512\n", at2 + `should be start,length,state, not "0,512"`},
		{"four fields", header + "0,512,read,1\n", at2 + `should be start,length,state, not "0,512,read,1"`},
		{"semicolons", header + "0;512;read\n", at2 + `should be start,length,state, not "0;512;read"`},
		{"quotes", header + `"0","512","read"` + "\n", at2 + `has quotes, which our form does not know: write start,length,state plainly, not "0","512","read"`},
		{"unknown state", header + "0,512,good\n", at2 + `state "good" is none of read, doubtful, failed, skipped`},
		{"state in capitals", header + "0,512,READ\n", at2 + `state "READ" is none of read, doubtful, failed, skipped`},
		{"no state", header + "0,512,\n", at2 + `state "" is none of read, doubtful, failed, skipped`},
		{"comment behind a line", header + "0,512,read # yes\n", at2 + `state "read # yes" is none of read, doubtful, failed, skipped`},
		{"negative start", header + "-1,512,read\n", at2 + `start "-1" is negative`},
		{"negative length", header + "0,-0x10,read\n", at2 + `length "-0x10" is negative`},
		{"negative inside", header + "0,0x-10,read\n", at2 + `length "0x-10" is negative`},
		{"plus", header + "+1,512,read\n", at2 + `start "+1" is no number of bytes (decimal, or hexadecimal after 0x)`},
		{"no start", header + ",512,read\n", at2 + `start is missing`},
		{"hexadecimal without digits", header + "0x,512,read\n", at2 + `start "0x" is no number of bytes (decimal, or hexadecimal after 0x)`},
		{"hexadecimal nonsense", header + "0x12g4,512,read\n", at2 + `start "0x12g4" is no number of bytes (decimal, or hexadecimal after 0x)`},
		{"hexadecimal without its sign", header + "1f,512,read\n", at2 + `start "1f" is no number of bytes (decimal, or hexadecimal after 0x)`},
		{"underscore", header + "1_000,512,read\n", at2 + `start "1_000" is no number of bytes (decimal, or hexadecimal after 0x)`},
		{"fraction", header + "1.5,512,read\n", at2 + `start "1.5" is no number of bytes (decimal, or hexadecimal after 0x)`},
		{"wide digits", header + "١,512,read\n", at2 + `start "١" is no number of bytes (decimal, or hexadecimal after 0x)`},
		{"too large", header + "99999999999999999999999,512,read\n", at2 + `start "99999999999999999999999" is more than any drive holds`},
		{"all bits", header + "0xffffffffffffffff,1,read\n", at2 + `start "0xffffffffffffffff" is more than any drive holds`},
		{"too large and no number", header + "99999999999999999999999x,512,read\n", at2 + `start "99999999999999999999999x" is no number of bytes (decimal, or hexadecimal after 0x)`},
		{"end too large", header + "36028797018963968,1,read\n", at2 + `range of 1 bytes from 36028797018963968 ends past what any drive holds`},
		{"past the image", header + "1024,1024,read\n", at2 + `range ends at byte 2048, past the end of the image at 2047; if the drive is larger than its image, say so with --drive-size`},
		{"wide text", "\xff\xfes\x00t\x00", "imaging map a.map, line 1: is UTF-16 text: save the imaging map as UTF-8"},
		{"an image", strings.Repeat("\x00", 1<<17), "imaging map a.map, line 1: is longer than 64 KiB: this is no imaging map"},
		{"long line", header + strings.Repeat("9", 1<<17), at2 + "is longer than 64 KiB: this is no imaging map"},
		{"long field", header + strings.Repeat("9", 99) + "x,1,read\n", at2 + `start "` + strings.Repeat("9", 60) + `..." is no number of bytes (decimal, or hexadecimal after 0x)`},
		{"overlap", header + "0,512,read\n# so\n511,2,failed\n", "imaging map a.map, line 4: range of 2 bytes from 511 (failed) overlaps that of line 2, 512 bytes from 0 (read): no byte can have two states"},
		{"overlap of one state", header + "0,512,read\n0,512,read\n", "imaging map a.map, line 3: range of 512 bytes from 0 (read) overlaps that of line 2, 512 bytes from 0 (read): no byte can have two states"},
		{"overlap with skipped", header + "0,512,skipped\n5,1,read\n", "imaging map a.map, line 3: range of 1 bytes from 5 (read) overlaps that of line 2, 512 bytes from 0 (skipped): no byte can have two states"},
		{"overlap of joined lines", header + "30,20,read\n0,10,read\n10,10,read\n20,10,read\n15,1,failed\n50,1,read\n", "imaging map a.map, line 6: range of 1 bytes from 15 (failed) overlaps that of line 4, 10 bytes from 10 (read): no byte can have two states"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			_, err := Parse(strings.NewReader(test.give), "a.map", 2047)
			if strings.Contains(test.name, "too large") || test.name == "all bits" {
				_, err = Parse(strings.NewReader(test.give), "a.map", 0)
			}
			line, ok := errors.AsType[*LineError](err)
			if !ok {
				t.Fatalf("got %v, want a LineError", err)
			}
			if diff := cmp.Diff(test.want, line.Error()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestParseStream(t *testing.T) {
	// a stream cannot be read twice: the ranges are named without their lines
	_, err := Parse(iotest.OneByteReader(strings.NewReader(header+"0,9,read\n8,9,failed\n")), "a.map", 0)
	if over, ok := errors.AsType[*OverlapError](err); !ok || over.B.Start != 8 {
		t.Errorf("got %v, want the overlap", err)
	}
	broken := errors.New("the cable came out")
	_, err = Parse(io.MultiReader(strings.NewReader(header+"0,9,read\n"), iotest.ErrReader(broken)), "a.map", 0)
	if !errors.Is(err, broken) || !strings.Contains(err.Error(), "a.map: reading line 3") {
		t.Errorf("got %v", err)
	}
	// from where the reader stands
	r := strings.NewReader("skip this" + header + "0,9,read\n0,9,read\n")
	if _, err := r.Seek(9, io.SeekStart); err != nil {
		t.Fatal(err)
	}
	_, err = Parse(r, "a.map", 0)
	if line, ok := errors.AsType[*LineError](err); !ok || line.Line != 3 {
		t.Errorf("got %v, want line 3", err)
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	text := header + "0,512,read\n"
	path := write("good.map", text)
	f, err := Load(path, 512)
	if err != nil {
		t.Fatal(err)
	}
	if f.Path != path || f.SHA256 != sha256.Sum256([]byte(text)) {
		t.Errorf("path %q, sum %x", f.Path, f.SHA256)
	}
	if diff := cmp.Diff([]Range{{0, 512, Read}}, slices.Collect(f.Ranges())); diff != "" {
		t.Error(diff)
	}

	path = write("overlap.map", header+"0,512,read\n0,1,failed\n")
	_, err = Load(path, 0)
	if line, ok := errors.AsType[*LineError](err); !ok || line.Line != 3 || !strings.Contains(err.Error(), path) {
		t.Errorf("overlap: %v", err)
	}
	if _, err = Load(dir, 0); err == nil || !strings.Contains(err.Error(), "is a folder") {
		t.Errorf("folder: %v", err)
	}
	if _, err = Load(filepath.Join(dir, "none.map"), 0); !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "none.map") {
		t.Errorf("missing: %v", err)
	}
	if os.Getuid() > 0 { // root reads what no one may
		path = write("locked.map", text)
		if err := os.Chmod(path, 0); err != nil {
			t.Fatal(err)
		}
		if _, err = Load(path, 0); !errors.Is(err, fs.ErrPermission) {
			t.Errorf("unreadable: %v", err)
		}
	}
}

// A map where every line overlaps every other is refused by two passes, not by
// comparing all pairs.
func TestManyOverlaps(t *testing.T) {
	text := header + strings.Repeat("0,1,read\n", 300_000)
	_, err := Parse(strings.NewReader(text), "a.map", 0)
	if line, ok := errors.AsType[*LineError](err); !ok || line.Line != 3 {
		t.Errorf("got %v, want line 3", err)
	}
}

// The room for ranges follows what the file shows to hold, not what it could.
func TestRoomIsBounded(t *testing.T) {
	var m Map
	add := func(i int) { m.add(Range{int64(i) * 10, 5, Read}, 100, 1<<50) }
	add(0)
	if m.list.Cap() > 1<<10 {
		t.Errorf("room for %d ranges when one was seen", m.list.Cap())
	}
	n := m.list.Cap()
	for i := range n {
		add(i + 1)
	}
	if m.list.Cap() < n+n/4 || m.list.Cap() > 9*n {
		t.Errorf("grew from %d to %d", n, m.list.Cap())
	}
}

func FuzzParse(f *testing.F) {
	f.Add(header+"0,512,read\n0x200,0x200,failed\n1024,5,doubtful\n", int64(4096))
	f.Add("\xef\xbb\xbf# pass 2\r\n"+header+"4096,512,skipped\r\n0,4096,read", int64(0))
	f.Add(header+"0,512,read\n511,2,failed\n", int64(1024))
	f.Add(header+"36028797018963968,1,read\n\"0\",1,read", int64(-1))
	f.Fuzz(func(t *testing.T, text string, limit int64) {
		m, err := Parse(strings.NewReader(text), "a.map", limit)
		if err != nil {
			if m != nil || !strings.HasPrefix(err.Error(), "imaging map a.map") {
				t.Fatalf("map %v with error %v", m, err)
			}
			if line, ok := errors.AsType[*LineError](err); !ok || line.Line > strings.Count(text, "\n")+1 {
				t.Fatalf("%v does not name a line", err)
			}
			return
		}
		pos, state := int64(-1), Skipped
		for r := range m.Ranges() {
			if r.Start < pos || r.Length <= 0 || r.State == Skipped || r.Start == pos && r.State == state {
				t.Fatalf("%v follows on %d %v", r, pos, state)
			}
			pos, state = r.End(), r.State
		}
		if pos > m.End() || limit > 0 && m.End() > limit {
			t.Fatalf("the last range ends at %d, the map at %d, the drive at %d", pos, m.End(), limit)
		}
		// the form of it is read as the same map
		again, err := Parse(strings.NewReader(write(m)), "again", 0)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(slices.Collect(m.Ranges()), slices.Collect(again.Ranges())); diff != "" {
			t.Fatal(diff)
		}
	})
}

func write(m *Map) string {
	b := []byte(header)
	for r := range m.Ranges() {
		b = strconv.AppendInt(b, r.Start, 10)
		b = append(b, ',')
		b = strconv.AppendInt(b, r.Length, 10)
		b = append(b, ',')
		b = append(b, r.State.String()...)
		b = append(b, '\n')
	}
	return string(b)
}
