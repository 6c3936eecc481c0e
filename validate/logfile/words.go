package logfile

import (
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"
)

// aspect is what a word says about time columns and columns that hold no measured quantity.
type aspect uint8

const (
	plain       aspect = iota
	elapsedTime        // certainly a duration
	upTime             // since power-up: a duration or ticks
	dateOnly
	timeOfDay
	wholeStamp // date and time
	unixTime
	tickCount
	rowIndex
	phaseName
)

// meaning is what a header says.
type meaning struct {
	of        quantity
	aspect    aspect
	unit      unit
	hasUnit   bool
	numbered  bool // a channel was said
	channel   int
	direction int8
	// mayBeIn says that a word may say the direction or not: "charge" as the opposite of a discharge column, "in" before a unit.
	mayBeIn bool
	perStep bool
	beside  bool // of a panel, the mains: gives way to any column of the battery
	weak    bool // a minimum, a maximum, a cell: gives way to a plain column of the kind
	vague   bool // some of its words are unknown: likewise
	order   dateOrder
	// twoParts says what 12:34 means.
	twoParts twoParts
	ofRow    bool // nothing but the word for a channel
	ignored  bool // a limit, a setting, a state of charge: not a measured quantity of the pack
	clash    bool // word and unit contradict each other
}

// twoParts says what the numbers of 12:34 are.
type twoParts uint8

const (
	unsaid twoParts = iota
	hoursMinutes
	minutesSeconds
)

// known says that the header says something that is judged.
func (m *meaning) known() bool {
	return !m.ignored && !m.clash && (m.of != none && m.of != unjudged || m.aspect != plain)
}

// word is an entry of the dictionary.
type word struct {
	of        quantity
	aspect    aspect
	direction int8
	flag      wordFlag
}

type wordFlag uint16

const (
	chargeOrIn  wordFlag = 1 << iota // the word for charge, which beside another quantity means the direction
	channelWord                      // a number behind it is a channel
	weakWord
	ignoredWord
	neutralWord // says nothing but is known
	shuntWord
	perStepWord
	besideWord // of a source or a load beside the battery
	totalWord  // alone it names a total of charge
	rowWord    // alone it names the channel that a row is of
)

