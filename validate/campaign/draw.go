package campaign

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"stuntcell/scenarios"
)

// Draw is one random scenario before it is written as a file: short, on any pack, with conditions and faults that a real
// bench has. Its rig is within tolerance, so that whatever fails is the logger's.
type Draw struct {
	Seed     uint64
	Pack     string // on board; "": the project's, else the default one
	Steps    []DrawnStep
	Start    int   // percent of charge at the beginning
	Nominal  int64 // time between readings that the rig promises [ms]
	Every    int64 // and keeps [ms]
	Jitter   int64 // [ms]
	Log      int64 // time between rows [ms]
	Hold     int64 // of the cutoff [ms]
	Zone     int64 // minutes east of UTC
	Bits     int   // of the counter
	Hz       int64
	Tick     int64 // start of the counter; negative is before the wrap
	Clock    int64 // start of the clock [Unix s]
	Fraction float64
	Errors   map[string]string // rig's sections to their keys, as written
	Faults   []DrawnFault
}

// DrawnStep is a step of the plan.
type DrawnStep struct {
	Kind    string  // rest, discharge, charge; cutoff and taper: a discharge and a charge that the logger ends
	Rate    float64 // share of the rated capacity an hour
	Seconds int64
	Pulse   [3]float64 // every [s], on [s], low [share]; zero: steady
}

// DrawnFault is a fault at an instant.
type DrawnFault struct {
	Kind string
	At   int64  // [ms] since the plan began
	Stop bool   // At counts from when the logger's stop is due
	For  int64  // [ms]
	By   int64  // [s], of a clock that is set
	Log  int64  // [ms], of a setting
	Only string // "shunt" or "bus", of a failed reading: the half that fails; "": both
}

// maxDrawnReadings bounds a draw; the median is far below it.
const maxDrawnReadings = 7000

// drawnPacks are the packs of draws, with their rated charge [Ah]: the default one, the small, the large, each chemistry.
var drawnPacks = [...]struct {
	name  string
	rated float64
}{
	{"", 7}, {"", 7}, {"", 7}, {"", 7}, {"agm-6v-4ah", 4}, {"agm-12v-35ah", 35}, {"flooded-12v-60ah", 60}, {"gel-12v-50ah", 50},
	{"lfp-12v8-12ah", 12}, {"lfp-48v-50ah", 50}, {"nimh-7v2-3ah", 3}, {"nmc-3v7-3ah", 3}, {"nmc-36v-10ah", 10},
}

// maxDrawnAmps keeps a draw within the default rig's shunt [A].
const maxDrawnAmps = 45

// highestRate is the rate up to which the shunt measures the pack's current, 1 at most.
func highestRate(env scenarios.Env, rated float64) float64 {
	amps := float64(maxDrawnAmps)
	if env.Rig != nil {
		amps = 0.9 * min(env.Rig.Shunt.RatedAmps, float64(env.Rig.Front.ShuntMax)*env.Rig.Front.ShuntStep/env.Rig.Shunt.Nominal)
	}
	return min(amps/rated, 1)
}

