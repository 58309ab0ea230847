package lawtest

// mostTries bounds how often a case is tried to make it smaller.
const mostTries = 160

// shrink makes a failing case smaller as long as it fails in the same words.
func shrink(s *subject, p property, c testCase, what string) testCase {
	tries := mostTries
	fails := func(c testCase) bool {
		if tries <= 0 {
			return false
		}
		tries--
		for _, b := range p.try(s, c) {
			if b.what == what {
				return true
			}
		}
		return false
	}
	least := 0
	if p.name == "monotone" || p.name == "garbage" {
		least = 1
	}
	for range 2 {
		c.edits = fewer(c.edits, 0, func(l []edit) bool { n := c; n.edits = l; return fails(n) })
		c.more = fewer(c.more, least, func(l []int64) bool { n := c; n.more = l; return fails(n) })
		c.unread = fewer(c.unread, 0, func(l []int64) bool { n := c; n.unread = l; return fails(n) })
	}
	return c
}

// fewer is a part of list for which fails still holds: parts are left out, each
// time smaller ones, as long as that can be.
func fewer[T any](list []T, least int, fails func([]T) bool) []T {
	if least == 0 && len(list) > 0 && fails(nil) {
		return nil
	}
	for parts := 2; len(list) > max(least, 1); {
		left := false
		for i := range parts {
			a, z := i*len(list)/parts, (i+1)*len(list)/parts
			if only := list[a:z]; parts > 1 && len(only) >= max(least, 1) && len(only) < len(list) && fails(only) {
				list, parts, left = only, 2, true
				break
			}
			rest := append(append([]T(nil), list[:a]...), list[z:]...)
			if parts > 2 && len(rest) >= max(least, 1) && len(rest) < len(list) && fails(rest) {
				list, parts, left = rest, max(parts-1, 2), true
				break
			}
		}
		if left {
			continue
		}
		if parts >= len(list) {
			break
		}
		parts = min(2*parts, len(list))
	}
	return list
}
