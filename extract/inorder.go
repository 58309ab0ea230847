package extract

import (
	"context"
	"sync"
)

// InOrder does n pieces of work on several goroutines and takes the outcomes
// in their order. Few outcomes wait at a time. It ends early, after the work
// in hand, with the first error of work or take, or the context's.
func InOrder[T any](ctx context.Context, workers, n int, work func(ctx context.Context, i int) (T, error), take func(T) error) error {
	if workers <= 1 || n <= 1 {
		for i := range n {
			if err := ctx.Err(); err != nil {
				return err
			}
			out, err := work(ctx, i)
			if err != nil {
				return err
			}
			if err := take(out); err != nil {
				return err
			}
		}
		return ctx.Err()
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	type outcome struct {
		val T
		err error
	}
	slots := make(chan chan outcome, 2*workers) // in order; its capacity bounds what waits
	jobs := make(chan func())
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for job := range jobs {
				job()
			}
		})
	}
	go func() {
		defer close(slots)
		defer close(jobs)
		for i := range n {
			slot := make(chan outcome, 1)
			select {
			case slots <- slot:
			case <-ctx.Done():
				return
			}
			jobs <- func() {
				val, err := work(ctx, i)
				slot <- outcome{val, err}
			}
		}
	}()
	var first error
	for slot := range slots {
		out := <-slot
		if first != nil {
			continue
		}
		if first = out.err; first == nil {
			first = take(out.val)
		}
		if first != nil {
			cancel()
		}
	}
	wg.Wait()
	if first == nil {
		first = ctx.Err()
	}
	return first
}