// NewDraw draws a scenario; a pack and a rig of the caller's own take the place of drawn ones. The same seed gives the same draw for
// ever within one version.
func NewDraw(seed uint64, env scenarios.Env) Draw {
	r := rand.New(rand.NewPCG(seed, 0x68756e74))
	d := Draw{Seed: seed, Start: 100, Hold: 5000, Bits: 32, Hz: 1000, Errors: map[string]string{}}
	pack := drawnPacks[r.IntN(len(drawnPacks))]
	if env.Pack != nil {
		pack.name, pack.rated = "", env.Pack.Rated.Charge/3600
	}
	d.Pack = pack.name
	shape := r.IntN(shapes)
	d.Nominal = pickOf[int64](r, 1000, 1000, 1000, 500, 2000, 100, 5000, 10000)
	if shape == toTaper {
		d.Nominal = pickOf[int64](r, 4000, 5000, 10_000) // a taper takes an hour or several
	}
	d.Every = d.Nominal
	if r.IntN(4) == 0 {
		d.Every = int64(float64(d.Nominal) * (0.7 + 0.9*r.Float64()))
	}
	if r.IntN(3) == 0 {
		d.Jitter = int64(float64(d.Every) * 0.4 * r.Float64())
	}
	readings := int64(math.Exp(math.Log(250) + r.Float64()*(math.Log(3000)-math.Log(250))))
	if r.IntN(20) == 0 {
		readings = maxDrawnReadings - 200
	}
	seconds := readings * d.Every / 1000
	d.plan(r, shape, seconds, highestRate(env, pack.rated))
	d.Log = d.Nominal * pickOf[int64](r, 1, 2, 5, 10, 10, 10, 20, 30, 60)
	if r.IntN(6) == 0 {
		d.Log = pickOf[int64](r, 7000, 40_000, 70_000, 61_000, 15_000)
	}
	for d.Log > seconds*1000/12 && d.Log > d.Nominal {
		d.Log /= 2
	}
	d.Log = max(d.Log, 1)
	d.clocks(r, seconds)
	d.rig(r)
	sure := seconds
	if shape >= toCutoff {
		sure = seconds / 2 // where the logger ends a step nobody knows how long the plan will be
	}
	for range pickOf(r, 0, 0, 1, 1, 2) {
		f := d.fault(r, sure)
		if shape >= toCutoff && r.IntN(3) == 0 {
			f.Stop, f.At = true, int64(float64(d.Every)*(40*r.Float64()-25))
		}
		d.Faults = append(d.Faults, f)
	}
	slices.SortFunc(d.Faults, func(a, b DrawnFault) int { return cmp.Compare(a.At, b.At) })
	return d
}

func pickOf[T any](r *rand.Rand, v ...T) T { return v[r.IntN(len(v))] }

// Shapes of a drawn plan, that many to each turn of the wheel.
const (
	steady = iota
	twoRates
	twoRatesToo
	outAndIn
	outAndInToo
	inAndOut
	pulsed
	toCutoff
	toCutoffToo
	toTaper
	shapes
)

// plan draws the steps. Rates are such that the pack can give the charge and the shunt can bear the current.
func (d *Draw) plan(r *rand.Rand, shape int, seconds int64, most float64) {
	rate := func(seconds int64, share float64) float64 {
		x := math.Exp(math.Log(0.02) + r.Float64()*(math.Log(1)-math.Log(0.02)))
		return min(math.Round(min(x, share*3600/float64(max(seconds, 1)))*1000)/1000+0.005, most)
	}
	rest := DrawnStep{Kind: "rest", Seconds: max(seconds/12, 5)}
	s := max(seconds*10/12, 30)
	backstop := min(2*s, (maxDrawnReadings-200)*d.Every/1000-s/2)
	discharge := func(seconds int64, share float64) DrawnStep {
		return DrawnStep{Kind: "discharge", Rate: rate(seconds, share), Seconds: seconds}
	}
	charge := func(seconds int64) DrawnStep {
		return DrawnStep{Kind: "charge", Rate: min(rate(seconds, 0.2), 0.2), Seconds: seconds}
	}
	switch shape {
	case steady:
		d.Steps = []DrawnStep{rest, discharge(s, 0.5), rest}
	case twoRates, twoRatesToo:
		d.Steps = []DrawnStep{rest, discharge(s/2, 0.3), discharge(s/2, 0.3), rest}
	case outAndIn, outAndInToo:
		d.Start = 60
		d.Steps = []DrawnStep{rest, discharge(s/2, 0.25), rest, charge(s / 2), rest}
	case inAndOut:
		d.Start = 60
		d.Steps = []DrawnStep{charge(s / 2), rest, discharge(s/2, 0.25), rest}
	case pulsed:
		every := math.Round(3 + 40*r.Float64())
		step := discharge(s, 0.5)
		step.Rate = max(step.Rate, min(math.Round(900/float64(s)*1000)/1000, 0.5, most)) // so that the voltage goes up and down too
		step.Pulse = [3]float64{every, math.Round(every * (0.2 + 0.6*r.Float64())), pickOf(r, 0, 0.05, 0.3)}
		d.Steps = []DrawnStep{rest, step, rest}
	case toCutoff, toCutoffToo:
		d.Hold = pickOf[int64](r, 0, 2000, 5000, 20_000)
		// So slow that the voltage takes its time from the level to the floor, and so little charge that the level is
		// reached within the readings.
		slowest := 20 / float64(12*d.Every/1000+d.Hold/1000+1)
		x := min(math.Round((0.05+0.95*r.Float64())*min(slowest, 1)*100)/100+0.01, most)
		d.Start = min(max(int(x*float64(s)/3600*90), 4), 60)
		d.Steps = []DrawnStep{rest, {Kind: "cutoff", Rate: x, Seconds: backstop}, rest}
	case toTaper:
		// What is missing is what the hours for the taper can bring.
		d.Start = max(100-int(float64(s)/3600*float64(s)/3600), 70)
		d.Steps = []DrawnStep{rest, {Kind: "taper", Rate: min(0.05+math.Round(r.Float64()*15)/100, most), Seconds: backstop}, rest}
		if r.IntN(2) == 0 {
			d.Steps = slices.Insert(d.Steps, 1, discharge(s/6, 0.05))
		}
	}
}

