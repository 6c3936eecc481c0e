package model

import (
	"fmt"
	"math"
)

// Harm is one way in which a plan would harm its pack, or leave nothing to stop it.
type Harm struct {
	Step  int    // index into the plan
	What  string // what the step does, with the figure
	Limit string // the limit that it crosses, with the figure
	// Caution says why it matters.
	Caution string
}

// Error words the harm in one line.
func (h Harm) Error() string {
	return fmt.Sprintf("step %d: %s (limit: %s). %s %s", h.Step+1, h.What, h.Limit, h.Caution, deference)
}

// CheckPlan lists every way in which the plan would harm the pack, in order of steps; nil if there is none. ambient is the temperature of
// the surroundings [K], 0 the pack's reference.
func (p *Pack) CheckPlan(plan Plan, ambient float64) []Harm {
	if ambient == 0 {
		ambient = p.Cell.Reference
	}
	var out []Harm
	for i := range plan {
		s := &plan[i]
		add := func(what, limit, caution string) { out = append(out, Harm{i, what, limit, caution}) }
		if err := s.validate(); err != nil {
			add(err.Error(), "each step must end by itself", "A pack that nobody disconnects is ruined or burns.")
			continue
		}
		switch s.Kind {
		case Charge:
			p.checkCharge(s, ambient, add)
		case Discharge:
			p.checkDischarge(s, ambient, add)
		}
	}
	return out
}

func (p *Pack) checkCharge(s *Step, ambient float64, add func(what, limit, caution string)) {
	most := s.Load.Most(p.Nominal())
	caution := map[Family]string{
		LeadAcid: "Overcharge gases hydrogen and dries the pack out.",
		Lithium:  "Overcharge can set a lithium pack on fire.",
		Nickel:   "Overcharge heats nickel cells until they vent.",
	}[p.Family]
	if s.Voltage == 0 {
		if !(p.Family == Nickel && (s.Ends.Slope > 0 || s.Ends.Temperature > 0)) {
			add("a charge without a voltage limit", fmt.Sprintf("%.4g V", p.Limits.ChargeVoltage), caution)
		}
	} else if p.Limits.ChargeVoltage > 0 && s.Voltage > p.Limits.ChargeVoltage*(1+1e-9) {
		add(fmt.Sprintf("charging to %.4g V", s.Voltage), fmt.Sprintf("%.4g V", p.Limits.ChargeVoltage), caution)
	}
	if p.Limits.ChargeCurrent > 0 && most > p.Limits.ChargeCurrent*(1+1e-9) {
		add(fmt.Sprintf("charging with %.4g A", most), fmt.Sprintf("%.4g A", p.Limits.ChargeCurrent), "Too high a charging current overheats the pack.")
	}
	p.checkFuse(most, add)
	if p.Family == Nickel && p.Parallel > 1 {
		add("charging strings in parallel", "one string", "The string that is full first warms, its voltage falls, and it takes the others' current too.")
	}
	if s.Ends.Charge == 0 {
		add("a charge without an Ah backstop", "every charge has a time and an Ah backstop", caution)
	}
	// A flat pack takes what it holds and what gassing loses; twice the whole is no backstop.
	if whole := p.Cell.Capacity * float64(p.Parallel); s.Ends.Charge > 2*whole {
		add(fmt.Sprintf("an Ah backstop of %.4g Ah", s.Ends.Charge/3600), fmt.Sprintf("%.4g Ah, twice what the pack holds", 2*whole/3600), caution)
	}
	if p.Limits.Coldest > 0 && ambient < p.Limits.Coldest {
		add(fmt.Sprintf("charging at %.4g degC", ambient-273.15), fmt.Sprintf("%.4g degC, of the cells", p.Limits.Coldest-273.15), p.coldCaution())
	}
	if p.Limits.Hottest > 0 && ambient > p.Limits.Hottest {
		add(fmt.Sprintf("charging at %.4g degC", ambient-273.15), fmt.Sprintf("%.4g degC, of the cells", p.Limits.Hottest-273.15), hotCaution)
	}
}

