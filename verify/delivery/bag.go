package delivery

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"strings"

	"fileassay/verify/sheet"
	"fileassay/verify/shown"
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

func manifest(list []sum) []byte {
	slices.SortFunc(list, func(a, b sum) int { return cmp.Compare(a.path, b.path) })
	b := make([]byte, 0, 128*len(list))
	for _, s := range list {
		b = hex.AppendEncode(b, s.sha256[:])
		b = append(b, "  "...)
		b = append(b, encodePath(s.path)...)
		b = append(b, '\n')
	}
	return b
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

// cell is a text from outside as a table shows it.
func cell(s string) string { return sheet.Guard(shown.Text(s)) }

// table makes a CSV file of rows, which the customer may open with a spreadsheet
// program. Their texts are cells.
func table(head []string, rows func(add func(fields ...string))) []byte {
	var b bytes.Buffer
	b.WriteString(sheet.Mark)
	w := csv.NewWriter(&b)
	add := func(fields ...string) { _ = w.Write(fields) } // a Buffer takes all
	add(head...)
	rows(add)
	w.Flush()
	return b.Bytes()
}

// bagFiles are the files of a bag beside its payload, but for the tag manifest.
func bagFiles(p *plan, o *order, links []link, to map[string]*file, listed []byte) (map[string][]byte, error) {
	done := make([]*file, 0, len(p.files))
	left := slices.Clone(p.left)
	for _, f := range p.files {
		if f.failed == "" {
			done = append(done, f)
		} else {
			left = append(left, leftOut{f.volume, f.id, f.original, f.failed})
		}
	}
	var payload []sum
	var octets int64
	for _, f := range done {
		payload = append(payload, sum{payloadName + "/" + f.place, f.sum})
		octets += f.size
	}
	for _, l := range links { // a link is listed with what it leads to
		payload = append(payload, sum{payloadName + "/" + l.place, to[l.place].sum})
		octets += to[l.place].size
	}
	slices.SortFunc(done, func(a, b *file) int { return cmp.Compare(a.place, b.place) })
	files := map[string][]byte{declarationName: []byte(declaration), manifestName: manifest(payload)}
	var info strings.Builder
	fmt.Fprintf(&info, "Bag-Software-Agent: fileassay\n")
	if o.Date != "" {
		fmt.Fprintf(&info, "Bagging-Date: %s\n", o.Date)
	}
	fmt.Fprintf(&info, "Payload-Oxum: %d.%d\n", octets, len(payload))
	fmt.Fprintf(&info, "Source-Result-SHA256: %s\nSelection: %s\nMissing-Bytes-Filler: %s\n", o.Result, o.Selection, o.Filler)
	files[infoName] = []byte(info.String())
	delivered := func(place string) string { return cell(payloadName + "/" + place) }
	files[renamedName] = table([]string{"volume", "id", "delivered", "original", "name_bytes_base64"}, func(add func(...string)) {
		renamed := func(volume int, id uint64, place, original string, exact []byte) {
			if strings.TrimPrefix(place, fmt.Sprintf("%s/", volumeFolder(firstElement(place), volume))) != original || exact != nil {
				add(strconv.Itoa(volume), strconv.FormatUint(id, 10), delivered(place), cell(original), base64.StdEncoding.EncodeToString(exact))
			}
		}
		for _, f := range done {
			renamed(f.volume, f.id, f.place, f.original, f.exact)
		}
		for _, l := range links {
			renamed(l.volume, l.id, l.place, l.original, nil)
		}
	})
	files[missingName] = table([]string{"delivered", "offset", "length"}, func(add func(...string)) {
		for _, f := range done {
			for _, m := range f.missing {
				add(delivered(f.place), strconv.FormatInt(m.off, 10), strconv.FormatInt(m.length, 10))
			}
		}
	})
	files[marksName] = table([]string{"delivered", "mark"}, func(add func(...string)) {
		for _, f := range done {
			switch f.stored {
			case "encrypted":
				add(delivered(f.place), "encrypted: copied as stored, readable only with the owner's key")
			case "elsewhere":
				add(delivered(f.place), "a part of its content was never on this drive")
			}
			if f.damaged && len(f.missing) == 0 {
				add(delivered(f.place), "not proved: metadata that may change its content was not read")
			}
		}
	})
	slices.SortStableFunc(left, func(a, b leftOut) int {
		return cmp.Or(cmp.Compare(a.volume, b.volume), cmp.Compare(a.original, b.original), cmp.Compare(a.id, b.id))
	})
	files[leftName] = table([]string{"volume", "id", "original", "why"}, func(add func(...string)) {
		for _, l := range left {
			add(strconv.Itoa(l.volume), strconv.FormatUint(l.id, 10), cell(l.original), cell(l.why))
		}
	})
	if listed != nil {
		files[wantedName] = listed
	}
	return files, nil
}

func firstElement(p string) string {
	head, _, _ := strings.Cut(p, "/")
	return head
}

// tagManifest lists the digests of a bag's files beside its payload.
func tagManifest(files map[string][]byte) []byte {
	var list []sum
	for name, b := range files {
		list = append(list, sum{name, sha256.Sum256(b)})
	}
	return manifest(list)
}

// writeFile writes a file of a folder whole: beside its name, then renamed. With
// wait it is on the disk before it has its name.
func writeFile(root *os.Root, name string, b []byte, wait bool) error {
	beside := "." + name + ".partial"
	if err := root.Remove(beside); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := root.OpenFile(beside, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err == nil && wait {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = root.Rename(beside, name)
	}
	return err
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
