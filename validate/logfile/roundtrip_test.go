package logfile

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// writer prints rows in one of many ways.
type writer struct {
	sep     string
	comma   bool
	stamp   int // how times are printed
	units   int // how headers carry units
	lang    int
	milli   bool // mV, mA, mAh, mWh
	split   bool // two totals of charge
	remarks bool
	repeat  int // header again every so many rows; 0 never
	tail    bool
	places  int
}

func drawWriter(t *rapid.T) writer {
	w := writer{
		sep:     rapid.SampledFrom([]string{",", ";", "\t", "|", " ; ", ", "}).Draw(t, "sep"),
		stamp:   rapid.IntRange(0, 8).Draw(t, "stamp"),
		units:   rapid.IntRange(0, 5).Draw(t, "units"),
		lang:    rapid.IntRange(0, 3).Draw(t, "lang"),
		milli:   rapid.Bool().Draw(t, "milli"),
		split:   rapid.Bool().Draw(t, "split"),
		remarks: rapid.Bool().Draw(t, "remarks"),
		repeat:  rapid.IntRange(0, 5).Draw(t, "repeat"),
		tail:    rapid.Bool().Draw(t, "tail"),
		places:  rapid.IntRange(1, 6).Draw(t, "places"),
	}
	w.comma = strings.Contains(w.sep, ";") && rapid.Bool().Draw(t, "comma")
	return w
}

var languages = [4]struct{ time, date, clock, volts, amps, charge, discharge, net, energy string }{
	{"time", "date", "time", "voltage", "current", "charge", "discharge", "capacity", "energy"},
	{"Laufzeit", "Datum", "Uhrzeit", "Spannung", "Strom", "Ladung", "Entladung", "Kapazität", "Energie"},
	{"temps", "date", "heure", "tension", "courant", "charge", "décharge", "capacité", "énergie"},
	{"tiempo", "fecha", "hora", "tensión", "corriente", "carga", "descarga", "capacidad", "energía"},
}

// name writes a header with its unit; second is what stands in a second header line.
func (w writer) name(word, unit string) (header, second string) {
	switch w.units {
	case 0:
		return word + " (" + unit + ")", ""
	case 1:
		return word + " [" + unit + "]", ""
	case 2:
		return word + "_" + unit, ""
	case 3:
		return word + " in " + unit, ""
	case 4:
		return word + "/" + unit, ""
	}
	return word, unit
}

func (w writer) number(v float64, places int) string {
	s := fmt.Sprintf("%.*f", places, v)
	if w.comma {
		s = strings.Replace(s, ".", ",", 1)
	}
	return s
}

// times returns the headers and cells of an instant; ns is since the start.
func (w writer) times(unix int64, seconds int64) (names, units, cells []string, kind Kind, want float64) {
	l := languages[w.lang]
	at := time.Unix(unix, 0).UTC()
	one := func(word, unit string) {
		h, s := w.name(word, unit)
		names, units = []string{h}, []string{s}
	}
	switch w.stamp {
	case 0:
		one(l.time, "s")
		return names, units, []string{fmt.Sprint(seconds)}, Elapsed, float64(seconds)
	case 1:
		one("t", "ms")
		return names, units, []string{fmt.Sprint(seconds * 1000)}, Tick, float64(seconds * 1000)
	case 2:
		return []string{l.date, l.clock}, []string{"", ""}, []string{at.Format("2006-01-02"), at.Format("15:04:05")}, Clock, float64(unix)
	case 3:
		return []string{"timestamp"}, []string{""}, []string{at.Format(time.RFC3339)}, Clock, float64(unix)
	case 4:
		zone := time.FixedZone("", 5*3600+45*60)
		return []string{"timestamp"}, []string{""}, []string{at.In(zone).Format(time.RFC3339)}, Clock, float64(unix)
	case 5:
		return []string{"unix"}, []string{""}, []string{fmt.Sprint(unix)}, Clock, float64(unix)
	case 6:
		return []string{"elapsed"}, []string{""}, []string{fmt.Sprintf("%02d:%02d:%02d", seconds/3600, seconds/60%60, seconds%60)}, Elapsed, float64(seconds)
	case 7:
		return []string{l.date}, []string{""}, []string{at.Format("02.01.2006 15:04:05")}, Clock, float64(unix)
	}
	return []string{l.date}, []string{""}, []string{at.Format("Jan 2 2006 3:04:05 PM")}, Clock, float64(unix)
}

