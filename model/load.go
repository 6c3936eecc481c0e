package model

import (
	"fmt"
	"math"
)

// lawKind is how the outside decides about current.
type lawKind uint8

const (
	fixedCurrent lawKind = iota
	fixedVoltage
	fixedPower
	fixedResistance
)

// law is what the outside wants of the terminals: i = f(v). Currents are signed, into the pack.
type law struct {
	kind  lawKind
	value float64 // A signed; V; W signed (into the pack); ohm of a load
	draw  float64 // taken besides [A, magnitude]
	tone  tone
	share float64 // the tone's amplitude as a share of the current, where that is not known beforehand
	until int64   // the next edge, ns since the plan began
}

// never is an instant that no plan reaches.
const never = math.MaxInt64 / 2

// at is the share of the level at the instant t since the step began, and the instant of the next edge.
func (l *Load) at(t int64) (share float64, until int64) {
	if l.Period <= 0 {
		return 1, never
	}
	x := (t + l.Phase) % l.Period
	if x < 0 {
		x += l.Period
	}
	if x < l.On {
		return 1, t - x + l.On
	}
	return l.Low, t - x + l.Period
}

// row is the table's current at t and the instant of its next row.
func (l *Load) row(t int64) (amps float64, until int64) {
	low, high := 0, len(l.Table) // rows before low are not after t
	for low < high {
		if mid := (low + high) / 2; l.Table[mid].T <= t {
			low = mid + 1
		} else {
			high = mid
		}
	}
	until = never
	if low < len(l.Table) {
		until = l.Table[low].T
	}
	if low == 0 {
		return 0, until
	}
	return l.Table[low-1].Current, until
}

// law is the load's wish at t since the step began; sign is -1 for a load, +1 for a charger.
// off says that the load's inverter has given up.
func (l *Load) law(t int64, sign float64, off bool) law {
	w := law{kind: fixedCurrent}
	if len(l.Table) > 0 {
		var amps float64
		amps, w.until = l.row(t)
		w.value = sign * amps
		return w
	}
	var share float64
	share, w.until = l.at(t)
	switch {
	case l.Inverter != nil && off:
		w.kind, w.value, share = fixedPower, sign*l.Inverter.Standby, 0
	case l.Inverter != nil:
		w.kind, w.value = fixedPower, sign*l.Inverter.draws(l.Power*share)
	case l.Power != 0 && share > 0:
		w.kind, w.value = fixedPower, sign*l.Power*share
	case l.Resistance != 0 && share > 0:
		w.kind, w.value = fixedResistance, l.Resistance/share
	default:
		w.value = sign * l.Current * share
	}
	if l.Ripple != 0 && l.RippleHz > 0 && share > 0 {
		omega := 2 * math.Pi * l.RippleHz
		// The phase is reduced in whole periods first: an instant weeks on has no digits left for it otherwise.
		turns := math.Mod(float64(t%1e9)*1e-9*l.RippleHz+math.Mod(float64(t/1e9)*l.RippleHz, 1), 1)
		w.tone = tone{amp: sign * l.Ripple * l.Current * share, omega: omega, phase: 2 * math.Pi * turns}
		if w.kind != fixedCurrent {
			w.tone.amp, w.share = 0, l.Ripple
		}
	}
	return w
}

// validate refuses figures that are none and shapes that are impossible.
func (l *Load) validate() error {
	for _, x := range []struct {
		name string
		v    float64
	}{{"current", l.Current}, {"power", l.Power}, {"resistance", l.Resistance}, {"low", l.Low}, {"ripple", l.Ripple}, {"ripple frequency", l.RippleHz}} {
		if !(x.v >= 0) || math.IsInf(x.v, 0) {
			return fmt.Errorf("%s of the load is %g (expected 0 or more)", x.name, x.v)
		}
	}
	switch {
	case l.Low > 1:
		return fmt.Errorf("low of the load is %g (expected 0 to 1)", l.Low)
	case l.Ripple > 1:
		return fmt.Errorf("ripple of the load is %g (expected 0 to 1)", l.Ripple)
	case l.Ripple > 0 && len(l.Table) > 0:
		return fmt.Errorf("a load table has no ripple of its own")
	case l.Ripple > 0 && !(l.RippleHz >= 1e-3 && l.RippleHz <= 1e5):
		return fmt.Errorf("ripple frequency is %g Hz (expected 0.001 Hz to 100 kHz)", l.RippleHz)
	case l.Period < 0 || l.Period > 0 && (l.On < 0 || l.On > l.Period):
		return fmt.Errorf("the load is on for %d ns of %d ns", l.On, l.Period)
	case l.Period > 0 && l.Period < 1000:
		return fmt.Errorf("the load switches every %d ns (expected 1 us or more)", l.Period)
	}
	if l.Inverter != nil {
		if err := l.Inverter.validate(l.Power); err != nil {
			return err
		}
	}
	for i, r := range l.Table {
		if !(r.Current >= 0) || math.IsInf(r.Current, 0) {
			return fmt.Errorf("row %d of the load table has %g A (expected 0 or more)", i+1, r.Current)
		}
		if i > 0 && r.T <= l.Table[i-1].T {
			return fmt.Errorf("row %d of the load table does not come after the one before", i+1)
		}
	}
	return nil
}