func (p *Pack) checkDischarge(s *Step, ambient float64, add func(what, limit, caution string)) {
	e := &s.Ends
	amps := s.Load.Mean(p.Nominal())
	most := s.Load.Most(p.Nominal())
	floor, _ := p.Level("floor", amps)
	caution := map[Family]string{
		LeadAcid: "Too deep a discharge sulphates the plates and may reverse the weakest cell.",
		Lithium:  "A lithium cell below its lowest voltage may short inside when it is charged again.",
		Nickel:   "The weakest cell of the string is reversed.",
	}[p.Family]
	if p.Limits.DischargeCurrent > 0 && most > p.Limits.DischargeCurrent*(1+1e-9) {
		add(fmt.Sprintf("discharging with %.4g A", most), fmt.Sprintf("%.4g A", p.Limits.DischargeCurrent), "Too high a current overheats pack and wires.")
	}
	p.checkFuse(most, add)
	lowest := math.Max(e.Voltage, e.Floor)
	if lowest > 0 && lowest < floor*(1-1e-9) {
		add(fmt.Sprintf("discharging to %.4g V", lowest), fmt.Sprintf("%.4g V, the floor at %.4g A", floor, amps), caution)
	}
	if e.Logger > 0 && e.Floor == 0 {
		add("an end that only the logger decides", fmt.Sprintf("a floor of %.4g V or above behind it", floor), caution)
	}
	if e.Logger > 0 && e.Logger < floor*(1-1e-9) {
		add(fmt.Sprintf("a logger that stops at %.4g V", e.Logger), fmt.Sprintf("%.4g V, the floor at %.4g A", floor, amps), caution)
	}
	if lowest == 0 && e.Logger == 0 {
		// Time or charge alone: they must end it while there is charge left.
		q := p.lawOf(amps)
		moved := e.Charge
		if t := amps * float64(e.Time) * 1e-9; e.Time > 0 && (moved == 0 || t < moved) {
			moved = t
		}
		if moved > q {
			add(fmt.Sprintf("taking %.4g Ah with no voltage to stop at", moved/3600), fmt.Sprintf("%.4g Ah at %.4g A", q/3600, amps), caution)
		}
	}
	if p.Limits.ColdestDischarge > 0 && ambient < p.Limits.ColdestDischarge {
		add(fmt.Sprintf("discharging at %.4g degC", ambient-273.15), fmt.Sprintf("%.4g degC", p.Limits.ColdestDischarge-273.15), "The pack is outside of its range.")
	}
}

func (p *Pack) checkFuse(most float64, add func(what, limit, caution string)) {
	if p.Limits.Fuse > 0 && most > p.Limits.Fuse {
		add(fmt.Sprintf("a current of %.4g A", most), fmt.Sprintf("%.4g A, the fuse at the pack", p.Limits.Fuse), "A fuse that opens under load leaves the logger without a pack.")
	}
}

// lawOf is the charge [A·s] that the pack gives at a constant current [A] from full at its reference temperature, by its rate law.
func (p *Pack) lawOf(amps float64) float64 {
	if amps <= 0 {
		return p.Cell.Capacity * float64(p.Parallel)
	}
	cell := amps / float64(p.Parallel)
	if p.Rate.Model == Peukert {
		return p.law(cell, p.Cell.Reference) * float64(p.Parallel)
	}
	return p.Cell.Capacity * float64(p.Parallel)
}

// CheckRun lists the harm that only shows when the plan is played: cells that are charged too cold, too hot, or from below the voltage at which
// they may still be charged. ended are the steps of that course.
func (p *Pack) CheckRun(plan Plan, ended []StepEnd) []Harm {
	var out []Harm
	for _, e := range ended {
		if e.Plan < 0 || e.Plan >= len(plan) || plan[e.Plan].Kind != Charge || e.Charge <= 0 {
			continue
		}
		add := func(what, limit, caution string) { out = append(out, Harm{e.Plan, what, limit, caution}) }
		if p.Limits.Coldest > 0 && e.MinTemperature < p.Limits.Coldest {
			add(fmt.Sprintf("charging cells at %.1f degC", e.MinTemperature-273.15), fmt.Sprintf("%.4g degC, of the cells", p.Limits.Coldest-273.15), p.coldCaution())
		}
		if p.Limits.Hottest > 0 && e.MaxTemperature > p.Limits.Hottest+1e-6 { // a step may end by that very temperature
			add(fmt.Sprintf("charging cells up to %.1f degC", e.MaxTemperature-273.15), fmt.Sprintf("%.4g degC, of the cells", p.Limits.Hottest-273.15), hotCaution)
		}
		if e.BeginV < p.Limits.LowestToCharge {
			add(fmt.Sprintf("charging a pack that rests at %.3g V", e.BeginV), fmt.Sprintf("%.3g V", p.Limits.LowestToCharge),
				"A cell that was discharged so far may have grown shorts, and can burn when it is charged.")
		}
	}
	return out
}

// hotCaution says why a hot pack is not charged.
const hotCaution = "A hot pack may run away while it charges."

// coldCaution says why a cold pack is not charged.
func (p *Pack) coldCaution() string {
	if p.Family == Lithium {
		return "Charging a cold lithium cell plates metal inside it, which can short it later."
	}
	return "Charging in the cold harms the pack; a frozen one can burst."
}