// What a writer prints in any of these formats is read back the same, in memory and as a stream.
func TestWrittenIsRead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := drawWriter(t)
		start := rapid.Int64Range(946684800, 4102444800).Draw(t, "start") // 2000 to 2100
		rows := rapid.IntRange(1, 12).Draw(t, "rows")
		step := rapid.Int64Range(1, 7200).Draw(t, "step")
		l := languages[w.lang]
		milli, m, scale := "", 1.0, 1.0
		if w.milli {
			milli, m, scale = "m", 1e3, 1e-3
		}
		names, units, _, timeKind, _ := w.times(start, 0)
		type want struct {
			kind   Kind
			factor float64 // SI of one printed
			places int
		}
		wants := []want{{Voltage, scale, w.places}, {Current, scale, w.places}}
		words := [][2]string{{l.volts, milli + "V"}, {l.amps, milli + "A"}}
		if w.split {
			words = append(words, [2]string{l.charge, milli + "Ah"}, [2]string{l.discharge, milli + "Ah"})
			wants = append(wants, want{ChargeIn, 3600 * scale, w.places}, want{ChargeOut, 3600 * scale, w.places})
		} else {
			words = append(words, [2]string{l.net, milli + "Ah"})
			wants = append(wants, want{Charge, 3600 * scale, w.places})
		}
		words = append(words, [2]string{l.energy, milli + "Wh"})
		wants = append(wants, want{Energy, 3600 * scale, w.places})
		for _, x := range words {
			h, u := w.name(x[0], x[1])
			names, units = append(names, h), append(units, u)
		}
		var b strings.Builder
		end := "\n"
		if w.tail {
			end = strings.TrimSpace(w.sep) + "\n"
			if end == "\n" { // a tab
				end = w.sep + "\n"
			}
		}
		header := strings.Join(names, w.sep) + end
		if w.units == 5 {
			header += strings.Join(units, w.sep) + end
		}
		if w.remarks {
			b.WriteString("# a remark, with; all\tmarks\nMy logger v2\n\n")
		}
		var times []float64
		printed := make([][]float64, len(wants))
		for r := range rows {
			if r == 0 || w.repeat > 0 && r%w.repeat == 0 {
				b.WriteString(header)
			}
			_, _, cells, _, at := w.times(start+int64(r)*step, int64(r)*step)
			times = append(times, at)
			for i := range wants {
				v := rapid.Float64Range(-20, 20).Draw(t, "v") * m
				unit := math.Pow10(w.places)
				v = math.Round(v*unit) / unit
				printed[i] = append(printed[i], v)
				cells = append(cells, w.number(v, w.places))
			}
			b.WriteString(strings.Join(cells, w.sep) + end)
			if w.remarks && r%3 == 1 {
				b.WriteString("# still here\n")
			}
		}
		text := b.String()
		table, err := ParseLines(splitLines(text), Options{})
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if streamed := asText(readAll(NewReader(bytes.NewReader([]byte(text)), Options{}))); streamed != asText(table, nil) {
			t.Fatalf("as a stream:\n%s\n%s", streamed, text)
		}
		if len(table.Problems) > 0 || len(table.Rows) != rows || len(table.Columns) != 1+len(wants) {
			t.Fatalf("%s\n%s", asText(table, nil), text)
		}
		if c := table.Columns[0]; c.Kind != timeKind {
			t.Fatalf("time is %s, want %s\n%s", c.Kind, timeKind, text)
		}
		for r, at := range times {
			if table.Columns[0].Value[r] != at {
				t.Fatalf("row %d at %v, want %v\n%s", r, table.Columns[0].Value[r], at, text)
			}
		}
		for i, x := range wants {
			c := table.Columns[1+i]
			if c.Kind != x.kind || c.Channel != 1 || c.Guessed || math.Abs(c.Scale/x.factor-1) > 1e-12 {
				t.Fatalf("column %q is %s ch%d %q scale %v, want %s scale %v\n%s", c.Header, c.Kind, c.Channel, c.Unit, c.Scale, x.kind, x.factor, text)
			}
			for r, v := range printed[i] {
				si := v * x.factor
				if math.Abs(c.Value[r]-si) > 1e-12*math.Max(math.Abs(si), 1) || math.Abs(c.Step[r]/(x.factor*math.Pow10(-x.places))-1) > 1e-12 {
					t.Fatalf("column %q row %d: %v by %v, want %v\n%s", c.Header, r, c.Value[r], c.Step[r], si, text)
				}
			}
		}
	})
}
