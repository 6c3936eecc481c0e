package page

import (
	"math"
	"testing"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/model"
	"stuntcell/scenarios"
	"stuntcell/scenarios/rehearsal"
	"stuntcell/validate/loggers"
)

// What the page says that a logger would read is what the emulator hands to one, but for the noise, which is drawn anew: steady loads, switched and rippled
// ones, clipping, burden and lead drop.
func TestReadingsAreThoseOfTheEmulator(t *testing.T) {
	for _, name := range []string{"discharge-20h", "charge-then-discharge", "pulses-rows-70s", "ripple-aliased", "rig-clipped", "rig-burden", "rig-lead-drop", "rig-shunt-off", "rig-zero-offset", "rig-own-draw", "load-steps"} {
		t.Run(name, func(t *testing.T) {
			sc, err := scenarios.ByName(name, scenarios.Env{})
			if err != nil {
				t.Fatal(err)
			}
			rec, err := emulator.Run(t.Context(), sc.Setup, link.NewInProcess(loggers.Good(), sc.Setup.Seed))
			if err != nil {
				t.Fatal(err)
			}
			f, nominal := sc.Setup.Rig.Front, sc.Setup.Rig.Shunt.Nominal
			// Noise of two draws, to five of its standard deviations, and a count of rounding.
			n := math.Sqrt(float64(max(f.Conversions, 1)))
			mostV, mostI := 5*math.Sqrt2*f.BusNoise/n+1.01*f.BusStep, (5*math.Sqrt2*f.ShuntNoise/n+1.01*f.ShuntStep)/nominal
			r, k, off := newReader(&sc.Setup), 0, 0
			if _, err := rehearsal.Play(&sc.Setup, rehearsal.Options{Visit: func(s *model.Span) {
				r.enter(s)
				for ; k < len(rec.Readings.T) && rec.Readings.T[k] <= s.T1; k++ {
					at := rec.Readings.T[k]
					r.until(at)
					if r.next-r.every != at {
						t.Fatalf("the emulator reads at %d ns, the page at %d", at, r.next-r.every)
					}
					v, i := float64(rec.Readings.Bus[k])*f.BusStep, float64(rec.Readings.Shunt[k])*f.ShuntStep/nominal
					if math.Abs(v-r.v) > mostV || math.Abs(i-r.i) > mostI {
						if off++; off < 4 {
							t.Errorf("reading %d: the emulator has %.4f V and %.4f A, the page %.4f V and %.4f A", k, v, i, r.v, r.i)
						}
					}
				}
			}}); err != nil {
				t.Fatal(err)
			}
			if k < len(rec.Readings.T)-1 || k == 0 {
				t.Errorf("%d of %d readings were compared", k, len(rec.Readings.T))
			}
			if off > 0 {
				t.Errorf("%d of %d readings differ", off, k)
			}
		})
	}
}