// lookWord finds a header word of one of the languages (whole dictionaries of four, what a log needs of some more), in lower case without accents.
func lookWord(s string) (word, bool) {
	switch s {
	case "voltage", "voltages", "spannung", "tension", "voltaje", "u", "vdc", "potential",
		"spanning", "tensione", "tensao", "napiecie", "napeti", "spaending", "spenning":
		return word{of: voltage}, true
	case "current", "currents", "strom", "courant", "corriente", "intensidad", "intensite", "i", "amperage", "stromstarke", "stromstaerke", "amperaje",
		"stroom", "corrente", "prad", "proud":
		return word{of: current}, true
	case "power", "leistung", "puissance", "potencia", "p", "vermogen", "potenza", "effekt", "moc", "vykon":
		return word{of: power}, true
	case "charge", "ladung", "carga", "lading", "carica", "laddning", "ladning":
		return word{of: charge, flag: chargeOrIn}, true
	case "capacity", "kapazitat", "kapazitaet", "capacite", "capacidad", "q", "cap", "capaciteit", "capacidade", "kapacitet", "pojemnosc", "kapacita", "ladunek", "naboj", "ladungsmenge", "elektrizitatsmenge", "ladungssumme":
		return word{of: charge}, true
	case "energy", "energie", "energia", "arbeit", "e", "energiemenge", "energi":
		return word{of: energy}, true
	case "temperature", "temp", "temperatur", "temperatura", "temperatuur", "teplota", "temperatures", "tcell", "tbat", "tamb", "tbatt":
		return word{of: temperature}, true
	case "time", "zeit", "temps", "tiempo", "t", "tijd", "tempo", "czas", "tid", "cas":
		return word{of: duration}, true
	case "elapsed", "duration", "dauer", "duree", "duracion", "runtime", "laufzeit", "transcurrido", "ecoule", "vergangen", "verstrichen",
		"verstreken", "looptijd", "duur", "durata", "trascorso", "duracao", "decorrido", "testzeit", "messzeit", "testtime", "messdauer", "versuchszeit", "since", "seit", "depuis", "desde":
		return word{of: duration, aspect: elapsedTime}, true
	case "uptime", "betriebszeit":
		return word{of: duration, aspect: upTime}, true
	case "date", "datum", "fecha", "jour", "dia", "tag", "data":
		return word{of: duration, aspect: dateOnly}, true
	case "uhrzeit", "clock", "heure", "hora", "ora", "godzina", "klokslag", "tod", "uhr", "daytime":
		return word{of: duration, aspect: timeOfDay}, true
	case "datetime", "timestamp", "timestamps", "stamp", "zeitstempel", "horodatage", "rtc", "utc", "gmt", "iso", "localtime", "zeitpunkt", "walltime":
		return word{of: duration, aspect: wholeStamp}, true
	case "unix", "epoch", "unixtime", "posix", "epoche", "unixzeit":
		return word{of: duration, aspect: unixTime}, true
	case "tick", "ticks", "tic", "systick", "tickcount", "tickcounter":
		return word{of: duration, aspect: tickCount}, true
	case "index", "idx", "row", "nr", "no", "num", "number", "line", "sample", "record", "rec", "seq", "sequence", "id", "zeile", "ligne", "fila",
		"linea", "n", "#", "lfd", "item", "muestra", "registro", "messung", "point", "count", "zeilennummer", "laufnummer", "numero", "entry", "n°":
		return word{aspect: rowIndex}, true
	case "phase", "mode", "state", "status", "step", "schritt", "modus", "zustand", "etape", "estado", "etat", "paso", "fase", "stage", "cycle",
		"zyklus", "ciclo", "modo", "activity", "stat":
		return word{aspect: phaseName, flag: perStepWord}, true
	case "today", "daily", "heute", "taglich", "hoy", "diario", "oggi", "giornaliero", "vandaag", "idag":
		return word{flag: perStepWord}, true
	case "charged":
		return word{direction: 1, flag: totalWord}, true
	case "discharge", "discharged", "entladung", "decharge", "descarga", "ontlading", "scarica", "urladdning":
		return word{direction: -1, flag: totalWord}, true
	case "in", "into", "charging", "chg", "chrg", "lade", "laden", "geladen", "cargado", "cargada", "charged+", "import", "imported", "received", "pos",
		"plus", "positive", "positiv", "ein", "rein", "hinein", "aufgenommen", "eingeladen", "entrada", "entree", "absorbed", "chargee", "einspeisung", "chgd":
		return word{direction: 1}, true
	case "out", "discharging", "dis", "dchg", "dsg", "disch", "dsch", "dischg", "entlade", "entladen", "dechargee", "descargado", "descargada", "export", "exported", "used", "consumed", "drawn", "delivered", "neg",
		"minus", "negative", "negativ", "aus", "raus", "heraus", "abgegeben", "entnommen", "entnahme", "salida", "sortie", "soutiree", "removed",
		"supplied", "consumption", "dsgd", "dchgd", "load", "last", "verbrauch":
		return word{direction: -1}, true
	case "ch", "channel", "kanal", "canal", "voie", "chan", "sensor", "port":
		return word{flag: channelWord | rowWord}, true
	case "bat", "batt", "battery", "akku", "batterie", "bateria", "pack", "bus", "akkumulator", "accu", "klemmen", "terminal", "accumulator":
		return word{flag: channelWord | neutralWord}, true
	case "shunt":
		return word{flag: shuntWord | channelWord}, true
	case "min", "max", "peak", "minimum", "maximum", "mini", "maxi", "cell", "zelle", "celda", "cellule", "cells", "kleinste", "hochste":
		return word{flag: weakWord | channelWord}, true
	case "pv", "solar", "panel", "mppt", "grid", "mains", "netz", "inverter", "wechselrichter", "yield", "ertrag":
		return word{flag: weakWord | besideWord}, true
	case "soc", "dod", "soh", "set", "setpoint", "target", "limit", "cutoff", "soll", "sollwert", "consigne", "consigna", "remaining", "rest",
		"restante", "nominal", "rated", "nenn", "ref", "reference", "delta", "diff", "difference", "error", "err", "flag", "flags", "resistance",
		"r", "ri", "esr", "impedance", "widerstand", "resistencia", "rate", "gain", "offset", "crc", "checksum", "xor", "chk", "cs", "crc8", "crc16", "pruefsumme", "prufsumme", "rssi", "duty", "pwm", "fan",
		"ladezustand", "threshold", "schwelle", "relay", "relais", "restkapazitat", "ripple", "raw", "roh", "adc", "counts", "dt", "interval",
		"intervall", "intervalo", "intervalle", "period", "periode", "periodo", "latency", "delay", "timeout", "restzeit", "eta", "left", "age", "ac", "speed",
		"altitude", "humidity", "pressure", "restlaufzeit", "ttg", "go":
		return word{flag: ignoredWord}, true
	case "net", "netto", "neto", "neta", "nette", "solde", "saldo", "balance", "bilanz", "total", "totale", "gesamt", "summe", "sum", "sums", "suma",
		"avg", "average", "mean", "mittel", "mittelwert", "moyenne", "moyen", "media", "medio", "the", "of", "de", "du", "der", "la", "le", "und", "and",
		"et", "y", "value", "wert", "valeur", "valor", "measured", "gemessen", "log", "main", "actual", "ist", "istwert", "dc", "filtered", "cum",
		"cumulative", "kumuliert", "cumule", "acc", "accumulated", "acumulada", "acumulado", "local", "real", "sys", "system", "en", "des", "d", "l",
		"electric", "elektrisch", "electrique", "electrica", "rounded", "test", "full", "seconds", "iso8601", "rfc3339", "counter":
		return word{flag: neutralWord}, true
	}
	return word{}, false
}

