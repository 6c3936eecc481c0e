package audit

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"stuntcell/validate/verdict"
)

// bench makes logs of a made-up battery and logger: rest, charge to taper, rest, discharge to the level, rest. It shares no code with the
// audit. Readings come once a second; sums are made of readings, rows printed every so many of them.
type bench struct {
	rng                        *rand.Rand
	capacity                   float64 // [A·s]
	current                    float64 // of the discharge [A]
	full, empty                float64 // open-circuit voltage [V]
	ohm                        float64
	level                      float64 // [V]
	every                      int     // readings for each row
	noise                      float64 // of a reading [A]
	tick, elapsed, clock       bool
	tickStart                  uint32
	sign                       float64
	split, energy, power, temp bool
	places                     int
	fault                      string
	comma                      bool
	rule                       int // 0 left, 1 right, 2 trapezoid
}

func newBench(seed uint64) *bench {
	rng := rand.New(rand.NewPCG(seed, 77))
	pick := func(x ...float64) float64 { return x[rng.IntN(len(x))] }
	b := &bench{rng: rng, capacity: pick(2.2, 7, 12, 40, 100) * 3600}
	cells := pick(1, 4, 6, 12)
	b.full, b.empty = cells*(2.1+rng.Float64()), 0
	b.empty = b.full * (0.82 + 0.06*rng.Float64())
	b.current = b.capacity / 3600 * pick(0.2, 0.5, 1)
	b.ohm = 0.03 * b.full / b.current * (0.5 + rng.Float64())
	b.level = b.empty - b.ohm*b.current*0.5
	b.every = int(pick(1, 2, 5, 10, 30, 60))
	hours := b.capacity / b.current / 3600
	for float64(b.every)*1500 < hours*3600*2 {
		b.every *= 2
	}
	b.noise = b.current * pick(0, 0.001, 0.004)
	switch rng.IntN(4) {
	case 0:
		b.tick = true
	case 1:
		b.elapsed = true
	case 2:
		b.clock = true
	default:
		b.tick, b.clock = true, true
	}
	b.tickStart = rng.Uint32()
	if rng.IntN(3) == 0 {
		b.tickStart = math.MaxUint32 - uint32(rng.IntN(3_600_000))
	}
	b.sign = pick(1, -1)
	b.split, b.energy, b.power, b.temp = rng.IntN(3) == 0, rng.IntN(4) > 0, rng.IntN(3) == 0, rng.IntN(4) == 0
	b.places = 4 + rng.IntN(2)
	b.comma = rng.IntN(4) == 0
	b.rule = rng.IntN(3)
	return b
}

type totals struct{ q, in, out, e, ein, eout float64 }

func (t *totals) add(i, v, dt float64) {
	q, e := i*dt, i*v*dt
	t.q += q
	t.e += e
	if q > 0 {
		t.in += q
		t.ein += e
	} else {
		t.out -= q
		t.eout -= e
	}
}

