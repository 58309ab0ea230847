// Package verify crosses the files of an image with its imaging map and says
// of each: intact, damaged or lost. [Run] writes the result that everything
// else is made from.
package verify
