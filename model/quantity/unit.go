package quantity

import "strings"

// Kind is what a quantity measures.
type Kind uint8

// The kinds, with the SI unit of [Value.SI].
const (
	Current          Kind = iota + 1 // A
	Voltage                          // V
	Resistance                       // ohm
	Time                             // s
	Charge                           // A·s
	Energy                           // W·s
	Power                            // W
	Frequency                        // Hz
	Temperature                      // K, absolute ("25 degC", "298 K")
	Difference                       // K, between two temperatures ("5 K")
	Ratio                            // 1 ("0.2 %", "-40 ppm", "1.5 x")
	Rate                             // multiples of the rated capacity an hour ("0.2 C"); a pack makes amperes of it
	CellVoltage                      // V a cell in series ("1.75 V/cell"); a pack makes volts of it
	RatioPerKelvin                   // 1/K ("50 ppm/K", "0.6 %/K")
	RatioPerKelvin2                  // 1/K² ("-0.035 ppm/K2")
	VoltagePerKelvin                 // V/K ("-3 mV/K")
	RatioPerTime                     // 1/s ("3 %/month")
	VoltagePerTime                   // V/s ("5 uV/day")
	HeatResistance                   // K/W
	HeatCapacity                     // J/K
)

// unit is one accepted unit: SI = number·mul/div + add. Two factors keep decimal prefixes correctly rounded.
type unit struct {
	name     string
	kind     Kind
	mul, div float64
	add      float64
}

func (u unit) toSI(x float64) float64   { return x*u.mul/u.div + u.add }
func (u unit) fromSI(x float64) float64 { return (x - u.add) * u.div / u.mul }

const (
	day   = 86400
	month = 30 * day // what ratings of self-discharge mean by a month, common practice
)

// units lists every unit; the first of a kind is its SI unit, the second (if named in usual) what people write.
var units = [...]unit{
	{"A", Current, 1, 1, 0}, {"mA", Current, 1, 1e3, 0}, {"uA", Current, 1, 1e6, 0}, {"kA", Current, 1e3, 1, 0},
	{"V", Voltage, 1, 1, 0}, {"mV", Voltage, 1, 1e3, 0}, {"uV", Voltage, 1, 1e6, 0}, {"nV", Voltage, 1, 1e9, 0}, {"kV", Voltage, 1e3, 1, 0},
	{"ohm", Resistance, 1, 1, 0}, {"mohm", Resistance, 1, 1e3, 0}, {"uohm", Resistance, 1, 1e6, 0}, {"nohm", Resistance, 1, 1e9, 0},
	{"kohm", Resistance, 1e3, 1, 0}, {"Mohm", Resistance, 1e6, 1, 0},
	{"s", Time, 1, 1, 0}, {"ms", Time, 1, 1e3, 0}, {"us", Time, 1, 1e6, 0}, {"ns", Time, 1, 1e9, 0},
	{"min", Time, 60, 1, 0}, {"h", Time, 3600, 1, 0}, {"d", Time, day, 1, 0},
	{"As", Charge, 1, 1, 0}, {"Ah", Charge, 3600, 1, 0}, {"mAh", Charge, 3600, 1e3, 0}, {"uAh", Charge, 3600, 1e6, 0}, {"kAh", Charge, 3600e3, 1, 0},
	{"Ws", Energy, 1, 1, 0}, {"Wh", Energy, 3600, 1, 0}, {"mWh", Energy, 3600, 1e3, 0}, {"kWh", Energy, 3600e3, 1, 0}, {"J", Energy, 1, 1, 0}, {"kJ", Energy, 1e3, 1, 0},
	{"W", Power, 1, 1, 0}, {"mW", Power, 1, 1e3, 0}, {"kW", Power, 1e3, 1, 0},
	{"Hz", Frequency, 1, 1, 0}, {"mHz", Frequency, 1, 1e3, 0}, {"kHz", Frequency, 1e3, 1, 0}, {"MHz", Frequency, 1e6, 1, 0},
	{"K", Temperature, 1, 1, 0}, {"degC", Temperature, 1, 1, 273.15}, {"degF", Temperature, 5, 9, 459.67 * 5 / 9},
	{"K", Difference, 1, 1, 0}, {"mK", Difference, 1, 1e3, 0},
	{"x", Ratio, 1, 1, 0}, {"%", Ratio, 1, 1e2, 0}, {"ppm", Ratio, 1, 1e6, 0}, {"ppb", Ratio, 1, 1e9, 0},
	{"C", Rate, 1, 1, 0},
	{"V/cell", CellVoltage, 1, 1, 0}, {"mV/cell", CellVoltage, 1, 1e3, 0},
	{"x/K", RatioPerKelvin, 1, 1, 0}, {"%/K", RatioPerKelvin, 1, 1e2, 0}, {"ppm/K", RatioPerKelvin, 1, 1e6, 0},
	{"x/K2", RatioPerKelvin2, 1, 1, 0}, {"ppm/K2", RatioPerKelvin2, 1, 1e6, 0},
	{"V/K", VoltagePerKelvin, 1, 1, 0}, {"mV/K", VoltagePerKelvin, 1, 1e3, 0}, {"uV/K", VoltagePerKelvin, 1, 1e6, 0},
	{"x/s", RatioPerTime, 1, 1, 0}, {"%/month", RatioPerTime, 1, 1e2 * month, 0}, {"%/day", RatioPerTime, 1, 1e2 * day, 0},
	{"ppm/s", RatioPerTime, 1, 1e6, 0},
	{"V/s", VoltagePerTime, 1, 1, 0}, {"mV/s", VoltagePerTime, 1, 1e3, 0}, {"uV/day", VoltagePerTime, 1, 1e6 * day, 0}, {"uV/h", VoltagePerTime, 1, 1e6 * 3600, 0},
	{"K/W", HeatResistance, 1, 1, 0},
	{"J/K", HeatCapacity, 1, 1, 0}, {"kJ/K", HeatCapacity, 1e3, 1, 0},
}