// text returns the log.
func (b *bench) text() string {
	var rows []string
	var head []string
	add := func(n string, on bool) {
		if on {
			head = append(head, n)
		}
	}
	add("tick (ms)", b.tick)
	add("t (s)", b.elapsed)
	add("time", b.clock)
	add("U (V)", true)
	add("I (A)", true)
	add("P (W)", b.power)
	add("Q (Ah)", !b.split)
	add("charge in (Ah)", b.split)
	add("charge out (Ah)", b.split)
	add("E (Wh)", b.energy && !b.split)
	add("energy in (Wh)", b.energy && b.split)
	add("energy out (Wh)", b.energy && b.split)
	add("T (degC)", b.temp)
	sep := ","
	if b.comma {
		sep = ";"
	}
	rows = append(rows, strings.Join(head, sep))

	z := 0.4 + 0.3*b.rng.Float64() // share of charge
	var sum totals
	var t, lost int // [s]
	var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	stage, inStage := 0, 0
	lastI, lastV := 0.0, b.full
	have := false
	held := ""
	clockOff, tickOff, tOff := 0.0, 0, 0
	skip := 0
	discharged := 0
	bump := func(x *float64, by float64) { *x += by }
	for stage < 5 && t < 400_000 {
		ocv := b.empty + (b.full-b.empty)*z
		if z < 0.06 {
			ocv -= (0.06 - z) / 0.06 * b.full * 0.12 // the knee
		}
		i := 0.0
		switch stage {
		case 1:
			top := b.full + b.ohm*b.current*0.2
			i = math.Min(b.current*0.5, (top-ocv)/b.ohm)
			if i < b.current*0.03 {
				stage, inStage = 2, 0
				i = 0
			}
		case 3:
			i = -b.current
			if b.fault == "clipped" {
				// A load of constant power: the current rises as the voltage falls.
				i = -b.current * b.full / (ocv - b.ohm*b.current)
			}
			discharged++
		}
		v := ocv + b.ohm*i
		rest := map[int]int{0: 900, 2: 1800, 4: 1800}[stage]
		if rest > 0 && inStage >= rest {
			stage, inStage = stage+1, 0
		}
		end := b.level
		if b.fault == "cutoff-late" {
			end = b.level - 0.06*b.full
		}
		if b.fault == "early-end" {
			end = b.empty + 0.4*(b.full-b.empty)
		}
		if stage == 3 && v < end {
			stage, inStage = 4, 0
			if b.fault == "cutoff-chatter" && discharged < 1_000_000 {
				// Closes again after two minutes for a while.
				discharged = 1_000_000
			}
		}
		if b.fault == "cutoff-chatter" && stage == 4 && inStage > 300 && inStage < 900 {
			i = -b.current
			v = ocv + b.ohm*i
		}
		z += i / b.capacity
		// What the rig reads.
		ri := i + b.noise*b.rng.NormFloat64()
		if b.fault == "zero-offset" {
			ri += 0.02 * b.current / 2
		}
		if b.fault == "clipped" && ri < -1.1*b.current {
			ri = -1.1 * b.current
		}
		rv := v
		if have {
			si, sv := [3]float64{lastI, ri, (lastI + ri) / 2}[b.rule], [3]float64{lastV, rv, (lastV + rv) / 2}[b.rule]
			ci, cv := si, sv
			switch b.fault {
			case "gain":
				ci *= 1.02
			case "unit-factor":
				ci *= 3.6
			case "nominal-voltage":
				cv = b.full
			case "both-add":
				ci = math.Abs(ci)
			case "one-way":
				ci = math.Min(ci, 0)
			case "float32-stall":
				if stage == 3 && inStage > 2000 {
					ci = 0
				}
			case "counts-at-rest":
				if stage == 2 || stage == 4 {
					ci += 0.05 * b.current
				}
			}
			sum.add(ci, cv, 1)
		}
		lastI, lastV, have = ri, rv, true
		mid := stage == 3 && inStage == 1500
		if mid {
			switch b.fault {
			case "tick-wrap", "total-jumps":
				bump(&sum.q, -0.3*b.capacity)
				bump(&sum.out, 0.3*b.capacity)
			case "restart-loss":
				sum = totals{}
				tickOff = -(t*1000 + int(b.tickStart)) + 1500
				tOff = -t + 1
			case "restart-double":
				sum.q *= 2
				sum.in *= 2
				sum.out *= 2
				tickOff = -(t*1000 + int(b.tickStart)) + 1500
				tOff = -t + 1
			case "restart":
				tickOff = -(t*1000 + int(b.tickStart)) + 1500
				tOff = -t + 1
			case "total-reset":
				sum = totals{}
			case "total-overflow":
				step := 3600 * math.Pow10(-b.places)
				sum.q += 65536 * step
				sum.out += 65536 * step
			case "rtc-step":
				clockOff = 500
			case "local-time":
				clockOff = -3600
			case "missing-rows":
				skip = 5
			}
		}
		if t%b.every == 0 {
			line := b.line(t+tOff, uint32(int64(b.tickStart)+int64(t*1000+tickOff)), start.Add(time.Duration((float64(t)*b.clockRate()+clockOff)*1e9)), rv, ri, sum, sep)
			switch {
			case skip > 0:
				skip--
				lost++
			case b.fault == "disordered-rows" && stage == 3 && len(rows)%40 == 0 && held == "":
				held = line
			case held != "":
				rows = append(rows, line, held)
				held = ""
			case b.fault == "duplicate-rows" && stage == 3 && len(rows)%40 == 0:
				rows = append(rows, line, line)
			case b.fault == "broken-row" && stage == 3 && len(rows)%90 == 0:
				rows = append(rows, line[:len(line)/2])
			default:
				rows = append(rows, line)
			}
		}
		dt := 1
		if b.fault == "schedule-creep" {
			// Rows later and later against their schedule are made by the interval itself, see line.
			dt = 1
		}
		t += dt
		inStage++
		if b.fault == "unsafe-end" && stage == 3 && inStage > 2500 {
			break
		}
	}
	if held != "" {
		rows = append(rows, held)
	}
	return strings.Join(rows, "\n") + "\n"
}

