package model

import (
	"fmt"
	"math"
)

// Pack is cells in series and parallel, with its rating, its levels and what must not be exceeded. Make one with [LoadPack] or
// [PackByName]; a Pack is not changed afterwards and may be shared.
type Pack struct {
	Name, Summary string
	Chemistry     string // name of the chemistry's file: agm, lfp ...
	Family        Family
	Series        int // cells in series
	Parallel      int // strings in parallel
	Rated         Rating
	// Cell is what each cell is; a pack with Spread differs from it cell by cell.
	Cell Cell
	Rate Rate
	// Health is the share of the rated charge that age has left, 1 when new.
	Health float64
	// CapacityPerKelvin is the share of capacity that a kelvin adds at ten-hour rates and slower, CapacityPerKelvinFast at three hours and
	// faster [1/K].
	CapacityPerKelvin, CapacityPerKelvinFast float64
	Heat                                     Heat
	Levels                                   Levels
	Limits                                   Limits
	// Sources says where figures come from, one line each.
	Sources []string
}

// Family groups chemistries that share cautions and rules of charging.
type Family string

// The families.
const (
	LeadAcid Family = "lead-acid"
	Lithium  Family = "lithium"
	Nickel   Family = "nickel"
)

// Rating is the claim of the pack: Charge [A·s] in Hours [s] at a constant current, to End [V at the terminals].
type Rating struct {
	Charge, Hours, End float64
}

// Current is the rated current [A].
func (r Rating) Current() float64 { return r.Charge / r.Hours }

// Heat is the pack as one lump. The zero Heat is isothermal.
type Heat struct {
	Capacity   float64 // [J/K]
	Resistance float64 // to the surroundings [K/W]
}

// Levels are the words of plans, resolved for the chemistry. Voltages are of one cell.
type Levels struct {
	// End is the end voltage [V] over the natural logarithm of the current in multiples of the rated capacity an hour; FloorBelow [V] is
	// how far under it the floor lies.
	End           Curve
	FloorBelow    float64
	Absorb, Float float64 // [V]; Float 0: this chemistry is not floated
	PerKelvin     float64 // compensation of both [V/K] from Cell.Reference
	Taper         float64 // current that ends a charge, in multiples of the rated capacity an hour
}

// Limits are what a plan must not cross. Voltages are of the pack, zero is no limit.
type Limits struct {
	ChargeCurrent, DischargeCurrent float64 // [A]
	Fuse                            float64 // [A]
	ChargeVoltage                   float64 // highest [V]
	Coldest, Hottest                float64 // cell temperature for charging [K]
	ColdestDischarge                float64 // [K]
}

// Amps converts multiples of the rated capacity an hour ("0.2 C") to amperes.
func (p *Pack) Amps(rate float64) float64 { return rate * p.Rated.Charge / 3600 }

// Volts converts volts a cell to volts of the pack.
func (p *Pack) Volts(cell float64) float64 { return cell * float64(p.Series) }

// Nominal is the rest voltage at half charge [V]: what decides about shock and arcs.
func (p *Pack) Nominal() float64 { return p.Volts(p.Cell.OCV.At(0.5)) }

// Taper is the current [A] at which a charge counts as full: the level word `taper`.
func (p *Pack) Taper() float64 { return p.Amps(p.Levels.Taper) }

// LevelWords are the level words that stand for voltages.
func LevelWords() []string { return []string{"end", "floor", "absorb", "float"} }

// Level resolves a level word to volts at the terminals; amps is the magnitude of the step's current, which `end` and `floor` depend on
// (0: the rated current). The word taper is a current: see [Pack.Taper].
func (p *Pack) Level(word string, amps float64) (volts float64, err error) {
	if math.IsNaN(amps) || math.IsInf(amps, 0) {
		return 0, fmt.Errorf("level %s at %g A (expected a finite current)", word, amps)
	}
	amps = math.Abs(amps)
	if amps == 0 {
		amps = p.Rated.Current()
	}
	switch word {
	case "end":
		return p.endOf(amps), nil
	case "floor":
		return p.endOf(amps) - p.Volts(p.Levels.FloorBelow), nil
	case "absorb":
		return p.Volts(p.Levels.Absorb), nil
	case "float":
		if p.Levels.Float == 0 {
			return 0, fmt.Errorf("%s: %s is not floated (expected end, floor or absorb)", p.Name, p.Chemistry)
		}
		return p.Volts(p.Levels.Float), nil
	case "taper":
		return 0, fmt.Errorf("taper is a current, %.3g A for %s (expected end, floor, absorb or float)", p.Taper(), p.Name)
	}
	return 0, fmt.Errorf("unknown level %q (expected end, floor, absorb or float)", word)
}

// endOf is the end voltage [V] at a current: the rated end, moved as the chemistry's table moves from the rated current.
func (p *Pack) endOf(amps float64) float64 {
	if p.Levels.End.IsZero() {
		return p.Rated.End
	}
	at := func(a float64) float64 {
		x := math.Log(a / p.Amps(1))
		return p.Levels.End.At(math.Min(p.Levels.End.x[len(p.Levels.End.x)-1], math.Max(p.Levels.End.x[0], x)))
	}
	return p.Rated.End + p.Volts(at(amps)-at(p.Rated.Current()))
}
