package report

// maxPath bounds a path in a table that stands in a page as it is, in
// characters: a hostile name may fill sheets of paper. The list of the page and
// the tables have it whole.
const maxPath = 600

// shorten leaves out the middle of a path that is too long.
func shorten(s string) string {
	if len(s) <= maxPath {
		return s
	}
	r := []rune(s)
	if len(r) <= maxPath {
		return s
	}
	return string(r[:maxPath/2]) + " … (cut) … " + string(r[len(r)-maxPath/2:])
}