// readHeader understands one header cell in English, German, French or Spanish. A unit in brackets, behind a slash or in the
// name decides over the words.
func readHeader(text string) meaning {
	var r headerReader
	text = strings.Trim(strings.TrimSpace(text), "\"'")
	if len(text) > 200 {
		return meaning{channel: 1}
	}
	text = headerSigns.Replace(validText(text))
	r.whole(strings.TrimSpace(text))
	return r.finish()
}

var headerSigns = strings.NewReplacer("µ", "u", "μ", "u", "\u00a0", " ", "\u202f", " ", "\u2212", "-")

// validText takes what is not UTF-8 as Latin-1, which older tools still write.
func validText(s string) string {
	if utf8.ValidString(s) {
		return s
	}
	r := make([]rune, len(s))
	for i := range len(s) {
		r[i] = rune(s[i])
	}
	return string(r)
}

// headerReader gathers what the parts of a header say.
type headerReader struct {
	m       meaning
	words   []word
	units   []unit
	mins    int  // the token "min", which is a unit of time or a minimum
	big     bool // "T" alone, which is temperature unless something says time
	unknown int  // tokens that say nothing to us
	tems    bool // "temps", which is French for time unless the unit is a temperature
}

// foreign finds units of what is no battery's, whose letters would be read as hours, metres or watts: of speed, pressure, irradiance, consumption.
var foreign = regexp.MustCompile(`(?i)(^|[^a-z])(k?m|mi|nm|kn|ft|l|ml|gal)\s?/\s?(h|hr|s|min)([^a-z]|$)|(^|[^a-z])(kmh|kph|mph|hpa|kpa|mbar)([^a-z]|$)|[a-z]\s?/\s?(m2|m²|m\^2|km|mi|100 ?km|kg|cm2|cm²)([^a-z0-9]|$)`)

func (r *headerReader) whole(text string) {
	if text == "#" || text == "n°" || text == "N°" || text == "№" {
		r.words = append(r.words, word{aspect: rowIndex})
		return
	}
	switch lower := asciiLower(text); lower {
	case "min:s", "min:sec", "mm:ss", "m:ss": // the form is all of the name
		r.m.twoParts = minutesSeconds
		r.words = append(r.words, word{of: duration, aspect: elapsedTime})
		return
	case "h:min", "hh:mm", "h:mm":
		r.m.twoParts = hoursMinutes
		r.words = append(r.words, word{of: duration})
		return
	}
	if isEarlier(text) || foreign.MatchString(text) {
		r.m.ignored = true
		return
	}
	if isMultiple(text) {
		r.m.ignored = true
		return
	}
	if text == "C" { // capacity, coulomb or Celsius: nothing says which
		r.m.ignored = true
		return
	}
	if u, ok := lookUnit(text); ok && text != "" && !wordAndUnit(text) {
		r.units = append(r.units, u)
		return
	}
	text = r.brackets(text)
	text = r.signs(text)
	for _, mark := range []string{"/", ",", " in ", " en "} {
		if i := strings.LastIndex(text, mark); i >= 0 {
			if u, ok := lookUnit(strings.TrimSpace(text[i+len(mark):])); ok && i > 0 {
				if mark == " in " {
					r.m.mayBeIn = true
				}
				r.units = append(r.units, u)
				text = text[:i]
				break
			}
		}
	}
	r.tokens(text)
}

