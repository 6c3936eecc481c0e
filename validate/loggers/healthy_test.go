package loggers

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/integrate"

	"stuntcell/emulator/link"
)

// waveform is what a situation's readings show, for the integrals that totals are held against: seconds of true time
// (the situations' ticks are exact), amperes, watts. Failed readings are left out.
type waveform struct {
	at   []int // index of the reading
	t    []float64
	i, p []float64
}

func waveformOf(s situation) waveform {
	var w waveform
	k := -1
	for _, a := range s.actions {
		if a.cut || a.key != "" {
			continue
		}
		k++
		if a.read.Shunt == link.Failed || a.read.Bus == link.Failed {
			continue
		}
		i := float64(a.read.Shunt) * float64(s.greeting.ShuntStepNV) / float64(s.greeting.ShuntNohm)
		v := float64(a.read.Bus) * float64(s.greeting.BusStepUV) * 1e-6
		w.at = append(w.at, k)
		w.t = append(w.t, float64(a.ms)/1000)
		w.i = append(w.i, i)
		w.p = append(w.p, i*v)
	}
	return w
}

// upTo cuts the waveform off behind reading k.
func (w waveform) upTo(k int) waveform {
	n, _ := slices.BinarySearch(w.at, k+1)
	return waveform{w.at[:n], w.t[:n], w.i[:n], w.p[:n]}
}

func byTrapezoid(t, y []float64) float64 {
	if len(t) < 2 {
		return 0
	}
	return integrate.Trapezoidal(t, y)
}

func byLeft(t, y []float64) (sum float64) {
	for k := 1; k < len(t); k++ {
		sum += y[k-1] * (t[k] - t[k-1])
	}
	return sum
}

func byRight(t, y []float64) (sum float64) {
	for k := 1; k < len(t); k++ {
		sum += y[k] * (t[k] - t[k-1])
	}
	return sum
}

// habit says what the totals of a healthy logger should be, where that is not the good logger's.
type habit struct {
	integral func(t, y []float64) float64
	sign     float64 // of the totals
	split    bool    // "in" and "out" columns
	buffered bool    // rows come later than the readings that they show
	holds    bool    // a failed reading is held, not bridged
	none     bool    // no totals
	noEnergy bool
	side     float64 // counts only this direction
	loose    float64 // relative tolerance beyond a printed unit
	phases   bool
}

func habitOf(name string) habit {
	h := habit{integral: byTrapezoid, sign: 1, loose: 1e-9}
	switch name {
	case "left-rectangle", "integer-counts":
		h.integral = byLeft
	case "right-rectangle", "minimal":
		h.integral = byRight
	case "kahan":
		h.loose = 1e-6 // of a single-precision step
	case "integer-micro":
		h.loose = 1e-6 // of whole uA and uW
	case "charge-negative", "mixed-signs":
		h.sign = -1
	case "split-totals":
		h.split = true
	case "buffer-8", "buffer-8-lost", "buffer-3h", "unix-and-uptime":
		h.buffered = true
	case "hold-last", "hold-half":
		h.holds = true
	case "cannot-totals":
		h.none = true
	case "cannot-energy":
		h.noEnergy = true
	case "cannot-count-charge":
		h.side = -1
	case "cannot-count-discharge":
		h.side = 1
	case "phase-totals":
		h.phases = true
	}
	return h
}

// cells reads a log's last row by its header.
func cells(t *testing.T, rows []said) (map[string]string, said) {
	t.Helper()
	rows = slices.Clone(rows)
	rows = slices.DeleteFunc(rows, func(r said) bool { return strings.HasPrefix(r.text, "#") || strings.HasPrefix(r.text, "end of test") })
	header := rows[0].text
	rows = slices.DeleteFunc(rows, func(r said) bool { return r.text == header })
	last := rows[len(rows)-1]
	separator := ","
	switch {
	case strings.Contains(header, ";"):
		separator = ";"
	case strings.Contains(header, "\t"):
		separator = "\t"
	}
	heads, fields := strings.Split(header, separator), strings.Split(last.text, separator)
	if len(heads) != len(fields) {
		t.Fatalf("row %q does not fit its header %q", last.text, header)
	}
	out := map[string]string{}
	for i, h := range heads {
		out[h] = fields[i]
	}
	return out, last
}

