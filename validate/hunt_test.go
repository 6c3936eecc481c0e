package validate_test

import (
	"context"
	"fmt"
	"os"
	"strconv"
	"testing"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate"
	"stuntcell/validate/campaign"
	"stuntcell/validate/loggers"
	"stuntcell/validate/verdict"
)

// hunt hunts a built-in logger.
func hunt(t testing.TB, build loggers.Build, seed uint64, draws int) *campaign.Quarry {
	t.Helper()
	h := campaign.Hunt{Seed: seed, Draws: draws, Jobs: 2,
		Prove: func(ctx context.Context, sc *scenarios.Scenario) (*verdict.Verdict, error) {
			rec, err := emulator.Run(ctx, sc.Setup, link.NewInProcess(build, sc.Setup.Seed))
			if err != nil {
				return nil, err
			}
			return validate.Judge(sc, rec, validate.Options{Logger: "built-in"}), nil
		}}
	q, err := h.Run(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return q
}

// draws is how many random scenarios a test tries: few by default, more where the environment asks for it.
func draws(few int) int {
	if n, err := strconv.Atoi(os.Getenv("STUNTCELL_DRAWS")); err == nil {
		return n
	}
	if testing.Short() {
		return max(few/6, 1)
	}
	return few
}

// TestHuntFindsNothingHealthy: no random scenario fails a healthy logger.
func TestHuntFindsNothingHealthy(t *testing.T) {
	healthy := append([]loggers.Defect{{Name: "good", New: loggers.Good()}}, loggers.Healthy()...)
	for i, h := range healthy {
		t.Run(h.Name, func(t *testing.T) {
			q := hunt(t, h.New, uint64(1000*i), draws(12))
			if q.Found != nil {
				t.Errorf("seed %d: %s\n%s", q.Seed, complaint(q.Verdict), q.Found.Source)
			}
			if q.Drawn+q.Refused >= 10 && q.Drawn < q.Refused {
				t.Errorf("%d draws judged, %d refused", q.Drawn, q.Refused)
			}
		})
	}
}

// TestAlarmsOfHunts: draws that once failed a healthy logger, each for another reason.
func TestAlarmsOfHunts(t *testing.T) {
	for _, alarm := range []struct {
		logger string
		seed   uint64
		why    string
	}{
		{"row-on-turn", 4000982, "an extra row in the first interval"},
		{"row-on-turn", 4001387, "an extra row in the first interval of a slow loop"},
		{"row-on-turn", 4003682, "extra rows where a pulsed load stops and starts within a step of the plan"},
		{"row-on-turn", 5001737, "an extra row just before the power fails"},
		{"row-on-turn", 5002052, "extra rows in a fast loop with jitter"},
		{"late-first-row", 5004749, "a power cut near the end, after which no row was due"},
		{"elapsed", 3000389, "noise around zero that fits a negative sign in more rows than the positive"},
		{"bare-tick", 3004002, "the same, in the energy"},
		{"split-totals", 3004037, "a power cut while the hold runs, which then begins anew"},
		{"cannot-energy", 4002522, "the same with jitter"},
		{"integer-micro", 3004241, "readings that fail before one was below the level"},
	} {
		t.Run(alarm.logger+" "+strconv.FormatUint(alarm.seed, 10), func(t *testing.T) {
			h, ok := loggers.ByName(alarm.logger)
			if !ok {
				t.Fatal("no such logger")
			}
			if q := hunt(t, h.New, alarm.seed, 1); q.Found != nil {
				t.Errorf("%s: %s\n%s", alarm.why, complaint(q.Verdict), q.Found.Source)
			}
		})
	}
}

// canary is wrong only when the counter wraps within a failed write.
type canary struct {
	link.Logger
	last  uint64
	fails bool
	shift float64
}

func (c *canary) Read(r *link.Reading, a *link.Answer) {
	wrapped := r.Tick < c.last && c.last-r.Tick > 1<<20
	if wrapped && r.CardFail && c.fails {
		c.shift += 1
	}
	c.last, c.fails = r.Tick, r.CardFail
	n := len(a.Said)
	c.Logger.Read(r, a)
	if c.shift == 0 {
		return
	}
	for i := n; i < len(a.Said); i++ {
		if a.Said[i].Word == link.Row {
			a.Said[i].Text = fmt.Sprintf("%s9", a.Said[i].Text[:len(a.Said[i].Text)-9])
		}
	}
}

// TestHuntFindsTheCanary: a mistake at the meeting of two rare things is found in a bounded number of draws, and shrunk to
// a scenario that holds both and little else.
func TestHuntFindsTheCanary(t *testing.T) {
	if testing.Short() {
		t.Skip("hundreds of draws")
	}
	build := func(s link.Store) link.Logger { return &canary{Logger: loggers.Good()(s)} }
	q := hunt(t, build, 1, 3000)
	if q.Found == nil {
		t.Fatalf("not found in %d draws", q.Drawn)
	}
	t.Logf("found after %d draws, shrunk in %d tries to\n%s", q.Drawn, q.Steps, q.Found.Source)
	if len(q.Found.Setup.Faults) != 1 {
		t.Errorf("the smallest scenario has %d faults", len(q.Found.Setup.Faults))
	}
}
