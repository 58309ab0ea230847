package ntfs

import (
	"cmp"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/claims"
	"fileassay/extract/image"
)

// mapping says where the bytes of a non-resident stream lie, put together from
// its attributes in one record or several.
type mapping struct {
	headed      bool  // the attribute that states the sizes was read
	size        int64 // bytes
	initialized int64 // bytes; what lies past it reads as zeros
	allocated   int64 // bytes of the clusters that the head says are mapped
	stored      int64 // bytes of those that it says are stored; -1 where it does not
	flags       uint16
	unit        int64            // bytes of a compression unit; 0 is none
	runs        []extract.Extent // whole clusters
	broken      []string         // why runs are missing, in words
	opposed     bool             // broken tells of what was read and contradicts itself too
}

// add adds the runs of an attribute of a record to the mapping.
func (m *mapping) add(v *area, rec *record, a *attribute) {
	if a.lowest == 0 {
		m.headed = true
		m.size, m.initialized, m.allocated, m.stored, m.unit = a.size, a.initialized, a.allocated, a.stored, 0
		if a.unitShift > 0 {
			m.unit = v.cluster << a.unitShift
		}
	}
	m.flags |= a.flags
	b := rec.data.Before(a.runsOff, a.end)
	next, err := v.decodeRuns(b, a.lowest, func(e extract.Extent) { m.runs = append(m.runs, e) })
	switch {
	case len(b) < a.end-a.runsOff && err != nil:
		m.broken = append(m.broken, fmt.Sprintf("the rest of the extents stands in an unread or torn sector of record %d", rec.number))
	case err != nil:
		m.oppose("record %d: %v", rec.number, err)
	case next != a.highest+1 && !(a.lowest == 0 && a.highest == 0 && next == 0):
		m.oppose("record %d: runs map clusters to %d, their head says %d", rec.number, next, a.highest+1)
		if next > a.highest+1 { // the head is as good a witness: use neither past where they part
			from, end, to := a.lowest*v.cluster, (a.highest+1)*v.cluster, next*v.cluster
			for i := range m.runs {
				if r := &m.runs[i]; r.Offset >= from && r.Offset+r.Length > end && r.Offset < to {
					r.Length = max(0, end-r.Offset)
				}
			}
			m.runs = slices.DeleteFunc(m.runs, func(r extract.Extent) bool { return r.Length == 0 })
		}
	}
}

// oppose notes that what was read of the stream contradicts itself.
func (m *mapping) oppose(format string, a ...any) {
	m.broken, m.opposed = append(m.broken, fmt.Sprintf(format, a...)), true
}

// unitShift is the only compression unit that drivers write, as a power of two of
// clusters [docs: concepts/data_runs.html, compressed files].
const unitShift = 4

// hold holds the runs of a settled stream of content against what its head says
// of them; all says that no record of them is missing. A hole is zeros only where
// the head says that there may be holes.
func (m *mapping) hold(cluster int64, all bool) {
	if !m.headed {
		return
	}
	var mapped, stored int64
	for _, e := range m.runs {
		mapped += e.Length
		if e.Image != hole {
			stored += e.Length
		}
	}
	holed := m.stored >= 0
	whole := all && len(m.broken) == 0
	switch {
	case m.opposed:
	case m.size > m.allocated || mapped > m.allocated || mapped < m.allocated && whole:
		m.oppose("its head says that %d bytes are allocated for its %d, and its extents are %d", m.allocated, m.size, mapped)
	case !holed && stored != mapped:
		m.oppose("it has a hole, and its head says that it is neither sparse nor compressed")
	case m.isPacked() && m.stored == 0: // so a driver leaves it that lets a stream grow out of its record (ntfs-3g)
	case holed && (stored > m.stored || stored < m.stored && whole):
		m.oppose("its head says that %d bytes are stored, and its extents are %d", m.stored, stored)
	case m.isPacked() && m.unit != cluster<<unitShift: // one that is packed no more may keep its unit
		m.oppose("its head says that it is kept in units of %d bytes, which no driver does", m.unit)
	}
}

// settle puts the runs in order. Where two claim the same part of the stream,
// neither is believed.
func (m *mapping) settle() {
	slices.SortStableFunc(m.runs, func(a, b extract.Extent) int { return cmp.Compare(a.Offset, b.Offset) })
	end := int64(0)
	for _, r := range m.runs {
		if r.Offset < end {
			m.oppose("two records claim the same part of the file's extents")
			m.runs = alone(m.runs)
			return
		}
		end = r.Offset + r.Length
	}
}

// alone are the parts of extents whose offsets no other of them claims.
func alone(list []extract.Extent) (out []extract.Extent) {
	var register claims.Register
	for _, e := range list {
		register.Add(e.Offset, e.Length)
	}
	twice := register.Twice()
	for _, e := range list {
		at, end := e.Offset, e.Offset+e.Length
		for s := range twice.Within(at, e.Length) {
			if at < s.Start {
				out = append(out, cut(e, at, s.Start))
			}
			at = s.End
		}
		if at < end {
			out = append(out, cut(e, at, end))
		}
	}
	return out
}

// stream reads the valid bytes of a settled mapping.
func (m *mapping) stream(r *image.Reader) *stream {
	return &stream{r: r, size: m.initialized, extents: m.runs}
}
