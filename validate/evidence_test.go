package validate_test

import (
	"context"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate"
	"stuntcell/validate/campaign"
	"stuntcell/validate/loggers"
)

// A mistake of arithmetic is not only named: its replay gives every row to the last digit, and the finding says what was done.
func TestFindingsSayWhatWasDone(t *testing.T) {
	for defect, tc := range map[string]struct{ scenario, does string }{
		"tick-wrap":              {"tick-16-bit", "taken as new minus old in a wider type"},
		"tick-wrap-product":      {"rows-1h", "multiplied by 1000 in 32 bits"},
		"tick-wrap-skip":         {"tick-16-bit", "the step over the wrap is dropped"},
		"tick-wrap-freeze":       {"tick-wrap-mid-discharge", "nothing is added any more after the wrap"},
		"signed-tick":            {"tick-past-half", "nothing is added while the counter's top bit is set"},
		"signed-tick-widened":    {"tick-16-bit", "short by a whole wrap"},
		"signed-tick-saturated":  {"tick-16-bit", "the counter stands still while its top bit is set"},
		"nominal-dt":             {"readings-slow-and-uneven", "taken to last the nominal period"},
		"nominal-dt-rows":        {"readings-fail-mid-discharge", "the nominal length of a row"},
		"truncated-dt":           {"drip", "cut to whole seconds"},
		"truncated-dt-quarters":  {"drip", "cut to multiples of 0.25 s"},
		"narrow-interval-step":   {"stall-90s", "in 16 bits"},
		"rtc-as-dt":              {"second-locked-load", "differences of the clock's whole seconds"},
		"rtc-as-dt-guarded":      {"clock-set-back", "negative ones as zero"},
		"rtc-trusting-totals":    {"clock-set-back", "until the clock passes its old value"},
		"both-add":               {"charge-by-chemistry", "both added to the charge total"},
		"one-way":                {"charge-by-chemistry", "only charge out of the battery"},
		"dead-band":              {"drip", "currents below a threshold"},
		"truncated-sum":          {"drip", "the remainder of each step below 0.001 A·s"},
		"float32-stall":          {"ten-readings-a-second-for-20h", "single precision"},
		"rounded-sum":            {"card-fails-mid-run", "the rounded value is summed"},
		"rounded-sum-rows":       {"card-full", "rounded to what is printed at each row"},
		"total-overflow-micro":   {"card-fails-mid-run", "wraps at 2^32 units of 1e-06 A·s"},
		"row-rate-sum":           {"charge-to-taper", "only the readings at which a row was written"},
		"mean-energy":            {"pulses-rows-70s", "the mean voltage of a row times the charge of the row"},
		"nominal-voltage":        {"card-fails-mid-run", "a constant 12 V"},
		"setting-jump-reset":     {"setting-changed", "fall to zero when a setting changes"},
		"midnight-reset":         {"clock-starts-in-2000", "fall to zero at midnight"},
		"failed-reading":         {"readings-fail-mid-discharge", "counted as zero"},
		"failed-reading-full":    {"readings-fail-below-level", "counted as full scale"},
		"failed-reading-bus":     {"readings-half-failed", "a failed bus beside a good shunt is counted as zero"},
		"failed-reading-untimed": {"readings-half-failed", "the time of a failed reading is left out"},
		"card-loss":              {"card-fails-mid-run", "fall to zero at each write that fails"},
		"offset":                 {"bench", "a constant +0.02 A"},
		"gain":                   {"card-fails-mid-run", "1.02 times what the readings give"},
		"unit-factor":            {"bench", "60 times what its readings give, a confusion of units"},
	} {
		t.Run(defect, func(t *testing.T) {
			t.Parallel()
			d, _ := loggers.ByName(defect)
			v, _ := judged(t, named(t, tc.scenario), d.New)
			if len(v.Findings) == 0 || v.Findings[0].Cause != d.Cause {
				t.Fatalf("not named first: %s", complaint(v))
			}
			if e := v.Findings[0].Evidence; !strings.Contains(e, tc.does) || !strings.Contains(e, "every row to the last digit") {
				t.Errorf("%q is not in %q", tc.does, e)
			}
		})
	}
}

// A constant that is larger than what was measured is no offset of it, though at one voltage it does what a factor does.
func TestNoOffsetBeyondTheVoltage(t *testing.T) {
	d, _ := loggers.ByName("unit-factor-energy")
	v, _ := judged(t, named(t, "bench"), d.New)
	for _, f := range v.Findings {
		if f.Cause == "offset" {
			t.Errorf("offset: %s", f.Evidence)
		}
	}
}

