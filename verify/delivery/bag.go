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
	if !strings.ContainsAny(p, "%\r\n") {
		return p
	}
	return strings.NewReplacer("%", "%25", "\r", "%0D", "\n", "%0A").Replace(p)
}

// decodePath undoes encodePath. Other uses of % stay as they are, since other
// writers of bags leave % alone.
func decodePath(p string) string {
	if !strings.Contains(p, "%") {
		return p
	}
	return strings.NewReplacer("%25", "%", "%0D", "\r", "%0d", "\r", "%0A", "\n", "%0a", "\n").Replace(p)
}

// sum is a file with its digest, as a manifest has it.
type sum struct {
	path   string
	sha256 [32]byte
}

// writeManifest writes a manifest of what comes in the order of its paths.
func writeManifest(w io.Writer, list iter.Seq2[string, [32]byte]) error {
	var b []byte
	for path, sum := range list {
		b = hex.AppendEncode(b[:0], sum[:])
		b = append(b, "  "...)
		b = append(b, encodePath(path)...)
		b = append(b, '\n')
		if _, err := w.Write(b); err != nil {
			return err
		}
	}
	return nil
}

// parseManifest reads a manifest: a digest, blanks or tabs, and a path on each
// line [RFC 8493 2.1.3].
func parseManifest(b []byte) ([]sum, error) {
	var out []sum
	for n := 1; len(b) > 0; n++ {
		line := b
		if i := bytes.IndexAny(b, "\r\n"); i >= 0 {
			line = b[:i]
			b = bytes.TrimPrefix(b[i:], []byte("\r"))
			b = bytes.TrimPrefix(b, []byte("\n"))
		} else {
			b = nil
		}
		if len(line) == 0 {
			continue
		}
		var s sum
		i := bytes.IndexAny(line, " \t")
		if i != 64 {
			return nil, fmt.Errorf("line %d: no SHA-256 stands at its begin", n)
		}
		if _, err := hex.Decode(s.sha256[:], bytes.ToLower(line[:i])); err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
		s.path = decodePath(string(bytes.TrimLeft(line[i:], " \t")))
		s.path = strings.TrimPrefix(s.path, "./")
		if !fs.ValidPath(s.path) {
			return nil, fmt.Errorf("line %d: path %q reaches out of the bag", n, s.path)
		}
		out = append(out, s)
	}
	return out, nil
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
					if !yield(payloadName+"/"+place, f.sum) {
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
	f, err := root.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err == nil && int64(len(b)) > limit {
		err = fmt.Errorf("%s has more than %d bytes", name, limit)
	}
	return b, err
}
