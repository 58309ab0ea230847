package lawtest

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// testCase is one trial of a property. Less is read first: neither Unread
// nor More. Then more is: More stands read as Fill says, after the Edits.
type testCase struct {
	unread, more []int64 // sectors, in order
	fill         string
	noise        uint64 // the seed of what fill draws
	edits        []edit
}

// fills are what may stand in a sector.
var fills = []string{"keep", "zeros", "ones", "noise", "other", "older"}

// String is the form that parseCase reads.
func (c testCase) String() string {
	var out []string
	add := func(name, value string) {
		if value != "" {
			out = append(out, name+"="+value)
		}
	}
	add("unread", ranges(c.unread))
	add("more", ranges(c.more))
	add("fill", c.fill)
	if c.noise != 0 {
		add("noise", strconv.FormatUint(c.noise, 10))
	}
	for _, e := range c.edits {
		add("edit", e.String())
	}
	return strings.Join(out, " ")
}

func parseCase(text string) (c testCase, err error) {
	for _, word := range strings.Fields(text) {
		name, value, _ := strings.Cut(word, "=")
		switch name {
		case "unread":
			c.unread, err = parseRanges(value)
		case "more":
			c.more, err = parseRanges(value)
		case "fill":
			if c.fill = value; !slices.Contains(fills, value) {
				err = fmt.Errorf("%q is no fill", value)
			}
		case "noise":
			c.noise, err = strconv.ParseUint(value, 10, 64)
		case "edit":
			var e edit
			e, err = parseEdit(value)
			c.edits = append(c.edits, e)
		default:
			err = fmt.Errorf("%q is no part of a case", word)
		}
		if err != nil {
			return c, fmt.Errorf("case %q: %w", text, err)
		}
	}
	return c, nil
}

// ranges writes sectors as "3,7-9".
func ranges(list []int64) string {
	var b strings.Builder
	for i := 0; i < len(list); {
		k := i
		for k+1 < len(list) && list[k+1] == list[k]+1 {
			k++
		}
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprint(&b, list[i])
		if k > i {
			fmt.Fprintf(&b, "-%d", list[k])
		}
		i = k + 1
	}
	return b.String()
}

func parseRanges(text string) ([]int64, error) {
	var out []int64
	for part := range strings.SplitSeq(text, ",") {
		first, last, two := strings.Cut(part, "-")
		a, err := strconv.ParseInt(first, 10, 64)
		z := a
		if err == nil && two {
			z, err = strconv.ParseInt(last, 10, 64)
		}
		if err != nil || z < a || z-a > 1<<24 {
			return nil, fmt.Errorf("%q is no range of sectors", part)
		}
		for k := a; k <= z; k++ {
			out = append(out, k)
		}
	}
	return out, nil
}

// sorted is a list of sectors in order, each once.
func sorted(list []int64) []int64 {
	slices.Sort(list)
	return slices.Compact(list)
}

// without is what of list is not in other; both are in order.
func without(list, other []int64) []int64 {
	var out []int64
	for _, k := range list {
		if _, found := slices.BinarySearch(other, k); !found {
			out = append(out, k)
		}
	}
	return out
}