// isEarlier says that a header speaks of a run before this one: "last cycle", "previous". "Last" alone is the German load.
func isEarlier(text string) bool {
	var words []string
	begin := 0
	for i := 0; i <= len(text); i++ {
		upper := i > 0 && i < len(text) && text[i] >= 'A' && text[i] <= 'Z' && text[i-1] >= 'a' && text[i-1] <= 'z'
		if upper || i == len(text) || !isLetter(text[i]) {
			if i > begin {
				words = append(words, asciiLower(text[begin:i]))
			}
			if begin = i; !upper {
				begin++
			}
		}
	}
	for i, w := range words {
		switch w {
		case "previous", "prev", "vorige", "voriger", "letzte", "letzter", "letztes", "precedent", "precedente", "anterior", "ultimo":
			return true
		case "last":
			if i+1 < len(words) {
				switch words[i+1] {
				case "cycle", "run", "test", "session", "discharge", "charge", "day", "hour":
					return true
				}
			}
		}
	}
	return false
}

// isMultiple says that a header is of numbers that were multiplied to be whole: V*100, Wh x 1000. Whether the unit is that of the number or of the
// quantity nobody says alike.
func isMultiple(text string) bool {
	rest := strings.TrimRight(text, "0")
	if len(rest) == len(text) || !strings.HasSuffix(rest, "1") {
		return false
	}
	rest = strings.TrimRight(rest[:len(rest)-1], " ")
	for _, mark := range []string{"*", "×", " x", "_x"} {
		if strings.HasSuffix(rest, mark) && rest != mark {
			return true
		}
	}
	return false
}

// wordAndUnit says that a header is a word and a unit with a blank between: "U V" are volts, not microvolts.
func wordAndUnit(text string) bool {
	name, unit, _ := strings.Cut(text, " ")
	_, isWord := lookWord(asciiLower(name))
	_, isUnit := exactUnit(strings.TrimSpace(unit))
	return isWord && isUnit
}

// brackets takes out what stands in brackets.
func (r *headerReader) brackets(text string) string {
	var out strings.Builder
	for text != "" {
		open := strings.IndexAny(text, "([{<")
		if open < 0 {
			break
		}
		closing := map[byte]string{'(': ")", '[': "]", '{': "}", '<': ">"}[text[open]]
		end := strings.Index(text[open+1:], closing)
		if end < 0 {
			break
		}
		inner := strings.TrimSpace(text[open+1 : open+1+end])
		out.WriteString(text[:open] + " ")
		text = text[open+1+end+1:]
		r.inner(inner)
	}
	out.WriteString(text)
	return strings.TrimSpace(out.String())
}

func (r *headerReader) inner(s string) {
	lower := asciiLower(s)
	switch {
	case s == "+":
		r.words = append(r.words, word{direction: 1})
	case s == "-":
		r.words = append(r.words, word{direction: -1})
	case len(s) == 1 && s[0] >= '0' && s[0] <= '9':
		r.m.channel, r.m.numbered = int(s[0]-'0'), true
	default:
		if u, ok := lookUnit(s); ok {
			r.units = append(r.units, u)
			return
		}
		if o := orderOf(lower); o != unsettled {
			r.m.order = o
			return
		}
		switch {
		case strings.Contains(lower, "h:m"):
			r.m.twoParts = hoursMinutes
			return
		case lower == "mm:ss" || lower == "m:s" || lower == "m:ss" || lower == "min:s" || lower == "min:sec":
			r.m.twoParts = minutesSeconds
			return
		}
		r.tokens(s)
	}
}

// orderOf reads dd/mm/yyyy, TT.MM.JJJJ, jj/mm/aaaa and the like.
func orderOf(lower string) dateOrder {
	f := strings.FieldsFunc(lower, func(c rune) bool { return c == '/' || c == '.' || c == '-' || c == ' ' })
	if len(f) < 3 {
		return unsettled
	}
	german := strings.Contains(lower, "t")
	isDay := func(s string) bool {
		return s == "d" || s == "dd" || s == "t" || s == "tt" || !german && (s == "j" || s == "jj")
	}
	isMonth := func(s string) bool { return s == "m" || s == "mm" }
	isYear := func(s string) bool {
		return s == "yy" || s == "yyyy" || s == "aa" || s == "aaaa" || german && (s == "jj" || s == "jjjj") || s == "jjjj"
	}
	switch {
	case isDay(f[0]) && isMonth(f[1]) && isYear(f[2]):
		return dayMonth
	case isMonth(f[0]) && isDay(f[1]) && isYear(f[2]):
		return monthDay
	case isYear(f[0]) && isMonth(f[1]) && isDay(f[2]):
		return yearMonthDay
	}
	return unsettled
}

