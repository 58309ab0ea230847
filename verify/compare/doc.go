// Package compare says what a further pass over a drive won: it holds the
// results before and after it against each other, file by file.
package compare
