package delivery

import (
	"bytes"
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"runtime"
	"slices"
	"strings"
	"time"

	"fileassay/extract/image"
	"fileassay/extract/input"
	"fileassay/extract/unpack"
	"fileassay/verify/paths"
)

// look tells of a time or mode that is another.
func (a *audit) look(path, what, format string, v ...any) {
	if a.few(Finding{Path: payloadName, What: what, Note: !a.o.Times}) {
		a.add(Finding{path, what, fmt.Sprintf(format, v...), !a.o.Times})
	}
}

// looks holds the time and the mode of a file to those it was delivered with.
// Which modes a target holds, and what the one who made the delivery took from
// all of them, its declaration tells: that was made as all files are.
func (a *audit) looks(path string, x *entry, when time.Time, runs bool) {
	a.timeOf(path, x, when)
	plain := a.entry(declarationName).mode
	const program = 0o111
	good := x.mode == plain
	if runs && runtime.GOOS != "windows" {
		rest := x.mode | program
		good = x.mode&0o100 != 0 && (rest == plain|program || rest == 0o755)
	}
	switch {
	case good:
	case runs:
		a.look(path, FoundMode, "its mode %v should be that of a program", x.mode)
	default:
		a.look(path, FoundMode, "its mode %v should be that of %s", x.mode, declarationName)
	}
}

func (a *audit) timeOf(path string, x *entry, when time.Time) {
	off := x.modified - when.UnixNano()
	if !when.IsZero() && (off <= -int64(timeSlack) || off >= int64(timeSlack)) {
		a.look(path, FoundTime, "is of %s, should be of %s", time.Unix(0, x.modified).UTC().Format(time.RFC3339), when.UTC().Format(time.RFC3339))
	}
}

// leftKey is how a row of left-out.csv names an entry.
func leftKey(volume int, id uint64, original string) key {
	return keyOf(fmt.Sprintf("%d,%d,%s", volume, id, cell(original)))
}

// excuses are the rows of left-out.csv with reasons that are not in the result,
// by leftKey.
func (a *audit) excuses() map[key]paths.Path {
	out := map[key]paths.Path{}
	f, err := input.OpenIn(a.root, leftName)
	if err != nil {
		return out
	}
	defer f.Close()
	for row, err := range records(f) {
		if err != nil {
			break
		}
		if len(row) != 4 {
			continue
		}
		why := row[3]
		if strings.HasPrefix(why, becauseImage) || strings.HasPrefix(why, becausePacked) || strings.HasSuffix(why, becauseTarget) {
			out[keyOf(strings.Join(row[:3], ","))] = a.paths.Add(why)
		}
	}
	return out
}

// gone reports whether nothing at all stands under a name.
func (a *audit) gone(path string) bool {
	_, err := a.root.Lstat(path)
	return errors.Is(err, fs.ErrNotExist)
}

// absent judges a file that the plan has and the folder has not. left-out.csv
// may say that the image did not give it: that is taken for true where there is
// no image to try it with, and said.
func (a *audit) absent(ctx context.Context, r *image.Reader, path string, f *file, c *content, excuses map[key]paths.Path) error {
	original := a.paths.String(f.original)
	why := a.paths.String(excuses[leftKey(f.volume, f.id, original)])
	packed := strings.HasPrefix(why, becausePacked) && len(c.units) > 0
	if !packed && !(strings.HasPrefix(why, becauseImage) && c.bytes() > 0) || !a.gone(path) {
		a.found(path, FoundMissing, "is in the result, for %q", original)
		return nil
	}
	if r != nil {
		now, err := c.try(ctx, r)
		if err != nil {
			return err
		}
		if now == "" {
			a.found(path, FoundMissing, "is in the result, for %q, and left out (%q), yet the image gives it", original, why)
			return nil
		}
		if packed && strings.HasPrefix(now, becausePacked) {
			why = now
		}
	}
	f.failed = why
	a.note(path, FoundLeft, "%q", why)
	return nil
}

