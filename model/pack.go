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
	// Table holds further rows of a rating table, with the misfit of each.
	Table []RatedRow
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
	// Spread is how much the cells differ; the zero Spread is none. Defects are cells that differ from it (Options may add more).
	Spread Spread
	// Board is the protection board; the zero Board is none.
	Board Board
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
	Equalise      float64 // [V], 0: not for this chemistry
	Falling       float64 // fall from the peak that ends a charge [V], 0: this chemistry is charged at a constant voltage
}

// Spread is the standard deviation from cell to cell, cut off at three of them, as a share: of capacity, of the charge at the beginning (of
// the whole), of resistance.
type Spread struct {
	Capacity, Charge, Resistance float64
}

// Defect is a cell (or string) that differs from the others. Strings and cells count from 1; cell 0 is all cells of the string, string 0
// all strings.
type Defect struct {
	String, Cell int
	// Capacity and Resistance multiply the cell's (0: as it is).
	Capacity, Resistance float64
	// Charge is added to the charge at the beginning, as a fraction of the whole.
	Charge float64
	// Short is a resistance across the cell [ohm], 0 none.
	Short float64
}

// Board is a protection board: it opens when the weakest cell has been below Low or the strongest above High for its delay, or the current
// above Current, and closes again at the release voltages. Low and Current release only when nothing draws.
type Board struct {
	Low, LowRelease   float64 // [V of a cell], 0: does not watch
	High, HighRelease float64
	Current           float64 // [A]
	LowDelay          int64   // [ns]
	HighDelay         int64
	CurrentDelay      int64
}

// Limits are what a plan must not cross. Voltages are of the pack, zero is no limit.
type Limits struct {
	ChargeCurrent, DischargeCurrent float64 // [A]
	Fuse                            float64 // [A]
	ChargeVoltage                   float64 // highest [V]
	Coldest, Hottest                float64 // cell temperature for charging [K]
	ColdestDischarge                float64 // [K]
	LowestToCharge                  float64 // a pack below this must not be charged [V]
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
func LevelWords() []string { return []string{"end", "floor", "absorb", "float", "equalise"} }

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
	case "equalise":
		if p.Levels.Equalise == 0 {
			return 0, fmt.Errorf("%s: %s is not equalised, unless its maker says so (expected end, floor, absorb or float)", p.Name, p.Chemistry)
		}
		return p.Volts(p.Levels.Equalise), nil
	case "taper":
		return 0, fmt.Errorf("taper is a current, %.3g A for %s (expected end, floor, absorb or float)", p.Taper(), p.Name)
	}
	return 0, fmt.Errorf("unknown level %q (expected end, floor, absorb or float)", word)
}

// LevelAt is Level with absorb and float compensated for the temperature T [K] as the chemistry asks: common practice for lead-acid, none
// for the others.
func (p *Pack) LevelAt(word string, amps, T float64) (volts float64, err error) {
	v, err := p.Level(word, amps)
	if err == nil && (word == "absorb" || word == "float" || word == "equalise") {
		// Beyond 15 K either way makers stop compensating: common practice.
		v += p.Volts(p.Levels.PerKelvin * math.Max(-15, math.Min(15, T-p.Cell.Reference)))
	}
	return v, err
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