func (b *bench) clockRate() float64 {
	if b.fault == "tick-rate" {
		return 1.003
	}
	return 1.00002
}

func (b *bench) line(t int, tick uint32, clock time.Time, v, i float64, s totals, sep string) string {
	var c []string
	f := func(x float64, places int) {
		text := fmt.Sprintf("%.*f", places, x)
		if b.comma {
			text = strings.Replace(text, ".", ",", 1)
		}
		c = append(c, text)
	}
	stretch := 1.0
	if b.fault == "schedule-creep" {
		stretch = 1.004
	}
	if b.tick {
		c = append(c, fmt.Sprint(b.tickStart+uint32(float64(tick-b.tickStart)*stretch)))
		if stretch == 1 {
			c[len(c)-1] = fmt.Sprint(tick)
		}
	}
	if b.elapsed {
		f(float64(t)*stretch, 1)
	}
	if b.clock {
		c = append(c, clock.Format("2006-01-02 15:04:05"))
	}
	w := b.sign
	ip := b.places - 1
	if b.fault == "coarse-count" {
		ip = int(math.Max(0, math.Floor(-math.Log10(b.current*0.08))+1)) - 1
		ip = max(0, ip)
	}
	f(v, 3)
	f(w*i, ip)
	if b.power {
		p := w * v * i
		if b.fault == "power-not-product" {
			p *= 1.1
		}
		f(p, b.places-1)
	}
	if b.split {
		f(s.in/3600, b.places)
		f(s.out/3600, b.places)
	} else {
		f(w*s.q/3600, b.places)
	}
	if b.energy && b.split {
		f(s.ein/3600, b.places-1)
		f(s.eout/3600, b.places-1)
	} else if b.energy {
		f(w*s.e/3600, b.places-1)
	}
	if b.temp {
		if b.fault == "hot" {
			f(66, 1)
		} else {
			f(25+2*math.Abs(i)/b.current, 1)
		}
	}
	return strings.Join(c, sep)
}

// planted are the faults and what the audit calls them; need says which logs can show it.
var planted = []struct {
	fault string
	names []string
	need  func(b *bench)
}{
	{"gain", []string{"gain"}, nil},
	{"unit-factor", []string{"unit-factor"}, nil},
	{"nominal-voltage", []string{"nominal-voltage"}, func(b *bench) { b.energy = true }},
	{"both-add", []string{"both-add"}, func(b *bench) { b.split = false }},
	{"one-way", []string{"one-way"}, func(b *bench) { b.split = false }},
	{"float32-stall", []string{"float32-stall"}, nil},
	{"counts-at-rest", []string{"counts-at-rest"}, nil},
	{"zero-offset", []string{"zero-offset"}, nil},
	{"clipped", []string{"clipped"}, func(b *bench) { b.noise, b.split = 0, false }},
	{"tick-wrap", []string{"total-jumps", "tick-wrap", "total-reset"}, nil},
	{"restart-loss", []string{"restart-loss"}, func(b *bench) { b.tick, b.clock, b.elapsed = true, false, false }},
	{"restart-double", []string{"restart-double"}, func(b *bench) { b.tick, b.clock, b.elapsed = false, false, true }},
	{"restart", []string{"restart"}, func(b *bench) { b.tick, b.clock, b.elapsed = true, true, false }},
	{"total-reset", []string{"total-reset"}, nil},
	{"total-overflow", []string{"total-overflow"}, nil},
	{"rtc-step", []string{"rtc-step"}, func(b *bench) { b.tick, b.clock, b.elapsed = true, true, false }},
	{"local-time", []string{"local-time"}, func(b *bench) { b.tick, b.clock, b.elapsed = true, true, false }},
	{"tick-rate", []string{"tick-rate"}, func(b *bench) { b.tick, b.clock, b.elapsed = true, true, false }},
	{"missing-rows", []string{"missing-rows"}, nil},
	{"disordered-rows", []string{"disordered-rows"}, nil},
	{"duplicate-rows", []string{"duplicate-rows"}, nil},
	{"broken-row", []string{"broken-row"}, nil},
	{"schedule-creep", []string{"schedule-creep"}, func(b *bench) { b.every = 20; b.tick, b.clock, b.elapsed = false, false, true }},
	{"coarse-count", []string{"coarse-count"}, nil},
	{"power-not-product", []string{"power-not-product"}, func(b *bench) { b.power = true }},
	{"cutoff-late", []string{"cutoff-late"}, func(b *bench) { b.every = min(b.every, 10) }},
	{"cutoff-chatter", []string{"cutoff-chatter"}, nil},
	{"unsafe-end", []string{"unsafe-end"}, nil},
	{"hot", []string{"hot"}, func(b *bench) { b.temp = true }},
}