// Totals that hold nothing of what was before are no rounded ones, though a total that is rounded to more than a row adds looks the same; nor
// are steps that all begin at the start.
func TestTotalsThatBeginAnew(t *testing.T) {
	var q, e, start float64 // of the step before; since the first reading
	for does, h := range map[string]habit{
		"what flowed in the last step alone": {read: func(l *habitual, r *link.Reading) {
			if l.n == 1 {
				q, e = 0, 0
			}
			l.q, l.e = l.q-q, l.e-e
			q, e = l.q, l.e
		}},
		"what flowed since the row before": {wrote: func(l *habitual) { l.q, l.e = 0, 0 }},
		"all the time since the start": {dt: func(ticks uint64, hz float64) float64 {
			start += float64(ticks) / hz
			return start
		}},
		`column "Wh" shows what flowed in the last step alone`: {read: func(l *habitual, r *link.Reading) {
			if l.n == 1 {
				e = 0
			}
			l.e -= e
			e = l.e
		}},
	} {
		for _, scenario := range []string{"discharge-two-rates", "store-and-return"} {
			start = 0
			v, _ := judged(t, named(t, scenario), func(link.Store) link.Logger { return &habitual{habit: h} })
			if len(v.Findings) == 0 || v.Findings[0].Cause != "unexplained" || !strings.Contains(v.Findings[0].Evidence, does) {
				t.Errorf("%s: %q is not said: %s", scenario, does, complaint(v))
			}
		}
	}
}

// A total that is shown as it was stored in the first row after a power cut, and without what was stored, or with it twice, from the next row
// on, is lost or doubled at the restart all the same.
func TestStoredTotalIsNotGoneOnFrom(t *testing.T) {
	for _, tc := range []struct {
		times          float64 // what was stored
		scenario, want string
	}{{-1, "power-cut-mid-discharge", "restart-loss"}, {-1, "power-cuts-twice", "restart-loss"}, {1, "power-cut-mid-discharge", "restart-double"}} {
		t.Run(tc.scenario+", "+tc.want, func(t *testing.T) {
			sc := named(t, tc.scenario)
			rec, err := emulator.Run(context.Background(), sc.Setup, link.NewInProcess(loggers.Good(), sc.Setup.Seed))
			if err != nil {
				t.Fatal(err)
			}
			at := slices.Index(strings.Split(rec.Rows[0].Text, ","), "Ah")
			stored, life, rows := 0.0, int16(0), 0
			for i := range rec.Rows {
				cells := strings.Split(rec.Rows[i].Text, ",")
				total, err := strconv.ParseFloat(cells[at], 64)
				if err != nil {
					continue // a header
				}
				if rec.Rows[i].Life != life {
					life, rows, stored = rec.Rows[i].Life, 0, total
				}
				if rows++; life > 0 && rows > 1 {
					cells[at] = strconv.FormatFloat(total+tc.times*stored, 'f', 6, 64)
					rec.Rows[i].Text = strings.Join(cells, ",")
				}
			}
			v := validate.Judge(sc, rec, validate.Options{Tool: "test"})
			if len(v.Findings) == 0 || v.Findings[0].Cause != tc.want || v.Findings[0].Confidence < 0.85 {
				t.Error(complaint(v))
			}
		})
	}
}

// A step of the trapezoid that is left out for its small current costs more than a current that is taken for zero: half of the step from or to
// a large one.
func TestStepsOfSmallCurrentsLeftOut(t *testing.T) {
	for does, small := range map[string]func(last, now float64) bool{
		"at the end of which the current is below": func(_, now float64) bool { return math.Abs(now) < 0.03 },
		"whose mean current is below":              func(last, now float64) bool { return math.Abs(last+now)/2 < 0.03 },
	} {
		var q, e, i, p, at float64
		h := habit{read: func(l *habitual, r *link.Reading) {
			if l.n == 1 {
				q, e, i, p, at = 0, 0, l.i, l.i*l.v, l.up
			}
			if dt := l.up - at; !small(i, l.i) {
				q, e = q+(i+l.i)/2*dt, e+(p+l.i*l.v)/2*dt
			}
			i, p, at = l.i, l.i*l.v, l.up
			l.q, l.e = q, e
		}}
		for _, scenario := range []string{"drip", "fortnight-of-standby"} {
			v, _ := judged(t, named(t, scenario), func(link.Store) link.Logger { return &habitual{habit: h} })
			if len(v.Findings) == 0 || v.Findings[0].Cause != "dead-band" || !strings.Contains(v.Findings[0].Evidence, does) {
				t.Errorf("%s: %q is not said: %s", scenario, does, complaint(v))
			}
		}
	}
}

// inMilliseconds is the good logger behind a function that multiplies the counter by 1000 in 32 bits before it divides by its rate: all that it
// times and prints goes by that.
type inMilliseconds struct {
	link.Logger
	hz uint32
}

