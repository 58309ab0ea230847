package verify

import (
	"encoding/base64"
	"strconv"
	"time"
	"unicode/utf8"

	"fileassay/extract"
	"fileassay/extract/imap"
)

// The records of a result, one JSON object a line: an image, its volumes, the
// files volume by volume, and a summary.

// ImageRecord is the first line of a result.
type ImageRecord struct {
	Type      string       `json:"type"` // "image"
	Path      string       `json:"path"`
	Size      int64        `json:"size"`
	DriveSize int64        `json:"drive_size"`
	Sector    int64        `json:"sector"`
	Offset    int64        `json:"offset,omitempty"` // where the drive begins in the image, as was asked
	Parts     *PartsRecord `json:"parts,omitempty"`
	Map       MapRecord    `json:"map"`
	Table     string       `json:"table"` // scheme of the partition table
	Notes     []string     `json:"notes,omitempty"`
	Missing   []string     `json:"missing,omitempty"`            // why volumes may be missing
	Needs     [][2]int64   `json:"needs,omitempty"`              // [offset, length] unread of the partition tables, that would tell of more volumes
	Broken    [][2]int64   `json:"image_file_errors,omitempty"`  // [offset, length] the image file itself did not give
	Retried   int64        `json:"image_file_retries,omitempty"` // reads of the image file that failed once, and then gave every byte
	Heads     *HeadsRecord `json:"heads,omitempty"`
	Profile   *Profile     `json:"profile,omitempty"` // what was read along the drive
	Format    int          `json:"format"`
}

// PartsRecord tells of the files that make up an image in parts.
type PartsRecord struct {
	Count int          `json:"count"`
	First string       `json:"first"`
	Last  string       `json:"last"`
	Short []PartRecord `json:"short,omitempty"` // what is missing of them counts as skipped
}

// PartRecord is a part that is missing or short.
type PartRecord struct {
	Path   string `json:"path"`
	Start  int64  `json:"start"` // in the image
	Length int64  `json:"length"`
	Held   int64  `json:"held"` // bytes that it has, from its start; 0 where it is missing
}

// HolesRecord counts the holes of the files that make up an image: bytes that
// were never written to them and read as zeros.
type HolesRecord struct {
	Count int64 `json:"count"`
	Bytes int64 `json:"bytes"`
	Read  int64 `json:"read"` // of the bytes, those that the imaging map calls read
}

// MapRecord tells of the imaging map in a result; bytes of the whole drive.
type MapRecord struct {
	Path          string `json:"path,omitempty"`
	SHA256        string `json:"sha256,omitempty"`
	Recipe        string `json:"recipe,omitempty"` // by which the map was read, in TOML; "" for our own form
	AssumedRead   bool   `json:"assumed_read,omitempty"`
	TrustDoubtful bool   `json:"trust_doubtful,omitempty"`
	Read          int64  `json:"read"`
	Doubtful      int64  `json:"doubtful"`
	Failed        int64  `json:"failed"`
	Skipped       int64  `json:"skipped"`
}

// ListingRecord is the statement how complete a volume's list is.
type ListingRecord struct {
	Complete       bool     `json:"complete"`
	UnreadRecords  int64    `json:"unread_records"`
	UnnamedFiles   int64    `json:"unnamed_files"`
	UnclaimedBytes int64    `json:"unclaimed_bytes"`
	Why            []string `json:"why"`
}