// spellings are other ways to write a unit, each read as the unit beside it.
var spellings = [...]struct{ from, to string }{
	{"Ω", "ohm"}, {"mΩ", "mohm"}, {"µΩ", "uohm"}, {"kΩ", "kohm"}, {"ohms", "ohm"}, {"µV", "uV"}, {"µA", "uA"}, {"µs", "us"},
	{"μV", "uV"}, {"μA", "uA"}, {"μs", "us"}, {"°C", "degC"}, {"°F", "degF"}, {"sec", "s"}, {"hours", "h"}, {"hour", "h"}, {"days", "d"},
	{"day", "d"}, {"minutes", "min"}, {"A·s", "As"}, {"W·s", "Ws"},
}

var kindWords = [...]struct{ name, example, usual string }{
	Current: {"a current", "1.44 A", "A"}, Voltage: {"a voltage", "75 mV", "V"}, Resistance: {"a resistance", "1.5 mohm", "ohm"},
	Time: {"a time", "20 h", "s"}, Charge: {"a charge", "7 Ah", "Ah"}, Energy: {"an energy", "80 Wh", "Wh"}, Power: {"a power", "60 W", "W"},
	Frequency: {"a frequency", "1000 Hz", "Hz"}, Temperature: {"a temperature", "25 degC", "degC"}, Difference: {"a temperature difference", "5 K", "K"},
	Ratio: {"a ratio", "0.2 %", "%"}, Rate: {"a rate", "0.2 C", "C"}, CellVoltage: {"a voltage per cell", "1.75 V/cell", "V/cell"},
	RatioPerKelvin: {"a temperature coefficient", "50 ppm/K", "ppm/K"}, RatioPerKelvin2: {"a squared temperature coefficient", "-0.035 ppm/K2", "ppm/K2"},
	VoltagePerKelvin: {"a voltage per kelvin", "-3 mV/K", "mV/K"}, RatioPerTime: {"a share per time", "3 %/month", "%/month"},
	VoltagePerTime: {"a voltage per time", "5 uV/day", "uV/day"}, HeatResistance: {"a thermal resistance", "4 K/W", "K/W"},
	HeatCapacity: {"a heat capacity", "900 J/K", "J/K"},
}