// try reads all that the image holds of a file's content. why is the reason
// that it does not come, "" where it comes.
func (c *content) try(ctx context.Context, r *image.Reader) (why string, err error) {
	buf := make([]byte, 256<<10)
	for _, p := range c.parts {
		for at := int64(0); at < p.length; {
			n := min(p.length-at, int64(len(buf)))
			if _, err := r.ReadAt(buf[:n], p.image+at); err != nil {
				return unreadable(err), ctx.Err()
			}
			if at += n; ctx.Err() != nil {
				return "", ctx.Err()
			}
		}
	}
	units := slices.Clone(c.units) // as the sweep has them
	slices.SortFunc(units, func(a, b unit) int {
		return cmp.Or(cmp.Compare(a.stored[0].image, b.stored[0].image), cmp.Compare(a.off, b.off))
	})
	for i := range units {
		u := &units[i]
		src, err := u.read(r)
		if err != nil {
			return unreadable(err), ctx.Err()
		}
		if err := unpack.Unit(c.method, make([]byte, u.whole), src); err != nil {
			return packedFault(u, err), ctx.Err()
		}
		if ctx.Err() != nil {
			return "", ctx.Err()
		}
	}
	return "", nil
}

// beside holds what stands beside the payload to what extract would write.
func (a *audit) beside(h *held, w *wish) {
	a.hold(bagFile{infoName, func(to io.Writer) error { return h.writeInfo(to, w.order) }}, textLines)
	for _, t := range h.tables() {
		a.hold(bagFile{t.name, t.write}, tableRows)
	}
}

// hold holds a file to what it should be, row by row where it is not.
func (a *audit) hold(b bagFile, rows func(io.Reader) iter.Seq2[string, error]) {
	f, err := input.OpenIn(a.root, b.name)
	if err != nil {
		a.found(b.name, FoundMissing, "cannot be read: %v", err)
		return
	}
	defer f.Close()
	want, n, err := digest(b.reader())
	if have, _, ferr := digest(io.LimitReader(f, n+1)); err == nil && ferr == nil && have == want {
		return
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		a.found(b.name, FoundRow, "cannot be read: %v", err)
		return
	}
	lacks := map[key]int32{}
	for row := range b.rows(rows) {
		lacks[keyOf(row)]++
	}
	off := false
	tell := func(format string, v any) {
		off = true
		if a.few(Finding{Path: b.name, What: FoundRow}) {
			a.found(b.name, FoundRow, format, v)
		}
	}
	for row, err := range rows(f) {
		if err != nil {
			tell("is no list from there on: %v", err)
			break
		}
		if k := keyOf(row); lacks[k] > 0 {
			lacks[k]--
		} else {
			tell("has %q, which is not so by the result", short(row))
		}
	}
	for row := range b.rows(rows) {
		if k := keyOf(row); lacks[k] > 0 {
			lacks[k]--
			tell("lacks %q", short(row))
		}
	}
	if !off {
		tell("has the right rows, but %s", "not as they were written")
	}
}

// rows yields the rows of what a file should be.
func (b *bagFile) rows(split func(io.Reader) iter.Seq2[string, error]) iter.Seq2[string, error] {
	return func(yield func(string, error) bool) {
		r := b.reader()
		defer r.Close()
		split(r)(yield)
	}
}

// reader gives what a file should be.
func (b *bagFile) reader() *io.PipeReader {
	r, w := io.Pipe()
	go func() { w.CloseWithError(b.write(w)) }()
	return r
}

// records yields the records of a CSV file; they are overwritten by the next.
func records(r io.Reader) iter.Seq2[[]string, error] {
	return func(yield func([]string, error) bool) {
		in := &bounded{r: r}
		c := csv.NewReader(in)
		c.FieldsPerRecord, c.ReuseRecord = -1, true
		for {
			in.left = maxLine
			row, err := c.Read()
			if err == io.EOF || !yield(row, err) || err != nil {
				return
			}
		}
	}
}

// bounded gives at most so many bytes of a reader.
type bounded struct {
	r    io.Reader
	left int
}

func (b *bounded) Read(p []byte) (int, error) {
	if b.left == 0 {
		return 0, errLongLine
	}
	n, err := b.r.Read(p[:min(len(p), b.left)])
	b.left -= n
	return n, err
}

// tableRows yields the records of a CSV file as they are written.
func tableRows(r io.Reader) iter.Seq2[string, error] {
	return func(yield func(string, error) bool) {
		var b bytes.Buffer
		w := csv.NewWriter(&b)
		for row, err := range records(r) {
			b.Reset()
			_ = w.Write(row) // a Buffer takes all
			w.Flush()
			if !yield(strings.TrimSuffix(b.String(), "\n"), err) {
				return
			}
		}
	}
}

// textLines yields the lines of a text.
func textLines(r io.Reader) iter.Seq2[string, error] {
	return func(yield func(string, error) bool) {
		for line, err := range lines(r) {
			if !yield(string(line), err) {
				return
			}
		}
	}
}

// short is a row for a message.
func short(row string) string {
	const most = 400
	if len(row) > most {
		return row[:most] + "..."
	}
	return row
}
