package rehearsal

import (
	"math"

	"stuntcell/model"
)

// Schema is the value of Rehearsal.Schema.
const Schema = "stuntcell.rehearsal/1"

// Rehearsal is what a plan does to its pack and asks of its rig, without a logger. Times are seconds since the plan began,
// charges Ah and energies Wh, since that is what people who read them think in; current into the pack is positive.
type Rehearsal struct {
	Schema   string `json:"schema"`
	Notice   string `json:"notice"`
	Scenario string `json:"scenario"`
	Summary  string `json:"summary"`
	Pack     Pack   `json:"pack"`
	Rig      Rig    `json:"rig"`
	Steps    []Step `json:"steps"`
	Total    Total  `json:"total"`
	// Store is where the energy went; nil if the plan uses no store.
	Store *Store `json:"store,omitempty"`
	Log   Log    `json:"log"`
	// Counters are those that a logger may keep and that would wrap or stall within this test.
	Counters []Counter  `json:"counters"`
	Limits   []Crossing `json:"limits"`
	Wiring   Wiring     `json:"wiring"`
	Failures []Failure  `json:"failures"`
	// Doubts are where the plan leaves the range in which the pack's figures mean anything.
	Doubts []string `json:"doubts,omitempty"`
	// Outlook is how far the figures may move; nil unless [Look] was asked.
	Outlook  *Outlook `json:"outlook,omitempty"`
	Cautions []string `json:"cautions"`
	Deferral string   `json:"deferral"`

	family model.Family
	curves curves
}

// Pack says what is tested.
type Pack struct {
	Name      string  `json:"name"`
	Chemistry string  `json:"chemistry"`
	Cells     int     `json:"cells"`
	Rated     float64 `json:"rated_Ah"`
	Nominal   float64 `json:"nominal_V"`
}

// Rig says with what it is tested.
type Rig struct {
	Name  string  `json:"name"`
	Count float64 `json:"count_A"` // current of one shunt count [A]
	Range float64 `json:"range_A"` // current at the last shunt count [A]
}

// Step is one executed step.
type Step struct {
	Number int     `json:"step"`
	Kind   string  `json:"kind"`
	What   string  `json:"what"`
	Begin  float64 `json:"begin_s"`
	End    float64 `json:"end_s"`
	Charge float64 `json:"charge_Ah"`
	Energy float64 `json:"energy_Wh"`
	MinV   float64 `json:"min_V"`
	MaxV   float64 `json:"max_V"`
	EndV   float64 `json:"end_V"`
	EndI   float64 `json:"end_A"`
	// MaxI is the largest magnitude of the current [A]; Counts are the shunt counts that it gives.
	MaxI   float64 `json:"max_A"`
	Counts float64 `json:"counts"`
	// Warmest is the highest temperature of the cells [degC].
	Warmest float64 `json:"warmest_degC"`
	Why     string  `json:"why"`
	Because string  `json:"because"`
	// Corrected is the charge that the discharge would have given at the rated current and the reference temperature [Ah], by the pack's own
	// model, and OfRated the same as a share of the rating: for a constant current from full to its end; else 0.
	Corrected float64 `json:"corrected_Ah,omitempty"`
	OfRated   float64 `json:"of_rated,omitempty"`

	level float64 // voltage that ends a discharge [V], 0 if none does
}

// Total sums the steps up.
type Total struct {
	Seconds   float64 `json:"seconds"`
	In        float64 `json:"in_Ah"`
	Out       float64 `json:"out_Ah"`
	EnergyIn  float64 `json:"in_Wh"`
	EnergyOut float64 `json:"out_Wh"`
	MinV      float64 `json:"min_V"`
	MaxV      float64 `json:"max_V"`
	MaxI      float64 `json:"max_A"`
	Warmest   float64 `json:"warmest_degC"`
}

// Store is the account of the store beside the pack [Wh]: Start + Taken = Given + Lost + Level.
type Store struct {
	Start float64 `json:"start_Wh"`
	Taken float64 `json:"taken_Wh"` // out of the pack
	Given float64 `json:"given_Wh"` // into the pack
	Lost  float64 `json:"lost_Wh"`
	Level float64 `json:"level_Wh"`
}

// Open is what the account leaves unexplained, as a share of what went through it.
func (s *Store) Open() float64 {
	return math.Abs(s.Start+s.Taken-s.Given-s.Lost-s.Level) / math.Max(s.Start+s.Taken, math.SmallestNonzeroFloat64)
}

// Log is what a logger would write: rows of about bytesPerRow.
type Log struct {
	Readings int64   `json:"readings"`
	Rows     int64   `json:"rows"`
	Bytes    int64   `json:"bytes"`
	Every    float64 `json:"every_s"`
}

// bytesPerRow is a row with a date, a tick, volts, amperes, Ah and Wh, and its line end.
const bytesPerRow = 64

// Counter is a number that runs out during the test.
type Counter struct {
	What string `json:"what"`
	// At holds when, at most the first ten times [s]; Times how often in all.
	At    []float64 `json:"at_s"`
	Times int64     `json:"times"`
	Mend  string    `json:"mend"`
}

// Crossing is a limit that the test crosses.
type Crossing struct {
	Part  string  `json:"part"`
	What  string  `json:"what"`
	Limit float64 `json:"limit"`
	Value float64 `json:"value"` // the worst
	Unit  string  `json:"unit"`
	Since float64 `json:"since_s"` // first time
	For   float64 `json:"for_s"`   // in all
	Note  string  `json:"note"`
}

// Failure is what keeps running when one thing fails.
type Failure struct {
	Step int    `json:"step"`
	If   string `json:"if"`
	Then string `json:"then"`
}
