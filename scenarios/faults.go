package scenarios

import (
	"fmt"

	"stuntcell/emulator"
	"stuntcell/model"
	"stuntcell/model/quantity"
	"stuntcell/scenarios/rehearsal"
)

// faultKinds lists the words for faults in the order of the emulator's table.
func faultKinds() []string {
	return []string{
		string(emulator.FaultPowerCut), string(emulator.FaultCardFail), string(emulator.FaultCardFull), string(emulator.FaultStall),
		string(emulator.FaultFailedRead), string(emulator.FaultSetting), string(emulator.FaultClockSet), string(emulator.FaultRelayWeld),
		string(emulator.FaultRelayLeak), string(emulator.FaultTaperHeld),
	}
}

const maxFaults = 1000

// pendingFault is a fault whose instant may still hang on what the rehearsal finds.
type pendingFault struct {
	fault emulator.Fault
	at    quantity.Field
	// step counts from 1; 0: the instant is known already.
	step  int
	share float64 // of the step's duration
	plus  int64   // [ns] after the step's begin
	stop  bool    // counted from the instant at which the logger's stop is due
}

// faults reads the list of faults. Those of settings may come several to one entry.
func readFaults(m *quantity.Map, pack *model.Pack) []pendingFault {
	var out []pendingFault
	for i, item := range m.List("faults") {
		if i >= maxFaults {
			item.Fail("too many faults", fmt.Sprintf("at most %d", maxFaults), "")
			break
		}
		out = append(out, readFault(item.Map(), pack)...)
	}
	return out
}

func readFault(m *quantity.Map, pack *model.Pack) []pendingFault {
	p := pendingFault{at: m.Get("at")}
	p.readAt()
	p.fault.Kind = emulator.FaultKind(m.Word("fault", faultKinds()...))
	length := func() int64 { return m.Get("for").Nanoseconds(quantity.Above(0, years)) }
	out := []pendingFault{}
	switch p.fault.Kind {
	case emulator.FaultPowerCut:
		p.fault.For = length()
		p.fault.Torn = m.Bool("torn")
	case emulator.FaultCardFail, emulator.FaultStall:
		p.fault.For = length()
	case emulator.FaultFailedRead:
		p.fault.For = length()
		if _, ok := m.Find("only"); ok {
			p.fault.Only = emulator.Half(m.Word("only", string(emulator.Shunt), string(emulator.Bus)))
		}
	case emulator.FaultClockSet:
		by := m.Get("by")
		ns := by.Nanoseconds(quantity.Between(-years*20, years*20))
		if ns%second != 0 || ns == 0 && by.IsText() {
			by.Fail("a clock is set by whole seconds", "whole seconds, such as -1 h", "")
		}
		p.fault.Value = ns / second
	case emulator.FaultSetting:
		set := m.Get("set").Map()
		for _, s := range readSet(set, pack) {
			q := p
			q.fault.Key, q.fault.Value = s.key, s.value
			out = append(out, q)
		}
		set.Done()
		m.Done()
		return out
	case emulator.FaultRelayLeak, emulator.FaultTaperHeld:
		f := m.Get("current")
		if v, ok := f.Value(quantity.Rate, quantity.Current); ok {
			if err := quantity.Positive().Check(v); err != nil {
				f.FailWith(err)
			}
			p.fault.Value2 = amperes(pack, v)
		}
	case emulator.FaultCardFull, emulator.FaultRelayWeld:
	}
	m.Done()
	return append(out, p)
}

// readAt reads an instant: a time since the plan began, or a mapping that counts from a step or from the logger's stop.
func (p *pendingFault) readAt() {
	if !p.at.IsMap() {
		p.fault.At = p.at.Nanoseconds(quantity.Between(0, years))
		return
	}
	m := p.at.Map()
	if f, ok := m.Find("stop"); ok {
		p.stop = true
		p.plus = f.Nanoseconds(quantity.Between(-86400, 86400))
	} else {
		p.step = int(m.Int("step", 1, maxSteps))
		if f, ok := m.Find("share"); ok {
			p.share = f.Quantity(quantity.Ratio, quantity.Between(0, 1))
		}
		p.plus = m.NanosecondsOr("plus", quantity.Between(-86400, years), 0)
	}
	m.Done()
}

// resolve finds the instant of a fault in what the rehearsal saw.
func (p *pendingFault) resolve(seen *rehearsal.Course) (emulator.Fault, bool) {
	f := p.fault
	switch {
	case p.stop:
		if seen.StopDue < 0 {
			p.at.Fail("no step of this plan is the logger's to end", "a step that ends with logger", "")
			return f, false
		}
		f.At = seen.StopDue + p.plus
	case p.step > 0:
		if p.step > len(seen.Steps) {
			p.at.Fail(fmt.Sprintf("the plan has no step %d", p.step), fmt.Sprintf("1 to %d", len(seen.Steps)), "")
			return f, false
		}
		s := seen.Steps[p.step-1]
		f.At = s.Begin + int64(p.share*float64(s.End-s.Begin)) + p.plus
	}
	if f.At < 0 || f.At > seen.End {
		p.at.Fail("the fault lies outside the plan", fmt.Sprintf("0 s to %s", quantity.Value{Kind: quantity.Time, SI: float64(seen.End / second)}), "")
		return f, false
	}
	return f, true
}

// setting is a greeting key with its new value.
type setting struct {
	key   string
	value int64
}

// readSet reads what somebody changes on the running logger.
func readSet(m *quantity.Map, pack *model.Pack) []setting {
	var out []setting
	if f, ok := m.Find("log"); ok {
		out = append(out, setting{"log_ms", wholeMilliseconds(f, quantity.Between(0.001, 7*86400))})
	}
	if f, ok := m.Find("cutoff_hold"); ok {
		out = append(out, setting{"cutoff_hold_ms", wholeMilliseconds(f, quantity.Between(0, 86400))})
	}
	if len(out) == 0 {
		m.Fail("", "nothing is set", "log or cutoff_hold, such as {log: 5 s}", "")
	}
	return out
}

// wholeMilliseconds reads a time that is sent in whole milliseconds.
func wholeMilliseconds(f quantity.Field, r quantity.Range) int64 {
	ns := f.Nanoseconds(r)
	if ns%1e6 != 0 {
		f.Fail(fmt.Sprintf("%s is no whole number of milliseconds", f.Name()), "whole milliseconds, such as 500 ms", "")
	}
	return ns / 1e6
}
