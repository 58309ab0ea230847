package verify

import (
	"fileassay/extract"
	"fileassay/verify/wanted"
)

// WantedFiles counts the wanted files of a result: those to which the wanted
// list gives a weight.
type WantedFiles struct {
	List    string       `json:"list"`   // the wanted list's name
	Files   VerdictCount `json:"files"`  // files, streams and links, one for each name
	Weight  float64      `json:"weight"` // of all of them
	Missing float64      `json:"missing_weight"`
}

// Add adds the counts of o.
func (w *WantedFiles) Add(o *WantedFiles) {
	w.Files.Add(o.Files)
	w.Weight += o.Weight
	w.Missing += o.Missing
}

func (w *WantedFiles) count(l *wanted.List, volume int, f *extract.File, v Verdict) {
	weight := l.Weight(wanted.Entry{Volume: volume, Path: f.Path, Size: f.Size, Modified: f.Modified})
	if weight <= 0 {
		return
	}
	w.Files.add(v, 1)
	w.Weight += weight
	if v != Intact {
		w.Missing += weight
	}
}
