package delivery

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"strings"

	"fileassay/extract/input"
)

// The files of a bag [RFC 8493 2.1, 2.2], and ours beside them.
const (
	declarationName = "bagit.txt"
	infoName        = "bag-info.txt"
	manifestName    = "manifest-sha256.txt"
	tagManifestName = "tagmanifest-sha256.txt"

	renamedName = "renamed.csv"  // names that were made safe
	missingName = "missing.csv"  // ranges that the drive did not give
	marksName   = "marks.csv"    // files whose content is not what it seems
	leftName    = "left-out.csv" // what was chosen and is not here
	wantedName  = "wanted.txt"   // the list that chose

	payloadName = "data"
	partialName = "data.partial" // the payload until all of it is there
)

// declaration is the bag declaration [RFC 8493 2.1.1].
const declaration = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"

// encodePath makes a path fit for a line of a manifest [RFC 8493 2.1.3]: CR,
// LF and % are percent-encoded, and nothing else.
func encodePath(p string) string {
	return pathEncoder.Replace(p)
}

// decodePath undoes encodePath. Other uses of % stay as they are, since other
// writers of bags leave % alone.
func decodePath(p string) string {
	return pathDecoder.Replace(p)
}

var (
	pathEncoder = strings.NewReplacer("%", "%25", "\r", "%0D", "\n", "%0A")
	pathDecoder = strings.NewReplacer("%25", "%", "%0D", "\r", "%0d", "\r", "%0A", "\n", "%0a", "\n")
)

// writeManifest writes a manifest of what comes in the order of its paths.
func writeManifest(w io.Writer, list iter.Seq2[string, [32]byte]) error {
	for path, sum := range list {
		if _, err := fmt.Fprintf(w, "%x  %s\n", sum, encodePath(path)); err != nil {
			return err
		}
	}
	return nil
}

// manifestLine is a file with its digest, as a manifest has it.
type manifestLine struct {
	path   string
	sha256 [32]byte
}

// maxLine bounds the bytes of a line of a bag's files, and of a row of a table.
const maxLine = 1 << 20

var errLongLine = fmt.Errorf("is longer than %d bytes", maxLine)

// lines yields the lines of a text; each is overwritten by the next.
func lines(r io.Reader) iter.Seq2[[]byte, error] {
	return func(yield func([]byte, error) bool) {
		s := bufio.NewScanner(r)
		s.Buffer(nil, maxLine)
		s.Split(splitLines)
		for s.Scan() {
			if !yield(s.Bytes(), nil) {
				return
			}
		}
		err := s.Err()
		if errors.Is(err, bufio.ErrTooLong) {
			err = errLongLine
		}
		if err != nil {
			yield(nil, err)
		}
	}
}

// manifestLines reads a manifest: a digest, blanks or tabs, and a path on each
// line [RFC 8493 2.1.3].
func manifestLines(r io.Reader) iter.Seq2[manifestLine, error] {
	return func(yield func(manifestLine, error) bool) {
		n := 0
		for line, err := range lines(r) {
			if n++; err == nil && len(line) == 0 {
				continue
			}
			var l manifestLine
			if err == nil {
				l, err = parseManifestLine(line)
			}
			if err != nil {
				err = fmt.Errorf("line %d: %w", n, err)
			}
			if !yield(l, err) || err != nil {
				return
			}
		}
	}
}

// splitLines parts lines at CR, LF, or CR LF.
func splitLines(data []byte, atEnd bool) (next int, line []byte, err error) {
	i := bytes.IndexAny(data, "\r\n")
	switch {
	case i < 0 && atEnd && len(data) > 0:
		return len(data), data, nil
	case i < 0 || data[i] == '\r' && i+1 == len(data) && !atEnd: // an LF may follow
		return 0, nil, nil
	case bytes.HasPrefix(data[i:], []byte("\r\n")):
		return i + 2, data[:i], nil
	}
	return i + 1, data[:i], nil
}

