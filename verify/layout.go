package verify

import (
	"context"
	"slices"

	"fileassay/extract"
	"fileassay/extract/volume"
	"fileassay/verify/result"
)

// LayoutRecord says what stands where in an image and how well the structures
// that say so are.
type LayoutRecord struct {
	Image      result.Image       `json:"image"`
	Holes      *HolesRecord       `json:"holes,omitempty"` // of the image file; null where it has none or the system does not tell
	Scheme     string             `json:"scheme"`
	Notes      []string           `json:"notes,omitempty"`
	Structures []result.Structure `json:"structures"`
	Partitions []PartitionRecord  `json:"partitions"`
	Volumes    []VolumeLayout     `json:"volumes"`
}

// Clean reports whether every structure was read and passed its checks, every
// volume can be listed, and no fault of the image file was noted.
func (l *LayoutRecord) Clean() bool {
	sound := func(list []result.Structure) bool {
		return !slices.ContainsFunc(list, func(s result.Structure) bool { return s.Health != string(extract.HealthRead) })
	}
	for _, v := range l.Volumes {
		if v.Reason != "" && !v.NoFiles || !sound(v.Structures) {
			return false
		}
	}
	return len(l.Image.Broken) == 0 && len(l.Volumes) > 0 && len(l.Image.Missing) == 0 && sound(l.Structures)
}

// HolesRecord counts the holes of the files that make up an image: bytes that
// were never written to them and read as zeros.
type HolesRecord struct {
	Count int64 `json:"count"`
	Bytes int64 `json:"bytes"`
	Read  int64 `json:"read"` // of the bytes, those that the imaging map calls read
}

// PartitionRecord is an entry of the partition table.
type PartitionRecord struct {
	Number  int    `json:"number"`
	Start   int64  `json:"start"`
	Length  int64  `json:"length"`
	Type    string `json:"type"`
	Name    string `json:"name,omitempty"`
	Logical bool   `json:"logical,omitempty"`
}

// VolumeLayout is a volume with the health of its own structures.
type VolumeLayout struct {
	Volume     int                `json:"volume"`
	Start      int64              `json:"start"`
	Length     int64              `json:"length"`
	Pieces     result.Pieces      `json:"pieces,omitempty"` // as in a result
	Filesystem string             `json:"filesystem"`
	Label      string             `json:"label"`
	Cluster    int64              `json:"cluster"`
	Found      string             `json:"found"`
	Reason     string             `json:"reason,omitempty"`   // why its files cannot be listed
	NoFiles    bool               `json:"no_files,omitempty"` // it holds none
	Notes      []string           `json:"notes,omitempty"`
	Structures []result.Structure `json:"structures"`
}

// Layout finds the partitions and volumes of an image and the health of each
// volume's own structures. Errors are [*InputError] or the context's.
func Layout(ctx context.Context, o Options) (*LayoutRecord, error) {
	in, err := OpenImage(o)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	var rec *LayoutRecord
	err = in.passes(ctx, func() (err error) {
		rec, err = layout(ctx, o, in)
		return err
	})
	if err != nil {
		return nil, err
	}
	return rec, nil
}

// layout is a pass of [Layout].
func layout(ctx context.Context, o Options, in *Input) (*LayoutRecord, error) {
	r := in.Reader
	l, err := in.layout(ctx, o)
	if err != nil {
		return nil, err
	}
	rec := &LayoutRecord{Holes: in.holesRecord(), Scheme: l.Scheme, Notes: l.Notes, Structures: structureRecords(l.Structures),
		Partitions: []PartitionRecord{}, Volumes: []VolumeLayout{}}
	for _, p := range l.Partitions {
		rec.Partitions = append(rec.Partitions, PartitionRecord{p.Number, p.Start, p.Length, p.Type, p.Name, p.Logical})
	}
	for i := range l.Volumes {
		v := &l.Volumes[i]
		vl := VolumeLayout{Volume: i + 1, Start: v.Start, Length: v.Length, Pieces: result.PiecesOf(v.Pieces), Filesystem: v.Filesystem, Found: v.Found, Reason: v.Reason, NoFiles: v.NoFiles,
			Structures: []result.Structure{}}
		fs, err := volume.Open(ctx, r, v, o.Options)
		if err == nil {
			survey, err := fs.Walk(ctx, nil)
			if err != nil {
				return nil, err
			}
			info := fs.Info()
			vl.Filesystem, vl.Label, vl.Cluster, vl.Notes = info.Filesystem, info.Label, info.Cluster, info.Notes
			vl.Structures = structureRecords(survey.Structures)
		} else if ctx.Err() != nil {
			return nil, ctx.Err()
		} else if vl.Reason == "" {
			vl.Reason = err.Error()
		}
		rec.Volumes = append(rec.Volumes, vl)
	}
	rec.Image = imageRecord(o, in, l)
	return rec, nil
}

func structureRecords(list []extract.Structure) []result.Structure {
	out := make([]result.Structure, 0, len(list))
	for _, s := range list {
		rec := result.Structure{Name: s.Name, Length: s.Length, Unread: s.Unread, Health: string(s.Health), Note: s.Note}
		if s.Image >= 0 {
			rec.Start = &s.Image
		}
		out = append(out, rec)
	}
	return out
}