// VolumeRecord is a volume in a result.
type VolumeRecord struct {
	Type       string            `json:"type"` // "volume"
	Volume     int               `json:"volume"`
	Start      int64             `json:"start"`
	Length     int64             `json:"length"`
	Filesystem string            `json:"filesystem"`
	Label      string            `json:"label"`
	Cluster    int64             `json:"cluster"`
	Found      string            `json:"found"`
	Listing    ListingRecord     `json:"listing"`
	Notes      []string          `json:"notes,omitempty"`
	Files      VerdictCount      `json:"files"`
	Folders    VerdictCount      `json:"folders"`
	Sizes      VerdictCount      `json:"sizes"` // bytes of content of the files of each verdict
	Bytes      Bytes             `json:"bytes"`
	Unread     Places            `json:"unread"`
	Structures []StructureRecord `json:"structures,omitempty"` // the health of its own structures
	Needs      [][2]int64        `json:"needs,omitempty"`      // [offset, length] unread, that must be read before more of it can be known
	Places     []Holding         `json:"places,omitempty"`     // all that is unread, by what it holds
	Proof      *Proof            `json:"proof,omitempty"`      // of the metadata that was read; nil where no files are listed
}

// VerdictCount counts entries, or their bytes, by verdict.
type VerdictCount struct {
	Intact  int64 `json:"intact"`
	Damaged int64 `json:"damaged"`
	Lost    int64 `json:"lost"`
}

func (c *VerdictCount) add(v Verdict, n int64) {
	switch v {
	case Intact:
		c.Intact = plus(c.Intact, n)
	case Damaged:
		c.Damaged = plus(c.Damaged, n)
	default:
		c.Lost = plus(c.Lost, n)
	}
}

// Add adds the counts of o.
func (c *VerdictCount) Add(o VerdictCount) {
	c.Intact = plus(c.Intact, o.Intact)
	c.Damaged = plus(c.Damaged, o.Damaged)
	c.Lost = plus(c.Lost, o.Lost)
}

// Total is the sum over the verdicts.
func (c VerdictCount) Total() int64 { return plus(plus(c.Intact, c.Damaged), c.Lost) }

// FileRecord is a listed entry in a result. Size and Bytes are null where the
// size is not known.
type FileRecord struct {
	Type      string     `json:"type"` // "file"
	Volume    int        `json:"volume"`
	ID        uint64     `json:"id"`
	Path      string     `json:"path"`
	NameBytes []byte     `json:"name_bytes,omitzero"`
	Unnamed   bool       `json:"unnamed,omitempty"`
	Kind      string     `json:"kind"`
	Size      *int64     `json:"size"`
	Verdict   Verdict    `json:"verdict"`
	Bytes     NullBytes  `json:"bytes"`
	Runs      bool       `json:"executable,omitempty"` // the owner may run it, by the filesystem
	Stored    string     `json:"stored,omitempty"`
	Packing   *Packing   `json:"packing,omitempty"` // of compressed content
	Target    string     `json:"target,omitempty"`
	Extents   [][3]int64 `json:"extents"`
	Patched   [][3]int64 `json:"patched,omitempty"`
	Damage    []Damage   `json:"damage"`
	Heads     []int      `json:"heads,omitempty"`         // that serve its unread places, where a head map tells
	NoHead    bool       `json:"heads_unnamed,omitempty"` // it names no head for some of them
	Needs     [][2]int64 `json:"needs,omitempty"`         // [offset, length] unread metadata that would tell more of it
	Why       []string   `json:"why"`
	Modified  string     `json:"modified,omitempty"`
}

// Packing says how the extents of compressed content become content. Each list
// of Units is a run of compression units one behind the other: where its
// content begins, and for each unit how many stored bytes it has. A unit holds
// Unit bytes of content, or what is left of the file. What no unit covers is
// stored plain, a hole or damage. With the method "lznt1" the file offsets of
// extents are those of content, and stored bytes of a unit are those at its
// place; with all others they are the extents in order, unit by unit. Content
// past Valid, where that is told, reads as zeros, whatever its unit holds.
type Packing struct {
	Method string    `json:"method"` // see extract/unpack
	Unit   int64     `json:"unit"`
	Valid  int64     `json:"valid,omitempty"`
	Units  [][]int64 `json:"units"`
}

