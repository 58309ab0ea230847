package verify

import (
	"context"
	"errors"
	"io"
	"slices"
	"sync"

	"fileassay/extract"
	"fileassay/extract/ranges"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// pipeline judges files on several goroutines and writes their lines in the
// order in which the files came.
type pipeline struct {
	in     *Input
	volume int
	w      io.Writer

	seen  result.Once
	twice int64 // entries that came again

	batch []*extract.File
	jobs  chan *job // to the judges
	order chan *job // to the writer
	wg    sync.WaitGroup
	done  chan struct{} // the writer has ended
	ctx   context.Context
	stop  context.CancelCauseFunc

	// what the writer adds up; read after finish
	sums    result.Sums
	content ranges.Set // unread ranges that content lies in
	sum     *passSums
	counts
}

// job is a batch of files on its way from put to the writer.
type job struct {
	files   []*extract.File
	lines   []byte
	sums    result.Sums
	unread  []ranges.Range
	stored  []ranges.Range // where content lies, if that is asked for
	waiting *headCount     // nil where no file waits for a head
	wanted  result.WantedFiles
	counts
	judged chan struct{}
}

// counts are of entries whose path is not whole.
type counts struct {
	deep    int64 // too deep to show all of it
	adrift  int64 // under "?/", these among them
	unnamed int64
}

// batchSize is how many files go to a judge at once: enough that the channels
// cost nothing, few enough that the lines in flight stay small.
const batchSize = 256

// errStopped is what put gives a walk whose lines can no longer be written.
var errStopped = errors.New("stopped")

func newPipeline(ctx context.Context, in *Input, volume int, w io.Writer, workers int, sum *passSums) *pipeline {
	p := &pipeline{in: in, volume: volume, w: w, sum: sum,
		jobs: make(chan *job, workers), order: make(chan *job, 4*workers), done: make(chan struct{})}
	p.ctx, p.stop = context.WithCancelCause(ctx)
	for range workers {
		p.wg.Go(func() {
			for j := range p.jobs {
				j.judge(p.in, p.volume, sum.readContent)
				close(j.judged)
			}
		})
	}
	go p.write()
	return p
}

// put takes a file from a walk. An entry that was taken before, under the same
// number and path, is the same entry: it is counted and left out.
func (p *pipeline) put(f *extract.File) error {
	if !p.seen.First(p.volume, f.ID, f.Path) {
		p.twice++
		return nil
	}
	p.batch = append(p.batch, f)
	if len(p.batch) < batchSize {
		return nil
	}
	return p.send()
}

func (p *pipeline) send() error {
	j := &job{files: p.batch, judged: make(chan struct{})}
	p.batch = make([]*extract.File, 0, batchSize)
	select {
	case p.order <- j:
	case <-p.ctx.Done():
		return errStopped
	}
	p.jobs <- j
	return nil
}

// finish waits until all is written and returns what went wrong.
func (p *pipeline) finish() error {
	if len(p.batch) > 0 {
		_ = p.send() // what stopped it is the context's cause
	}
	close(p.jobs)
	close(p.order)
	p.wg.Wait()
	<-p.done
	err := context.Cause(p.ctx)
	p.stop(nil)
	return err
}

func (p *pipeline) write() {
	defer close(p.done)
	for j := range p.order {
		<-j.judged
		if p.ctx.Err() != nil {
			continue // drain
		}
		if _, err := p.w.Write(j.lines); err != nil {
			p.stop(err)
			continue
		}
		p.sums.Add(&j.sums)
		for _, u := range j.unread {
			p.content.Add(u.Start, u.End-u.Start)
		}
		for _, c := range j.stored {
			p.sum.stored.Add(c.Start, c.End-c.Start)
		}
		p.sum.wanted.Add(&j.wanted)
		p.deep, p.adrift, p.unnamed = p.deep+j.deep, p.adrift+j.adrift, p.unnamed+j.unnamed
		if j.waiting != nil {
			p.sum.waiting.addAll(j.waiting)
		}
		j.lines, j.files = nil, nil
	}
}

func (j *job) judge(in *Input, volume int, readContent bool) {
	var line result.File
	j.lines = make([]byte, 0, 320*len(j.files))
	for _, f := range j.files {
		g := Judge(f, in.Reader)
		if in.Heads != nil && len(g.unread) > 0 {
			whole := g.waits(in.Heads.Map)
			if j.waiting == nil {
				j.waiting = &headCount{}
			}
			j.waiting.add(g.Heads, whole)
		}
		if readContent {
			j.stored = contentOf(j.stored, f, &g)
		}
		g.Needs = needsOf(in.Reader, f.Needs)
		if f.Deep {
			j.deep++
			f.Why = append(slices.Clip(f.Why), whyDeep) // the reasons may be shared with other entries
		}
		fillLine(&line, volume, f, &g)
		j.lines = line.AppendLine(j.lines)
		j.sums.Tally(&line)
		if line.Adrift() {
			j.adrift++
		}
		if line.Unnamed {
			j.unnamed++
		}
		if in.wanted != nil && f.Kind != extract.KindFolder {
			j.wanted.Count(in.wanted.Weight(wanted.Entry{Volume: volume, Path: f.Path, Size: f.Size, Modified: f.Modified}), g.Verdict)
		}
		for _, u := range g.unread {
			j.unread = append(j.unread, ranges.Range{Start: u.Start, End: u.End()})
		}
	}
}
