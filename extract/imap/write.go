package imap

import (
	"bufio"
	"fmt"
	"io"
	"iter"
	"strconv"
	"strings"
)

// Write writes the map in our own form, after the given remarks as comments.
// What was not tried is left out, as it may be.
func (m *Map) Write(w io.Writer, remarks ...string) error {
	b := bufio.NewWriterSize(w, 1<<16)
	for _, r := range remarks {
		for _, line := range strings.Split(r, "\n") {
			fmt.Fprintf(b, "# %s\n", line)
		}
	}
	b.WriteString("start,length,state\n")
	var line []byte
	for r := range m.Ranges() {
		line = strconv.AppendInt(line[:0], r.Start, 10)
		line = append(line, ',')
		line = strconv.AppendInt(line, r.Length, 10)
		line = append(line, ',')
		line = append(line, r.State.String()...)
		b.Write(append(line, '\n'))
	}
	return b.Flush()
}

// Line is what a template of [Map.Format] is executed with for each range.
type Line struct {
	Number int   // of the range, from 1
	Start  int64 // first byte
	Length int64 // bytes
	End    int64 // first byte past the range
	Last   int64 // last byte of the range
	State  State
}

// Whole is what the templates "first" and "last" are executed with.
type Whole struct {
	Size   int64 // bytes of the drive
	Ranges int
	Bytes  map[string]int64 // by state
}

// Format writes any list of [0, size): t is executed with a [Line] for every
// range, skipped ones too, and with a [Whole] before and after.
func (m *Map) Format(w io.Writer, t *Template, size int64) error {
	whole := Whole{Size: size, Bytes: map[string]int64{}}
	for s, n := range m.Tally(0, size) {
		whole.Bytes[State(s).String()] = n
	}
	for range m.Over(0, size) {
		whole.Ranges++
	}
	return t.List(w, whole, func(put func(any) error) error {
		n := 0
		for r := range m.Over(0, size) {
			n++
			if err := put(Line{n, r.Start, r.Length, r.End(), r.End() - 1, r.State}); err != nil {
				return err
			}
		}
		return nil
	})
}

// Lengths tells of the ranges of one kind how many there are and how long.
type Lengths struct {
	Ranges  int   `json:"ranges"`
	Bytes   int64 `json:"bytes"`
	Longest int64 `json:"longest"` // bytes
	Median  int64 `json:"median"`  // bytes; of an even number the lower middle one
}

// measure makes Lengths of ranges; it allocates 8 bytes a range.
func measure(ranges iter.Seq[Range]) Lengths {
	var l Lengths
	var all []int64
	for r := range ranges {
		all = append(all, r.Length)
		l.Bytes += r.Length
		l.Longest = max(l.Longest, r.Length)
	}
	l.Ranges = len(all)
	if len(all) > 0 {
		l.Median = nth(all, (len(all)-1)/2)
	}
	return l
}

// nth is the n-th smallest of list, from 0, which it reorders.
func nth(list []int64, n int) int64 {
	for lo, hi := 0, len(list)-1; lo < hi; {
		pivot := list[lo+(hi-lo)/2]
		i, j := lo, hi
		for i <= j {
			for list[i] < pivot {
				i++
			}
			for list[j] > pivot {
				j--
			}
			if i <= j {
				list[i], list[j] = list[j], list[i]
				i++
				j--
			}
		}
		switch {
		case n <= j:
			hi = j
		case n >= i:
			lo = i
		default:
			return list[n]
		}
	}
	return list[n]
}

// Survey is what a map says in sum of a drive of Size bytes.
type Survey struct {
	Size   int64                `json:"size"`
	Bytes  map[string]int64     `json:"bytes"`  // by state
	States map[string]Lengths   `json:"states"` // the ranges of each state
	Unread Lengths              `json:"unread"` // runs of bytes that are not read, of any other states
	Tenths [10]map[string]int64 `json:"tenths"` // bytes by state in each tenth of the drive
	Usual  *Capacity            `json:"usual_capacity,omitempty"`
}

// Survey sums the map up over [0, size).
func (m *Map) Survey(size int64) Survey {
	s := Survey{Size: size, Bytes: map[string]int64{}, States: map[string]Lengths{}}
	for state, n := range m.Tally(0, size) {
		s.Bytes[State(state).String()] = n
		s.States[State(state).String()] = measure(func(yield func(Range) bool) {
			for r := range m.Over(0, size) {
				if r.State == State(state) && !yield(r) {
					return
				}
			}
		})
	}
	s.Unread = measure(func(yield func(Range) bool) {
		var run Range
		for r := range m.Over(0, size) {
			switch {
			case r.State == Read:
				if run.Length > 0 && !yield(run) {
					return
				}
				run = Range{}
			case run.Length == 0:
				run = r
			default:
				run.Length += r.Length
			}
		}
		if run.Length > 0 {
			yield(run)
		}
	})
	for i := range s.Tenths {
		a, z := size/10*int64(i), size/10*int64(i+1)
		if i == 9 {
			z = size
		}
		s.Tenths[i] = map[string]int64{}
		for state, n := range m.Tally(a, z-a) {
			s.Tenths[i][State(state).String()] = n
		}
	}
	if c, ok := UsualCapacity(size); ok {
		s.Usual = &c
	}
	return s
}
