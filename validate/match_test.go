package validate

import (
	"testing"

	"pgregory.net/rapid"
)

// TestLatestOfShownTicks: the index finds what a look at every reading finds, over wraps and restarts.
func TestLatestOfShownTicks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mask := int64(1)<<rapid.IntRange(1, 12).Draw(t, "bits") - 1
		ticks := rapid.SliceOfN(rapid.Int64Range(0, 3*mask), 1, 60).Draw(t, "ticks")
		low := rapid.Int64Range(0, mask).Draw(t, "low")
		high := rapid.Int64Range(low, mask).Draw(t, "high")
		from := rapid.IntRange(-1, len(ticks)-1).Draw(t, "from")
		want := -1
		for k := range ticks[:from+1] {
			if c := ticks[k] & mask; c >= low && c <= high {
				want = k
			}
		}
		if got := newShownTicks(ticks, mask).latest(low, high, from); got != want {
			t.Fatalf("reading %d, want %d", got, want)
		}
	})
}
