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
}

const journalFormat = 1

// journal is written as files are finished. A line proves nothing by itself:
// the next run reads the file and the image again (see prove). So lines need not
// reach the disk in any order, nor at all, but for the first.
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
	b = fmt.Appendf(b, "%d %x ", n, sum)
	return fmt.Appendf(b, "%d\n", crc32.ChecksumIEEE(b))
}

func (j *journal) flush() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.b.Flush()
}

// journalLimit bounds a line of a journal: the first holds what the command line
// asked for.
const journalLimit = 4 << 20

// readJournal reads a journal as far as its lines are whole. Those that were
// torn are left out: their files are made again. Where the first one is torn
// there is no order.
func readJournal(r io.Reader) (*order, []journalLine, error) {
	s := bufio.NewReaderSize(r, journalLimit)
	head, err := s.ReadSlice('\n')
	if err != nil && err != io.EOF && err != bufio.ErrBufferFull {
		return nil, nil, err
	}
	var o order
	if json.Unmarshal(head, &o) != nil || o.Format != journalFormat {
		if err == io.EOF && isTorn(head) {
			return nil, nil, nil
		}
		return nil, nil, fmt.Errorf("holds a %s that this version did not write: give another folder, or, if all in this one is an unfinished delivery, empty it and run the same command again", journalName)
	}
	var lines []journalLine
	for {
		line, err := s.ReadSlice('\n')
		if l, ok := parseJournal(line); ok {
			lines = append(lines, l)
		}
		if err == io.EOF {
			return &o, lines, nil
		}
		if err != nil && err != bufio.ErrBufferFull {
			return nil, nil, err
		}
	}
}

// isTorn reports whether text is the begin of a journal's first line, or
// nothing. Zeros stand behind it, or in its place, where a power cut took what
// was not on the disk.
func isTorn(text []byte) bool {
	text = bytes.TrimRight(text, "\x00")
	begin := fmt.Appendf(nil, `{"format":%d,"result":"`, journalFormat)
	return bytes.HasPrefix(text, begin) || bytes.HasPrefix(begin, text)
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
