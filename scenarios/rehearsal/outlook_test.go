package rehearsal

import (
	"math"
	"testing"

	"stuntcell/emulator"
	"stuntcell/model"
)

// rated is the discharge of the rating.
func rated(t *testing.T, name string) *emulator.Setup {
	s := setup(t)
	var err error
	if s.Pack, err = model.PackByName(name); err != nil {
		t.Fatal(err)
	}
	s.Plan = model.Plan{{Kind: model.Discharge, Load: model.Load{Current: s.Pack.Rated.Current()}, Ends: model.Ends{Voltage: s.Pack.Rated.End}}}
	s.Options.Isothermal = true
	return s
}

// A pack delivers its rating, and a discharge in the cold or at another rate is brought back to it.
func TestCorrectedToTheRating(t *testing.T) {
	for _, name := range model.PackNames() {
		s := rated(t, name)
		if r := rehearse(t, s); math.Abs(r.Steps[0].OfRated-1) > 1e-3 {
			t.Errorf("%s: %.4f of the rating, want 1 within 0.1 %%", name, r.Steps[0].OfRated)
		}
		s.Plan[0].Load.Current *= 2
		s.Plan[0].Ends.Voltage, _ = s.Pack.Level("end", s.Plan[0].Load.Current)
		s.Options.Ambient = s.Pack.Cell.Reference - 10
		r := rehearse(t, s)
		if c := r.Steps[0]; math.Abs(c.OfRated-1) > 1e-3 || -c.Charge >= c.Corrected {
			t.Errorf("%s: %.3f Ah at twice the current and 10 K colder, corrected to %.3f, %.4f of the rating, want 1 and more than was measured", name, -c.Charge, c.Corrected, c.OfRated)
		}
	}
}

// What cannot be brought to the rating is not.
func TestNotCorrected(t *testing.T) {
	for name, change := range map[string]func(s *emulator.Setup){
		"half full":        func(s *emulator.Setup) { s.Options.Start = 0.5 },
		"ended by time":    func(s *emulator.Setup) { s.Plan[0].Ends.Time = 3600 * second },
		"to another level": func(s *emulator.Setup) { s.Plan[0].Ends.Voltage *= 1.05 },
		"a power":          func(s *emulator.Setup) { s.Plan[0].Load = model.Load{Power: 4} },
		"a second time":    func(s *emulator.Setup) { s.Plan = append(model.Plan{discharge(1, 600)}, s.Plan...) },
	} {
		s := rated(t, "agm-12v-7ah")
		change(s)
		r := rehearse(t, s)
		if got := r.Steps[len(r.Steps)-1].OfRated; got != 0 {
			t.Errorf("%s: corrected to %.3f of the rating, want nothing said", name, got)
		}
	}
}

// More current, less health and more cold never give more; the table holds what the plan itself gives.
func TestOutlook(t *testing.T) {
	s := rated(t, "agm-12v-7ah")
	o, err := Look(s)
	if err != nil {
		t.Fatal(err)
	}
	for n, d := range o.Rates {
		for k := range d.Charge {
			if k > 0 && d.Charge[k] > d.Charge[k-1] || n > 0 && d.Charge[k] > o.Rates[n-1].Charge[k] {
				t.Errorf("at %g C with health %g: %g Ah, more than at a lower rate or when newer", d.Rate, o.Healths[k], d.Charge[k])
			}
		}
	}
	own := rehearse(t, s).Total.Out
	seen := false
	for k, row := range o.Plans {
		for c, out := range row {
			if k > 0 && out.Out > o.Plans[k-1][c].Out || c > 0 && out.Out < row[c-1].Out {
				t.Errorf("health %g at %g degC: %g Ah, more than when newer or warmer", o.Healths[k], o.Celsius[c], out.Out)
			}
			seen = seen || out.Out == own
		}
	}
	if !seen {
		t.Errorf("the plan's own %g Ah are nowhere in %v", own, o.Plans)
	}
}

// Where a limit forbids the plan the table says so and gives no figure.
func TestOutlookRefuses(t *testing.T) {
	s := setup(t)
	var err error
	if s.Pack, err = model.PackByName("lfp-12v8-12ah"); err != nil {
		t.Fatal(err)
	}
	s.Options.Start, s.Options.Ambient = 0.5, 273.15+5
	absorb, _ := s.Pack.Level("absorb", 0)
	s.Plan = model.Plan{{Kind: model.Charge, Load: model.Load{Current: 2}, Voltage: absorb, Ends: model.Ends{Time: 3600 * second, Charge: 10 * 3600}}}
	s.Options.Ambient = 273.15 - 5 // Look is asked about a plan that was not checked
	o, err := Look(s)
	if err != nil {
		t.Fatal(err)
	}
	if got := o.Plans[0][0]; got.Refused == "" || got.Out != 0 || got.Seconds != 0 {
		t.Errorf("charging lithium at %g degC: %+v, want it refused", o.Celsius[0], got)
	}
	if got := o.Plans[0][len(o.Celsius)-1]; got.Refused != "" {
		t.Errorf("charging lithium at %g degC: %+v, want it allowed", o.Celsius[len(o.Celsius)-1], got)
	}
}

// A plan that switches a million times is not played twelve times more.
func TestOutlookOfPulses(t *testing.T) {
	s := setup(t, discharge(1, 36000))
	s.Plan[0].Load.Period, s.Plan[0].Load.On = second/20, second/40
	o, err := Look(s)
	if err != nil || len(o.Plans) != 0 || o.Note == "" {
		t.Errorf("%d rows, note %q, %v; want none and why", len(o.Plans), o.Note, err)
	}
}
