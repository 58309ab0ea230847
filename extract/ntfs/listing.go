package ntfs

import (
	"context"
	"fmt"

	"github.com/dustin/go-humanize"

	"fileassay/extract"
	"fileassay/extract/claims"
)

// listing makes the listing statement after the files were listed.
func (v *files) listing(ctx context.Context, space extract.Space) (l extract.Listing, err error) {
	u := v.lost
	l.UnreadRecords = u.records
	l.UnnamedFiles = u.unnamed
	l.Needs = v.needs()
	why := func(format string, a ...any) { l.Why = append(l.Why, fmt.Sprintf(format, a...)) }
	for _, n := range v.notes {
		why("%s", n)
	}
	if u.records > 0 {
		s := fmt.Sprintf("%s records of the file table in use or not known to be free were not read or damaged: %s listed by name from their folders",
			humanize.Comma(u.records), humanize.Comma(u.named))
		if u.records == 1 {
			s = "1 record of the file table in use or not known to be free was not read or is damaged"
			if u.named == 1 {
				s += ": its file is listed by name from its folder"
			}
		}
		if u.extending > 0 {
			s += fmt.Sprintf(", %s known to belong to listed files", humanize.Comma(u.extending))
		}
		if u.parents > 0 {
			s += fmt.Sprintf(", %s without a name that others name as their folder", plural(u.parents, "folder", "folders"))
		}
		rest := u.records - u.named - u.parents - u.extending
		if rest > 0 {
			s += fmt.Sprintf("; up to %s may be missing from the list", plural(rest, "file", "files"))
		} else {
			s += "; only further names and streams of them may be missing"
		}
		why("%s", s)
		if v.bitmap == nil {
			why("the file table's own bitmap is unread: how many of its unread records were in use is not known")
		} else if n := v.bitmap.unread(); n > 0 {
			why("%s of the file table's own bitmap are unread: records it does not tell of are counted as in use", plural(n, "byte", "bytes"))
		}
		if n := int64(len(v.torn)); n > 0 {
			why("the own list of names of %s was not wholly read", plural(n, "folder", "folders"))
		}
	}
	if n := int64(len(v.strays)); n > 0 {
		why("%s found on the volume for folders whose own records are unread: names are taken from them", plural(n, "block of names was", "blocks of names were"))
	}
	if v.unlisted > 0 {
		why("blocks of names that may be stale name %s more whose records are unread: they are not listed", plural(v.unlisted, "file or folder", "files or folders"))
	}
	if u.crossed > 0 {
		why("%s clusters that others claim too: none of them is called intact", plural(u.crossed, "file claims", "files claim"))
	}
	if u.opposed > 0 {
		why("%s contradicted by something else that was read of the volume: none of them is called intact", plural(u.opposed, "file is", "files are"))
	}
	if u.missing > 0 {
		why("%s named by folders, and what stands in place of their records is another's or free", plural(u.missing, "file is", "files are"))
	}
	if n := int64(len(v.mixed)); n > 0 {
		why("%s names of others: what else their indexes should hold is not known", plural(n, "folder holds", "folders hold"))
	}
	if u.freed > 0 {
		why("%s in records that the file table's own bitmap calls free: which others are in use it may not tell either", plural(u.freed, "file is", "files are"))
	}
	if v.journal.closed > 0 && v.lastLSN > v.journal.closed {
		why("a record of the file table was changed later (LSN %d) than the journal says that it was closed (LSN %d): newer metadata may stand in it", v.lastLSN, v.journal.closed)
	}
	if u.partly > 0 {
		why("%s only partly read: names and streams may be missing", plural(u.partly, "file record was", "file records were"))
	}
	if u.unnamed > 0 {
		why("%s listed without a name", plural(u.unnamed, "file or folder is", "files or folders are"))
	}
	if u.adrift > 0 && u.records == 0 {
		why("%s in folders that are none: what the folders that hold them name may be missing", plural(u.adrift, "file or folder says that it stands", "files and folders say that they stand"))
	}
	if u.cut > 0 {
		why("%s so many names, and streams or pieces, that not all of them are told under each name", plural(u.cut, "file has", "files have"))
	}
	l.UnclaimedBytes, _, err = claims.Unclaimed(ctx, space)
	if err != nil {
		return l, err
	}
	if l.UnclaimedBytes > 0 {
		why("%s are allocated, but no listed file or structure claims them: content of unlisted files, or the unlocated content of listed ones, may stand there", humanize.IBytes(uint64(l.UnclaimedBytes)))
	}
	if v.allocated == nil {
		why("the volume's bitmap is unread: allocated space without a listed file cannot be told")
	} else if n := v.allocated.unread(); n > 0 {
		why("%s of the volume's bitmap are unread: allocated space without a listed file cannot be told there", plural(n, "byte", "bytes"))
	}
	if v.journal.open != "" {
		why("%s", v.journal.open)
	}
	if v.journal.blind != "" {
		s := "no file is called intact, since what the journal may change is not known: "
		if v.journal.unused {
			s = "no file is called intact that was written under a journal, since what that may change is not known: "
		}
		why("%s", s+v.journal.blind)
	}
	contradicted := v.displaced || u.opposed > 0 || u.missing > 0 || len(v.mixed) > 0 || u.freed > 0 || u.adrift > 0 || v.journal.closed > 0 && v.lastLSN > v.journal.closed
	l.Complete = !contradicted && u.records == 0 && u.partly == 0 && u.unnamed == 0 && u.cut == 0 && l.UnclaimedBytes == 0 && v.sized && !v.rebuilt && len(v.found) == 0 &&
		v.journal.open == ""
	return l, nil
}

func plural(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return humanize.Comma(n) + " " + many
}
