// Package lawtest holds a filesystem's reader to the five properties that every
// reader has, on images whose content is known:
//
//   - filler: what is said is the same whatever stands in the unread sectors.
//   - monotone: what is listed, intact or complete with less read is so with
//     more read, unless a contradiction is named.
//   - garbage: a sector that was read as zeros, noise or an older version of
//     itself costs no more than the same sector unread.
//   - content: what is called intact reads as the truth after an edit of
//     metadata, or the volume names a contradiction.
//   - cost: memory, bytes read and entries are bounded, whatever the image holds.
//
// A reader's test calls [Run] with the reader and some images. Cases are drawn
// from seeds. A failing case is made small and printed with the line that repeats
// it. What fails and is known stands in one list, in known.go, by its cause:
// a case that fails by a known cause is passed over, an entry of the list that does
// not fail any more is an error, so the list can only get shorter.
//
// The package judges by [extract.File] and the imaging map alone and knows
// nothing of the package that makes verdicts, on purpose.
package lawtest