// signs takes a + or - from either end, which says the direction of a split total.
func (r *headerReader) signs(text string) string {
	text = strings.TrimSpace(text)
	if text == "" {
		return text
	}
	for _, end := range []int{0, len(text) - 1} {
		if text[end] == '+' || text[end] == '-' {
			d := int8(1)
			if text[end] == '-' {
				d = -1
			}
			r.words = append(r.words, word{direction: d})
			if end == 0 {
				return strings.TrimSpace(text[1:])
			}
			return strings.TrimSpace(text[:end])
		}
	}
	return text
}

// tokens reads the words of a name.
func (r *headerReader) tokens(text string) {
	parts := strings.FieldsFunc(text, func(c rune) bool {
		return !unicode.IsLetter(c) && !unicode.IsDigit(c) && c != '%' && c != '°' && c != '·' && c != '#' && c != '\u0308' && c != '\u0301'
	})
	for _, p := range parts {
		r.token(p, len(parts), true)
	}
}

// token reads one word; split says that it may be taken apart.
func (r *headerReader) token(s string, of int, split bool) {
	lower := asciiLower(s)
	if r.special(s, lower, of) {
		return
	}
	if n, ok := digitsOnly(s); ok {
		if n <= 9 {
			r.m.channel, r.m.numbered = n, true
		} else {
			r.m.weak = true
		}
		return
	}
	if lower != s && isDifference(s) { // dE is not the French "de"
		r.m.ignored = true
		return
	}
	if w, ok := lookWord(lower); ok {
		r.words = append(r.words, w)
		return
	}
	if u, ok := lookUnit(s); ok {
		r.units = append(r.units, u)
		return
	}
	if !split {
		return
	}
	if isDifference(s) {
		r.m.ignored = true
		return
	}
	if name, n, ok := trailingNumber(s); ok { // V1, ch2, current3
		if name == "x" || name == "X" { // volts_x100
			r.m.ignored = true
			return
		}
		r.token(name, of, true)
		if n <= 9 {
			r.m.channel, r.m.numbered = n, true
		} else {
			r.m.weak = true
		}
		return
	}
	if r.compound(lower) || r.participle(lower) || r.letterAndPlace(s, lower) {
		return
	}
	for i := 2; i < len(s) && len(lower) == len(s); i++ { // currentmA, timems
		w, isWord := lookWord(lower[:i])
		u, isUnit := exactUnit(s[i:])
		if s[i:] == "ms" {
			u, isUnit = lookUnit("ms")
		}
		if isWord && isUnit {
			r.words = append(r.words, w)
			r.units = append(r.units, u)
			return
		}
	}
	if pieces := camel(s); len(pieces) > 1 {
		for _, p := range pieces {
			r.token(p, of+len(pieces), true)
		}
		return
	}
	r.unknown++
}

// special reads tokens whose meaning hangs on the others.
func (r *headerReader) special(s, lower string, of int) bool {
	switch {
	case s == "T":
		r.big = true
	case lower == "min":
		r.mins++
	case lower == "temps":
		r.tems = true
	case lower == "in":
		r.words = append(r.words, word{direction: 1})
	case tickWord(lower) == "milli" || tickWord(lower) == "micro":
		u, _ := lookUnit(lower)
		r.units = append(r.units, u)
		r.words = append(r.words, word{of: duration, aspect: tickCount})
	case len(s) == 1 && (lower == "e" || lower == "p" || lower == "n" || lower == "r" || lower == "d" || lower == "l") && of > 3:
		// a letter in a long name says nothing
	default:
		return false
	}
	return true
}

