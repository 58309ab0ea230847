// Package wanted reads the customer's priorities, a wanted list, and says how
// much a file is wanted.
//
// A wanted list is a small text file with a line for each rule: a weight and
// what it is for. The first rule that fits a file gives its weight; a file that
// no rule fits has weight 0, which means that nothing is read again for it.
//
//	# what the customer asked for
//	100 /Orchard/Accounts/**
//	20  kind:photo newer:2024-01-01
//	5   kind:film smaller:2GiB Holidays/**
//	3   volume:2 /Backup/**
//	0   *.tmp
//	1   **
//
// What follows the weight is any number of conditions and then, perhaps, a
// pattern (of package glob, which bounds it). A pattern with a slash in it is held against
// the whole path, one without against the last name alone, so that "/x" means x
// in the root folder. Upper and lower case are the same, and so are the ways to
// write an accent. Volumes have the numbers of the result.
package wanted
