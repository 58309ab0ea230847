package fat

import (
	"context"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/claims"
)

// space is the use of every range of the volume. What lies outside the clusters
// is free where nothing claims it.
func (t *files) space() extract.Space {
	if t.alloc == nil {
		return t.claims.Space(t.start, t.length, nil)
	}
	return t.claims.Space(t.start, t.length, func(ctx context.Context, yield func(start, length int64, use extract.Use) error) error {
		if err := yield(t.start, t.heap-t.start, extract.UseFree); err != nil {
			return err
		}
		if err := t.alloc(ctx, yield); err != nil {
			return err
		}
		return yield(t.end(), max(t.start+t.length-t.end(), 0), extract.UseFree)
	})
}

// listing is the statement on what was listed.
func (t *files) listing(ctx context.Context, space extract.Space) (extract.Listing, error) {
	s := &t.sum
	l := extract.Listing{UnreadRecords: s.tally.Records, UnnamedFiles: s.unnamed, Needs: t.needs()}
	why := func(format string, args ...any) { l.Why = append(l.Why, fmt.Sprintf(format, args...)) }
	var unknown int64
	if t.alloc != nil {
		var err error
		if l.UnclaimedBytes, unknown, err = claims.Unclaimed(ctx, space); err != nil {
			return l, err
		}
	}
	short := false // something may be missing
	if s.tally.Unread > 0 {
		short = true
		why("%d slots of folders were not read: up to %d files and folders may have stood in them", s.tally.Unread, s.tally.Records)
	}
	if s.broken > 0 {
		short = true
		why("of %d folders not all clusters are known: what stands in the rest is not listed, or listed under \"?/\"", s.broken)
	}
	if s.doubt > 0 {
		short = true
		why("%d folders cannot be vouched for: what is listed in them may not be what belongs there", s.doubt)
	}
	if s.twice > 0 {
		short = true
		why("%d names stand twice in their folder: a part of it may be another's, or an old one", s.twice)
	}
	if t.crossed() {
		short = true
		why("two files or folders claim the same clusters: what one of them stands for may not be listed")
	}
	if s.tally.Faulty > 0 {
		short = true
		why("%d slots of folders were read but make no sense", s.tally.Faulty)
	}
	if s.adopted > 0 {
		why("%d folders, or parts of folders, were found without their entry", s.adopted)
	}
	if s.chains > 0 {
		why("%d chains of clusters (%d bytes) have no name and are listed as \"?/chain-…\"", s.chains, s.chainBytes)
	}
	explained := l.UnclaimedBytes <= s.cut // as the rest of listed files
	if l.UnclaimedBytes > 0 && explained && !short {
		if s.unnamed > 0 {
			why("%d bytes in use are claimed by nothing that is listed; they may be what unread entries of the allocation table hide of listed files", l.UnclaimedBytes)
		}
	} else if l.UnclaimedBytes > 0 {
		if n := s.heads - s.chains; n > 0 {
			why("%d bytes in use, in %d chains or more, are claimed by nothing that is listed", l.UnclaimedBytes, n)
		} else {
			why("%d bytes in use are claimed by nothing that is listed", l.UnclaimedBytes)
		}
	}
	switch {
	case t.alloc == nil:
		if short {
			why("the allocation map is unread: it cannot tell how much is missing")
		}
	case unknown > 0:
		if short {
			why("the allocation map is unread for %d bytes: whether they are in use is not known", unknown)
		}
	case short && l.UnclaimedBytes == 0 && s.unnamed == 0:
		why("all that is in use is claimed by what is listed: only empty files can be missing")
	}
	if t.count.Disagree > 0 && len(l.Why) > 0 {
		why("the copies of the allocation table disagree in %d entries", t.count.Disagree)
	}
	l.Complete = !short && s.unnamed == 0 && explained
	return l, nil
}
