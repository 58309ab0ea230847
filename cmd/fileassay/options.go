package main

import (
	"strings"

	"github.com/dustin/go-humanize"
	"github.com/spf13/cobra"

	"fileassay/verify"
)

// imageFlags are the options of every command that reads an image.
type imageFlags struct {
	driveSize string
	sector    int64
	m         mapFlags
	o         verify.Options
}

func (f *imageFlags) add(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringVarP(&f.o.Map, "map", "m", "", "imaging map `FILE`: which sectors were read (CSV: start,length,state)")
	f.m.add(fl)
	fl.BoolVar(&f.o.AssumeRead, "assume-read", false, "claim that every sector was read, in place of a map")
	fl.BoolVar(&f.o.TrustDoubtful, "trust-doubtful", false, "take doubtful sectors as read")
	fl.StringVar(&f.driveSize, "drive-size", "", "`BYTES` of the drive where it is larger than the image")
	fl.Int64Var(&f.sector, "sector", 512, "bytes in a sector of the drive")
	fl.IntVar(&f.o.Threads, "threads", 0, "threads for long steps; 0 is one a core")
	fl.StringVar(&f.o.Codepage, "codepage", "437", "code page of short FAT names")
	fl.BoolVar(&f.o.NoJournal, "no-journal", false, "leave newer metadata in a journal aside")
}

// options are the parsed flags for an image.
func (f *imageFlags) options(image string) (verify.Options, error) {
	o := f.o
	o.Image = image
	switch f.sector {
	case 256, 512, 1024, 2048, 4096:
		o.Sector = f.sector
	default:
		return o, usagef("--sector %d: a sector has 256, 512, 1024, 2048 or 4096 bytes", f.sector)
	}
	if f.driveSize != "" {
		n, err := humanize.ParseBytes(strings.ReplaceAll(f.driveSize, "_", ""))
		if err != nil || n == 0 || n > 1<<61 {
			return o, usagef("--drive-size %q: give a number of bytes", f.driveSize)
		}
		o.DriveSize = int64(n)
	}
	if o.Threads < 0 {
		return o, usagef("--threads %d: give 1 or more, or 0 for one a core", o.Threads)
	}
	if o.Map == "" && !o.AssumeRead {
		return o, usagef("%v", verify.ErrNoMap)
	}
	if o.Map != "" && o.AssumeRead {
		return o, usagef("--map and --assume-read exclude each other: give one")
	}
	var err error
	if o.Recipe, err = f.m.recipe(); err != nil {
		return o, err
	}
	if o.Recipe != nil && o.Map == "" {
		return o, usagef("a recipe for the map is given, but no map: give it with --map FILE")
	}
	return o, nil
}
