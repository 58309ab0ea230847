// Command kinds prints the filesystems that can be listed, with commas, as
// run_fixtures.py takes them.
package main

import (
	"fmt"
	"strings"

	"fileassay/extract/volume"
)

func main() {
	var names []string
	for _, k := range volume.Kinds() {
		names = append(names, k.Filesystems...)
	}
	fmt.Println(strings.Join(names, ","))
}