// number finds the one column whose head contains a word, and reads it with the unit of its last place.
func number(t *testing.T, row map[string]string, word string) (x, one float64) {
	t.Helper()
	for head, cell := range row {
		if !strings.Contains(head, word) {
			continue
		}
		scale := 1.0
		if strings.Contains(head, "m"+word) {
			scale = 1e-3
		}
		cell = strings.ReplaceAll(cell, ",", ".")
		x, err := strconv.ParseFloat(cell, 64)
		if err != nil {
			t.Fatalf("%s: %v", head, err)
		}
		return x * scale, unit(cell) * scale
	}
	t.Fatalf("no column %q in %v", word, row)
	return 0, 0
}

// Totals of every healthy logger are the integral of its readings by its rule, in every situation, to a printed unit.
func TestHealthyTotalsAreTheIntegralOfTheReadings(t *testing.T) {
	good := Defect{Name: "good", New: Good()}
	sits := situations()
	for _, d := range append([]Defect{good}, Healthy()...) {
		h := habitOf(d.Name)
		if h.none {
			continue
		}
		t.Run(d.Name, func(t *testing.T) {
			for _, s := range sits {
				if strings.HasPrefix(s.name, "power cut") {
					continue // see TestTotalsGoOnAfterAPowerCut
				}
				if d.Name == "minimal" && s.name == "odd shunt" {
					continue // it says that it has its shunt built in
				}
				row, last := cells(t, play(t, d.New, s).rows)
				if h.buffered {
					// The same row, written when it was made.
					rows := play(t, Good(), s).rows
					last = rows[len(rows)-1]
				}
				w := waveformOf(s)
				if h.holds {
					w = held(s)
				}
				w = w.upTo(last.at)
				if h.phases {
					w = w.lastPhase()
				}
				check := func(word string, y []float64) {
					t.Helper()
					got, one := number(t, row, word)
					want := h.sign * h.integral(w.t, y) / 3600
					if math.Abs(got-want) > one+h.loose*math.Abs(want) {
						t.Errorf("%s: %s of the last row is %.9g, want %.9g", s.name, word, got, want)
					}
				}
				switch {
				case h.split:
					in, out := byStep(w.t, w.i, w.i)
					for word, want := range map[string]float64{"Ah in": in, "Ah out": out} {
						if got, one := number(t, row, word); math.Abs(got-want/3600) > one {
							t.Errorf("%s: %s of the last row is %g, want %g", s.name, word, got, want/3600)
						}
					}
				case h.side != 0:
					in, out := byStep(w.t, w.i, w.i)
					want := in
					if h.side < 0 {
						want = -out
					}
					if got, one := number(t, row, "Ah"); math.Abs(got-want/3600) > one {
						t.Errorf("%s: Ah of the last row is %g, want %g", s.name, got, want/3600)
					}
				default:
					check("Ah", w.i)
					if !h.noEnergy {
						check("Wh", w.p)
					}
				}
			}
		})
	}
}

// byStep splits the trapezoid of y by the sign of each step's mean of i; both parts positive.
func byStep(t, i, y []float64) (in, out float64) {
	for k := 1; k < len(t); k++ {
		q := (y[k-1] + y[k]) / 2 * (t[k] - t[k-1])
		if i[k-1]+i[k] >= 0 {
			in += q
		} else {
			out -= q
		}
	}
	return in, out
}

// held is a situation's waveform with failed readings replaced by the one before.
func held(s situation) waveform {
	s.actions = slices.Clone(s.actions)
	var last link.Reading
	for k := range s.actions {
		r := &s.actions[k].read
		if r.Shunt == link.Failed || r.Bus == link.Failed {
			r.Shunt, r.Bus = last.Shunt, last.Bus
		}
		last = *r
	}
	return waveformOf(s)
}

