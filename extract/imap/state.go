package imap

import (
	"fmt"
	"slices"
)

// State says what came of reading a range of the drive.
type State uint8

// The read states, from best to worst.
const (
	Read     State = iota // read, and the drive vouched for it
	Doubtful              // data came back, but the drive did not vouch for it
	Skipped               // not tried yet
	Failed                // tried, and the drive gave an error
)

// stateNames are the words of maps and results.
var stateNames = [...]string{Read: "read", Doubtful: "doubtful", Skipped: "skipped", Failed: "failed"}

// String is the word for the state in maps and results.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return fmt.Sprintf("state %d", uint8(s))
}

// ParseState is the inverse of String; ok is false for any other word.
func ParseState(word string) (s State, ok bool) {
	i := slices.Index(stateNames[:], word)
	return State(max(i, 0)), i >= 0
}