// NullBytes is Bytes whose counts may be null.
type NullBytes struct {
	Read      *int64 `json:"read"`
	Doubtful  *int64 `json:"doubtful"`
	Failed    *int64 `json:"failed"`
	Skipped   *int64 `json:"skipped"`
	Unlocated *int64 `json:"unlocated"`
}

// SummaryRecord is the last line of a result. Files counts files, streams and
// links by verdict, one for each name; Bytes is the sum over the same lines.
type SummaryRecord struct {
	Type            string       `json:"type"` // "summary"
	Files           VerdictCount `json:"files"`
	Folders         VerdictCount `json:"folders"`
	Sizes           VerdictCount `json:"sizes"` // bytes of content of the files of each verdict
	Bytes           Bytes        `json:"bytes"`
	ListingComplete bool         `json:"listing_complete"`
	Unread          Places       `json:"unread"`
	Heads           []HeadFiles  `json:"heads,omitempty"`
	Wanted          *WantedFiles `json:"wanted,omitempty"` // where a wanted list was given
	Places          []Holding    `json:"places,omitempty"` // what is unread outside any volume
}

// appendFile appends the line of a file, newline included. It writes what
// encoding/json would write of a FileRecord (a test holds it to that), without
// the cost: a result has a line for every file of a drive.
func appendFile(b []byte, volume int, f *extract.File, j *Judgement) []byte {
	b = append(b, `{"type":"file","volume":`...)
	b = strconv.AppendInt(b, int64(volume), 10)
	b = append(b, `,"id":`...)
	b = strconv.AppendUint(b, f.ID, 10)
	b = append(b, `,"path":`...)
	b = appendString(b, f.Path)
	if f.NameBytes != nil {
		b = append(b, `,"name_bytes":"`...)
		b = base64.StdEncoding.AppendEncode(b, f.NameBytes)
		b = append(b, '"')
	}
	if f.Unnamed {
		b = append(b, `,"unnamed":true`...)
	}
	b = append(b, `,"kind":`...)
	b = appendString(b, string(f.Kind))
	b = append(b, `,"size":`...)
	if f.Size < 0 {
		b = append(b, "null"...)
	} else {
		b = strconv.AppendInt(b, f.Size, 10)
	}
	b = append(b, `,"verdict":"`...)
	b = append(b, j.Verdict...)
	b = append(b, `","bytes":{`...)
	for i, c := range [...]struct {
		name string
		n    int64
	}{{`"read":`, j.Bytes.Read}, {`"doubtful":`, j.Bytes.Doubtful}, {`"failed":`, j.Bytes.Failed},
		{`"skipped":`, j.Bytes.Skipped}, {`"unlocated":`, j.Bytes.Unlocated}} {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, c.name...)
		if j.Counted {
			b = strconv.AppendInt(b, c.n, 10)
		} else {
			b = append(b, "null"...)
		}
	}
	b = append(b, '}')
	if f.Executable {
		b = append(b, `,"executable":true`...)
	}
	if f.Stored != extract.StoredPlain {
		b = append(b, `,"stored":`...)
		b = appendString(b, string(f.Stored))
	}
	if len(j.Packed) > 0 {
		b = append(b, `,"packing":{"method":`...)
		b = appendString(b, f.Packing.Method)
		b = append(b, `,"unit":`...)
		b = strconv.AppendInt(b, f.Packing.Unit, 10)
		if f.Packing.Valid > 0 {
			b = append(b, `,"valid":`...)
			b = strconv.AppendInt(b, f.Packing.Valid, 10)
		}
		b = append(b, `,"units":[`...)
		for i, run := range j.Packed {
			if i > 0 {
				b = append(b, ',')
			}
			sep := byte('[')
			for _, n := range run {
				b = append(b, sep)
				b = strconv.AppendInt(b, n, 10)
				sep = ','
			}
			b = append(b, ']')
		}
		b = append(b, "]}"...)
	}
	if f.Target != "" {
		b = append(b, `,"target":`...)
		b = appendString(b, f.Target)
	}
	b = append(b, `,"extents":`...)
	b = appendExtents(b, j.Extents)
	if len(j.Patched) > 0 {
		b = append(b, `,"patched":`...)
		b = appendExtents(b, j.Patched)
	}
	b = append(b, `,"damage":[`...)
	for i, d := range j.Damage {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendDamage(b, d)
	}
	b = append(b, ']')
	if len(j.Heads) > 0 {
		b = append(b, `,"heads":[`...)
		for i, h := range j.Heads {
			if i > 0 {
				b = append(b, ',')
			}
			b = strconv.AppendInt(b, int64(h), 10)
		}
		b = append(b, ']')
	}
	if j.NoHead {
		b = append(b, `,"heads_unnamed":true`...)
	}
	if len(j.Needs) > 0 {
		b = append(b, `,"needs":[`...)
		for i, n := range j.Needs {
			if i > 0 {
				b = append(b, ',')
			}
			b = append(b, '[')
			b = strconv.AppendInt(b, n[0], 10)
			b = append(b, ',')
			b = strconv.AppendInt(b, n[1], 10)
			b = append(b, ']')
		}
		b = append(b, ']')
	}
	b = append(b, `,"why":[`...)
	for i, w := range f.Why {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendString(b, w)
	}
	b = append(b, ']')
	if !f.Modified.IsZero() {
		b = append(b, `,"modified":"`...)
		b = f.Modified.UTC().AppendFormat(b, modifiedForm(f))
		b = append(b, '"')
	}
	return append(b, '}', '\n')
}

