package lawtest

import (
	"context"
	"crypto/sha256"
	"fmt"
	"regexp"
	"strings"
	"time"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// patience is how long a reader may take before it counts as one that does not
// end. It is no measure of speed.
const patience = 3 * time.Minute

// view is all that a reader says of an image.
type view struct {
	r          *image.Reader
	failed     string // why it could not be opened, or did not end
	files      []*extract.File
	listing    extract.Listing
	info       extract.Info
	structures []extract.Structure
	space      []string
}

// mapOf is the map of a drive of which some sectors failed.
func mapOf(size int64, unread ...[]int64) *imap.Map {
	var list []int64
	for _, u := range unread {
		list = append(list, u...)
	}
	var over []imap.Range
	for _, k := range sorted(list) {
		if n := len(over); n > 0 && over[n-1].End() == k*sectorSize {
			over[n-1].Length += sectorSize
			continue
		}
		over = append(over, imap.Range{Start: k * sectorSize, Length: sectorSize, State: imap.Failed})
	}
	if len(over) == 0 {
		return imap.All(size)
	}
	return imap.All(size).With(over).Cut(size)
}

// look has a reader say all of an image.
func look(open Open, d *disk, m *imap.Map, threads int) *view {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	size := int64(len(d.base))
	v := &view{r: image.New(d, size, m, image.Options{})}
	fs, err := open(ctx, v.r, 0, size, extract.Options{Threads: threads})
	var survey *extract.Survey
	if err == nil {
		survey, err = fs.Walk(ctx, func(f *extract.File) error {
			if int64(len(v.files)) > size/8 {
				return fmt.Errorf("more than %d entries", size/8)
			}
			v.files = append(v.files, f)
			return nil
		})
	}
	if err == nil {
		v.listing, v.structures, v.info = survey.Listing, survey.Structures, fs.Info()
		err = survey.Space(ctx, func(start, length int64, use extract.Use) error {
			v.space = append(v.space, fmt.Sprint(start, length, use))
			return nil
		})
	}
	if err != nil {
		v.failed = err.Error()
	}
	return v
}

// text is all that was said, a line a thing.
func (v *view) text() []string {
	out := []string{v.failed, fmt.Sprintf("%+v", v.listing), fmt.Sprintf("%+v", v.info)}
	for _, s := range v.structures {
		out = append(out, fmt.Sprintf("%+v", s))
	}
	for _, f := range v.files {
		out = append(out, fmt.Sprintf("%+v", *f))
	}
	return append(out, v.space...)
}

var digits = regexp.MustCompile(`[0-9]+`)

// words are what a volume says of what is wrong with it, numbers left out. That
// something is unread is no contradiction.
func (v *view) words() map[string]bool {
	out := map[string]bool{}
	for _, list := range [][]string{v.listing.Why, v.info.Notes} {
		for _, w := range list {
			addWords(out, w)
		}
	}
	for _, s := range v.structures {
		if s.Health == extract.HealthDamaged || s.Health == extract.HealthDisagrees {
			addWords(out, s.Name+" "+string(s.Health))
		}
		addWords(out, s.Note)
	}
	return out
}

func addWords(set map[string]bool, w string) {
	if w != "" && !strings.Contains(w, "unread") && !strings.Contains(w, "not read") {
		set[digits.ReplaceAllString(w, "#")] = true
	}
}

// names reports whether after says something that before does not.
func names(before, after map[string]bool) bool {
	for w := range after {
		if !before[w] {
			return true
		}
	}
	return false
}

// intact judges an entry by the design's definition: every byte of its content is
// located by metadata that was read, in sectors that were read.
func intact(r *image.Reader, f *extract.File) bool {
	if f.NameOnly || f.RecordUnread || f.EntriesUnread {
		return false
	}
	if f.Kind == extract.KindFolder || f.Kind == extract.KindLink && f.Size <= 0 {
		return true
	}
	pos := int64(0)
	for _, p := range f.Pieces {
		if pos >= f.Size {
			break
		}
		if p.Offset != pos || p.Length <= 0 {
			return false
		}
		switch p.Kind {
		case extract.Hole:
		case extract.Data, extract.Patched:
			if !r.IsRead(p.Image, min(p.Length, f.Size-pos)) || !r.IsRead(p.Also, p.AlsoLength) {
				return false
			}
		case extract.Unit:
			for _, u := range p.Units {
				if !r.IsRead(u.Image, u.Length) {
					return false
				}
			}
			if len(p.Units) == 0 {
				return false
			}
		default:
			return false
		}
		pos += p.Length
	}
	return f.Size >= 0 && pos >= f.Size
}

// mostContent bounds the content that is read to be compared. No file of an
// image here has as much.
const mostContent = 128 << 20

// digest is that of an entry's content as its pieces say it. What is stored
// packed has that of its stored bytes and their places.
func digest(r *image.Reader, f *extract.File) (sum [32]byte, err error) {
	h := sha256.New()
	if f.Kind == extract.KindLink {
		return sha256.Sum256([]byte("link " + f.Target)), nil
	}
	if f.Size > mostContent {
		return sha256.Sum256(fmt.Appendf(nil, "size %d", f.Size)), nil
	}
	buf := make([]byte, 64<<10)
	read := func(at, n int64) error {
		for n > 0 {
			part := buf[:min(n, int64(len(buf)))]
			if at < 0 {
				clear(part)
			} else if _, err := r.ReadAt(part, at); err != nil {
				return err
			}
			h.Write(part)
			if n -= int64(len(part)); at >= 0 {
				at += int64(len(part))
			}
		}
		return nil
	}
	pos := int64(0)
	for _, p := range f.Pieces {
		n := min(p.Length, f.Size-pos)
		if n <= 0 {
			break
		}
		switch p.Kind {
		case extract.Hole:
			err = read(-1, n)
		case extract.Unit:
			fmt.Fprintf(h, "packed %+v %d %d", f.Packing, p.Offset, n)
			for _, u := range p.Units {
				if err = read(u.Image, u.Length); err != nil {
					break
				}
			}
		default:
			err = read(p.Image, n)
		}
		if err != nil {
			return sum, err
		}
		pos += n
	}
	return [32]byte(h.Sum(nil)), nil
}
