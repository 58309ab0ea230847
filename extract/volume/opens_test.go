package volume

import (
	"context"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
)

// counted are kinds that count how often each place is opened as what.
func counted(kinds []Kind) ([]Kind, map[attempt]int) {
	times := map[attempt]int{}
	count := func(k Kind, open openFunc, remains bool) openFunc {
		if open == nil {
			return nil
		}
		return func(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (extract.Filesystem, error) {
			times[attempt{k.Name, start, length, remains}]++
			return open(ctx, r, start, length, o)
		}
	}
	for i, k := range kinds {
		kinds[i].Open, kinds[i].Remains = count(k, k.Open, false), count(k, k.Remains, true)
	}
	return kinds, times
}

// On the way from an image to the open readers of its volumes, no place is
// opened twice as the same thing.
func TestOpensOnce(t *testing.T) {
	table := make([]byte, 16*mib)
	putMBR(table, 0, bootEntry{Type: 0x83, Start: 2048, Sectors: 4096}, bootEntry{Type: 0x83, Start: 8192, Sectors: 2048}, bootEntry{Type: 0x83, Start: 16384, Sectors: 4096})
	putToy(table, mib, 2*mib)
	putToy(table, 4*mib, 2*mib) // longer than its partition
	copy(table[8*mib+2048:], "toy table")
	bare, lost := make([]byte, 4*mib), make([]byte, 16*mib)
	putToy(bare, 0, 4*mib)
	putToy(lost, 3*mib, 2*mib)
	putToy(lost, 8*mib, 2*mib)
	relic := func() []Kind {
		return []Kind{{Name: "relic", Filesystems: []string{"toy"}, Sniff: func([]byte, int64) []extract.Candidate { return nil },
			Open: func(_ context.Context, _ *image.Reader, start, _ int64, _ extract.Options) (extract.Filesystem, error) {
				return nil, &extract.NotVolumeError{Filesystem: "toy", Start: start, Why: "it is unread"}
			}, Remains: func(context.Context, *image.Reader, int64, int64, extract.Options) (extract.Filesystem, error) {
				return toyVolume{}, nil
			}}}
	}
	find := func(offset int64) func(*image.Reader, []Kind) (*Layout, error) {
		return func(r *image.Reader, kinds []Kind) (*Layout, error) {
			return findFrom(t.Context(), r, offset, extract.Options{Threads: 1}, kinds)
		}
	}
	at := func(start int64) func(*image.Reader, []Kind) (*Layout, error) {
		return func(r *image.Reader, kinds []Kind) (*Layout, error) {
			return volumeAt(t.Context(), r, start, "toy", extract.Options{Threads: 1}, kinds)
		}
	}
	for _, tt := range []struct {
		name    string
		disk    []byte
		holes   []unread
		kinds   []Kind
		layout  func(*image.Reader, []Kind) (*Layout, error)
		volumes int // that open
	}{
		{"a table", table, nil, toyKinds(), find(0), 3},
		{"a table and boot sectors unread", table, []unread{{mib, sec}, {4 * mib, sec}}, toyKinds(), find(0), 2},
		{"bare", bare, nil, toyKinds(), find(0), 1},
		{"bare by its copy", bare, []unread{{0, sec}}, toyKinds(), find(0), 1},
		{"no table", lost, nil, toyKinds(), find(0), 2},
		{"no table, and backups only", lost, []unread{{0, sec}, {3 * mib, sec}, {8 * mib, sec}}, toyKinds(), find(0), 2},
		{"a table and what is left", table, nil, relic(), find(0), 3},
		{"nothing but what is left", lost, nil, relic(), find(0), 1},
		{"a drive inside the image", append(make([]byte, mib), table...), nil, toyKinds(), find(mib), 3},
		{"given by hand", lost, nil, toyKinds(), at(3 * mib), 1},
		{"given by hand, by its backup", lost, []unread{{3 * mib, sec}}, toyKinds(), at(3 * mib), 1},
		{"given by hand, what is left", lost, nil, relic(), at(3 * mib), 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			kinds, times := counted(tt.kinds)
			r := reader(t, tt.disk, sec, tt.holes...)
			l, err := tt.layout(r, kinds)
			if err != nil {
				t.Fatal(err)
			}
			n := 0
			for i := range l.Volumes {
				if l.Volumes[i].Reason == "" {
					n++
					if _, err := open(t.Context(), r, &l.Volumes[i], extract.Options{}, kinds); err != nil {
						t.Error(err)
					}
				}
			}
			if n != tt.volumes {
				t.Errorf("%d volumes open, want %d: %v", n, tt.volumes, briefs(l))
			}
			for a, n := range times {
				if n > 1 {
					t.Errorf("%+v is opened %d times", a, n)
				}
			}
		})
	}
}

// Of a drive full of volumes few readers are held; the others are opened again.
func TestFewReadersAreHeld(t *testing.T) {
	const volumes = maxOpen + 5
	disk := make([]byte, (2*volumes+2)*mib)
	for i := range volumes {
		putToy(disk, int64(2*i+1)*mib, mib)
	}
	r := reader(t, disk, sec)
	l := mustFind(t, r)
	held := 0
	for i := range l.Volumes {
		if l.Volumes[i].fs != nil {
			held++
		}
		if v := &l.Volumes[i]; v.Filesystem == "toy" {
			if fs, err := open(t.Context(), r, v, extract.Options{}, toyKinds()); err != nil || fs == nil {
				t.Errorf("volume at %d: %v", v.Start, err)
			}
		}
	}
	if len(l.Volumes) < volumes || held > maxOpen || held == 0 {
		t.Errorf("%d volumes, %d readers are held", len(l.Volumes), held)
	}
}