// clocks draws counter and clock, often so that something happens to them within the run.
func (d *Draw) clocks(r *rand.Rand, seconds int64) {
	d.Bits = pickOf(r, 32, 32, 32, 32, 24, 64)
	d.Hz = pickOf[int64](r, 1000, 1000, 1000, 1_000_000)
	if d.Bits < 32 {
		d.Hz = 1000 // a counter that wraps within a stall tells nobody how long it was
	}
	span := float64(seconds * d.Hz)
	if d.Bits < 63 {
		span = min(span, float64(int64(1)<<d.Bits))
	}
	within := int64(span * (0.1 + 0.8*r.Float64()))
	switch r.IntN(5) {
	case 0:
		d.Tick = -within
	case 1:
		if d.Bits < 64 {
			d.Tick = 1<<(d.Bits-1) - within
		}
	case 2:
		d.Tick = int64(r.Uint64N(1 << (min(d.Bits, 40) - 1)))
	default:
		d.Tick = int64(r.Uint64N(3000))
	}
	if d.Bits == 64 {
		d.Tick = int64(r.Uint64N(1 << 40))
	}
	at := func(text string) int64 {
		t, err := time.Parse(time.RFC3339, text)
		if err != nil {
			panic(err)
		}
		return t.Unix()
	}
	moment := pickOf(r, at("2026-03-02T08:00:00Z"), at("2026-03-02T08:00:00Z"), at("2026-07-01T00:00:00Z"), at("2028-02-29T00:00:00Z"),
		at("2028-03-01T00:00:00Z"), at("2027-01-01T00:00:00Z"), 1<<31)
	d.Clock = moment
	if moment != at("2026-03-02T08:00:00Z") {
		d.Clock -= int64(float64(seconds) * (0.1 + 0.8*r.Float64()))
	}
	d.Fraction = math.Round(r.Float64()*90) / 100
	d.Zone = pickOf[int64](r, 0, 0, 60, -300, 330, 345, 765)
}

// rig draws deviations of the rig within what is usual. None of them is the logger's.
func (d *Draw) rig(r *rand.Rand) {
	if r.IntN(2) == 0 {
		d.Errors["shunt"] = fmt.Sprintf("{error: %.3f %%}", 0.5*r.NormFloat64())
	}
	var front []string
	if r.IntN(2) == 0 {
		front = append(front, fmt.Sprintf("shunt_offset: %.1f uV", 8*r.NormFloat64()))
	}
	if r.IntN(3) == 0 {
		front = append(front, fmt.Sprintf("shunt_noise: %d uV", r.IntN(12)), fmt.Sprintf("bus_noise: %d mV", r.IntN(6)))
	}
	window := d.Every - d.Jitter
	if n := pickOf(r, 1, 4, 16, 64); r.IntN(3) == 0 && int64(n) < window {
		front = append(front, fmt.Sprintf("conversions: %d", n))
	} else if window <= 64 {
		front = append(front, "conversions: 8")
	}
	if len(front) > 0 {
		d.Errors["front"] = "{" + strings.Join(front, ", ") + "}"
	}
	if r.IntN(4) == 0 {
		d.Errors["relay"] = fmt.Sprintf("{delay: %d ms}", r.IntN(400))
	}
}

