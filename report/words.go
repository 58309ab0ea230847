package report

import (
	"fmt"
	"strings"

	"github.com/dustin/go-humanize"

	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// Options say how a report is made.
type Options struct {
	For    Audience
	Job    Job
	Wanted *wanted.List // what files are worth; nil is the built-in list

	Scratch string // folder for temporary files of a spreadsheet; "" is the system's
}

func (o Options) list() *wanted.List {
	if o.Wanted == nil {
		return wanted.Default()
	}
	return o.Wanted
}

// outcomeWords say in a few sentences what was recovered, and whether that is
// proved.
func outcomeWords(r *result.Result) string {
	m := r.Image.Map
	switch {
	case m.AssumedRead:
		return foundWords(r) + " This is not proved: no record tells which places of the drive were read, and it was assumed that all were."
	case m.TrustDoubtful && m.Doubtful > 0:
		return foundWords(r) + " Where the drive was unsure of its data, that was taken as good, and may be wrong."
	}
	return foundWords(r)
}

// intactMeans says what the verdict intact rests on.
func intactMeans(r *result.Result) string {
	m := r.Image.Map
	switch {
	case m.AssumedRead:
		return "every byte is assumed to have been read"
	case m.TrustDoubtful && m.Doubtful > 0:
		return "every byte came off, sure or unsure"
	}
	return "every byte was read"
}

func foundWords(r *result.Result) string {
	f := r.Summary.Files
	total := f.Total()
	short := ""
	if !r.Summary.ListingComplete {
		short = " The list of files may be incomplete."
	}
	switch {
	case total == 0 && r.Summary.ListingComplete:
		return "The drive holds no files."
	case total == 0:
		return "No files could be found on the drive. That does not mean that there were none."
	case f.Intact == total && total == 1:
		return "The one file that was found was recovered whole." + short
	case f.Intact == total:
		return fmt.Sprintf("All %s files that were found were recovered whole.%s", humanize.Comma(total), short)
	case f.Intact == 0 && f.Damaged == 0:
		return fmt.Sprintf("Of %s nothing could be recovered.%s", count(total, "file that was found", "files that were found"), short)
	}
	var rest []string
	if f.Damaged > 0 {
		rest = append(rest, count(f.Damaged, "is damaged", "are damaged"))
	}
	if f.Lost > 0 {
		rest = append(rest, count(f.Lost, "is lost", "are lost"))
	}
	verb := "were"
	if f.Intact == 1 {
		verb = "was"
	}
	return fmt.Sprintf("%s of %s %s recovered whole; %s.%s", humanize.Comma(f.Intact), count(total, "file", "files"), verb, strings.Join(rest, " and "), short)
}

// listComplete reports whether the list of files is complete, and that is
// proved.
func listComplete(r *result.Result) bool {
	return r.Summary.ListingComplete && !r.Image.Map.AssumedRead
}

// listingWords say in plain words whether the list may be incomplete, and why,
// and what of it does not show its whole path.
func listingWords(r *result.Result) []string {
	var deep int64
	for _, v := range r.Volumes {
		deep = result.Plus(deep, max(v.Listing.Deep, 0))
	}
	out := completeWords(r)
	if deep > 0 {
		out = append(out, fmt.Sprintf("%s in more folders within folders than a path can name, listed under the number of the folder that holds them.", count(deep, "file or folder lies", "files and folders lie")))
	}
	return out
}

func completeWords(r *result.Result) []string {
	if listComplete(r) {
		return []string{"The list of files is complete: everything on the drive that tells of files was read."}
	}
	out := []string{}
	if r.Summary.ListingComplete {
		return append(out, "The list of files is complete if everything on the drive that tells of files was read. That was assumed, and nothing proves it.")
	}
	if len(r.Volumes) == 0 {
		out = append(out, "Nothing on the drive could be opened as a place where files are kept.")
	}
	if len(r.Image.Missing) > 0 {
		out = append(out, "The drive's own table of its parts could not be read whole: a part of the drive, with all of its files, may not have been found.")
	}
	var records, unnamed, unclaimed int64
	other := false
	for _, v := range r.Volumes {
		l := v.Listing
		if l.Complete {
			continue
		}
		if v.Files.Total()+v.Folders.Total() == 0 && v.Proof == nil {
			out = append(out, fmt.Sprintf("One part of the drive, of %s, could not be opened. If it held files, they are not in this list.", size(v.Length)))
			continue
		}
		records += l.UnreadRecords
		unnamed += l.UnnamedFiles
		unclaimed += l.UnclaimedBytes
		other = other || l.UnreadRecords == 0 && l.UnnamedFiles == 0 && l.UnclaimedBytes == 0
	}
	if records > 0 {
		out = append(out, fmt.Sprintf("%s of the drive's own index of files could not be read. Files that stand only there are missing from this list.", count(records, "entry", "entries")))
	}
	if unnamed > 0 {
		out = append(out, fmt.Sprintf("%s in the list without a name, since the name could not be read.", count(unnamed, "file or folder is", "files and folders are")))
	}
	if unclaimed > 0 {
		out = append(out, fmt.Sprintf("%s of the drive are marked as in use, but no file in this list accounts for them. Files that are not listed, or missing parts of listed ones, may lie there.", size(unclaimed)))
	}
	if other || len(out) == 0 {
		out = append(out, "Some of what tells which files there were could not be read. Files may be missing from this list.")
	}
	return out
}

// basisWords say what was and was not checked.
func basisWords(r *result.Result) (checked, not []string) {
	m := r.Image.Map
	followed := "Each file in the list was followed to the places of the drive where it is kept, as far as what tells of them was read."
	switch {
	case m.AssumedRead:
	case m.TrustDoubtful:
		followed += " It is called intact only if all of these places are known, and every one gave data."
	default:
		followed += " It is called intact only if all of these places are known, and every one was read without error."
	}
	checked = append(checked, followed)
	switch {
	case m.AssumedRead:
		not = append(not, "There was no record of which places of the drive were read. It was assumed that all were, and nothing in this report proves it.")
	case m.TrustDoubtful:
		checked = append(checked, "Where the drive gave data but did not vouch for it, the data was taken as good.")
	default:
		checked = append(checked, "Where the drive gave data but did not vouch for it, the file is called damaged.")
	}
	not = append(not,
		"No file was opened in the program that made it. A file that was broken before the drive failed is intact in this list, and still broken.",
		"Deleted files are not in this list.")
	return checked, not
}

// kindWords are what a kind is called, with a capital letter, and what damage
// means for a file of it. Common practice, no source.
var kindWords = map[wanted.Kind]struct{ name, damage string }{
	wanted.Photo:    {"Photos and pictures", "May open with a grey or shifted part, or not at all. The small preview in it may still be good."},
	wanted.Film:     {"Films", "Mostly plays, with a jump or blocks where data is missing. If its beginning or end is missing it may need repair."},
	wanted.Music:    {"Music and sound", "Mostly plays, with a gap or a click."},
	wanted.Document: {"Documents", "May not open, or open with pages or pictures missing. Ask your program to repair it, on a copy."},
	wanted.Mail:     {"Mail", "Some messages or attachments may be missing or unreadable. Import a copy, not the file itself."},
	wanted.Database: {"Databases", "May not open, and figures in it may be wrong without a warning. Check it against paper or another copy."},
	wanted.Text:     {"Plain text", "Opens, with nonsense or a gap where data is missing."},
	wanted.Archive:  {"Archives", "Often only what stands before the damage can be unpacked."},
	wanted.Program:  {"Programs", "Do not use it. Install it again from its maker."},
	wanted.Cache:    {"Temporary files", "Mostly of no worth: programs make these files anew."},
	wanted.Other:    {"Other files", "Depends on the program that made it. Try a copy, and look at it closely."},
}