// compound reads German compounds such as Entladestrom or Batteriespannung.
func (r *headerReader) compound(lower string) bool {
	for _, tail := range []struct {
		name string
		of   quantity
	}{{"spannung", voltage}, {"strom", current}, {"leistung", power}, {"kapazitat", charge}, {"kapazitaet", charge}, {"ladung", charge},
		{"energie", energy}, {"menge", charge}, {"temperatur", temperature}, {"zeit", duration}, {"dauer", duration}} {
		head, ok := strings.CutSuffix(lower, tail.name)
		if !ok || head == "" {
			continue
		}
		w := word{of: tail.of}
		switch {
		case strings.HasPrefix(head, "entlade"):
			w.direction = -1
		case strings.HasPrefix(head, "lade"):
			w.direction = 1
		case strings.HasPrefix(head, "soll"), strings.HasPrefix(head, "rest"), strings.HasPrefix(head, "nenn"), strings.HasPrefix(head, "schluss"), strings.HasPrefix(head, "shunt"):
			w.flag = ignoredWord
		case strings.HasPrefix(head, "zell"):
			w.flag = weakWord
		case strings.HasPrefix(head, "schritt"), strings.HasPrefix(head, "phasen"):
			w.flag = perStepWord
		}
		if tail.of == duration {
			w.aspect = elapsedTime
		}
		r.words = append(r.words, w)
		return true
	}
	return false
}

// participle reads the inflected forms of "discharged" and "charged".
func (r *headerReader) participle(lower string) bool {
	for _, stem := range []struct {
		name      string
		direction int8
	}{{"entladen", -1}, {"entnommen", -1}, {"abgegeben", -1}, {"descargad", -1}, {"decharge", -1}, {"geladen", 1}, {"aufgenommen", 1}, {"cargad", 1},
		{"ontladen", -1}, {"scaricat", -1}, {"caricat", 1}, {"descarregad", -1}, {"carregad", 1}, {"rozladowan", -1}, {"naladowan", 1}, {"urladdat", -1}, {"uppladdat", 1}, {"vybit", -1}, {"nabit", 1}} {
		if tail, ok := strings.CutPrefix(lower, stem.name); ok && len(tail) <= 3 {
			r.words = append(r.words, word{direction: stem.direction})
			return true
		}
	}
	return false
}

// isDifference reads dV, dAh, ΔV: a change from row to row.
func isDifference(s string) bool {
	rest, ok := strings.CutPrefix(s, "d")
	if !ok {
		if rest, ok = strings.CutPrefix(s, "Δ"); !ok {
			return false
		}
	}
	switch rest {
	case "U", "I", "P", "Q", "E", "T", "t":
		return true
	}
	u, ok := exactUnit(rest)
	return ok && u.of != unjudged
}

// letterAndPlace reads Vbat, Ubatt, Ibus, Pload, Iout, Qin, Enet written as one.
func (r *headerReader) letterAndPlace(s, lower string) bool {
	if len(lower) < 3 || len(lower) != len(s) {
		return false
	}
	var of quantity
	switch lower[0] {
	case 'v', 'u':
		of = voltage
	case 'i':
		of = current
	case 'p':
		of = power
	case 'q':
		of = charge
	case 'e':
		of = energy
	default:
		return false
	}
	switch lower[1:] {
	case "net", "netto", "tot", "total", "sum", "ges":
		r.words = append(r.words, word{of: of})
		return true
	case "bat", "batt", "bus", "load", "pack", "akku", "term", "meas", "cell", "sense", "dc", "accu", "battery", "avg", "mean":
		r.words = append(r.words, word{of: of})
		if lower[1:] == "cell" {
			r.words = append(r.words, word{flag: weakWord})
		}
		return true
	case "shunt", "sh":
		r.words = append(r.words, word{of: of}, word{flag: shuntWord})
		return true
	case "chg", "in", "ein", "pos", "plus", "lade":
		r.words = append(r.words, word{of: of, direction: 1})
		return true
	case "dis", "dsg", "out", "dchg", "aus", "neg", "minus", "entl", "entlade":
		r.words = append(r.words, word{of: of, direction: -1})
		return true
	case "set", "ref", "max", "min", "lim":
		r.words = append(r.words, word{of: of, flag: ignoredWord})
		return true
	}
	return false
}

// camel takes fooBarBaz apart, keeping units such as mAh whole.
func camel(s string) []string {
	var out []string
	start := 0
	var before rune
	for i, c := range s {
		if i > 0 && unicode.IsUpper(c) && unicode.IsLower(before) {
			out = append(out, s[start:i])
			start = i
		}
		before = c
	}
	out = append(out, s[start:])
	for i := 0; i+1 < len(out); i++ {
		if _, ok := exactUnit(out[i] + out[i+1]); ok {
			out[i] += out[i+1]
			out = append(out[:i+1], out[i+2:]...)
		}
	}
	return out
}