// fault draws one fault, often at the moment at which something else happens.
func (d *Draw) fault(r *rand.Rand, seconds int64) DrawnFault {
	total := seconds * 1000
	at := int64(float64(total) * (0.15 + 0.7*r.Float64()))
	f := DrawnFault{Kind: pickOf(r, "power-cut", "card-fail", "card-fail", "stall", "failed-read", "setting", "clock-set"), At: at}
	f.For = int64(float64(d.Every) * (1 + 30*r.Float64()*r.Float64()))
	if f.Kind == "failed-read" && r.IntN(2) == 0 {
		f.Only = pickOf(r, "shunt", "bus")
	}
	if f.Kind == "stall" {
		f.For = max(pickOf[int64](r, 300, 3000, 90_000), 2*d.Every)
	}
	// A wrap within the fault is what nobody has watched.
	if wrap := d.wrapAt(); wrap > 0 && wrap < total && r.IntN(2) == 0 {
		f.At = max(wrap-int64(float64(f.For)*(0.2+0.6*r.Float64())), 1000)
	}
	f.For = min(f.For, total/5)
	f.By = pickOf[int64](r, -3600, 3600, -50*60, 86400, -7)
	f.Log = max(d.Log*pickOf[int64](r, 2, 3, 1)/pickOf[int64](r, 1, 2), d.Nominal)
	if f.At+f.For > total*9/10 {
		f.At = max(total*8/10-f.For, 1000)
	}
	return f
}

// wrapAt is when the counter wraps [ms], 0 if it does not within 2^31 ms.
func (d *Draw) wrapAt() int64 {
	if d.Bits >= 63 || d.Tick >= 0 {
		return 0
	}
	return -d.Tick * 1000 / d.Hz
}

// YAML writes the draw as a normal scenario file.
func (d *Draw) YAML(name, summary string) []byte {
	var b strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	p("scenario: %s", name)
	p("summary: %s", summary)
	if d.Pack != "" {
		p("pack: %s", d.Pack)
	}
	if d.Start != 100 {
		p("start: {charge: %d %%}", d.Start)
	}
	p("plan:")
	for _, s := range d.Steps {
		switch s.Kind {
		case "rest":
			p("  - {rest: %d s}", s.Seconds)
		case "charge":
			p("  - {charge: %.4g C, to: absorb, ends: {time: %d s}}", s.Rate, s.Seconds)
		case "cutoff":
			p("  - {discharge: %.4g C, ends: {logger: end, floor: floor, time: %d s}}", s.Rate, s.Seconds)
		case "taper":
			p("  - {charge: %.4g C, to: absorb, ends: {logger: taper, time: %d s}}", s.Rate, s.Seconds)
		default:
			pulse := ""
			if s.Pulse[0] > 0 {
				pulse = fmt.Sprintf(" pulse: {every: %g s, on: %g s, low: %g %%},", s.Pulse[0], s.Pulse[1], 100*s.Pulse[2])
			}
			p("  - {discharge: %.4g C,%s ends: {time: %d s}}", s.Rate, pulse, s.Seconds)
		}
	}
	p("settings: {log: %d ms, cutoff_hold: %d ms, zone: %d min}", d.Log, d.Hold, d.Zone)
	p("rig:")
	jitter := ""
	if d.Jitter > 0 {
		jitter = fmt.Sprintf(", jitter: %d ms", d.Jitter)
	}
	p("  readings: {nominal: %d ms, every: %d ms%s}", d.Nominal, d.Every, jitter)
	p("  tick: {bits: %d, rate: %d Hz, start: %d}", d.Bits, d.Hz, d.Tick)
	p("  clock: {start: %q, fraction: %g}", time.Unix(d.Clock, 0).UTC().Format(time.RFC3339), d.Fraction)
	for _, section := range sortedSections(d.Errors) {
		p("  %s: %s", section, d.Errors[section])
	}
	if len(d.Faults) > 0 {
		p("faults:")
	}
	for _, f := range d.Faults {
		at := fmt.Sprintf("%d ms", f.At)
		if f.Stop {
			at = fmt.Sprintf("{stop: %d ms}", f.At)
		}
		switch f.Kind {
		case "clock-set":
			p("  - {at: %s, fault: clock-set, by: %d s}", at, f.By)
		case "setting":
			p("  - {at: %s, fault: setting, set: {log: %d ms}}", at, f.Log)
		default:
			only := ""
			if f.Only != "" {
				only = " only: " + f.Only + ","
			}
			p("  - {at: %s, fault: %s,%s for: %d ms}", at, f.Kind, only, max(f.For, 1))
		}
	}
	p("seed: %d", d.Seed)
	return []byte(b.String())
}