// Most is the highest current that the load asks for at the voltage v [A, magnitude].
func (l *Load) Most(v float64) float64 {
	if len(l.Table) > 0 {
		most := 0.0
		for _, r := range l.Table {
			most = math.Max(most, r.Current)
		}
		return most
	}
	switch {
	case l.Inverter != nil:
		return l.Inverter.draws(l.Power) / v
	case l.Power != 0:
		return l.Power / v
	case l.Resistance != 0:
		return v / l.Resistance
	}
	return l.Current * (1 + l.Ripple)
}

// Mean is the mean current that the load asks for at the voltage v [A, magnitude]: what a level that depends on rate goes by.
func (l *Load) Mean(v float64) float64 {
	if n := len(l.Table); n > 0 {
		if n == 1 || l.Table[n-1].T <= 0 {
			return l.Table[n-1].Current
		}
		sum, from := 0.0, int64(0)
		for i, r := range l.Table {
			to := l.Table[n-1].T
			if i+1 < n {
				to = l.Table[i+1].T
			}
			sum += r.Current * float64(to-max(from, r.T))
		}
		return sum / float64(l.Table[n-1].T)
	}
	plain := Load{Current: l.Current, Power: l.Power, Resistance: l.Resistance, Inverter: l.Inverter}
	share := 1.0
	if l.Period > 0 {
		on := float64(l.On) / float64(l.Period)
		share = on + (1-on)*l.Low
	}
	return plain.Most(v) * share
}

// validate refuses a step that could not be run.
func (s *Step) validate() error {
	if err := s.Load.validate(); err != nil {
		return err
	}
	e := &s.Ends
	for _, x := range []struct {
		name string
		v    float64
	}{{"voltage", s.Voltage}, {"end charge", e.Charge}, {"end voltage", e.Voltage}, {"floor", e.Floor}, {"taper", e.Current}, {"end temperature", e.Temperature}, {"slope", e.Slope}, {"logger's level", e.Logger}} {
		if !(x.v >= 0) || math.IsInf(x.v, 0) {
			return fmt.Errorf("%s is %g (expected 0 or more)", x.name, x.v)
		}
	}
	if e.Time < 0 || e.VoltageFor < 0 || e.Hold < 0 || e.Time > never {
		return fmt.Errorf("a time of the step is negative or too long")
	}
	if why := s.endless(); why != "" {
		return fmt.Errorf("%s", why)
	}
	return nil
}

// endless says why nothing would end the step, empty if something will.
func (s *Step) endless() string {
	switch s.Kind {
	case Rest:
		if s.Ends.Time == 0 {
			return "nothing would end this rest (expected a time)"
		}
	case Charge:
		if s.Ends.Time == 0 {
			return "nothing is sure to end this charge (expected a time besides other ends)"
		}
	case Discharge:
		e := s.Ends
		if e.Time == 0 && e.Charge == 0 && e.Voltage == 0 && e.Floor == 0 && e.Logger == 0 {
			return "nothing would end this discharge before the pack is ruined (expected a time, charge, voltage, floor or logger)"
		}
		if e.Time == 0 && s.Load.Most(12) == 0 {
			return "a discharge without a load never ends (expected a current, power, resistance or a time)"
		}
	default:
		return "a step of no kind"
	}
	return ""
}
