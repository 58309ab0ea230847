package result

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"fileassay/extract/input"
	"fileassay/verify/files"
)

// Bounds of what is read of a result to learn what it names.
const (
	maxFirst = 64 << 20 // the line of the image
	maxLast  = 1 << 20  // the line of the summary
)

// Protect protects a result and the files that it names: its image, with all
// parts, its maps and the wanted list. Only its first line and its last one are
// read, and that they are good is for [Open] to say. An error is an
// [*files.InputError].
func Protect(s *files.Set, path string) error {
	s.Protect(path)
	f, err := input.Open("result", path)
	if err != nil {
		return &files.InputError{Err: err}
	}
	defer f.Close()
	first, err := bufio.NewReader(io.LimitReader(f, maxFirst)).ReadBytes('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return &files.InputError{Err: fmt.Errorf("result %s: %w", path, err)}
	}
	if len(first) == maxFirst {
		return &files.InputError{Err: fmt.Errorf("result %s: its first line has more than %d bytes; make it again with verify", path, maxFirst)}
	}
	folder := named(first, "folder")
	for _, name := range []string{named(first, "path"), named(first, "parts", "first")} {
		for _, p := range places(path, folder, name) {
			s.ProtectImage(p, false)
		}
	}
	for _, name := range []string{named(first, "map", "path"), named(first, "heads", "path"), named(lastOf(f), "wanted", "list")} {
		s.Protect(places(path, folder, name)...)
	}
	return nil
}

// lastOf is the last line of a result; nil where it is long.
func lastOf(f *os.File) []byte {
	st, err := f.Stat()
	if err != nil {
		return nil
	}
	from := max(0, st.Size()-maxLast)
	tail := make([]byte, st.Size()-from)
	if _, err := f.ReadAt(tail, from); err != nil {
		return nil
	}
	tail = bytes.TrimSuffix(tail, []byte{'\n'})
	return tail[bytes.LastIndexByte(tail, '\n')+1:]
}

// named is the text under keys of an object of objects, "" where there is none.
func named(line []byte, keys ...string) string {
	for _, k := range keys {
		var fields map[string]json.RawMessage
		if json.Unmarshal(line, &fields) != nil {
			return ""
		}
		line = fields[k]
	}
	var s string
	if json.Unmarshal(line, &s) != nil {
		return ""
	}
	return s
}

// places are where a file may lie that a result names: a path that is not
// absolute counts from the folder that verify ran in. Where the files were moved
// since, that may be the present one, the result's, or one above that.
func places(result, folder, name string) []string {
	if name == "" || filepath.IsAbs(name) {
		return []string{name}
	}
	list := []string{name}
	if folder != "" {
		list = append(list, filepath.Join(folder, name))
	}
	dir, err := filepath.Abs(filepath.Dir(result))
	if err != nil {
		return list
	}
	for {
		list = append(list, filepath.Join(dir, name))
		up := filepath.Dir(dir)
		if up == dir {
			return list
		}
		dir = up
	}
}
