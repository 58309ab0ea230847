package verify

import (
	"fmt"

	"fileassay/extract"
)

// What is said of entries that lie deeper than [extract.PathLimit]. A list with
// such entries may be complete: every one of them is listed, with its name,
// its content and the number of its folder, and the folder is listed under that
// number, so nothing is missing and no place is lost. But the list says how many
// entries do not show their whole path.

// whyDeep is why an entry stands under its folder's number.
var whyDeep = fmt.Sprintf("the path of its folder is longer than %d bytes: it stands under the folder's number", extract.PathLimit)

// deepWords says how many entries do, in the words of a list.
func deepWords(n int64) string {
	what := "1 entry lies in a folder whose path is"
	if n != 1 {
		what = fmt.Sprintf("%d entries lie in folders whose paths are", n)
	}
	return fmt.Sprintf("%s longer than %d bytes: what lies there is listed under its folder's number", what, extract.PathLimit)
}
