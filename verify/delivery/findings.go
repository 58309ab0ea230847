package delivery

import (
	"fmt"
	"sync"
)

// findings are what an audit finds. Several goroutines may add to them.
type findings struct {
	rep   *AuditReport
	sorts map[Finding]int // how many findings of a sort there are, of those that are not all listed

	mu sync.Mutex // of rep
}

// listMost is how many findings of one sort are listed, where a single cause
// may give one for each of a million files.
const listMost = 100

func (a *findings) found(path, what, format string, v ...any) {
	a.add(Finding{Path: path, What: what, Why: fmt.Sprintf(format, v...)})
}

func (a *findings) note(path, what, format string, v ...any) {
	a.add(Finding{Path: path, What: what, Why: fmt.Sprintf(format, v...), Note: true})
}

func (a *findings) add(f Finding) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.rep.Findings = append(a.rep.Findings, f)
}

// few reports whether one more finding of a sort is listed, or only counted.
func (a *findings) few(sort Finding) bool {
	a.sorts[sort]++
	return a.sorts[sort] <= listMost
}

// summarize tells of findings that were only counted.
func (a *findings) summarize() {
	for f, n := range a.sorts {
		if n > listMost {
			f.Why = fmt.Sprintf("and %d more that are not listed", n-listMost)
			a.add(f)
		}
	}
}