func sortedSections(m map[string]string) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// Simpler lists draws that are a step simpler than this one, the boldest first.
func (d *Draw) Simpler() []Draw {
	var out []Draw
	try := func(change func(*Draw)) {
		c := *d
		c.Steps, c.Faults = slices.Clone(d.Steps), slices.Clone(d.Faults)
		c.Errors = map[string]string{}
		for k, v := range d.Errors {
			c.Errors[k] = v
		}
		change(&c)
		out = append(out, c)
	}
	for i := range d.Faults {
		try(func(c *Draw) { c.Faults = slices.Delete(c.Faults, i, i+1) })
	}
	if d.Pack != "" {
		try(func(c *Draw) { c.Pack = "" })
	}
	if len(d.Errors) > 0 {
		try(func(c *Draw) { clear(c.Errors) })
		for _, k := range sortedSections(d.Errors) {
			try(func(c *Draw) { delete(c.Errors, k) })
		}
	}
	for i := range d.Steps {
		if len(d.Steps) > 1 {
			try(func(c *Draw) { c.Steps = slices.Delete(c.Steps, i, i+1) })
		}
	}
	if d.Jitter > 0 {
		try(func(c *Draw) { c.Jitter = 0 })
	}
	if d.Every != d.Nominal {
		try(func(c *Draw) { c.Every = c.Nominal })
	}
	if d.Bits != 32 || d.Hz != 1000 {
		try(func(c *Draw) {
			if c.Tick < 0 {
				c.Tick = c.Tick * 1000 / c.Hz
			} else {
				c.Tick = 0
			}
			c.Bits, c.Hz = 32, 1000
		})
	}
	if d.Tick != 0 {
		try(func(c *Draw) { c.Tick = 0 })
	}
	if d.Zone != 0 {
		try(func(c *Draw) { c.Zone = 0 })
	}
	if plain := int64(1772438400); d.Clock != plain || d.Fraction != 0 {
		try(func(c *Draw) { c.Clock, c.Fraction = plain, 0 })
	}
	if d.Log != 10*d.Nominal {
		try(func(c *Draw) { c.Log = 10 * c.Nominal })
	}
	for i, f := range d.Faults {
		if f.Only != "" {
			try(func(c *Draw) { c.Faults[i].Only = "" })
		}
	}
	for i, s := range d.Steps {
		if s.Pulse[0] > 0 {
			try(func(c *Draw) { c.Steps[i].Pulse = [3]float64{} })
		}
		if s.Seconds > 60 {
			// Halve a step before and after what happens in it.
			half := s.Seconds / 2
			before := int64(0)
			for _, q := range d.Steps[:i] {
				before += q.Seconds
			}
			try(func(c *Draw) { c.Steps[i].Seconds = half })
			try(func(c *Draw) {
				c.Steps[i].Seconds = s.Seconds - half
				for k := range c.Faults {
					if !c.Faults[k].Stop && c.Faults[k].At > (before+half)*1000 {
						c.Faults[k].At -= half * 1000
					}
				}
				if c.Tick < 0 {
					c.Tick = min(c.Tick+half*c.Hz, -1)
				}
				c.Clock += half
			})
		}
	}
	return out
}
