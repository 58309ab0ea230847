package report

import (
	"fmt"

	"fileassay/verify"
	"fileassay/verify/result"
)

// maxShown is how many parts that are missing or short, or places where the
// image file gives errors, are named one by one.
const maxShown = 12

// parts writes what the image is made of, where that is not one whole file.
func (p *printer) parts(im *result.Image) {
	if im.Offset > 0 {
		p.line("  the drive begins at offset %d (--offset)", im.Offset)
	}
	if im.Parts == nil {
		return
	}
	p.line("  in %s: %s to %s", count(int64(im.Parts.Count), "part", "parts"), im.Parts.First, im.Parts.Last)
	for i, s := range im.Parts.Short {
		if i == maxShown {
			p.line("  and %d more; what they lack counts as skipped", len(im.Parts.Short)-i)
			break
		}
		what := "is missing"
		if s.Held > 0 {
			what = fmt.Sprintf("is short by %s", size(s.Length-s.Held))
		}
		p.line("  part %s %s: %s at offset %d count as skipped", s.Path, what, size(s.Length-s.Held), s.Start+s.Held)
	}
}

// imageFileWords say where the image file itself failed.
func imageFileWords(im *result.Image) (out []string) {
	for i, b := range im.Broken {
		if i == maxShown {
			out = append(out, fmt.Sprintf("and in %s", count(int64(len(im.Broken)-i), "more place", "more places")))
			break
		}
		out = append(out, fmt.Sprintf("the image file itself could not be read: %s at offset %d (sector %d); counted as failed", size(b[1]), b[0], b[0]/max(im.Sector, 1)))
	}
	if len(im.Broken) > 0 {
		out = append(out, "the image file or the disk that it lies on is failing: copy the image anew and verify it again")
	}
	if im.Retried > 0 {
		out = append(out, fmt.Sprintf("the image file gave way in %s and then gave every byte: check the disk that the image lies on", count(im.Retried, "read", "reads")))
	}
	return out
}

// readAgainWords say whether verify read content again.
func readAgainWords(im *result.Image) string {
	if im.Content == verify.ContentRead {
		return "Every byte of content was read again (--content=read)."
	}
	return "Content was not read again: --content=read would."
}

// holes writes what was never written of the image file.
func (p *printer) holes(h *verify.HolesRecord) {
	if h == nil {
		return
	}
	p.line("  the image file is sparse: %s that hold no data, %s in all, and read as zeros; the map calls %s of that read",
		count(h.Count, "hole", "holes"), size(h.Bytes), size(h.Read))
}

// heads writes what each head of the drive gave.
func (p *printer) heads(h *result.Heads) {
	if h == nil {
		return
	}
	p.line("  head map %s", h.Path)
	row := func(name string, b result.ByteStates) {
		p.line("    %-10s %10s: read %s (%s), doubtful %s, failed %s, skipped %s", name, size(b.Total()),
			size(b.Read), share(b.Read, b.Total()), size(b.Doubtful), size(b.Failed), size(b.Skipped))
	}
	for _, r := range h.Heads {
		row(fmt.Sprintf("head %d", r.Head), r.ByteStates)
	}
	if h.Others.Total() > 0 {
		row("no head", h.Others)
	}
}

// waiting writes how many files wait for each head.
func (p *printer) waiting(list []result.HeadFiles) {
	any := false
	for _, h := range list {
		if h.Files == 0 {
			continue
		}
		if !any {
			p.title("Files that wait for a head")
			any = true
		}
		p.line("  head %-4d %12s  (%s for nothing else)", h.Head, count(h.Files, "file ", "files"), count(h.Alone, "waits", "wait"))
	}
}
