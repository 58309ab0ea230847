package volume

import (
	"context"
	"fmt"
	"strings"

	"fileassay/extract/imap"
)

// unlisted names a range in which nothing known was found: unread, empty or
// unknown. The error is that of ctx alone.
func (p *places) unlisted(ctx context.Context, start, length int64, dark bool, whys []string) (content, error) {
	if start >= p.r.Size() {
		return content{filesystem: "unread", reason: fmt.Sprintf("it begins past the end of the image at offset %d", p.r.Origin(p.r.Size()))}, nil
	}
	if len(whys) > 0 {
		return content{filesystem: "unknown", reason: "its first sectors look like a volume, but it cannot be opened (" + strings.Join(whys, "; ") + ")"}, nil
	}
	head := unreadBytes(p.r, start, min(length, headSize))
	z, err := p.zeros(ctx, start, length)
	if err != nil {
		return content{}, err
	}
	switch {
	case z.read == 0:
		return content{filesystem: "unread", reason: "none of its sectors was read"}, nil
	case z.all && z.read == length:
		return content{filesystem: "empty", reason: fmt.Sprintf("all its %d bytes are zero", length), noFiles: true}, nil
	case z.all && head == 0:
		return content{filesystem: "empty", reason: fmt.Sprintf("its %d bytes that were read are zero; %d were not read", z.read, length-z.read)}, nil
	case dark && head > 0:
		return content{filesystem: "unread", reason: fmt.Sprintf("sectors that would tell what it holds were not read (%d bytes of its first %d), and no backup was found", head, min(length, headSize))}, nil
	case dark:
		return content{filesystem: "unknown", reason: "no known signature stands in it, where it was read"}, nil
	}
	return content{filesystem: "unknown", reason: "no known signature stands in it"}, nil
}

// headSize is the part at a volume's start in which nearly every filesystem
// keeps its mark.
const headSize = 256 << 10

// zeros is what was read of a range up to the first byte that is not zero.
type zeros struct {
	read int64 // bytes
	all  bool  // there is no such byte
}

// zeros looks through what was read of a range, until it meets data: files may
// stand behind gigabytes of zeros.
func (p *places) zeros(ctx context.Context, start, length int64) (z zeros, err error) {
	buf := make([]byte, min(chunk, length))
	end := min(start+length, p.r.Size())
	for at := start; at < end; {
		if err := ctx.Err(); err != nil {
			return z, err
		}
		n := min(int64(len(buf)), end-at)
		win := window(p.r, buf[:n], at)
		z.read += int64(len(win))
		if !isZero(win) {
			return z, nil
		}
		if len(win) > 0 {
			at += int64(len(win))
			continue
		}
		for rg := range p.r.Over(at, n) {
			if rg.State != imap.Read {
				n = rg.Length
			}
			break
		}
		at += n
	}
	z.all = true
	return z, nil
}