func (l *inMilliseconds) Greet(g *link.Greeting, a *link.Answer) {
	l.hz = uint32(g.TickHz)
	own := *g
	own.TickHz, own.TickBits = 1000, 32
	l.Logger.Greet(&own, a)
}

func (l *inMilliseconds) Read(r *link.Reading, a *link.Answer) {
	own := *r
	own.Tick = uint64(uint32(r.Tick) * 1000 / l.hz)
	l.Logger.Read(&own, a)
}

// Where the product turns over, sums, the column of the counter and the schedule of the rows show it, each by itself.
func TestProductThatTurnsOver(t *testing.T) {
	for scenario, does := range map[string]string{
		"tick-wrap-mid-discharge": "taken without a sign, is wrong by a whole turn",
		"midnight-mid-discharge":  "shows what comes of this, to the last count: the counter is multiplied by 1000 in 32 bits without a sign",
		"bench":                   "rows come out of turn 10 times",
	} {
		v, _ := judged(t, named(t, scenario), func(s link.Store) link.Logger { return &inMilliseconds{Logger: loggers.Good()(s)} })
		if len(v.Findings) != 1 || v.Findings[0].Cause != "tick-wrap" || !strings.Contains(v.Findings[0].Evidence, does) {
			t.Errorf("%s: %q is not said: %s", scenario, does, complaint(v))
		}
	}
}

// Products in integers that are too narrow, or have no sign where one factor has, spoil each step: what was multiplied is said.
func TestProductsOfAStep(t *testing.T) {
	positive := func(unit float64) func(float64) float64 {
		whole := math.Ldexp(unit, 32)
		return func(x float64) float64 { return x - whole*math.Floor(x/whole) }
	}
	for _, tc := range []struct {
		scenario, cause, does string
		charge, energy        func(step float64) float64
		amps, watts           func(float64) float64
	}{
		{scenario: "discharge-two-rates", cause: "total-overflow", does: "microamperes times milliseconds in 32 bits",
			charge: func(dq float64) float64 { return dq - math.Ldexp(1e-9, 32)*math.Floor(dq/math.Ldexp(1e-9, 32)+0.5) }},
		{scenario: "discharge-two-rates", cause: "sign", does: "milliamperes times milliseconds in 32 bits without a sign",
			charge: positive(1e-6)},
		{scenario: "store-and-return", cause: "sign", does: "microamperes times milliseconds in 32 bits without a sign",
			charge: positive(1e-9)},
		{scenario: "store-and-return", cause: "sign", does: "milliwatts times milliseconds in 32 bits without a sign",
			energy: positive(1e-6)},
		{scenario: "discharge-two-rates", cause: "sign", does: "read as a number of 32 bits, in milliamperes",
			amps: positive(1e-3)},
		{scenario: "discharge-two-rates", cause: "sign", does: "milliamperes times millivolts in 32 bits without a sign", watts: positive(1e-6)},
	} {
		var q, e, sq, se float64 // right sums, and those of the products
		h := habit{amps: tc.amps, watts: tc.watts}
		if tc.charge != nil || tc.energy != nil {
			h.read = func(l *habitual, r *link.Reading) {
				if l.n == 1 {
					q, e, sq, se = 0, 0, 0, 0
				}
				dq, de := l.q-sq, l.e-se
				if tc.charge != nil {
					dq = tc.charge(dq)
				}
				if tc.energy != nil {
					de = tc.energy(de)
				}
				q, e = q+dq, e+de
				l.q, l.e = q, e
				sq, se = l.q, l.e
			}
		}
		v, _ := judged(t, named(t, tc.scenario), func(link.Store) link.Logger { return &habitual{habit: h} })
		if len(v.Findings) == 0 || v.Findings[0].Cause != tc.cause || !strings.Contains(v.Findings[0].Evidence, tc.does) {
			t.Errorf("%s: %s of %q is not said: %s", tc.scenario, tc.cause, tc.does, complaint(v))
		}
	}
}

// TestSignGoesWithWhatFlows: many rows at rest that show a little the other way turn no column around under load.
func TestSignGoesWithWhatFlows(t *testing.T) {
	offset, _ := loggers.ByName("offset")
	for _, seed := range []uint64{2_000_740, 2_002_864, 2_003_808} {
		d := campaign.NewDraw(seed, scenarios.Env{})
		sc, err := d.Parse(scenarios.Env{})
		if err != nil {
			t.Fatal(err)
		}
		v, _ := judged(t, sc, offset.New)
		for _, f := range v.Findings {
			if f.Cause == "sign" {
				t.Errorf("draw %d: %s", seed, f.Evidence)
			}
		}
	}
}
