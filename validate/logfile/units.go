package logfile

import "strings"

// unit is a unit of measure: what it measures and what one of it is in SI.
type unit struct {
	name   string // canonical
	of     quantity
	scale  float64
	offset float64
}

// quantity is what a unit or a word measures.
type quantity uint8

const (
	none quantity = iota
	voltage
	current
	power
	charge
	energy
	temperature
	duration
	counts // ticks of unknown length
	unjudged
)

const (
	hour = 3600.0
	day  = 86400.0
)

// lookUnit finds a unit by how people write it. Case matters only where it tells units apart. The letter C is returned as
// coulomb; words of temperature make it degrees.
func lookUnit(s string) (unit, bool) {
	s = unitSigns.Replace(s)
	if s == "" || len(s) > 24 {
		return unit{}, false
	}
	if strings.IndexByte(s, '.') >= 0 {
		s = strings.ReplaceAll(s, ".", "")
	}
	if u, ok := exactUnit(s); ok {
		return u, true
	}
	return foldedUnit(strings.ToLower(foldAccents(s)))
}

func exactUnit(s string) (unit, bool) {
	switch s {
	case "V":
		return unit{"V", voltage, 1, 0}, true
	case "mV":
		return unit{"mV", voltage, 1e-3, 0}, true
	case "uV":
		return unit{"uV", voltage, 1e-6, 0}, true
	case "kV":
		return unit{"kV", voltage, 1e3, 0}, true
	case "A":
		return unit{"A", current, 1, 0}, true
	case "mA":
		return unit{"mA", current, 1e-3, 0}, true
	case "uA":
		return unit{"uA", current, 1e-6, 0}, true
	case "W", "VA":
		return unit{"W", power, 1, 0}, true
	case "mW":
		return unit{"mW", power, 1e-3, 0}, true
	case "uW":
		return unit{"uW", power, 1e-6, 0}, true
	case "kW":
		return unit{"kW", power, 1e3, 0}, true
	case "Ah":
		return unit{"Ah", charge, hour, 0}, true
	case "mAh":
		return unit{"mAh", charge, 3.6, 0}, true
	case "uAh":
		return unit{"uAh", charge, 3.6e-3, 0}, true
	case "As", "C":
		return unit{"A·s", charge, 1, 0}, true
	case "mAs", "mC":
		return unit{"mA·s", charge, 1e-3, 0}, true
	case "uAs", "uC":
		return unit{"uA·s", charge, 1e-6, 0}, true
	case "kAs", "kC":
		return unit{"kA·s", charge, 1e3, 0}, true
	case "kAh":
		return unit{"kAh", charge, hour * 1e3, 0}, true
	case "Wh":
		return unit{"Wh", energy, hour, 0}, true
	case "mWh":
		return unit{"mWh", energy, 3.6, 0}, true
	case "uWh":
		return unit{"uWh", energy, 3.6e-3, 0}, true
	case "kWh":
		return unit{"kWh", energy, hour * 1e3, 0}, true
	case "Ws", "J":
		return unit{"W·s", energy, 1, 0}, true
	case "mWs", "mJ":
		return unit{"mW·s", energy, 1e-3, 0}, true
	case "kWs", "kJ":
		return unit{"kW·s", energy, 1e3, 0}, true
	case "MWs", "MJ":
		return unit{"MW·s", energy, 1e6, 0}, true
	case "K":
		return unit{"K", temperature, 1, 0}, true
	case "°C", "degC", "℃":
		return unit{"degC", temperature, 1, 273.15}, true
	case "°F", "degF", "℉":
		return unit{"degF", temperature, 5.0 / 9, 273.15 - 32*5.0/9}, true
	case "m°C", "mdeg", "mdegC":
		return unit{"mdegC", temperature, 1e-3, 273.15}, true
	case "%", "ohm", "mohm", "Hz", "rpm", "dB", "dBm", "ppm", "uohm", "kHz", "MHz", "kohm", "F", "mF":
		return unit{s, unjudged, 1, 0}, true
	}
	return unit{}, false
}

