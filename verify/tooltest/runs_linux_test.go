package tooltest

import (
	"bufio"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// run is clusters of a stream from vcn, at lcn of the volume.
type run struct{ VCN, LCN, Length int64 }

// stream is what ntfsinfo prints of a stream that is not resident.
type stream struct {
	runs        []run
	initialized int64 // bytes from its start; what lies after reads as zeros
}

// stated are a record's streams by name, "" for the unnamed one, as ntfsinfo
// prints them.
func stated(record uint64, volume string) (map[string]*stream, error) {
	out, err := exec.Command("ntfsinfo", "-f", "-v", "-t", "-i", strconv.FormatUint(record, 10), volume).Output()
	if err != nil {
		return nil, err
	}
	streams := map[string]*stream{}
	var data, list bool
	var name string
	current := func() *stream {
		if streams[name] == nil {
			streams[name] = &stream{}
		}
		return streams[name]
	}
	lines := bufio.NewScanner(strings.NewReader(string(out)))
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		line := strings.TrimSpace(lines.Text())
		field, value, _ := strings.Cut(line, ":")
		switch {
		case strings.HasPrefix(line, "Dumping attribute "):
			data, list, name = strings.HasPrefix(line, "Dumping attribute $DATA "), false, ""
		case !data:
		case field == "Attribute name":
			name = strings.Trim(strings.TrimSpace(value), "'")
		case field == "Initialized size": // only the first part of a stream has it
			number, _, _ := strings.Cut(strings.TrimSpace(value), " ")
			n, err := strconv.ParseInt(number, 10, 64)
			if err != nil {
				return nil, err
			}
			current().initialized = n
		case field == "Runlist":
			list = true
		case list:
			cells := strings.Fields(line)
			if len(cells) != 3 || !strings.HasPrefix(cells[0], "0x") {
				list = false
				break
			}
			var r run
			for i, p := range []*int64{&r.VCN, &r.LCN, &r.Length} {
				n, err := strconv.ParseInt(cells[i], 0, 64)
				if err != nil {
					n = -1 // a hole, in words
				}
				*p = n
			}
			if r.LCN >= 0 && r.Length > 0 {
				current().runs = append(current().runs, r)
			}
		}
	}
	return streams, lines.Err()
}

// compareRuns holds the extents of every non-resident file and stream against
// the runs that ntfsinfo prints. volume is the volume in a file of its own.
func compareRuns(t *testing.T, volume string, l listed) {
	t.Helper()
	records := make(chan uint64)
	var mu sync.Mutex
	want := map[uint64]map[string]*stream{}
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			for id := range records {
				s, err := stated(id, volume)
				if err != nil {
					t.Errorf("ntfsinfo of record %d: %v", id, err)
				}
				mu.Lock()
				want[id] = s
				mu.Unlock()
			}
		})
	}
	asked := map[uint64]bool{}
	for _, f := range l.files {
		if !asked[f.ID] {
			asked[f.ID] = true
			records <- f.ID
		}
	}
	close(records)
	wg.Wait()

	compared := 0
	for _, f := range l.files {
		name := ""
		switch f.Kind {
		case "file":
		case "stream":
			_, name, _ = strings.Cut(f.Path[strings.LastIndex(f.Path, "/")+1:], ":")
		default:
			continue
		}
		s, ok := want[f.ID][name]
		if !ok || f.Stored != "" {
			continue
		}
		compared++
		// The clusters past the content's end are slack, which no extent shows.
		var theirs [][3]int64
		for _, r := range s.runs {
			offset, at, n := r.VCN*l.Cluster, l.Start+r.LCN*l.Cluster, r.Length*l.Cluster
			n = min(n, *f.Size-offset, s.initialized-offset)
			if n <= 0 {
				continue
			}
			if k := len(theirs) - 1; k >= 0 && theirs[k][0]+theirs[k][2] == offset && theirs[k][1]+theirs[k][2] == at {
				theirs[k][2] += n
			} else {
				theirs = append(theirs, [3]int64{offset, at, n})
			}
		}
		if d := cmp.Diff(theirs, f.Extents); d != "" && len(theirs)+len(f.Extents) > 0 {
			t.Errorf("extents of %s, record %d (-ntfsinfo +ours):\n%s", f.Path, f.ID, d)
		}
	}
	if compared == 0 {
		t.Error("ntfsinfo printed no runs")
	}
	t.Logf("runs of %d files and streams compared", compared)
}
