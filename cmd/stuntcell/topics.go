package main

import (
	"bufio"
	"fmt"
	"strings"

	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/scenarios"
	"stuntcell/validate/budget"
)

// topic is a question that comes up with every rig, and its answer.
type topic struct {
	item
	write func(w *bufio.Writer) error
}

func topics() []topic {
	return []topic{
		{item{"prove-or-audit", "My log is here: prove or audit?"}, writeProveOrAudit},
		{item{"accuracy", "What accuracy is normal for a rig like mine?"}, writeAccuracy},
	}
}

func listTopics() ([]item, error) {
	var items []item
	for _, t := range topics() {
		items = append(items, t.item)
	}
	return items, nil
}

// showTopic is the answer to a question, nil if there is none of that name.
func showTopic(name string) []byte {
	for _, t := range topics() {
		if t.name == name {
			return page(func(w *bufio.Writer) {
				fmt.Fprintf(w, "%s\n\n", t.summary)
				if err := t.write(w); err != nil {
					fmt.Fprintln(w, err)
				}
			})
		}
	}
	return nil
}

func writeProveOrAudit(w *bufio.Writer) error {
	writeParagraphs(w,
		`To prove is to know the truth: the logger itself is fed readings of a simulated battery, so that every row can be compared with what it should
		have been, and a mistake is named. It needs the logger, and no battery.`,
		`To audit is to examine what is left of a real test. Nobody knows the truth of it. An audit finds what contradicts itself: gaps, counters
		that wrap, totals that do not follow from their own rows, a stop that came late. It cannot see a shunt that is 2 % off: every row of such a log
		agrees with every other.`,
		`So prove the logger first, before a battery hangs on it. Audit each log afterwards. Calibrate against a meter for what neither can see.`)
	rows := [][2]string{
		{"the logger as a program for this computer", "prove --run ./logger"},
		{"the logger on a board, battery disconnected", "prove --port DEV"},
		{"a program that only reads and prints lines", "prove --link stream --run CMD"},
		{"a log that it made of `record`'s readings", "prove SCENARIO --log log.csv"},
		{"a log of a real battery", "audit log.csv"},
		{"readings written down beside a meter", "calibrate pairs.csv"},
		{"a rig, and the figure that it gave", "budget RIG [LOG]"},
	}
	fmt.Fprintf(w, "  %-45s %s\n", "what you have", "stuntcell ...")
	for _, r := range rows {
		fmt.Fprintf(w, "  %-45s %s\n", r[0], r[1])
	}
	fmt.Fprintln(w)
	writeParagraphs(w, "See also: stuntcell show accuracy, stuntcell learn gain-offset.")
	return nil
}

// rigState is how well a rig's parts are known.
type rigState struct {
	what  string
	apply func(*budget.Limits)
}

// rigStates go from the labels to a calibrated rig. What they leave is common practice, as in [budget.Assume].
func rigStates() []rigState {
	return []rigState{
		{"labels and data sheets only", func(*budget.Limits) {}},
		{"zero taken before the test", func(l *budget.Limits) { l.Offset.Half = 1e-6 }},
		{"... and gain beside a 0.2 % meter", func(l *budget.Limits) {
			l.Offset.Half, l.Shunt.Half, l.Gain.Half, l.BusGain.Half = 1e-6, 0.002, 0, 0.001
		}},
	}
}

// writeAccuracy sets beside each other what rigs of ordinary parts can do in ordinary tests, by the budget of each.
func writeAccuracy(w *bufio.Writer) error {
	r, err := rig.ByName(scenarios.DefaultRig)
	if err != nil {
		return err
	}
	tests := []struct {
		pack string
		amps float64
	}{{"agm-12v-7ah", 0.35}, {"agm-12v-7ah", 1.4}, {"agm-12v-100ah", 5}, {"agm-12v-100ah", 20}}
	writeParagraphs(w, fmt.Sprintf(`The Ah of one discharge, plus or minus so many percent (k = 2, about 95 %%), with the rig %s (%s) and parts of common
		practice: shunt 0.5 %%, front end 0.2 %% and 10 uV, joints 3 uV. Each figure is computed by the budget, in simulation.`,
		r.Name, strings.TrimSuffix(r.Summary, ".")))
	fmt.Fprintf(w, "  %-35s", "")
	for _, t := range tests {
		p, err := model.PackByName(t.pack)
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "%10s", fmt.Sprintf("%.3g Ah", p.Rated.Charge/3600))
	}
	fmt.Fprintf(w, "\n  %-35s", "what is known of the rig")
	for _, t := range tests {
		fmt.Fprintf(w, "%10s", fmt.Sprintf("%.3g A", t.amps))
	}
	fmt.Fprintln(w)
	figures := make([]budget.Figure, len(tests))
	for i, t := range tests {
		p, err := model.PackByName(t.pack)
		if err != nil {
			return err
		}
		if figures[i], err = budget.Rehearsed(p, r, t.amps, 0); err != nil {
			return err
		}
	}
	for _, state := range rigStates() {
		fmt.Fprintf(w, "  %-35s", state.what)
		for _, f := range figures {
			u, err := rigAlone(r, f, state)
			if err != nil {
				return err
			}
			fmt.Fprintf(w, "%10s", fmt.Sprintf("%.2f %%", 100*u))
		}
		fmt.Fprintln(w)
	}
	fmt.Fprintln(w)
	writeParagraphs(w,
		fmt.Sprintf(`Small currents are worst: an offset weighs by time, not by current, and on a shunt for %.3g A an offset of 10 uV is %.2g %% of the %.0f uV that %.3g A make.
		Take the zero before each test; then the shunt is what is left, and a calibration mends that.`,
			r.Shunt.RatedAmps, 100*10e-6/(tests[0].amps*r.Shunt.Nominal), 1e6*tests[0].amps*r.Shunt.Nominal, tests[0].amps),
		`A capacity needs more than charge: how full the battery was at the start (1 % or so), its temperature (0.6 % a kelvin), and how well one
		run repeats another (0.5 %). These come on top, added in squares, and no better rig takes them away.`)
	fmt.Fprintln(w, "What standards ask of the equipment")
	for _, s := range scenarios.Standards() {
		if a, ok := s.Accuracy(); ok {
			writeWrapped(w, "  - ", fmt.Sprintf("%s, %s: voltage %.3g %%, current %.3g %%, time %.3g %%", a.Source, a.Clause, 100*a.Voltage, 100*a.Current, 100*a.Time))
		}
	}
	fmt.Fprintln(w)
	writeParagraphs(w, "Your own: stuntcell budget RIG. Why: stuntcell learn plus-or-minus, stuntcell learn offset, stuntcell learn coarse-shunt.")
	return nil
}

// rigAlone is the expanded relative uncertainty of the charge that flowed, without what the battery and its handling add.
func rigAlone(r rig.Rig, f budget.Figure, state rigState) (float64, error) {
	c := budget.Capacity{Rig: r, Limits: budget.FromRig(r), Figure: f}
	for _, of := range []*budget.Limit{&c.Limits.Start, &c.Limits.Cell, &c.Limits.Lambda, &c.Limits.Exponent, &c.Limits.Repeat} {
		of.Half = 0
	}
	state.apply(&c.Limits)
	s, err := c.State(budget.Options{Most: 10_000, Seed: 1})
	if err != nil {
		return 0, err
	}
	return s.Charge.U / s.Charge.Y, nil
}
