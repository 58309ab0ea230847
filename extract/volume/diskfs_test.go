package volume

import (
	"bytes"
	"errors"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/diskfs/go-diskfs/backend"

	"fileassay/extract/image"
)

// go-diskfs reads the image through the map or not at all, and never writes.
func TestStorage(t *testing.T) {
	disk := bytes.Repeat([]byte{7}, 8*sec)
	s := newStorage(reader(t, disk, sec, unread{2 * sec, sec}))
	if _, err := s.Writable(); !errors.Is(err, backend.ErrIncorrectOpenMode) {
		t.Errorf("Writable gives %v", err)
	}
	if _, err := s.Sys(); err == nil {
		t.Error("Sys gives a file to read past the map with")
	}
	var no *image.UnreadError
	if _, err := s.ReadAt(make([]byte, sec), 2*sec); !errors.As(err, &no) {
		t.Errorf("an unread sector gives %v", err)
	}
	if n, err := s.Seek(-sec, io.SeekEnd); err != nil || n != 7*sec {
		t.Errorf("seek to the last sector gives %d, %v", n, err)
	}
	if b, err := io.ReadAll(s); err != nil || !bytes.Equal(b, disk[7*sec:]) {
		t.Errorf("the last sector reads as %d bytes, %v", len(b), err)
	}
	if _, err := s.Seek(-1, io.SeekStart); err == nil {
		t.Error("seeks to before the image")
	}
	if st, err := s.Stat(); err != nil || st.Size() != int64(len(disk)) {
		t.Errorf("size %v, %v", st, err)
	}
}

// A second reading that finds other partitions is said.
func TestSecondOpinion(t *testing.T) {
	r := reader(t, gptDisk(t, sec), sec)
	boot := readBootSector(r, "master boot record", 0)
	tab := readGPT(r, &boot)
	if got := secondOpinion(r, tab); len(got) != 0 {
		t.Errorf("on the same table: %q", got)
	}
	tab.partitions[1].Length += sec
	if got := secondOpinion(r, tab); len(got) != 1 || !strings.Contains(got[0], "disagrees on GPT entry 3") {
		t.Errorf("on another length: %q", got)
	}
	tab.partitions = tab.partitions[:1]
	if got := secondOpinion(r, tab); len(got) != 1 || !strings.Contains(got[0], "2 partitions where this one finds 1") {
		t.Errorf("on a partition left out: %q", got)
	}
}

// go-diskfs turns unread areas into zeros in its filesystem packages, and hangs
// on loops: nothing that makes verdicts may rest on them.
func TestNoForeignFilesystems(t *testing.T) {
	files := 0
	for _, root := range []string{"..", "../../verify"} {
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if errors.Is(err, fs.ErrNotExist) && path == root {
				return nil
			}
			if err != nil || d.IsDir() || filepath.Ext(path) != ".go" || strings.HasSuffix(path, "_test.go") {
				return err
			}
			files++
			f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
			if err != nil {
				return err
			}
			for _, im := range f.Imports {
				name, err := strconv.Unquote(im.Path.Value)
				if err != nil {
					return err
				}
				if strings.HasPrefix(name, "github.com/diskfs/go-diskfs/filesystem") {
					t.Errorf("%s imports %s", path, name)
				}
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	}
	if files < 20 {
		t.Errorf("only %d files were looked at", files)
	}
}
