// Package campaign runs many scenarios over one logger: side by side, reported in order, stopped and continued.
//
// It knows nothing of packs and loggers: [Each] is an ordered parallel loop over anything. The order of what it reports
// never depends on how many jobs ran or how fast each was, so that one job and eight write the same bytes.
package campaign

import (
	"context"
	"maps"
	"slices"
	"sync"
)

// Each calls work for 0 to n-1, at most jobs at a time (at least one), and hands each result to emit in order of i as soon as
// it and all before it are there. Calls of emit do not overlap.
//
// The first error of work or emit, or the end of ctx, stops the loop: nothing more is started, the context of what runs is
// cancelled, what had finished by then is still emitted in order (gaps are passed over), and that first error is returned.
// When emit has failed it is not called again. Each returns after all work that it started has returned.
func Each[T any](ctx context.Context, n, jobs int, work func(ctx context.Context, i int) (T, error), emit func(i int, v T) error) error {
	jobs = min(max(jobs, 1), n)
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)

	indices := make(chan int)
	done := make(chan result[T])
	go func() {
		defer close(indices)
		for i := range n {
			// Of two ready cases select takes either one, and a loop that was stopped must not begin more.
			if ctx.Err() != nil {
				return
			}
			select {
			case indices <- i:
			case <-ctx.Done():
				return
			}
		}
	}()
	var workers sync.WaitGroup
	for range jobs {
		workers.Go(func() {
			for i := range indices {
				v, err := work(ctx, i)
				done <- result[T]{i, v, err}
			}
		})
	}
	go func() {
		workers.Wait()
		close(done)
	}()

	var emitErr error
	finished := make(map[int]T)
	next := 0
	pass := func(i int) {
		v, ok := finished[i]
		if !ok || emitErr != nil {
			return
		}
		delete(finished, i)
		if emitErr = emit(i, v); emitErr != nil {
			cancel(emitErr)
		}
	}
	for r := range done {
		if r.err != nil {
			cancel(r.err) // only the first cause is kept
			continue
		}
		finished[r.i] = r.v
		for _, ok := finished[next]; ok && emitErr == nil; _, ok = finished[next] {
			pass(next)
			next++
		}
	}
	for _, i := range slices.Sorted(maps.Keys(finished)) {
		pass(i)
	}
	if err := context.Cause(ctx); err != nil {
		return err
	}
	return nil
}

type result[T any] struct {
	i   int
	v   T
	err error
}
