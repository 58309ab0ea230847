// Package program says which program this is.
package program

import "runtime/debug"

// Version is the version of the program as its build tells it: that of the
// module, and where it was built from a working tree the revision, with
// "modified" where the tree was not as that revision has it.
func Version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	return version(info)
}

func version(info *debug.BuildInfo) string {
	out := info.Main.Version
	if out == "" {
		out = "(devel)"
	}
	var revision, modified string
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			revision = " " + s.Value
		case s.Key == "vcs.modified" && s.Value == "true":
			modified = " modified"
		}
	}
	return out + revision + modified
}
