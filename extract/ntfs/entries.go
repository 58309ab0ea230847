package ntfs

import (
	"cmp"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/needs"
)

// entry is a file or stream of a record, before it is given a path.
type entry struct {
	extract.File
	stream string // ":name"
	exact  []byte // of the stream's name
}

// entries are the file of a record and its streams. list are its names.
func (h *harvest) entries(f *fileRecords, list []indexEntry) []entry {
	main := extract.File{ID: f.number, Kind: extract.KindFile, Size: -1}
	need := needs.New(h.r, needs.Most)
	if f.folder {
		main.Kind, main.Size = extract.KindFolder, 0
		main.EntriesUnread = h.torn[f.number] && !h.told
		if main.EntriesUnread {
			h.index(f).need(need)
			main.Why = append(main.Why, "a part of the folder's own list of names was not read")
		}
	}
	var info standardInfo
	// unsure is set where it is not known whether content is elsewhere
	unsure := h.doubted
	if b, ok := f.valueOf(attrStandardInfo); ok {
		info, ok = parseStandardInfo(b)
		main.Modified, unsure = fileTime(info.modified), unsure || !ok
	} else if unsure = true; f.all {
		main.Why = append(main.Why, fmt.Sprintf("its record %d has no attribute of standard information, which every file has", f.number))
	}
	if !f.all {
		h.needRest(need, f.record)
		main.Why = append(main.Why, f.missing())
	}
	streams := h.dataStreams(f)
	point, hasPoint := h.reparse(f, &main, info)
	unsure = unsure || main.RecordUnread
	main.RecordUnread = unsure
	away := info.away()
	if hasPoint {
		away = cmp.Or(point.elsewhere(), away)
	}
	keys := h.keys(f)
	var wof *dataStream
	if i := slices.IndexFunc(streams, (*dataStream).isWOF); i >= 0 {
		wof = streams[i]
	}
	switch {
	case hasPoint && point.isLink():
		main.Kind, main.Size, main.Target = extract.KindLink, 0, point.target
		point.empty(&main, streams)
	case main.Kind == extract.KindFile:
		fillMain(&main, streams, f, list)
		if hasPoint && point.tag == tagWOF {
			h.fillWOF(&main, &point, wof)
		}
		takeAway(&main, away)
		if hasPoint && point.unknown() && main.Size == 0 {
			main.RecordUnread = true
			main.Why = append(main.Why, "whether it has content elsewhere is not known")
		}
		keys.hold(&main)
		if hasPoint {
			point.empty(&main, streams)
		}
		if info.flags&fileFlagEncrypted != 0 && f.all && !keys.stands && main.Size > 0 {
			main.RecordUnread = true
			main.Why = append(main.Why, "marked as encrypted, and it has no attribute $EFS, which holds the keys")
		}
	}
	if main.RecordUnread && info.flags&fileFlagReparse != 0 && !hasPoint {
		if m := f.gather(h.area, attrReparsePoint, ""); m != nil && m.headed {
			m.stream(h.r).need(need, 0, min(m.size, maxReparse))
		}
	}
	packed := hasPoint && point.tag == tagWOF
	if packed && wof != nil && wof.resident == nil && point.wof > 0 && main.Size > 0 {
		s := wof.mapping.stream(h.r)
		s.need(need, 0, min(wofTable(main.Size, point.wof), s.size))
	}
	keys.need(need)
	main.Needs = need.Ranges()
	out := []entry{{File: main}}
	for _, s := range streams {
		if s.name == nil || packed && s.isWOF() {
			continue
		}
		shown, exact := extract.NameFromUTF16(s.name)
		side := extract.File{ID: f.number, Kind: extract.KindStream, Modified: main.Modified, RecordUnread: unsure}
		if !f.all {
			side.Needs = main.Needs
		}
		s.fill(&side)
		takeAway(&side, away)
		keys.hold(&side)
		out = append(out, entry{File: side, stream: ":" + shown, exact: exact})
	}
	return out
}

// missing says in words what of a file's records was not read.
func (f *fileRecords) missing() string {
	switch {
	case f.whole:
		return fmt.Sprintf("a further record of record %d was not read, or its list of records was not", f.number)
	case len(f.torn) > 0:
		return fmt.Sprintf("a sector of its record %d is torn", f.number)
	}
	return fmt.Sprintf("a sector of its record %d was not read", f.number)
}

// fillMain sets the content of a file that may not have been wholly read.
func fillMain(f *extract.File, streams []*dataStream, records *fileRecords, list []indexEntry) {
	own := len(streams) > 0 && streams[0].name == nil
	if own {
		if streams[0].fill(f); f.Size >= 0 {
			return
		}
	} else if records.all {
		f.Why = append(f.Why, fmt.Sprintf("its record %d has no attribute of content, which every file has", records.number))
	}
	f.Size = indexSize(list)
	switch {
	case own && f.Size >= 0: // the folder knows the size, and some extents may be known
		f.RecordUnread = true
		if m := plainStream(streams, f.Size); m != nil {
			f.Pieces = m.pieces()
		}
	case own:
	case f.Size > 0:
		f.RecordUnread = true
		f.Pieces = []extract.Piece{{Length: f.Size, Kind: extract.Unlocated}}
	default:
		f.RecordUnread = true
		f.Size = -1 // a folder's word for nothing proves nothing
	}
}

// indexSize is the size that folders state of a file; -1 where none does, or they
// disagree.
func indexSize(list []indexEntry) int64 {
	size := int64(-1)
	for _, n := range list {
		if size >= 0 && n.size >= 0 && n.size != size {
			return -1
		}
		size = max(size, n.size)
	}
	return size
}