func TestPlantedFaultsAreFound(t *testing.T) {
	const each = 6
	found, all := 0, 0
	for _, p := range planted {
		for k := range uint64(each) {
			b := newBench(1000 + k)
			if p.need != nil {
				p.need(b)
			}
			b.fault = p.fault
			text := b.text()
			r := run(t, strings.NewReader(text), Options{Cutoff: b.level})
			var got []string
			hit := false
			for _, f := range r.Findings {
				got = append(got, f.Cause)
				for _, n := range p.names {
					hit = hit || f.Cause == n
				}
			}
			all++
			if hit {
				found++
				continue
			}
			t.Errorf("%s, log %d: found %v", p.fault, k, got)
			if k == 0 {
				for _, c := range r.Totals {
					t.Logf("  %+v", c)
				}
			}
		}
	}
	t.Logf("%d of %d planted faults found, %d kinds", found, all, len(planted))
}

func TestHealthyLogsAreLeftAlone(t *testing.T) {
	// All 2,000 take ten seconds of processor time; the first few are enough to see that something broke.
	n := uint64(150)
	if os.Getenv("STUNTCELL_REQUIRE") == "all" && !testing.Short() {
		n = 2000
	}
	alarms := 0
	for seed := range n {
		b := newBench(seed)
		text := b.text()
		r := run(t, strings.NewReader(text), Options{Cutoff: b.level})
		for _, f := range r.Findings {
			t.Errorf("seed %d: %s: %s", seed, f.Cause, f.Evidence)
			alarms++
		}
		p, atLeast := r.Capacity()
		if p == nil || atLeast {
			t.Errorf("seed %d: no capacity in %d phases: %+v", seed, len(r.Phases), r.Phases)
		}
		if r.Sign != int8(b.sign) {
			t.Errorf("seed %d: sign %d", seed, r.Sign)
		}
		if alarms > 20 {
			t.Fatal("and so on")
		}
	}
	t.Logf("%d healthy logs, %d alarms", n, alarms)
}

// A charge that begins below the level at which a discharge should end is no late stop, whichever sign a log prints; a discharge that goes on there is.
func TestChargeFromBelowTheLevel(t *testing.T) {
	for _, c := range []struct {
		in, out float64 // printed
		end     float64 // at which the discharge stops [V]
		late    bool
	}{{1, -1, 10.5, false}, {-1, 1, 10.5, false}, {1, 1, 10.5, false}, {1, -1, 9.8, true}} {
		var b strings.Builder
		b.WriteString("t (s),U (V),I (A)\n")
		at := 0
		row := func(v, i float64) { fmt.Fprintf(&b, "%d,%.3f,%.3f\n", at, v, i); at += 20 }
		for range 60 {
			row(9.2, 0)
		}
		for k := range 900 {
			row(9.6+math.Min(float64(k)/300, 1)*0.9+float64(k)/900*3.5, c.in)
		}
		for range 60 {
			row(13, 0)
		}
		for v := 12.8; v >= c.end-0.001; v -= 0.003 {
			row(v, c.out)
		}
		for range 60 {
			row(11.5, 0)
		}
		r := run(t, strings.NewReader(b.String()), Options{Cutoff: 10.5})
		late := slices.ContainsFunc(r.Findings, func(f verdict.Finding) bool { return f.Cause == "cutoff-late" })
		if late != c.late {
			t.Errorf("%+v: %+v, below %+v", c, r.Findings, r.Below)
		}
	}
}

// A charge that tapers off to a fiftieth of its current and below ends in what looks like rest. It is no offset, which shows in every rest.
func TestTailOfAChargeIsNoOffset(t *testing.T) {
	for _, offset := range []float64{0, 0.012} {
		var b strings.Builder
		b.WriteString("t (s),U (V),I (A)\n")
		at := 0
		row := func(v, i float64) { fmt.Fprintf(&b, "%d,%.3f,%.4f\n", at, v, i+offset); at += 10 }
		for range 90 {
			row(12.1, 0)
		}
		for k := range 1200 {
			row(12.6+float64(k)/1200*1.8, 1.4)
		}
		for k := range 2100 {
			row(14.4, 1.4*math.Exp(-float64(k)/500))
		}
		for range 300 {
			row(12.9, 0)
		}
		for k := range 5000 {
			row(12.75-0.00045*float64(k), -0.35)
		}
		for range 300 {
			row(11.5, 0)
		}
		r := run(t, strings.NewReader(b.String()), Options{Cutoff: 10.5})
		if got := slices.ContainsFunc(r.Findings, func(f verdict.Finding) bool { return f.Cause == "zero-offset" }); got != (offset != 0) {
			t.Errorf("offset %v A: %+v", offset, r.Findings)
		}
	}
}

