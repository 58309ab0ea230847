package result

import (
	"bytes"
	"context"
	"os"
	"strconv"
	"testing"
)

// Read reads a result that is in memory.
func Read(text []byte) (*Result, error) {
	return read(context.Background(), "memory", bytes.NewReader(text), int64(len(text)))
}

// Times is how often a property is tried: n times, or as many times more as
// FILEASSAY_PROPERTIES says.
func Times(tb testing.TB, n int) int {
	tb.Helper()
	if more := os.Getenv("FILEASSAY_PROPERTIES"); more != "" {
		k, err := strconv.Atoi(more)
		if err != nil || k < 1 {
			tb.Fatalf("FILEASSAY_PROPERTIES=%q is no count", more)
		}
		n *= k
	}
	return n
}
