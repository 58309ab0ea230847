package report

import (
	"fileassay/verify/result"
	"fmt"
	"strings"

	"fileassay/verify/shown"
)

// detailOf is what the bench reads of a file that is not intact: why, the
// ranges of its damage by sector, and what must be read before more of it is
// known. A line for each, within maxDetail.
func detailOf(f *result.File, sector int64) string {
	var b strings.Builder
	line := func(format string, a ...any) bool {
		if b.Len() > maxDetail {
			return false
		}
		if b.Len() > 0 {
			b.WriteByte('\n')
		}
		fmt.Fprintf(&b, format, a...)
		return true
	}
	lines := func(n int, one, many string, text func(i int) string) {
		for i := range n {
			if !line("%s", text(i)) {
				fmt.Fprintf(&b, "\nand %s in the result", count(int64(n-i), one, many))
				break
			}
		}
	}
	lines(len(f.Why), "more reason", "more reasons", func(i int) string { return shown.Text(f.Why[i]) })
	lines(len(f.Damage), "more range", "more ranges", func(i int) string { return rangeText(f, f.Damage[i], sector) })
	lines(len(f.Needs), "more place", "more places", func(i int) string { return "waits for metadata on " + sectors(f.Needs[i][0], f.Needs[i][1], sector) })
	if len(f.Heads) > 0 {
		line("heads of its unread places: %s", numbers(f.Heads))
	}
	return b.String()
}

// rangeText is a range of a file's damage by sector. Of compressed content the
// range tells what cannot be unpacked, and only where its first unread byte
// lies: how many sectors that takes does not follow from it.
func rangeText(f *result.File, d result.Damage, sector int64) string {
	content := fmt.Sprintf("bytes %d to %d of the file", d.Offset, d.Offset+max(d.Length, 1)-1)
	if d.Length == 1 {
		content = fmt.Sprintf("byte %d of the file", d.Offset)
	}
	switch {
	case d.Image < 0:
		return fmt.Sprintf("%s: %s, place unknown", d.What, content)
	case f.Stored == "compressed":
		return fmt.Sprintf("%s: compressed, from sector %d on, %s", d.What, d.Image/sector, content)
	}
	return fmt.Sprintf("%s: %s, %s", d.What, sectors(d.Image, d.Length, sector), content)
}

// sectors names the sectors of a range of the drive.
func sectors(at, n, sector int64) string {
	first, last := at/sector, (at+max(n, 1)-1)/sector
	if first == last {
		return fmt.Sprintf("sector %d", first)
	}
	return fmt.Sprintf("sectors %d to %d (%d)", first, last, last-first+1)
}