// An efficiency holds from one full charge to the next. Where more came out than went in, the whole log gives none.
func TestEfficiencyBetweenFullCharges(t *testing.T) {
	var b strings.Builder
	at := 0
	row := func(v, i float64) { fmt.Fprintf(&b, "%d,%.3f,%.4f\n", at, v, i); at += 10 }
	many := func(n int, of func(k int) (v, i float64)) {
		for k := range n {
			row(of(k))
		}
	}
	rest := func() { many(60, func(int) (float64, float64) { return 12.8, 0 }) }
	draw := func(seconds int) {
		many(seconds/10, func(k int) (float64, float64) { return 12.6 - 0.0005*float64(k), -1 })
		rest()
	}
	charge := func(ah float64) { // to a taper of a tenth: 1 A for as long as it takes, then a tail of 300 s · 0.9
		many(int((ah*3600-270)/10), func(k int) (float64, float64) { return 12.9 + 1.5*float64(k)/(ah*360), 1 })
		many(69, func(k int) (float64, float64) { return 14.4, math.Exp(-float64(k) / 30) })
		rest()
	}
	log := func(make func()) *Report {
		b.Reset()
		b.WriteString("t (s),U (V),I (A)\n")
		at = 0
		rest()
		make()
		return run(t, strings.NewReader(b.String()), Options{})
	}
	r := log(func() { draw(7200); charge(3); draw(3600); charge(1.25) })
	if r.Coulombic == nil || math.Abs(*r.Coulombic-0.8) > 0.01 || !strings.Contains(strings.Join(r.Notes, " "), "from one full charge to the last") {
		t.Errorf("1 Ah out and 1.25 Ah in between two full charges: %v, %v", r.Coulombic, r.Notes)
	}
	r = log(func() { draw(7200); charge(1.25) })
	if r.Coulombic != nil || !strings.Contains(strings.Join(r.Notes, " "), "gives no efficiency") {
		t.Errorf("2 Ah out and 1.25 Ah in: %v, %v", r.Coulombic, r.Notes)
	}
}

// A nickel pack is full when its voltage has fallen from the peak, and that the capacity is of a full pack is told of the discharge that gives it.
func TestChargeEndedByFallingVoltage(t *testing.T) {
	var b strings.Builder
	b.WriteString("t (s),U (V),I (A)\n")
	at := 0
	row := func(v, i float64) { fmt.Fprintf(&b, "%d,%.4f,%.3f\n", at, v, i); at += 10 }
	for k := range 100 { // what was left
		row(7.5-0.001*float64(k), -0.6)
	}
	for range 60 {
		row(7.6, 0)
	}
	for k := range 720 {
		v := 7.9 + 0.75*float64(k)/700
		if k > 700 {
			v = 8.65 - 0.0016*float64(k-700)
		}
		row(v, 1.5)
	}
	for range 60 {
		row(8.3, 0)
	}
	for k := range 1700 {
		row(8.1-0.0006*float64(k)-math.Pow(math.Max(0, float64(k)-1500)/200, 2)*1.1, -0.6)
	}
	for range 60 {
		row(6.5, 0)
	}
	r := run(t, strings.NewReader(b.String()), Options{Cutoff: 6})
	if text := r.full(); !strings.Contains(text, "Full at the start: ") || !strings.Contains(text, "30.4 mV from its peak") {
		t.Errorf("%s\n%+v", text, r.Phases)
	}
}

// Where the voltage goes with the current, no logger has switched a load.
func TestProtectionBoardOpens(t *testing.T) {
	var b strings.Builder
	b.WriteString("t (s),U (V),I (A)\n")
	for k := range 1800 {
		v, i := 13.0-0.00025*float64(k)-math.Pow(math.Max(0, float64(k)-1550)/200, 3)*2.3, -2.4
		if k >= 1750 {
			v, i = 0.02, 0
		}
		fmt.Fprintf(&b, "%d,%.3f,%.3f\n", 10*k, v, i)
	}
	r := run(t, strings.NewReader(b.String()), Options{Cutoff: 10})
	p, atLeast := r.Capacity()
	if p == nil || !atLeast || !strings.Contains(p.Ended, "a protection board, a fuse or a wire opened") || len(r.Findings) > 0 {
		t.Errorf("%+v, at least %v, %+v", p, atLeast, r.Findings)
	}
}