// String names the kind with its article: "a current".
func (k Kind) String() string {
	if int(k) >= len(kindWords) || k == 0 {
		return "a quantity"
	}
	return kindWords[k].name
}

// Unit is the SI unit of the kind as it is written in files.
func (k Kind) Unit() string {
	for _, u := range units {
		if u.kind == k {
			return u.name
		}
	}
	return ""
}

// Units lists the units that a file may use for the kind, the SI unit first.
func (k Kind) Units() []string {
	var names []string
	for _, u := range units {
		if u.kind == k {
			names = append(names, u.name)
		}
	}
	return names
}

// Example is a text that reads as a quantity of the kind.
func (k Kind) Example() string {
	if int(k) >= len(kindWords) || k == 0 {
		return "1.44 A"
	}
	return kindWords[k].example
}

func (k Kind) usual() string {
	if int(k) >= len(kindWords) || k == 0 {
		return ""
	}
	return kindWords[k].usual
}

// findUnitOf finds a unit by its name or another spelling among the kinds, or among all if there are none.
func findUnitOf(word string, kinds []Kind) (unit, bool) {
	for _, s := range spellings {
		if s.from == word {
			word = s.to
		}
	}
	for _, u := range units {
		if u.name == word && (len(kinds) == 0 || contains(kinds, u.kind)) {
			return u, true
		}
	}
	return unit{}, false
}

// examples words one example of each kind.
func examples(kinds []Kind) string {
	if len(kinds) == 0 {
		return "such as 1.44 A"
	}
	var list []string
	for _, k := range kinds {
		list = append(list, k.Example())
	}
	return "such as " + strings.Join(list, " or ")
}

func kindList(kinds []Kind) string {
	var list []string
	for _, k := range kinds {
		list = append(list, k.String())
	}
	return strings.Join(list, " or ")
}

// likely explains the mix-ups that people make between neighbouring units.
func likely(word string, kinds []Kind) string {
	switch {
	case word == "C" && contains(kinds, Temperature):
		return "C is a rate; write degC for a temperature"
	case word == "degC" && contains(kinds, Rate):
		return "degC is a temperature; write C for a rate"
	case (word == "A" || word == "mA") && contains(kinds, Charge):
		return word + "h?"
	case (word == "Ah" || word == "mAh") && contains(kinds, Current):
		return word[:len(word)-1] + "?"
	case (word == "W" || word == "kW") && contains(kinds, Energy):
		return word + "h?"
	case (word == "Wh" || word == "kWh") && contains(kinds, Power):
		return word[:len(word)-1] + "?"
	case word == "degC" && contains(kinds, Difference):
		return "a difference is written in K"
	case word == "V" && contains(kinds, CellVoltage):
		return "V/cell?"
	}
	return ""
}

// nearestUnit is the unit of the kinds whose name is nearest to word, empty if none is near.
func nearestUnit(word string, kinds []Kind) string {
	var names []string
	for _, u := range units {
		if len(kinds) == 0 || contains(kinds, u.kind) {
			names = append(names, u.name)
		}
	}
	for _, n := range names {
		if strings.EqualFold(n, word) {
			return n
		}
	}
	return Nearest(word, names)
}

// findUnitFor prefers a unit of the wanted kinds (K is a temperature and a difference) and falls back to any.
func findUnitFor(word string, kinds []Kind) (unit, bool) {
	if u, ok := findUnitOf(word, kinds); ok {
		return u, true
	}
	return findUnitOf(word, nil)
}