func digitsOnly(s string) (int, bool) {
	n := 0
	for i := 0; i < len(s); i++ {
		if !isDigit(s[i]) || i > 5 {
			return 0, false
		}
		n = n*10 + int(s[i]-'0')
	}
	return n, s != ""
}

func trailingNumber(s string) (string, int, bool) {
	i := len(s)
	for i > 0 && isDigit(s[i-1]) {
		i--
	}
	if i == len(s) || i == 0 || len(s)-i > 4 {
		return s, 0, false
	}
	n, _ := digitsOnly(s[i:])
	if r, _ := utf8.DecodeLastRuneInString(s[:i]); !unicode.IsLetter(r) {
		return s, 0, false
	}
	return s[:i], n, true
}

// finish weighs what was gathered.
func (r *headerReader) finish() meaning {
	m := r.m
	m.vague = r.unknown > 0
	m.ofRow = len(r.words) == 1 && r.words[0].flag&rowWord != 0 && len(r.units) == 0 && r.unknown == 0 && !m.numbered
	r.combineUnits()
	r.symbolBeforeUnit()
	var of []quantity
	var splits, shunt bool
	for _, w := range r.words {
		if w.of != none && w.of != duration && !contains(of, w.of) {
			of = append(of, w.of)
		}
		splits = splits || w.flag&chargeOrIn != 0
		shunt = shunt || w.flag&shuntWord != 0
		m.weak = m.weak || w.flag&weakWord != 0
		m.beside = m.beside || w.flag&besideWord != 0
		m.ignored = m.ignored || w.flag&ignoredWord != 0
		if w.direction != 0 {
			if m.direction != 0 && m.direction != w.direction {
				m.ignored = true // "charge/discharge" names both
			}
			m.direction = w.direction
		}
	}
	timeSaid, aspects := r.time(&m)
	if len(r.units) > 0 {
		m.unit, m.hasUnit = r.units[0], true
		for _, u := range r.units[1:] {
			if u.of != m.unit.of && u.of != unjudged {
				m.clash = true
			}
		}
	}
	switch {
	case r.mins > 0 && !m.hasUnit && len(of) == 0:
		m.unit, m.hasUnit = unit{"min", duration, 60, 0}, true
	case r.mins > 0:
		m.weak = true
	}
	if m.hasUnit && m.unit.name == "A·s" && contains(of, temperature) || m.hasUnit && m.unit.name == "A·s" && r.big {
		m.unit, _ = exactUnit("°C")
	}
	if m.hasUnit && m.unit.name == "F" && contains(of, temperature) {
		m.unit, _ = exactUnit("°F")
	}
	if r.big && !timeSaid && len(of) == 0 && !(m.hasUnit && m.unit.of == duration) {
		of = append(of, temperature)
	}
	if r.tems && m.hasUnit && m.unit.of == temperature {
		of = append(of, temperature)
	} else if r.tems {
		timeSaid = true
	}
	r.settle(&m, of, timeSaid, splits, aspects)
	if shunt && m.of == voltage {
		m.ignored = true
	}
	if m.of != charge && m.of != energy && m.of != current && m.of != power {
		m.direction, m.mayBeIn = 0, false
	}
	if m.unit.of == unjudged && m.hasUnit {
		m.of, m.ignored = unjudged, true
	}
	if !m.numbered {
		m.channel = 1
	} else if m.channel > 4 {
		m.ignored = true
	}
	return m
}

// time weighs the words of time and of bookkeeping.
func (r *headerReader) time(m *meaning) (said bool, aspects int) {
	for _, w := range r.words {
		if w.flag&perStepWord != 0 {
			m.perStep = true
		}
		said = said || w.of == duration
		if w.aspect == plain {
			continue
		}
		aspects++
		switch {
		case m.aspect == plain, m.aspect == phaseName, m.aspect == rowIndex && w.aspect != phaseName:
			m.aspect = w.aspect
		case m.aspect == dateOnly && w.aspect == timeOfDay, m.aspect == timeOfDay && w.aspect == dateOnly:
			m.aspect = wholeStamp
		case w.aspect == unixTime || w.aspect == elapsedTime || w.aspect == tickCount:
			m.aspect = w.aspect
		}
	}
	// "date time" is a whole stamp, "date" alone is not.
	if m.aspect == dateOnly {
		for _, w := range r.words {
			if w.of == duration && w.aspect == plain {
				m.aspect = wholeStamp
			}
		}
	}
	return said, aspects
}

