package main

import (
	"slices"
	"strconv"
	"strings"

	"github.com/dustin/go-humanize"
	"github.com/spf13/cobra"

	"fileassay/extract/fat"
	"fileassay/extract/volume"
	"fileassay/verify"
)

// imageFlags are the options of every command that reads an image.
type imageFlags struct {
	driveSize string
	sector    int64
	offset    string
	volumeAt  string
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
	fl.StringVar(&f.offset, "offset", "", "`BYTES` of the image before the drive begins")
	fl.StringVar(&f.volumeAt, "volume-at", "", "list the one volume that begins at `START` of the image, with --filesystem")
	fl.StringVar(&f.o.Filesystem, "filesystem", "", "`NAME` of the filesystem at --volume-at: "+strings.Join(volume.FilesystemNames(), ", "))
	fl.BoolVar(&f.o.Whole, "whole", false, "IMAGE is one file, even if its name counts on into others beside it")
	fl.BoolVar(&f.o.AllowMissingParts, "allow-missing-parts", false, "parts of IMAGE that are missing or short count as skipped")
	fl.StringVar(&f.o.Heads, "heads", "", "head map `FILE`: which ranges each head of the drive serves (CSV: start,length,head)")
	names(fl, inputRole, "map", "heads")
	fl.IntVar(&f.o.Threads, "threads", 0, "threads for long steps; 0 is one a core")
	fl.StringVar(&f.o.Codepage, "codepage", "437", "code page of short FAT names")
	fl.BoolVar(&f.o.NoJournal, "no-journal", false, "leave newer metadata in a journal aside: an older state is listed, and nothing of it is intact")
}

// options are the parsed flags for an image.
func (f *imageFlags) options(image string) (verify.Options, error) {
	o := f.o
	o.Image, o.Sector = image, f.sector
	var err error
	if o.DriveSize, err = driveOf(f.sector, f.driveSize); err != nil {
		return o, err
	}
	if err := f.place(&o); err != nil {
		return o, err
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
	if err := fat.CheckCodepage(o.Codepage); err != nil {
		return o, usagef("--codepage: %v", err)
	}
	if o.Recipe, err = f.m.recipe(); err != nil {
		return o, err
	}
	if o.Recipe != nil && o.Map == "" {
		return o, usagef("a recipe for the map is given, but no map: give it with --map FILE")
	}
	return o, nil
}

// driveOf checks the bytes of a sector and reads those of the drive, which are 0
// where nobody gave them.
func driveOf(sector int64, size string) (int64, error) {
	if !slices.Contains([]int64{512, 1024, 2048, 4096}, sector) {
		return 0, usagef("--sector %d: a sector has 512, 1024, 2048 or 4096 bytes", sector)
	}
	if size == "" {
		return 0, nil
	}
	n, err := humanize.ParseBytes(strings.ReplaceAll(size, "_", ""))
	if err != nil || n == 0 || n > 1<<55-1 {
		return 0, usagef("--drive-size %q: give a number of bytes", size)
	}
	return int64(n), nil
}

// place parses the flags that point into the image by hand.
func (f *imageFlags) place(o *verify.Options) error {
	if f.offset != "" {
		n, err := parseOffset(f.offset)
		if err != nil || n%512 != 0 {
			return usagef("--offset %q: give the bytes before the drive begins, a multiple of 512, decimal or 0x-hexadecimal", f.offset)
		}
		o.Offset = n
	}
	if f.volumeAt == "" && o.Filesystem == "" {
		return nil
	}
	switch {
	case f.offset != "":
		return usagef("--offset and --volume-at exclude each other: --volume-at counts from the start of the image")
	case f.volumeAt == "":
		return usagef("--filesystem %s: say where the volume begins with --volume-at START", o.Filesystem)
	case o.Filesystem == "":
		return usagef("--volume-at %s: say what it is with --filesystem NAME (%s)", f.volumeAt, strings.Join(volume.FilesystemNames(), ", "))
	case !slices.Contains(volume.FilesystemNames(), o.Filesystem):
		return usagef("--filesystem %q: those that can be listed are %s", o.Filesystem, strings.Join(volume.FilesystemNames(), ", "))
	}
	n, err := parseOffset(f.volumeAt)
	if err != nil || n%512 != 0 {
		return usagef("--volume-at %q: give the byte of the image where the volume begins, a multiple of 512, decimal or 0x-hexadecimal", f.volumeAt)
	}
	o.VolumeAt = n
	return nil
}

// parseOffset reads a number of bytes, decimal or hexadecimal after 0x.
func parseOffset(s string) (int64, error) {
	if hex, ok := strings.CutPrefix(strings.ToLower(s), "0x"); ok {
		n, err := strconv.ParseUint(hex, 16, 61)
		return int64(n), err
	}
	n, err := strconv.ParseUint(s, 10, 61)
	return int64(n), err
}