// lastPhase begins with the step into the last stretch of one direction.
func (w waveform) lastPhase() waveform {
	direction := 0
	from := 0
	for k, i := range w.i {
		d := 0
		if math.Abs(i) > 0.032 {
			d = int(math.Copysign(1, i))
		}
		if d != 0 && direction != 0 && d != direction {
			from = k - 1
		}
		if d != 0 {
			direction = d
		}
	}
	return waveform{w.at[from:], w.t[from:], w.i[from:], w.p[from:]}
}

// A healthy logger's rows show a reading of the last 30 s or of the interval, or between such readings (JUDGING.md, values).
func TestHealthyValuesAreInsideTheEnvelopeOfReadings(t *testing.T) {
	sits := situations()
	for _, d := range Healthy() {
		sign := 1.0
		if d.Name == "charge-negative" {
			sign = -1
		}
		if habitOf(d.Name).buffered || d.Name == "minimal" || strings.Contains("german tabs milli-units", d.Name) {
			continue // their rows are those of others, in other words
		}
		t.Run(d.Name, func(t *testing.T) {
			for _, s := range sits {
				w := waveformOf(s)
				if strings.HasPrefix(s.name, "power cut") || s.name == "failed readings" || strings.HasPrefix(s.name, "sensor") {
					continue
				}
				row, last := cells(t, play(t, d.New, s).rows)
				w = w.upTo(last.at)
				low, high := math.Inf(1), math.Inf(-1)
				for k := range w.t {
					if w.t[len(w.t)-1]-w.t[k] <= max(30, float64(s.greeting.LogMS)/1000) {
						low, high = min(low, w.i[k]), max(high, w.i[k])
					}
				}
				got, one := number(t, map[string]string{"A": row["A"]}, "A")
				if got *= sign; got < low-one || got > high+one {
					t.Errorf("%s: shows %g A, readings lie between %g and %g", s.name, got, low, high)
				}
			}
		})
	}
}

// Where a healthy logger says that it cannot, it does not; and what it has built in it says.
func TestHealthyLoggersSayWhatTheyCannot(t *testing.T) {
	for name, want := range map[string][]string{
		"cannot-load": {"load"}, "cannot-set": {"set"}, "cannot-restore": {"restore"}, "cannot-count-charge": {"count-charge"},
		"cannot-count-discharge": {"count-discharge"}, "cannot-energy": {"energy"}, "cannot-totals": {"totals"},
		"bare-tick": {"clock"}, "elapsed": {"clock"}, "built-in-interval": {"set"}, "minimal": {"load", "set", "restore", "clock"},
	} {
		d, ok := ByName(name)
		if !ok {
			t.Fatalf("no %s", name)
		}
		var a link.Answer
		g := workshop()
		d.New(&kept{}).Greet(&g, &a)
		var got []string
		mine := map[string]int64{}
		for _, x := range a.Said {
			switch x.Word {
			case link.Cannot:
				got = append(got, x.Text)
			case link.Mine:
				mine[x.Text] = x.Value
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s says that it cannot %v, want %v", name, got, want)
		}
		if name == "built-in-interval" && mine["log_ms"] != 10_000 {
			t.Errorf("%s says mine %v", name, mine)
		}
	}
}

// kept is a store for tests that need no power cut.
type kept struct{ names map[string][]byte }

func (k *kept) Load(name string) []byte { return k.names[name] }

func (k *kept) Save(name string, b []byte) {
	if k.names == nil {
		k.names = map[string][]byte{}
	}
	k.names[name] = slices.Clone(b)
}

// A healthy logger leaves the load alone until the end voltage, and (if it switches at all) opens it then.
func TestHealthyLoggersStop(t *testing.T) {
	sits := situations()
	for _, d := range Healthy() {
		for _, s := range sits {
			switch s.name {
			case "end voltage", "rebound", "sensor dies below the level":
			default:
				continue
			}
			var off []int
			for _, w := range play(t, d.New, s).words {
				if w.word == link.LoadOff {
					off = append(off, w.at)
				}
			}
			switch {
			case d.Name == "cannot-load" || d.Name == "minimal":
				if off != nil {
					t.Errorf("%s: %s: opens the load at %v", d.Name, s.name, off)
				}
			case len(off) != 1 || off[0] != 61:
				t.Errorf("%s: %s: opens the load at %v, want 61", d.Name, s.name, off)
			}
		}
	}
}