// foldedUnit finds a unit written in words or without regard to case; s is in lower case and without accents.
func foldedUnit(s string) (unit, bool) {
	s = tickWord(s)
	switch s {
	case "v", "volt", "volts", "voltios", "voltio":
		return exactUnit("V")
	case "mv", "millivolt", "millivolts":
		return exactUnit("mV")
	case "uv", "microvolt", "microvolts":
		return exactUnit("uV")
	case "a", "amp", "amps", "ampere", "amperes", "amperios", "amperio":
		return exactUnit("A")
	case "ma", "milliamp", "milliamps", "milliampere", "milliamperes":
		return exactUnit("mA")
	case "ua", "microamp", "microamps", "microampere", "microamperes":
		return exactUnit("uA")
	case "w", "watt", "watts", "vatios", "vatio":
		return exactUnit("W")
	case "mw", "milliwatt", "milliwatts":
		return exactUnit("mW")
	case "kw", "kilowatt", "kilowatts":
		return exactUnit("kW")
	case "ah", "a-h", "a/h", "amphour", "amphours", "amp-hours", "amp-hour", "amperehour", "amperehours", "ampere-hours", "amperestunden", "amperestunde", "ampereheure", "ampereheures", "amperiohora", "amperioshora", "amperehoras":
		return exactUnit("Ah")
	case "mah", "ma-h", "milliamphours", "milliamphour", "milliampere-hours", "milliamperestunden", "milliamp-hours", "milliamperehours":
		return exactUnit("mAh")
	case "uah":
		return exactUnit("uAh")
	case "as", "asec", "a-s", "ampsec", "ampseconds", "ampereseconds", "amperesekunden", "coulomb", "coulombs", "culombios", "culombio":
		return exactUnit("As")
	case "mas":
		return exactUnit("mAs")
	case "wh", "w-h", "w/h", "watthour", "watthours", "watt-hours", "watt-hour", "wattstunden", "wattstunde", "wattheure", "wattheures", "vatiohora", "vatioshora":
		return exactUnit("Wh")
	case "mwh", "milliwatthours", "milliwatthour":
		return exactUnit("mWh")
	case "uwh":
		return exactUnit("uWh")
	case "kwh", "kilowatthours", "kilowatthour", "kilowattstunden":
		return exactUnit("kWh")
	case "ws", "wsec", "w-s", "j", "joule", "joules", "julios", "wattsekunden", "wattseconds":
		return exactUnit("Ws")
	case "kj":
		return exactUnit("kJ")
	case "mj":
		return exactUnit("mJ")
	case "°c", "degc", "grad", "gradc", "celsius", "degcelsius", "deg":
		return exactUnit("°C")
	case "°f", "degf", "fahrenheit":
		return exactUnit("°F")
	case "kelvin":
		return exactUnit("K")
	case "s", "sec", "secs", "second", "seconds", "sek", "sekunde", "sekunden", "seconde", "secondes", "seg", "segundo", "segundos":
		return unit{"s", duration, 1, 0}, true
	case "ms", "msec", "msecs", "milli", "millisec", "millisecond", "milliseconds", "millisekunden", "millisecondes", "milisegundos":
		return unit{"ms", duration, 1e-3, 0}, true
	case "us", "usec", "usecs", "micro", "microsec", "microsecond", "microseconds", "mikrosekunden", "microsecondes", "microsegundos":
		return unit{"us", duration, 1e-6, 0}, true
	case "ns", "nsec", "nanos", "nanoseconds":
		return unit{"ns", duration, 1e-9, 0}, true
	case "min", "mins", "minute", "minutes", "minuten", "minutos", "minuto", "mn":
		return unit{"min", duration, 60, 0}, true
	case "h", "hr", "hrs", "hour", "hours", "std", "stunde", "stunden", "heures", "horas":
		return unit{"h", duration, hour, 0}, true
	case "d", "day", "days", "tage", "jours", "dias":
		return unit{"d", duration, day, 0}, true
	case "tick", "ticks":
		return unit{"", counts, 0, 0}, true
	case "percent", "prozent", "pourcent":
		return exactUnit("%")
	}
	return unit{}, false
}

// tickWord takes the plural from the names that firmware gives its millisecond and microsecond counters.
func tickWord(s string) string {
	if one, ok := strings.CutSuffix(s, "s"); ok && (one == "milli" || one == "micro") {
		return one
	}
	return s
}

// foldAccents writes the letters of the languages that are read without their accents, and umlauts as plain vowels.
func foldAccents(s string) string {
	ascii := true
	for i := 0; i < len(s); i++ {
		ascii = ascii && s[i] < 0x80
	}
	if ascii {
		return s
	}
	return accents.Replace(s)
}

var unitSigns = strings.NewReplacer("µ", "u", "μ", "u", "·", "", "⋅", "", "*", "", " ", "", "\u00a0", "", "º", "°", "Ω", "ohm")

var accents = strings.NewReplacer("à", "a", "á", "a", "â", "a", "ä", "a", "ã", "a", "ç", "c", "è", "e", "é", "e", "ê", "e", "ë", "e",
	"ì", "i", "í", "i", "î", "i", "ï", "i", "ñ", "n", "ò", "o", "ó", "o", "ô", "o", "ö", "o", "õ", "o", "ù", "u", "ú", "u", "û", "u", "ü", "u", "ß", "ss",
	"ą", "a", "å", "a", "æ", "ae", "ę", "e", "ě", "e", "ł", "l", "ø", "o", "ś", "s", "š", "s", "ý", "y", "č", "c", "ů", "u", "Ł", "L", "Č", "C", "Ø", "O", "Å", "A", "Š", "S",
	"À", "A", "Á", "A", "Â", "A", "Ä", "A", "Ç", "C", "È", "E", "É", "E", "Ê", "E", "Í", "I", "Î", "I", "Ñ", "N", "Ó", "O", "Ô", "O", "Ö", "O", "Ú", "U", "Û", "U", "Ü", "U",
	"a\u0308", "a", "o\u0308", "o", "u\u0308", "u", "e\u0301", "e", "e\u0300", "e", "o\u0301", "o", "i\u0301", "i", "n\u0303", "n",
	"A\u0308", "A", "E\u0301", "E", "№", "no")