// modifiedForm is how a file's time is written: without a zone where the
// filesystem keeps local time.
func modifiedForm(f *extract.File) string {
	if f.LocalTime {
		return "2006-01-02T15:04:05.999999999"
	}
	return time.RFC3339Nano
}

func appendExtents(b []byte, list []extract.Extent) []byte {
	b = append(b, '[')
	for i, e := range list {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, '[')
		b = strconv.AppendInt(b, e.Offset, 10)
		b = append(b, ',')
		b = strconv.AppendInt(b, e.Image, 10)
		b = append(b, ',')
		b = strconv.AppendInt(b, e.Length, 10)
		b = append(b, ']')
	}
	return append(b, ']')
}

// appendString appends s as a JSON string (RFC 8259, section 7).
func appendString(b []byte, s string) []byte {
	const hex = "0123456789abcdef"
	b = append(b, '"')
	start := 0
	for i := 0; i < len(s); {
		c := s[i]
		if c < utf8.RuneSelf {
			if c >= 0x20 && c != '"' && c != '\\' {
				i++
				continue
			}
			b = append(b, s[start:i]...)
			switch c {
			case '"', '\\':
				b = append(b, '\\', c)
			case '\b':
				b = append(b, '\\', 'b')
			case '\f':
				b = append(b, '\\', 'f')
			case '\n':
				b = append(b, '\\', 'n')
			case '\r':
				b = append(b, '\\', 'r')
			case '\t':
				b = append(b, '\\', 't')
			default:
				b = append(b, '\\', 'u', '0', '0', hex[c>>4], hex[c&15])
			}
			i++
			start = i
			continue
		}
		r, n := utf8.DecodeRuneInString(s[i:])
		if r == utf8.RuneError && n == 1 || r == '\u2028' || r == '\u2029' {
			b = append(b, s[start:i]...)
			if n == 1 {
				b = append(b, `\ufffd`...)
			} else {
				b = append(b, `\u202`...)
				b = append(b, hex[r&15])
			}
			i += n
			start = i
			continue
		}
		i += n
	}
	b = append(b, s[start:]...)
	return append(b, '"')
}

func mapRecord(t imap.Tally) MapRecord {
	return MapRecord{Read: t[imap.Read], Doubtful: t[imap.Doubtful], Failed: t[imap.Failed], Skipped: t[imap.Skipped]}
}
