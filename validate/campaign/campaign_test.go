package campaign_test

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"sync/atomic"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/validate/campaign"
)

func TestEachReportsInOrderWhateverTheJobs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 40).Draw(t, "n")
		jobs := rapid.IntRange(-1, 9).Draw(t, "jobs")
		yields := rapid.SliceOfN(rapid.IntRange(0, 20), n, n).Draw(t, "yields")
		var running, most atomic.Int32
		var got []int
		err := campaign.Each(context.Background(), n, jobs, func(_ context.Context, i int) (int, error) {
			now := running.Add(1)
			for m := most.Load(); now > m && !most.CompareAndSwap(m, now); m = most.Load() {
			}
			for range yields[i] {
				runtime.Gosched()
			}
			running.Add(-1)
			return i * i, nil
		}, func(i, v int) error {
			if v != i*i {
				t.Fatalf("result of %d is %d", i, v)
			}
			got = append(got, i)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if len(got) != n || !slices.IsSorted(got) {
			t.Fatalf("emitted %v of %d", got, n)
		}
		if int(most.Load()) > max(jobs, 1) {
			t.Fatalf("%d at a time with %d jobs", most.Load(), jobs)
		}
	})
}

func TestEachKeepsWhatWasFinished(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	finished := make(chan struct{})
	var got []int
	err := campaign.Each(ctx, 10, 2, func(ctx context.Context, i int) (int, error) {
		switch i {
		case 0: // is still at work when it is stopped
			<-finished
			stop()
			<-ctx.Done()
			return 0, ctx.Err()
		case 3:
			defer close(finished)
			return i, nil
		case 1, 2:
			return i, nil
		}
		// The dispatcher may hand out one more before it sees the end.
		<-ctx.Done()
		return 0, ctx.Err()
	}, func(i, _ int) error {
		got = append(got, i)
		return nil
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("error is %v, want the context's", err)
	}
	if !slices.Equal(got, []int{1, 2, 3}) {
		t.Errorf("emitted %v, want what had finished: 1 2 3", got)
	}
}

func TestEachStopsAtTheFirstError(t *testing.T) {
	broken := errors.New("broken")
	for _, where := range []string{"work", "emit"} {
		for jobs := 1; jobs <= 3; jobs++ {
			t.Run(fmt.Sprint(where, jobs), func(t *testing.T) {
				var emitted []int
				var started atomic.Int32
				err := campaign.Each(context.Background(), 1000, jobs, func(_ context.Context, i int) (int, error) {
					started.Add(1)
					if where == "work" && i == 5 {
						return 0, broken
					}
					return i, nil
				}, func(i, _ int) error {
					emitted = append(emitted, i)
					if where == "emit" && i == 5 {
						return broken
					}
					return nil
				})
				if !errors.Is(err, broken) {
					t.Fatalf("error is %v, want %v", err, broken)
				}
				if started.Load() == 1000 {
					t.Error("it did not stop")
				}
				if where == "emit" && !slices.Equal(emitted, []int{0, 1, 2, 3, 4, 5}) {
					t.Errorf("emitted %v, want 0 to 5 and nothing after the error", emitted)
				}
				if where == "work" && slices.Contains(emitted, 5) {
					t.Error("emitted a result of failed work")
				}
			})
		}
	}
}

func TestEachStopsBeforeItStarts(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	stop()
	err := campaign.Each(ctx, 3, 2, func(context.Context, int) (int, error) {
		t.Error("started work after the end")
		return 0, nil
	}, func(int, int) error { return nil })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("error is %v", err)
	}
}
