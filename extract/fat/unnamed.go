package fat

import (
	"context"
	"fmt"
	"strconv"

	"fileassay/extract"
)

// unnamed lists what is in use and has neither name nor folder, where its start
// is known: a chain whose first cluster no other leads to. Where the table
// itself has gaps, it may be the rest of a listed file; then it is listed only
// if there are unread folder slots that it could belong to.
func (t *files) unnamed(ctx context.Context) error {
	if !t.loose {
		return nil
	}
	listed := t.count.Unread == 0 || t.sum.tally.Unread > 0 || t.sum.tally.Faulty > 0 || t.sum.broken > 0
	var ends set // clusters that this walk has taken: what is taken must not change under eachUnclaimed
	return t.eachUnclaimed(ctx, func(c uint32, use extract.Use) error {
		if use != extract.UseUnclaimed || t.preds.has(c) || ends.has(c) ||
			t.byBitmap() && t.table.entry(c).Mark != markNext && t.table.entry(c).Mark != markEnd {
			return nil
		}
		t.sum.heads++
		if !listed {
			return nil
		}
		f := t.follow(c, -1, int64(t.clusters), func(c uint32, f *followed) stop {
			if t.taken(c) {
				return stopShared
			}
			if !ends.add(c) {
				return stopLoop
			}
			return stopWhole
		})
		file := &extract.File{ID: t.number(t.at(c)) + 2, Path: "?/chain-" + strconv.FormatUint(uint64(c), 10), Kind: extract.KindFile,
			Size: -1, Unnamed: true, RecordUnread: true, Pieces: t.lay(f.runs, f.n*t.cluster, f.n*t.cluster),
			Why: []string{fmt.Sprintf("a chain of %d clusters without a name: its true size is at most %d bytes", f.n, f.n*t.cluster)}}
		if f.stop != stopWhole {
			file.Why[0] = fmt.Sprintf("a chain of at least %d clusters without a name: its true size is not known", f.n)
		}
		if t.count.Unread > 0 {
			file.Why = append(file.Why, "it may be the rest of a listed file, since a part of the allocation table is unread")
		}
		t.sum.unnamed++
		t.sum.chains++
		t.sum.chainBytes += f.n * t.cluster
		return t.yield(file)
	})
}
