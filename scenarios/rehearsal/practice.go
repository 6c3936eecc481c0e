package rehearsal

// The tables of this file are common practice, from memory, and on the careful side: they are there to catch a plan that is
// off by a factor, not to size an installation. Local codes and the maker's data come first, and every output says so.

// PracticeStatus is printed beside each figure of these tables.
const PracticeStatus = "common practice, from memory; local codes and the maker's data come first"

// A wireRow is a copper cross-section and the current that is carried by it in free air without getting warm enough to matter.
type wireRow struct {
	area float64 // [mm²]
	amps float64 // [A]
}

// wires lists stranded copper in free air, plastic insulation, short runs: common practice, from memory.
func wires() []wireRow {
	return []wireRow{
		{0.5, 3}, {0.75, 6}, {1, 8}, {1.5, 12}, {2.5, 18}, {4, 25}, {6, 34}, {10, 48}, {16, 65}, {25, 88}, {35, 110}, {50, 140},
		{70, 175}, {95, 215},
	}
}

// fuses lists the usual ratings of blade and bolt-down fuses for direct current [A]: common practice, from memory.
func fuses() []float64 {
	return []float64{1, 2, 3, 5, 7.5, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125, 150, 200, 250}
}

// Wiring says what the wiring of a test has to carry.
type Wiring struct {
	// Amps is the largest current of the test [A].
	Amps float64 `json:"amps_A"`
	// Area is the smallest copper cross-section of the table that carries it with a quarter in reserve [mm²]; 0: none does.
	Area float64 `json:"copper_mm2"`
	// Fuse is the smallest usual fuse that holds it with a quarter in reserve [A]; 0: none does.
	Fuse float64 `json:"fuse_A"`
	// Connector is what connectors and relay contacts must be rated for, direct current [A].
	Connector float64 `json:"connector_A"`
	// Status says how far to trust these figures.
	Status string `json:"status"`
}

// reserve is the share by which wire, fuse and connector exceed the largest steady current: common practice, a fuse is loaded
// to at most 80 % of its rating.
const reserve = 1.25

// WiringFor returns what the tables say for the largest current of a test [A]. The wire carries the fuse's rating, so that the
// fuse protects it.
func WiringFor(amps float64) Wiring {
	w := Wiring{Amps: amps, Connector: amps * reserve, Status: PracticeStatus}
	for _, f := range fuses() {
		if f >= amps*reserve {
			w.Fuse = f
			break
		}
	}
	if w.Fuse == 0 {
		return w
	}
	for _, r := range wires() {
		if r.amps >= w.Fuse {
			w.Area = r.area
			break
		}
	}
	return w
}

// Limits of common practice that are compared with the course of a test.
const (
	// shuntShare of its rating is what a shunt should carry for longer than a moment.
	shuntShare = 2.0 / 3
	// arcVolts is the direct voltage above which an ordinary relay's contact may not break the arc [V].
	arcVolts = 30
	// touchVolts is the direct voltage above which touching is dangerous [V].
	touchVolts = 60
)
