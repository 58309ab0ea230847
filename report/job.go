package report

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"image"
	_ "image/jpeg" // the two forms that a logo may have
	_ "image/png"
	"path/filepath"

	"fileassay/extract/input"
	"fileassay/verify/files"
)

// Job is what stands in the header of a report. What is not given is left out:
// nothing is invented.
type Job struct {
	Number     string `toml:"job"`
	Customer   string `toml:"customer"`
	Drive      string `toml:"drive"` // model
	Serial     string `toml:"serial"`
	Technician string `toml:"technician"`
	Date       string `toml:"date"`
	Remarks    string `toml:"remarks"`
	Logo       string `toml:"logo"` // path of a PNG or JPEG file
}

// Bounds of a logo. A small file can hold a picture that
// takes gigabytes or hours of whoever opens the page.
const (
	maxLogo   = 1 << 20 // bytes
	maxSide   = 4096    // pixels
	maxPixels = 4 << 20
	maxScans  = 100 // passes of a JPEG over its pixels
)

// LoadJob reads a job from a TOML file. A logo's path counts from the folder
// of the file. Errors are [*files.InputError].
func LoadJob(path string) (Job, error) {
	var j Job
	text, err := input.Read("job", path, input.MaxTOML)
	if err != nil {
		return j, &files.InputError{Err: err}
	}
	if err := input.DecodeTOML(text, &j, "; there are job, customer, drive, serial, technician, date, remarks and logo"); err != nil {
		return j, &files.InputError{Err: fmt.Errorf("job %s: %w", path, err)}
	}
	if j.Logo != "" && !filepath.IsAbs(j.Logo) {
		j.Logo = filepath.Join(filepath.Dir(path), j.Logo)
	}
	return j, nil
}

// Over is j with what o gives in its place.
func (j Job) Over(o Job) Job {
	return Job{cmp.Or(o.Number, j.Number), cmp.Or(o.Customer, j.Customer), cmp.Or(o.Drive, j.Drive), cmp.Or(o.Serial, j.Serial),
		cmp.Or(o.Technician, j.Technician), cmp.Or(o.Date, j.Date), cmp.Or(o.Remarks, j.Remarks), cmp.Or(o.Logo, j.Logo)}
}

// lines are the entries of the header that are given, but for the logo.
func (j Job) lines() [][2]string {
	var out [][2]string
	for _, l := range [][2]string{{"Job", j.Number}, {"Customer", j.Customer}, {"Drive", j.Drive}, {"Serial number", j.Serial},
		{"Technician", j.Technician}, {"Date", j.Date}, {"Remarks", j.Remarks}} {
		if l[1] != "" {
			out = append(out, l)
		}
	}
	return out
}

// logo is a picture with its media type.
type logo struct {
	Type          string
	Data          []byte
	Width, Height int
}

// loadLogo reads the logo, if one is given.
func (j Job) loadLogo() (*logo, error) {
	if j.Logo == "" {
		return nil, nil
	}
	data, err := input.Read("logo", j.Logo, maxLogo)
	if err != nil {
		return nil, &files.InputError{Err: err}
	}
	c, form, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return nil, &files.InputError{Err: fmt.Errorf("logo %s: %w; give a PNG or JPEG file", j.Logo, err)}
	}
	if err := checkPicture(data, c, form); err != nil {
		return nil, &files.InputError{Err: fmt.Errorf("logo %s: %w", j.Logo, err)}
	}
	return &logo{Type: "image/" + form, Data: data, Width: c.Width, Height: c.Height}, nil
}

// checkPicture refuses a picture that is too costly to show, by its header and
// marks alone: it is never decoded here.
func checkPicture(data []byte, c image.Config, form string) error {
	switch {
	case form != "png" && form != "jpeg":
		return fmt.Errorf("is of the form %s; give a PNG or JPEG file", form)
	case c.Width < 1 || c.Height < 1:
		return fmt.Errorf("is %d by %d pixels; give a picture", c.Width, c.Height)
	case c.Width > maxSide || c.Height > maxSide || c.Width*c.Height > maxPixels:
		return fmt.Errorf("is %d by %d pixels; a logo may have %d on a side and %d in all: give a smaller picture", c.Width, c.Height, maxSide, maxPixels)
	case form == "png" && bytes.Contains(data, []byte("acTL")):
		return errors.New("is a picture that moves; give one that stands still")
	case form == "jpeg" && bytes.Count(data, []byte{0xff, 0xda}) > maxScans:
		return fmt.Errorf("is made of more than %d scans; save it anew", maxScans)
	}
	return nil
}
