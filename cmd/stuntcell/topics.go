package main

import (
	"bufio"
	_ "embed" // the example of a logger
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
		{item{"link", "How does a logger in any language speak with the bench?"}, writeLink},
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

// anyLanguage is a whole logger, to start from in a language that has no header of ours.
//
//go:embed anylanguage.py
var anyLanguage string

func writeLink(w *bufio.Writer) error {
	writeParagraphs(w,
		`In lines of text over its standard input and output (a board: over its serial line). The bench writes one line; the logger prints any number of
		its own, then ok, and flushes. In C benchlink.h does all of this: stuntcell init DIR writes it.`)
	table(w, "What it is sent", []item{
		{"stuntcell 1 KEY=VALUE...", "the greeting, at power-up: the keys below"},
		{"r TICK SHUNT BUS CLOCK", "a reading: the counter, wrapped; signed counts of shunt and bus, - for one that failed; Unix seconds of the clock, - for none. " +
			"Behind it there may be shunt2= bus2= ... temp_mdeg= aux1=, load=on|off and charge=on|off (the contacts), card=fail (the next write to the card would fail)"},
		{"set KEY=VALUE", "somebody changed a setting, such as log_ms"},
		{"end", "the test is over: write what is still in memory"},
	})
	fmt.Fprintln(w)
	table(w, "What it may print before its ok", []item{
		{"row TEXT", "a line of its log; the first may be a header"},
		{"load on, load off", "it switched its load; charge on, charge off its charger"},
		{"say TEXT", "for a person; lost 3 in it tells of writes that failed"},
		{"file NAME", "it began a new file"},
		{"clock UNIX", "it set its clock"},
	})
	fmt.Fprintln(w)
	table(w, "What it may print in answer to the greeting", []item{
		{"mine log_ms=10000", "a value that it has built in: no other is then asked for"},
		{"cannot NAME...", "what it leaves to others: load set restore clock count-charge count-discharge energy totals"},
		{"can charge", "it ends charges too"},
	})
	fmt.Fprintln(w)
	table(w, "Keys of the greeting, all whole numbers", []item{
		{"tick_bits, tick_hz", "width and rate of the counter"},
		{"shunt_nohm", "the shunt, in nanoohm: A = SHUNT * shunt_step_nv / shunt_nohm"},
		{"shunt_step_nv", "one count of the shunt, in nanovolt"},
		{"bus_step_uv", "one count of the bus, in microvolt: V = BUS * bus_step_uv / 1000000"},
		{"shunt_max, bus_max", "the last counts before saturation"},
		{"bus_at", "0: the bus is measured at the pack; 1: behind the shunt"},
		{"channels", "1 to 4"},
		{"read_ms, log_ms", "time between readings, nominal, and between rows"},
		{"cutoff_mv", "switch the load off when the bus was below this ..."},
		{"cutoff_hold_ms", "... for so long; cutoff_mv=0: never"},
		{"charge_end_mv", "end a charge at this voltage ..."},
		{"charge_taper_ma", "... when the current has fallen to this"},
		{"zone_min", "minutes east of UTC of the wall clock"},
	})
	fmt.Fprintln(w)
	writeParagraphs(w,
		`Current into the battery is positive. A power cut kills the process without notice; it is started again in the same directory, with its files, and
		greeted again. What it prints besides is a failure, garbled-output: debugging prints go to standard error, or behind say.`,
		`A program that only reads lines TICK,SHUNT,BUS,CLOCK and prints its log needs none of this: prove --link stream.`,
		`A whole logger in Python, proved with stuntcell prove --run 'python3 {here}/logger.py':`)
	for line := range strings.Lines(anyLanguage) {
		if line == "\n" {
			fmt.Fprint(w, line)
			continue
		}
		fmt.Fprint(w, "    ", line)
	}
	return nil
}