func parseManifestLine(line []byte) (l manifestLine, err error) {
	i := bytes.IndexAny(line, " \t")
	if i != 64 {
		return l, errors.New("no SHA-256 stands at its begin")
	}
	if _, err := hex.Decode(l.sha256[:], bytes.ToLower(line[:i])); err != nil {
		return l, err
	}
	l.path = decodePath(string(bytes.TrimLeft(line[i:], " \t")))
	l.path = strings.TrimPrefix(l.path, "./")
	if !fs.ValidPath(l.path) {
		return l, fmt.Errorf("path %q reaches out of the bag", short(l.path))
	}
	return l, nil
}

// bagFile is a file of a bag beside its payload.
type bagFile struct {
	name  string
	write func(w io.Writer) error
}

// bagFiles are the files of a bag beside its payload, but for its declaration
// and the tag manifest.
func (h *held) bagFiles(o *order, listed []byte) []bagFile {
	list := []bagFile{
		{manifestName, func(w io.Writer) error {
			return writeManifest(w, func(yield func(string, [32]byte) bool) {
				for place, f := range h.payload() {
					if !yield(payloadName+"/"+h.paths.String(place), f.sum) {
						return
					}
				}
			})
		}},
		{infoName, func(w io.Writer) error { return h.writeInfo(w, o) }},
	}
	for _, t := range h.tables() {
		list = append(list, bagFile{t.name, t.write})
	}
	if listed != nil {
		list = append(list, bagFile{wantedName, func(w io.Writer) error { _, err := w.Write(listed); return err }})
	}
	return list
}

// The labels of bag-info.txt that are ours.
const (
	agentLabel     = "Bag-Software-Agent"
	agent          = "fileassay"
	dateLabel      = "Bagging-Date"
	oxumLabel      = "Payload-Oxum"
	resultLabel    = "Source-Result-SHA256"
	selectionLabel = "Selection"
	fillerLabel    = "Missing-Bytes-Filler"
	wantedLabel    = "Wanted-List-SHA256"
)

// writeInfo writes bag-info.txt: what was asked for, and how much was delivered.
func (h *held) writeInfo(w io.Writer, o *order) error {
	var octets, count int64
	for _, f := range h.payload() {
		octets += f.size
		count++
	}
	var b strings.Builder
	put := func(label, value string) {
		if value != "" {
			fmt.Fprintf(&b, "%s: %s\n", label, value)
		}
	}
	put(agentLabel, agent)
	put(dateLabel, o.Date)
	put(oxumLabel, oxum(octets, count))
	put(resultLabel, o.Result)
	put(selectionLabel, o.Selection)
	put(wantedLabel, o.Wanted)
	put(fillerLabel, o.Filler)
	_, err := io.WriteString(w, b.String())
	return err
}

// oxum is a payload's size as bag-info.txt has it.
func oxum(octets, count int64) string { return fmt.Sprintf("%d.%d", octets, count) }

// writeFile writes a file of a folder whole: beside its name, then renamed. With
// wait it is on the disk before it has its name. It returns the file's digest.
func writeFile(root *os.Root, name string, wait bool, write func(w io.Writer) error) (sum [32]byte, err error) {
	beside := "." + name + ".partial"
	if err := root.Remove(beside); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return sum, err
	}
	f, err := root.OpenFile(beside, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return sum, err
	}
	h := sha256.New()
	w := bufio.NewWriterSize(io.MultiWriter(f, h), 64<<10)
	err = write(w)
	if err == nil {
		err = w.Flush()
	}
	if err == nil && wait {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = root.Rename(beside, name)
	}
	h.Sum(sum[:0])
	return sum, err
}

// readFile reads a file of a folder, up to limit bytes.
func readFile(root *os.Root, name string, limit int64) ([]byte, error) {
	f, err := input.OpenIn(root, name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err == nil && int64(len(b)) > limit {
		err = fmt.Errorf("has more than %d bytes", limit)
	}
	return b, err
}
