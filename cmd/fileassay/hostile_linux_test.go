package main

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"fileassay/extract/ntfs/ntfsimage"
)

// hostile is a name that takes a terminal and its neighbours over: an escape
// sequence, controls, marks of direction, separators of lines, a tag, a byte
// that is no UTF-8.
const hostile = "n\x1b[31m\u0085\u009b2J\x7f\u202etxt\u2066\u2069\u200e\u200f\u061c\u2028\u2029\ufeff\U000e0041\xff\r\n"

// raw says where a text holds what acts on a terminal, but for line ends and
// tabs; "" where it does not.
func raw(text []byte) string {
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRune(text[i:])
		if r == utf8.RuneError && n == 1 || r != '\n' && r != '\t' && unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp) {
			return fmt.Sprintf("%q in %q", text[i:i+n], text[max(i-40, 0):min(i+40, len(text))])
		}
		i += n
	}
	return ""
}

// rawTable is raw of a table by the end of its name: CSV has line ends and a
// mark of its own, spreadsheets are packed.
func rawTable(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	switch {
	case strings.Contains(path, ".csv"):
		data = bytes.ReplaceAll(bytes.TrimPrefix(data, []byte("\ufeff")), []byte("\r\n"), []byte("\n"))
	case strings.Contains(path, ".xlsx"):
		z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range z.File {
			r, err := f.Open()
			if err != nil {
				t.Fatal(err)
			}
			part, err := io.ReadAll(r)
			if err != nil {
				t.Fatal(err)
			}
			if found := raw(part); found != "" {
				return f.Name + ": " + found
			}
		}
		return ""
	}
	return raw(data)
}

// hostileImage is a volume whose names are hostile, as far as NTFS holds them.
func hostileImage() []byte {
	v := ntfsimage.New(ntfsimage.Params{Sector: 512, Cluster: 4096, Record: 1024, Index: 4096, Clusters: 1000, Records: 80})
	name := strings.ToValidUTF8(hostile, "")
	add := func(parent uint64, name string) {
		v.Add(ntfsimage.File{Names: []ntfsimage.Name{{Parent: parent, Text: name}}, Streams: []ntfsimage.Stream{{Data: ntfsimage.Content(7, 5000)}}})
	}
	const root = 5
	add(root, name)
	add(root, name+".jpg")
	add(root, "=1+1\u202e")
	add(root, strings.Repeat("\u202e", 120)) // too long for a target
	in := v.AddFolder(root, name+"folder")
	add(in, "plain.txt")
	add(in, name)
	return v.Finish().Image
}