// settle decides what the column measures.
func (r *headerReader) settle(m *meaning, of []quantity, timeSaid, splits bool, aspects int) {
	if contains(of, charge) && len(of) > 1 && splits { // "charge current": the direction
		of = without(of, charge)
		if m.direction == 0 {
			m.direction = 1
		}
	}
	switch {
	case m.hasUnit && m.unit.of == duration || m.hasUnit && m.unit.of == counts:
		m.of = duration
		switch {
		case m.unit.of == counts:
			m.aspect = tickCount
		case m.aspect == phaseName || m.aspect == rowIndex: // "step_time_s"
			m.aspect = elapsedTime
		}
		if len(of) > 0 && !(len(of) == 1 && of[0] == charge && splits) {
			m.clash = true
		}
	case m.hasUnit && m.unit.of != unjudged:
		m.of = m.unit.of
		if splits && m.of != charge && m.direction == 0 {
			m.direction = 1
		}
		if splits && m.of == charge && m.direction == 0 {
			m.mayBeIn = true
			if r.capacity() { // "charge capacity"
				m.direction = 1
			}
		}
		for _, q := range of { // charge, capacity and energy give way to the unit; other words may not contradict it
			totals := q == charge || q == energy || q == power
			if q != m.of && !(totals && (m.of == charge || m.of == energy)) && !(q == charge && splits) {
				m.clash = true
			}
		}
		if m.aspect != phaseName && m.aspect != rowIndex {
			m.clash = m.clash || timeSaid && m.of != temperature && m.aspect != elapsedTime
		}
		m.aspect = plain
	case len(of) == 1:
		m.of = of[0]
		if splits && m.of == charge {
			m.mayBeIn = m.direction == 0
			if m.mayBeIn && r.capacity() {
				m.direction = 1
			}
			if m.aspect == phaseName && aspects > 0 { // "charge state"
				m.of = none
				return
			}
		}
		if timeSaid {
			if splits { // "charge time"
				m.of = duration
				return
			}
			m.ignored = true
		}
		m.aspect = plain
	case len(of) > 1:
		m.ignored = true
	case timeSaid:
		m.of = duration
		if m.aspect == phaseName || m.aspect == rowIndex { // "step time"
			m.aspect = elapsedTime
		}
	case m.direction != 0 && m.aspect == plain && !m.hasUnit && r.total():
		m.of = charge // "discharged", and nothing else is said
	}
	if m.of == none {
		m.perStep = false
	}
}

// total says that a word names a total of charge by itself.
func (r *headerReader) total() bool {
	for _, w := range r.words {
		if w.flag&totalWord != 0 {
			return true
		}
	}
	return false
}

// capacity says that a word names charge and cannot mean the direction.
func (r *headerReader) capacity() bool {
	for _, w := range r.words {
		if w.of == charge && w.flag&chargeOrIn == 0 {
			return true
		}
	}
	return false
}

// combineUnits makes Ah of "amp hours" written as two words.
func (r *headerReader) combineUnits() {
	for i := 0; i+1 < len(r.units); i++ {
		a, b := r.units[i], r.units[i+1]
		if b.of != duration || b.name != "h" && b.name != "s" || a.of != current && a.of != power {
			continue
		}
		name := a.name + "h"
		if b.name == "s" {
			name = a.name + "s"
		}
		if u, ok := exactUnit(name); ok {
			r.units[i] = u
			r.units = append(r.units[:i+1], r.units[i+2:]...)
		}
	}
}

// symbolBeforeUnit leaves out the letter of a quantity before its unit, which is a unit of its own too: V in V_mV, C (capacity, not coulomb)
// in C_Ah.
func (r *headerReader) symbolBeforeUnit() {
	if len(r.units) < 2 || r.units[0].of != r.units[1].of {
		return
	}
	switch r.units[0].name {
	case "V", "A", "W", "A·s":
		r.units = r.units[1:]
	}
}

func contains(list []quantity, q quantity) bool {
	for _, x := range list {
		if x == q {
			return true
		}
	}
	return false
}

func without(list []quantity, q quantity) []quantity {
	var out []quantity
	for _, x := range list {
		if x != q {
			out = append(out, x)
		}
	}
	return out
}
