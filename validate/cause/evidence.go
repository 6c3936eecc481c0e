package cause

import (
	"stuntcell/emulator"
	"stuntcell/validate/logfile"
)

// Value is a column of momentary values beside how far it lies outside the envelope of its readings.
type Value struct {
	Column   *logfile.Column
	Residual []float64 // 0 inside; NaN without a value
	Sign     float64   // the column's own
	Count    float64   // one count [V, A, W]
	OK       bool
}

// Spacing is how the rows stand in time. Indices of rows are of data rows, of readings where named so; -1 is none.
type Spacing struct {
	Log            float64 // [s]
	Due, Written   int
	Total, Off     int     // spacings, and those that are off
	Median         float64 // [s]
	TooFew, TooOff bool

	FirstBad, BadFrom, BadTo        int // first spacing that is off, with its readings
	Missing, MissingFrom, MissingTo int
	MissingRows, Tail               int // rows missing, and those of them after the last row
	Duplicate, Duplicates           int
	Disordered, Disorders           int
	Broken, Brokens                 int // Broken is an index into Record.Rows
	BrokenText, BrokenExpected      string
	NotNumber, NotNumbers           int    // first data row, and how many, with nan where a number was due
	NotNumberColumn                 string // header of the first
	Barren                          bool   // no column of volts, amperes, watts, Ah or Wh can be read
}

// Cutoff is how a step that hands over the cutoff was ended.
type Cutoff struct {
	Step              *emulator.StepRun
	Level, Hold       float64 // [V], [s]
	HasOff            bool
	Off               int     // reading at which the logger switched off
	OffT              float64 // [s]
	Due               int     // first reading that fits level and hold, -1 none
	FirstBelow        int
	Low               float64 // lowest reading up to the stop [V]
	LowAt             int
	Drop              float64 // lead drop and burden at the last current [V]
	NeverBelow, Early bool
	Chatter           int // times switched on again
	OnAgain           int
	AfterCut          bool    // ... after a power cut that came after the stop
	BadEnd            int     // first good reading after the longest stretch of failed ones
	Over, Limit       float64 // [A·s]
	PerReading        float64 // [A·s]
	BadSpan           float64 // longest stretch of failed readings [s]
	LeftOn            bool
	Bad               bool
}

// ChargeEnd is how a charge that the logger ends was ended.
type ChargeEnd struct {
	Step                    *emulator.StepRun
	Level, Taper            float64 // [V], [A]
	Off                     int
	Due, DueLate            int // first reading at which a stop is not early (-1 none), and from which it is late (0 none)
	MaxV, MinI              float64
	Over, Limit, PerReading float64
	Early, Bad              bool
}

// Restart is how totals went on after a power cut.
type Restart struct {
	Life   int16
	Row    int // first data row after it
	Column *Column
	First  float64 // what it went on from [A·s, W·s]
	Low    float64 // what it may go on from
	High   float64
	Before float64 // last total of the log before the cut
	Bad    bool
}
