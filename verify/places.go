package verify

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// Unread counts bytes that were not read, by state.
type Unread struct {
	Doubtful int64 `json:"doubtful"`
	Failed   int64 `json:"failed"`
	Skipped  int64 `json:"skipped"`
}

func (u *Unread) add(s imap.State, n int64) {
	switch s {
	case imap.Doubtful:
		u.Doubtful += n
	case imap.Failed:
		u.Failed += n
	case imap.Skipped:
		u.Skipped += n
	}
}

// Add adds the counts of o.
func (u *Unread) Add(o Unread) {
	u.Doubtful += o.Doubtful
	u.Failed += o.Failed
	u.Skipped += o.Skipped
}

// Total is the number of unread bytes of any state.
func (u Unread) Total() int64 { return u.Doubtful + u.Failed + u.Skipped }

// Places says what the unread bytes of the drive hold.
type Places struct {
	Files      Unread `json:"files"`      // content of listed files
	Structures Unread `json:"structures"` // folders, records and other structures of a filesystem
	Free       Unread `json:"free"`       // free space, and the slack behind the ends of files: nothing is missed here
	Outside    Unread `json:"outside"`    // outside any volume
	Unknown    Unread `json:"unknown"`    // allocated but claimed by no listed file, or not known to be free
}

// Add adds the counts of o.
func (p *Places) Add(o Places) {
	p.Files.Add(o.Files)
	p.Structures.Add(o.Structures)
	p.Free.Add(o.Free)
	p.Outside.Add(o.Outside)
	p.Unknown.Add(o.Unknown)
}

// Total is the number of unread bytes in all places.
func (p Places) Total() int64 {
	return p.Files.Total() + p.Structures.Total() + p.Free.Total() + p.Outside.Total() + p.Unknown.Total()
}

// locate sorts the unread bytes of a volume by what they hold. content holds
// the unread ranges of the image that content of listed files lies in.
func locate(ctx context.Context, fs extract.Filesystem, r *image.Reader, content *extract.Spans) (Places, error) {
	var p Places
	err := fs.Space(ctx, func(start, length int64, use extract.Use) error {
		if r.IsRead(start, length) {
			return nil
		}
		for u := range r.Unread(start, length) {
			switch use {
			case extract.UseStructure:
				p.Structures.add(u.State, u.Length)
			case extract.UseFree:
				p.Free.add(u.State, u.Length)
			case extract.UseFile:
				n := content.Covered(u.Start, u.Length)
				p.Files.add(u.State, n)
				p.Free.add(u.State, u.Length-n)
			default:
				p.Unknown.add(u.State, u.Length)
			}
		}
		return ctx.Err()
	})
	return p, err
}
