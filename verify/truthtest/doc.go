// Package truthtest runs verify over images whose truth is known and holds the
// results to the laws of the design: it damages images by profiles of its own,
// and scores results by marking sectors one by one, without a filesystem
// reader or the code that counts in results. Only tests use it.
package truthtest
