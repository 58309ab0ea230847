package fat

import (
	"context"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/claims"
)

// AllocationMap is the allocation as ranges of the image, for
// [claims.Owned.Space]; nil where there is none. The volume's bytes outside
// the heap are free where nothing claims them.
func (t *tree) AllocationMap() extract.Space {
	if t.Allocation == nil {
		return nil
	}
	return func(ctx context.Context, yield func(start, length int64, use extract.Use) error) error {
		if err := yield(t.geo.start, t.geo.heap-t.geo.start, extract.UseFree); err != nil {
			return err
		}
		err := t.Allocation(ctx, func(first uint32, n int64, s state) error {
			use := extract.UseUnknown
			switch s {
			case stateVacant, stateDefective:
				use = extract.UseFree
			case stateAllocated:
				use = extract.UseUnclaimed
			}
			return yield(t.geo.at(first), n*t.geo.cluster, use)
		})
		if err != nil {
			return err
		}
		return yield(t.geo.end(), max(t.geo.start+t.geo.length-t.geo.end(), 0), extract.UseFree)
	}
}

// Space is the use of every range of the volume.
func (t *tree) Space() extract.Space {
	return t.claims.Space(t.geo.start, t.geo.length, t.AllocationMap())
}

// Listing is the statement on what Walk listed.
func (t *tree) Listing(ctx context.Context) (extract.Listing, error) {
	s := &t.sum
	l := extract.Listing{UnreadRecords: s.tally.Records, UnnamedFiles: s.unnamed, Needs: t.Needs()}
	why := func(format string, args ...any) { l.Why = append(l.Why, fmt.Sprintf(format, args...)) }
	var unknown int64
	if t.Allocation != nil {
		var err error
		if l.UnclaimedBytes, unknown, err = claims.Unclaimed(ctx, t.Space()); err != nil {
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
	case t.Allocation == nil:
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