// What comes from outside, names of files, arguments, patterns, lists, labels
// and the drive's own names, acts on no terminal and in no table.
func TestHostileShown(t *testing.T) {
	b := newBench(t)
	img := hostile + ".img"
	image := hostileImage()
	b.write(img, image)
	b.write(hostile+"copy.img", image)
	b.write(hostile+"map", fmt.Appendf(nil, "start,length,state\n0,%d,read\n", len(image)))
	b.write(hostile+"worn", fmt.Appendf(nil, "start,length,state\n0,%d,read\n%d,%d,failed\n", len(image)-4096*700, len(image)-4096*400, 4096*100))
	b.write(hostile+"bad", []byte("start,length,state\n0,512,"+hostile+"\n"))
	b.write(hostile+"list", []byte("7 "+strings.NewReplacer("\r\n", "", "[", `\[`).Replace(hostile)+"*\n1 **\n"))
	b.write(hostile+"badlist", []byte("1 kind:"+hostile))
	b.write("badglob", []byte("1 {"+hostile))
	b.write("words", []byte("0|512|x\u202e\x1b\n512|512|y\u2066\x7f\n1024|1024|x\u202e\x1b\n"))
	b.write(hostile+"job.toml", []byte("job = 'B\u202e'\ncustomer = \"\\u001b\\u202e\"\n"))
	b.write("badjob.toml", []byte("\"no\\u202e\\u001b\" = 1\n"))
	b.write(hostile+"recipe", []byte("\"k\\u202e\" = 1\n"))
	said := ""
	run := func(args ...string) int {
		t.Helper()
		var stdout, stderr bytes.Buffer
		c := b.command(args...)
		c.Stdout, c.Stderr = &stdout, &stderr
		_ = c.Run()
		for where, text := range map[string][]byte{"stdout": stdout.Bytes(), "stderr": stderr.Bytes()} {
			if found := raw(text); found != "" {
				t.Errorf("%q: %s has %s", args, where, found)
			}
		}
		if c.ProcessState.ExitCode() >= exitUsage && strings.Count(stderr.String(), "\n") != 1 && args[0] != "__complete" {
			t.Errorf("%q: exit %d, and no single message:\n%s", args, c.ProcessState.ExitCode(), &stderr)
		}
		said = stderr.String()
		return c.ProcessState.ExitCode()
	}
	good := func(args ...string) {
		t.Helper()
		if exit := run(args...); exit >= exitUsage {
			t.Errorf("%q: exit %d: %s", args, exit, said)
		}
	}
	res, worn, to := hostile+"r.jsonl", hostile+"w.jsonl", hostile+"delivery"

	// arguments
	for _, args := range [][]string{
		{hostile}, {"help", hostile}, {"map", hostile}, {"--" + hostile}, {"verify", "--" + hostile}, {"verify", img, hostile}, {"__complete", "verify", "--" + hostile},
		{"verify", hostile}, {"verify", hostile, "--map", hostile}, {"verify", img, "--map", hostile}, {"verify", img, "--map", hostile + "bad"},
		{"verify", img, "--map", hostile + "map", "--wanted", hostile + "badlist"}, {"verify", img, "--map", hostile + "map", "--wanted", "badglob"},
		{"verify", img, "--map", hostile + "map", "--heads", hostile}, {"verify", img, "--assume-read", "--codepage", hostile}, {"verify", img, "--assume-read", "--drive-size", hostile},
		{"verify", img, "--assume-read", "-o", "no/" + hostile}, {"verify", img, "--map", hostile + "map", "--map-recipe", hostile + "recipe"},
		{"layout", hostile, "--assume-read"}, {"layout", img, "--assume-read", "--filesystem", hostile, "--volume-at", "0"},
		{"report", hostile}, {"report", img}, {"report", res, "--for", hostile}, {"report", res, "--job", "badjob.toml"}, {"report", res, "--logo", hostile, "--html", "p.html"},
		{"reread", hostile}, {"reread", img, "--wanted", hostile + "badlist"}, {"reread", res, "--list", "-", "--format", "{{" + hostile},
		{"compare", hostile, hostile}, {"extract", hostile, hostile, "--to", to}, {"extract", img, res, "--to", to, "--path", "{" + hostile},
		{"extract", img, res, "--to", to, "--verdict", hostile}, {"extract", img, res, "--to", to, "--filler", hostile}, {"extract", img, res, "--to", to, "--date", hostile},
		{"audit", hostile}, {"audit", ".", "--result", hostile}, {"audit", ".", "--path", "[" + hostile},
		{"map", "show", hostile}, {"map", "show", hostile + "bad"}, {"map", "convert", hostile + "bad"}, {"map", "learn", hostile}, {"map", "learn", hostile + "bad"},
		{"map", "from-filler", hostile, "--filler", hostile}, {"map", "from-filler", img, "--filler", hostile, "--state", hostile}, {"demo", "--to", "badglob/" + hostile}, {"demo", hostile},
	} {
		run(args...)
	}

	// runs that succeed
	verifyAs := func(m, out string) []string {
		return []string{"verify", img, "--map", m, "--wanted", hostile + "list", "-o", out, "--force"}
	}
	for _, args := range [][]string{verifyAs(hostile+"map", res), verifyAs(hostile+"worn", worn),
		{"layout", img, "--map", hostile + "worn"}, {"report", res}, {"report", worn}, {"reread", worn, "--wanted", hostile + "list"}, {"compare", worn, res},
		{"compare", worn, res, "--image-before", hostile + "copy.img", "--image-after", img}, {"map", "show", hostile + "worn", "--image", img}, {"map", "learn", "words"}, {"map", "learn", "words", "--accept"},
		{"extract", img, res, "--to", to, "--path", "**", "--path", strings.ReplaceAll(hostile, "[", `\[`)}, {"audit", to, "--result", res, "--image", img}} {
		good(args...)
		switch args[0] {
		case "extract":
			args[4] += " again"
		}
		good(append(args, "--json")...)
	}
	good("demo", "--to", hostile+"demo")
	good("verify", img, "--map", hostile+"worn", "-o", hostile+"h.jsonl", "--html", hostile+"h.html", "--job", hostile+"job.toml")
	for _, reader := range []string{"customer", "bench"} {
		good("report", worn, "--for", reader, "--html", hostile+reader+".html", "--csv", hostile+reader+".csv", "--xlsx", hostile+reader+".xlsx",
			"--customer", hostile, "--remarks", hostile, "--job", hostile+"job.toml")
	}
	good("reread", worn, "--list", hostile+"list.csv", "--html", hostile+"plan.html", "--wanted", hostile+"list")
	good("compare", worn, res, "--html", hostile+"won.html", "--wanted", hostile+"list")
	good("map", "merge", hostile+"map", hostile+"worn", "-o", hostile+"merged.csv")
	good("map", "merge", hostile+"map", hostile+"worn")
	filled := make([]byte, 16*512)
	for i := range 8 {
		copy(filled[i*1024:], hostile)
	}
	b.write(hostile+"filled", filled)
	good("map", "from-filler", hostile+"filled", "--filler", hostile, "--prefix", "-o", hostile+"filler.csv")

	// a delivery that was tampered with
	if err := os.WriteFile(filepath.Join(b.dir, to, "data", hostile), []byte("x"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(b.dir, to, "manifest-sha256.txt"), []byte(strings.Repeat("0", 64)+"  data/"+strings.NewReplacer("\r", "%0D", "\n", "%0A").Replace(hostile)+"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"audit", to}, {"audit", to, "--json"}, {"audit", to, "--result", res, "--image", img}, {"extract", img, res, "--to", to}} {
		run(args...)
	}

	tables := 0
	err := filepath.WalkDir(b.dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() || strings.Contains(path, "manifest") {
			return err // a manifest is exact (RFC 8493, 2.1.3)
		}
		switch filepath.Ext(path) {
		case ".csv", ".xlsx", ".html":
			tables++
			if found := rawTable(t, path); found != "" {
				t.Errorf("%q has %s", path, found)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if tables < 20 {
		t.Errorf("only %d tables were made", tables)
	}
	renamed, err := os.ReadFile(filepath.Join(b.dir, to, "renamed.csv"))
	if err != nil || !bytes.Contains(renamed, []byte(`\u202etxt\u2066`)) {
		t.Errorf("renamed.csv, %v:\n%s", err, renamed)
	}
}
