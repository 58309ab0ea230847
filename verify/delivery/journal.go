package delivery

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"strconv"
	"sync"
	"time"
)

// journalName is the file of a delivery that tells, until it is finished, what
// it is to hold and what of that is done.
const journalName = ".fileassay-journal"

// order is what a delivery was asked for. Only a run that was asked for the
// same goes on with it.
type order struct {
	Format    int    `json:"format"`
	Result    string `json:"result"` // SHA-256
	Selection string `json:"selection"`
	Wanted    string `json:"wanted,omitempty"` // SHA-256 of the list
	Filler    string `json:"filler"`
	Date      string `json:"date,omitempty"`

	// Image is the stamp of the image. It may lie elsewhere when the delivery
	// is taken up; but what was copied of one that was written to since, or was
	// copied anew, is not trusted.
	Image string `json:"image"`
}

// same reports whether a delivery was asked for as o.
func (o order) same(p *order) bool {
	o.Image = p.Image
	return o == *p
}

const journalFormat = 1

// journal is written as files are finished. A line proves nothing by itself:
// the next run reads the file again, and trusts it only if its digest is that
// of its line. So lines need not reach the disk in any order, nor at all.
type journal struct {
	mu      sync.Mutex
	f       *os.File
	b       *bufio.Writer
	flushed time.Time
}

type journalLine struct {
	n   int
	sum [32]byte
}

func newJournal(f *os.File) *journal { return &journal{f: f, b: bufio.NewWriterSize(f, 64<<10)} }

func (j *journal) begin(o *order) error {
	line, err := json.Marshal(o)
	if err != nil {
		return err
	}
	if _, err := j.b.Write(append(line, '\n')); err != nil {
		return err
	}
	return j.flush()
}

// add notes a finished file.
func (j *journal) add(n int32, sum [32]byte) error {
	var line [96]byte
	b := appendJournal(line[:0], int(n), sum)
	j.mu.Lock()
	defer j.mu.Unlock()
	if _, err := j.b.Write(b); err != nil {
		return err
	}
	if now := time.Now(); now.Sub(j.flushed) > 100*time.Millisecond {
		j.flushed = now
		return j.b.Flush()
	}
	return nil
}

func appendJournal(b []byte, n int, sum [32]byte) []byte {
	b = strconv.AppendInt(b, int64(n), 10)
	b = append(b, ' ')
	b = hex.AppendEncode(b, sum[:])
	b = append(b, ' ')
	b = strconv.AppendUint(b, uint64(crc32.ChecksumIEEE(b)), 10)
	return append(b, '\n')
}

func (j *journal) flush() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.b.Flush()
}

// readJournal reads a journal as far as its lines are whole. Those that were
// torn are left out: their files are made again.
func readJournal(r io.Reader) (*order, []journalLine, error) {
	s := bufio.NewReader(r)
	head, err := s.ReadBytes('\n')
	if err != nil && err != io.EOF {
		return nil, nil, err
	}
	var o order
	if json.Unmarshal(head, &o) != nil || o.Format != journalFormat {
		if err == io.EOF { // cut off in its first line: nothing was done yet
			return nil, nil, nil
		}
		return nil, nil, fmt.Errorf("%s is none that this version writes", journalName)
	}
	var lines []journalLine
	for {
		line, err := s.ReadBytes('\n')
		if len(line) > 0 {
			if l, ok := parseJournal(line); ok {
				lines = append(lines, l)
			}
		}
		if err == io.EOF {
			return &o, lines, nil
		}
		if err != nil {
			return nil, nil, err
		}
	}
}

func parseJournal(line []byte) (l journalLine, ok bool) {
	f := bytes.Fields(line)
	if len(f) != 3 || len(f[1]) != 64 {
		return l, false
	}
	n, err := strconv.Atoi(string(f[0]))
	if err != nil || n < 0 {
		return l, false
	}
	if _, err := hex.Decode(l.sum[:], f[1]); err != nil {
		return l, false
	}
	l.n = n
	return l, bytes.Equal(line, appendJournal(nil, n, l.sum))
}

// newLine ends a line that was torn.
func (j *journal) newLine() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.b.WriteByte('\n')
}
