package validate_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator/link"
	"stuntcell/scenarios"
)

// habit is a logger whose sums are right rectangles over the counter, but for what its functions do instead.
type habit struct {
	header string
	dt     func(ticks uint64, hz float64) float64 // the time of a step
	amps   func(float64) float64                  // what it takes a current for
	watts  func(float64) float64
	volts  func(float64) float64
	wrap   uint64                             // at a wrap the step is as of a counter that turns after so many
	read   func(l *habitual, r *link.Reading) // after a reading was added
	wrote  func(l *habitual)                  // after a row
	row    func(l *habitual, r *link.Reading) string
	stops  func(l *habitual, good bool) bool // whether the load is to be off after a reading; nil: it cannot load
	extra  func(l *habitual) bool            // whether a row is written though none is due
	blind  bool                              // rows are written while readings fail too
	full   func(l *habitual) bool            // whether the charger is to be off after a reading; nil: it cannot charge
}

type habitual struct {
	habit
	g                 *link.Greeting
	n                 int
	tick              uint64
	up, now, due      float64 // at the last good reading, at this one, of the next row [s]
	i, v              float64
	q, e, sumV, clock float64
	below             float64 // since when the voltage has been below the level, -1: it is not
	off, ever         bool    // ever: it has been below
}

func (l *habitual) Greet(g *link.Greeting, a *link.Answer) {
	l.g, l.below = g, -1
	a.Tell(link.Cannot, "restore")
	if l.stops == nil {
		a.Tell(link.Cannot, "load")
	}
	if l.full != nil {
		a.Tell(link.Can, "charge")
	}
	if l.header == "" {
		l.header = "time,s,V,A,Ah,Wh"
	}
	a.Row(l.header)
}

func (l *habitual) Read(r *link.Reading, a *link.Answer) {
	hz := float64(l.g.TickHz)
	ticks := (r.Tick - l.tick) & (1<<uint(l.g.TickBits) - 1)
	if l.wrap > 0 && r.Tick < l.tick {
		ticks = r.Tick + l.wrap - l.tick
	}
	if l.n == 0 {
		ticks = 0
	}
	l.now = l.up + float64(ticks)/hz
	good := r.Shunt != link.Failed && r.Bus != link.Failed
	if good {
		l.add(r, ticks, hz)
	}
	if l.stops != nil && !l.off && l.n > 0 && l.g.CutoffMV > 0 && l.stops(l, good) {
		l.off = true
		a.Do(link.LoadOff)
	}
	if good && l.full != nil && l.full(l) {
		a.Do(link.ChargeOff)
	}
	if good && l.extra != nil && l.up < l.due-1e-9 && l.extra(l) {
		a.Row(l.row(l, r))
		return
	}
	if !good && !l.blind || l.now < l.due-1e-9 {
		return
	}
	if l.row != nil {
		a.Row(l.row(l, r))
	} else {
		a.Row(l.plain(time.Unix(r.Clock, 0).UTC().Format(time.DateTime)))
	}
	if l.wrote != nil {
		l.wrote(l)
	}
	for l.due <= l.now+1e-9 {
		l.due += float64(l.g.LogMS) / 1000
	}
}

func (l *habitual) plain(when string) string {
	return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f,%.4f", when, l.up, l.v, l.i, l.q/3600, l.e/3600)
}

// add takes a good reading.
func (l *habitual) add(r *link.Reading, ticks uint64, hz float64) {
	l.n++
	l.tick, l.up = r.Tick, l.now
	dt := float64(ticks) / hz
	if l.dt != nil && l.n > 1 {
		dt = l.dt(ticks, hz)
	}
	l.i, l.v = float64(r.Shunt)*float64(l.g.ShuntStepNV)/float64(l.g.ShuntNohm), float64(r.Bus)*float64(l.g.BusStepUV)*1e-6
	if l.amps != nil {
		l.i = l.amps(l.i)
	}
	if l.volts != nil {
		l.v = l.volts(l.v)
	}
	p := l.i * l.v
	if l.watts != nil {
		p = l.watts(p)
	}
	if l.q, l.e, l.sumV = l.q+l.i*dt, l.e+p*dt, l.sumV+l.v; l.read != nil {
		l.read(l, r)
	}
	if l.v >= float64(l.g.CutoffMV)/1000 {
		l.below = -1
	} else if l.below < 0 {
		l.below, l.ever = l.up, true
	}
}

func (l *habitual) Set(_ string, v int64, _ *link.Answer) { l.due = l.up + float64(v)/1000 }
func (l *habitual) End(*link.Answer)                      {}

// Mistakes as people make them, which the built-in loggers make otherwise: the cause that comes first is theirs.
func TestHabitsAreNamed(t *testing.T) {
	held := func(l *habitual, good bool) bool {
		return l.below >= 0 && l.now-l.below >= float64(l.g.CutoffHoldMS)/1000
	}
	thousandths := func(x float64) string {
		n := int(math.Round(x * 1000))
		return fmt.Sprintf("%d.%03d", n/1000, max(n%1000, -(n%1000)))
	}
	outward := func(i float64) float64 { return map[bool]float64{true: i + 0.004, false: i}[i < 0] }
	var volts []float64
	var ways struct{ q, e, qIn, eIn float64 }
	part := func(l *habitual, r *link.Reading) {
		if l.n == 1 {
			ways.q, ways.e, ways.qIn, ways.eIn = l.q, l.e, 0, 0
		}
		if l.q > ways.q {
			ways.qIn, ways.eIn = ways.qIn+l.q-ways.q, ways.eIn+l.e-ways.e
		}
		ways.q, ways.e = l.q, l.e
	}
	parted := func(totals func(qOut, qIn, eOut, eIn float64) [4]float64) func(l *habitual, r *link.Reading) string {
		return func(l *habitual, r *link.Reading) string {
			t := totals((ways.qIn-l.q)/3600, ways.qIn/3600, (ways.eIn-l.e)/3600, ways.eIn/3600)
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f,%.5f,%.5f,%.5f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, l.v, l.i, t[0], t[1], t[2], t[3])
		}
	}
	for name, tc := range map[string]struct {
		habit    habit
		scenario string
		want     string
	}{
		"none":         {habit{}, "readings-fail-mid-discharge", ""},
		"none, a stop": {habit{stops: held}, "readings-fail-below-level", ""},
		"totals go on from a shorter number than is written": {habit{wrote: func(l *habitual) {
			l.q, l.e = math.Round(l.q/3.6)*3.6, math.Round(l.e/36)*36
		}}, "charge-by-chemistry", "rounded-sum"},
		"one second a reading":        {habit{dt: func(uint64, float64) float64 { return 1 }}, "discharge-20h", "nominal-dt"},
		"a step in 16 bits of counts": {habit{dt: func(n uint64, hz float64) float64 { return float64(uint16(n)) / hz }}, "tick-microseconds", "narrow-interval"},
		"a long step counts as one reading": {habit{dt: func(n uint64, hz float64) float64 {
			s := float64(n) / hz
			return map[bool]float64{false: s, true: 0.1}[s > 0.2]
		}}, "stalls-short", "nominal-dt"},
		"seven milliamperes beside the current":                       {habit{amps: func(i float64) float64 { return i + 0.007 }}, "setting-changed", "offset"},
		"as much, and more in than out by it":                         {habit{amps: func(i float64) float64 { return i + 0.007 }}, "tick-starts-high", "offset"},
		"as much, after a power cut":                                  {habit{amps: func(i float64) float64 { return i + 0.009 }}, "power-cuts-twice", "offset"},
		"watts too high at one current":                               {habit{watts: func(p float64) float64 { return p * 1.012 }}, "logger-ends-with-rebound", "gain"},
		"amperes cut to tenths":                                       {habit{amps: func(i float64) float64 { return math.Trunc(i*10) / 10 }}, "rows-1h", "truncated-sum"},
		"amperes cut downward to whole ones, of negative numbers too": {habit{amps: math.Floor}, "load-steps", "truncated-sum"},
		"whole milliamperes of a finer current": {habit{amps: func(i float64) float64 { return math.Trunc(math.Round(i*1e6)/1000) / 1000 }},
			"fortnight-of-standby", "truncated-sum"},
		"twelve volts, where a quantum fits": {habit{read: func(l *habitual, r *link.Reading) { l.e = 12 * l.q }}, "rig-coarse", "nominal-voltage"},
		"no row but the header":              {habit{read: func(l *habitual, r *link.Reading) { l.due = math.Inf(1) }}, "tick-starts-high", "missing-rows"},
		"totals begin anew when the clock goes back": {habit{read: func(l *habitual, r *link.Reading) {
			if float64(r.Clock) < l.clock {
				l.q, l.e = 0, 0
			}
			l.clock = float64(r.Clock)
		}}, "clock-set-back", "rtc-trusting"},
		"totals begin anew when the clock goes ahead": {habit{read: func(l *habitual, r *link.Reading) {
			if l.clock > 0 && float64(r.Clock) > l.clock+600 {
				l.q, l.e = 0, 0
			}
			l.clock = float64(r.Clock)
		}}, "clock-set-back", "rtc-trusting"},
		"mean volts of a run that a cut begins anew": {habit{read: func(l *habitual, r *link.Reading) {
			l.e = l.q * l.sumV / max(float64(l.n), 1)
		}}, "power-cut-torn-file", "mean-energy"},
		"a total of 16 bits that a cut begins anew": {habit{wrote: func(l *habitual) {
			if l.e/3600 < -32.768 {
				l.e += 65.536 * 3600
			}
		}}, "power-cut-after-stop", "total-overflow"},
		"a total of 16 bits without a sign, charged below zero": {habit{row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.4f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, l.v, l.i,
				float64(uint16(int64(math.Round(-l.q/0.36))))/1e4, -l.e/3600)
		}}, "taper-never-comes", "total-overflow"},
		"a product of counts, at no round width": {habit{row: func(l *habitual, r *link.Reading) string {
			const whole = 3.416
			q := math.Mod(-l.q/3600+whole/2, whole) - whole/2
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, l.v, l.i, q, -l.e/3600)
		}}, "leap-day", "total-overflow"},
		"a sum of watt-seconds without its sign bit": {habit{row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.4f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, l.v, l.i,
				l.q/3600, float64(int64(l.e)%(1<<15))/3600)
		}}, "deep-discharge", "total-overflow"},
		"totals that midnight empties": {habit{read: func(l *habitual, r *link.Reading) {
			if day := float64(r.Clock / 86400); l.clock > 0 && day != l.clock {
				l.q, l.e = 0, 0
			}
			l.clock = float64(r.Clock / 86400)
		}}, "year-end", "midnight-reset"},
		"small currents left out for days": {habit{amps: func(i float64) float64 { return map[bool]float64{false: i}[math.Abs(i) < 0.03] }},
			"fortnight-of-standby", "dead-band"},
		"a total that charging does not bring above full": {habit{read: func(l *habitual, r *link.Reading) { l.q, l.e = min(l.q, 0), min(l.e, 0) }},
			"charge-then-discharge", "one-way"},
		"volts by a factor that hardly vary": {habit{volts: func(v float64) float64 { return v * 1.006 }}, "fast-load", "gain"},
		"a step over the wrap as of 31 bits": {habit{wrap: 1 << 31}, "tick-16-bit", "tick-wrap"},
		"steps of whole milliampere-hours": {habit{read: func(l *habitual, r *link.Reading) {
			l.q = l.clock + math.Round((l.q-l.clock)/3.6)*3.6
			l.clock = l.q
		}}, "charge-to-taper", "rounded-sum"},
		"nameplate volts of what went out": {habit{header: "time,s,V,A,Ah_out,Ah_in,Wh_out,Wh_in", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f,%.5f,%.4f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, l.v, l.i,
				-l.q/3600, 0., -l.q/3600*12.8, 0.)
		}}, "deep-discharge", "nominal-voltage"},
		"a level that is too high, beside pulses": {habit{read: func(l *habitual, r *link.Reading) {
			if l.v >= float64(l.g.CutoffMV)/1000+0.25 {
				l.clock = l.up
			}
		}, stops: func(l *habitual, good bool) bool { return l.now-l.clock >= float64(l.g.CutoffHoldMS)/1000+1 }},
			"logger-ends-after-start-pulse", "cutoff-wrong-level"},
		"a day in two digits of sixteen, near 2038": {habit{row: func(l *habitual, r *link.Reading) string {
			t := time.Unix(r.Clock, 0).UTC()
			return l.plain(fmt.Sprintf("%s-%02d %s", t.Format("2006-01"), t.Day()/10*16+t.Day()%10, t.Format(time.TimeOnly)))
		}}, "clock-past-2038", "wrong-date"},
		"whole hundredths of a step, as floating point has them": {habit{dt: func(n uint64, hz float64) float64 { return float64(n) / hz },
			read: func(l *habitual, r *link.Reading) {
				l.q = l.clock + math.Trunc((l.q-l.clock)*100*(1-1e-9))/100
				l.clock = l.q
			}}, "rows-1h", "truncated-sum"},
		"the last rows, on a counter that wraps each minute": {habit{read: func(l *habitual, r *link.Reading) {
			if l.up > 2000 {
				l.due = math.Inf(1)
			}
		}}, "tick-16-bit", "missing-rows"},
		"totals without the leading zeros of their decimals": {habit{row: func(l *habitual, r *link.Reading) string {
			bare := func(x float64) string {
				n := int(math.Round(math.Abs(x) * 1000))
				return fmt.Sprintf("%s%d.%d", map[bool]string{true: "-"}[x < 0], n/1000, n%1000)
			}
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%s,%s", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, l.v, l.i, bare(l.q/3600), bare(l.e/3600))
		}}, "discharge-two-rates", "broken-row"},
		"volts without their leading zeros": {habit{row: func(l *habitual, r *link.Reading) string {
			n := int(math.Round(l.v * 1000))
			return fmt.Sprintf("%s,%.3f,%d.%d,%.4f,%.5f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, n/1000, n%1000, l.i, l.q/3600, l.e/3600)
		}}, "deep-discharge", "broken-row"},
		"a file and a total for each hour": {habit{read: func(l *habitual, r *link.Reading) {
			if hour := float64(r.Clock / 3600); l.clock > 0 && hour != l.clock {
				l.q, l.e = 0, 0
			}
			l.clock = float64(r.Clock / 3600)
		}}, "charge-then-discharge", "midnight-reset"},
		"a row at each tenth second, seen twice or not": {habit{read: func(l *habitual, r *link.Reading) {
			if l.due = math.Inf(1); r.Clock%10 == 0 {
				l.due = l.up
			}
		}, wrote: func(l *habitual) { l.due = math.Inf(1) }}, "logger-ends-with-rebound", "duplicate-rows"},
		"twelve hours on the clock": {habit{row: func(l *habitual, r *link.Reading) string {
			return l.plain(time.Unix(r.Clock, 0).UTC().Format("2006-01-02 03:04:05"))
		}}, "drip", "local-time"},
		"minutes of the zone taken for seconds": {habit{row: func(l *habitual, r *link.Reading) string {
			return l.plain(time.Unix(r.Clock+int64(l.g.ZoneMin), 0).UTC().Format(time.DateTime))
		}}, "midnight-mid-discharge", "local-time"},
		"a register of 16 bits without a sign": {habit{amps: func(i float64) float64 {
			if i < 0 {
				i += 65536 * 0.004
			}
			return i
		}}, "leap-day", "sign"},
		"volts too high by a constant, in watts too, at one voltage": {habit{volts: func(v float64) float64 { return v + 0.2 }}, "rig-coarse", "gain or offset"},
		"volts too high by a constant": {habit{row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, l.v+0.06, l.i, l.q/3600, l.e/3600)
		}}, "deep-discharge", "offset"},
		"watts by a factor, at one voltage": {habit{watts: func(p float64) float64 { return p * 1.012 }}, "tiny-total", "gain"},
		"no minus below one, all of it within the limit": {habit{row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%s,%s", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, l.v, l.i,
				thousandths(-l.q/3600), thousandths(-l.e/3600))
		}}, "rig-zero-offset", "sign"},
		"thousands parted, from the second on at which 2038 is over": {habit{header: "s,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			when := fmt.Sprintf("%.0f", l.up)
			if n := int(l.up); n >= 1000 {
				when = fmt.Sprintf("%d,%03d", n/1000, n%1000)
			}
			return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.4f", when, l.v, l.i, l.q/3600, l.e/3600)
		}}, "clock-past-2038", "broken-row"},
		"a date that no calendar has, since 2038": {habit{row: func(l *habitual, r *link.Reading) string {
			when := time.Unix(r.Clock, 0).UTC().Format(time.DateTime)
			if r.Clock > math.MaxInt32 {
				when = "1970-01-00 00:00:00"
			}
			return l.plain(when)
		}}, "clock-past-2038", "epoch-2038"},
		"a count less of what flows out, at one current": {habit{amps: outward}, "tiny-total", "gain or offset"},
		"a count less of what flows out":                 {habit{amps: outward}, "rest-with-noise", "offset"},
		"volts of three readings before": {habit{read: func(l *habitual, r *link.Reading) { volts = append(volts, l.v) },
			row: func(l *habitual, r *link.Reading) string {
				fresh := l.v
				l.v = volts[max(0, len(volts)-4)]
				s := l.plain(time.Unix(r.Clock, 0).UTC().Format(time.DateTime))
				l.v = fresh
				return s
			}}, "load-steps", "stale-reading"},
		"counts of 32 bits without a sign": {habit{amps: func(i float64) float64 {
			if i < 0 {
				i += 1 << 32 * 0.004
			}
			return float64(float32(i))
		}}, "rated-discharge", "sign"},
		"energy that flows in is never added": {habit{header: "time,s,V,A,Ah_out,Ah_in,Wh_out,Wh_in", read: part,
			row: parted(func(qOut, qIn, eOut, eIn float64) [4]float64 { return [4]float64{qOut, qIn, eOut, 0} })}, "charge-then-discharge", "one-way"},
		"what flows in and out exchanged in the energy": {habit{header: "time,s,V,A,Ah_out,Ah_in,Wh_out,Wh_in", read: part,
			row: parted(func(qOut, qIn, eOut, eIn float64) [4]float64 { return [4]float64{qOut, qIn, eIn, eOut} })}, "charge-then-discharge", "sign"},
		"the charge of a shunt that is built in": {habit{row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, l.v, l.i, l.q/3600*float64(l.g.ShuntNohm)/1.5e6, l.e/3600)
		}}, "rig-burden", "gain"},
		"a second row at the next reading, for a while": {habit{extra: func(l *habitual) bool { return l.up < 200 && l.n%10 == 2 }, row: func(l *habitual, r *link.Reading) string {
			return l.plain(time.Unix(r.Clock, 0).UTC().Format(time.DateTime))
		}}, "load-steps", "duplicate-rows"},
		"a header of another order than the rows": {habit{header: "time,s,V,A,Ah_out,Ah_in,Wh_out,Wh_in", read: part,
			row: parted(func(qOut, qIn, eOut, eIn float64) [4]float64 { return [4]float64{qOut, eOut, qIn, eIn} })}, "charge-then-discharge", "unit-factor"},
		"rows that lose their last number now and then": {habit{row: func(l *habitual, r *link.Reading) string {
			s := l.plain(time.Unix(r.Clock, 0).UTC().Format(time.DateTime))
			if int(l.up)%970 == 0 {
				s = s[:strings.LastIndex(s, ",")+1]
			}
			return s
		}}, "discharge-two-rates", "broken-row"},
		"amperes no larger than an earlier sensor had them": {habit{amps: func(i float64) float64 { return max(i, -3.5) }}, "load-steps", "unexplained"},
		"milliwatts in 16 bits": {habit{watts: func(p float64) float64 { return float64(int16(int64(math.Round(p*1000)))) / 1000 }},
			"load-steps", "total-overflow"},
		"counts times counts times ticks in 32 bits": {habit{row: func(l *habitual, r *link.Reading) string {
			return l.plain(time.Unix(r.Clock, 0).UTC().Format(time.DateTime))
		}, watts: func(p float64) float64 { return p - 51.539607552*math.Floor(p/51.539607552+0.5) }}, "leap-day", "total-overflow"},
		"the shunt's drop taken off the volts": {habit{read: func(l *habitual, r *link.Reading) {
			l.v += l.i * float64(l.g.ShuntNohm) * 1e-9
		}}, "rig-burden", "sign"},
		"seconds of the interval in eight bits": {habit{wrote: func(l *habitual) { l.due += 16 }}, "rows-1h", "narrow-interval"},
		"a row a minute, whatever is asked for": {habit{wrote: func(l *habitual) { l.due += 60 }}, "rows-1h", "unexplained"},
		"rows that stop within the first turn of the counter, for a while": {habit{read: func(l *habitual, r *link.Reading) {
			if l.up > 1 && l.up < 110 {
				l.due = l.up + 1
			}
		}}, "tick-16-bit", "missing-rows"},
		"a stop that waits for a reading": {habit{stops: func(l *habitual, good bool) bool { return good && held(l, good) }},
			"readings-fail-below-level", "load-left-on"},
		"a hold that begins at the first dip": {habit{stops: func(l *habitual, good bool) bool { return l.ever }},
			"logger-ends-after-start-pulse", "cutoff-early"},
	} {
		t.Run(name, func(t *testing.T) {
			sc := named(t, tc.scenario)
			v, _ := judged(t, sc, func(link.Store) link.Logger { return &habitual{habit: tc.habit} })
			got := ""
			if !*v.Pass && len(v.Findings) > 0 {
				got = v.Findings[0].Cause
			}
			// What cannot be told apart is said of both, and of neither surely.
			if strings.Contains(tc.want, " or ") && strings.Contains(tc.want, got) && v.Findings[0].Confidence < 0.9 {
				got = tc.want
			}
			if got != tc.want || *v.Pass != (tc.want == "") {
				t.Errorf("pass %v, named %q, want %q: %s", *v.Pass, got, tc.want, complaint(v))
			}
		})
	}
}

// named is a scenario of the library.
func named(t testing.TB, name string) *scenarios.Scenario {
	t.Helper()
	for _, sc := range library(t) {
		if sc.Name == name {
			return sc
		}
	}
	t.Fatalf("no scenario %s", name)
	return nil
}

// TestRuleIsNoMistake: where readings fail while the load opens, the energy of one long step is all that is wrong, and another rule comes near
// to it. Whatever does nothing else is not named for that.
func TestRuleIsNoMistake(t *testing.T) {
	var q, e, i, p, up float64
	h := habit{header: "time,s,V,A,Ah_out,Ah_in,Wh_out,Wh_in",
		row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f,%.5f,%.4f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, l.v, l.i, -q/3600, 0., -e/3600, 0.)
		},
		stops: func(l *habitual, good bool) bool {
			return l.below >= 0 && l.now-l.below >= float64(l.g.CutoffHoldMS)/1000
		},
		read: func(l *habitual, r *link.Reading) {
			if l.n > 1 {
				q += (l.i + i) / 2 * (l.up - up)
				e += (l.i*l.v + p) / 2 * float64(l.g.ReadMS) / 1000
			}
			l.q, l.e, i, p, up = q, e, l.i, l.i*l.v, l.up
		}}
	v, _ := judged(t, named(t, "readings-fail-below-level"), func(link.Store) link.Logger { return &habitual{habit: h} })
	if len(v.Findings) == 0 || v.Findings[0].Cause != "nominal-dt" {
		t.Errorf("%s", complaint(v))
	}
}

// TestGarbledLeavesNothingOn: after a garbled line it is the bench that does not go on; a logger that hangs leaves the load closed.
func TestGarbledLeavesNothingOn(t *testing.T) {
	never := habit{stops: func(*habitual, bool) bool { return false }}
	for how, left := range map[link.FailureKind]bool{link.Garbled: false, link.Hang: true} {
		v, _ := judged(t, named(t, "logger-ends-slowly"), func(link.Store) link.Logger { return breaking{&habitual{habit: never}, how} })
		found := map[string]bool{}
		for _, f := range v.Findings {
			found[f.Cause] = true
		}
		if !found[string(how)] || found["load-left-on"] != left {
			t.Errorf("%s: %s", how, complaint(v))
		}
	}
}

// breaking is a logger that stops under load, in one way or another.
type breaking struct {
	*habitual
	how link.FailureKind
}

func (b breaking) Failure() *link.Failure {
	if b.i > -0.1 {
		return nil
	}
	return &link.Failure{Kind: b.how, Detail: "under load"}
}

// TestMedianOfVolts: volts that are smoothed by a median are as late as a stale reading, and healthy.
func TestMedianOfVolts(t *testing.T) {
	var volts []float64
	h := habit{read: func(l *habitual, r *link.Reading) { volts = append(volts, l.v) }, row: func(l *habitual, r *link.Reading) string {
		latest := slices.Clone(volts[max(0, len(volts)-5):])
		slices.Sort(latest)
		fresh := l.v
		l.v = latest[len(latest)/2]
		s := l.plain(time.Unix(r.Clock, 0).UTC().Format(time.DateTime))
		l.v = fresh
		return s
	}}
	for _, name := range []string{"load-steps", "readings-jittered", "discharge-two-rates", "logger-ends-with-rebound"} {
		volts = nil
		if v, _ := judged(t, named(t, name), func(link.Store) link.Logger { return &habitual{habit: h} }); !*v.Pass {
			t.Errorf("%s: %s", name, complaint(v))
		}
	}
}

// filing is a logger that opens a new file every 1005 readings.
type filing struct {
	*habitual
	opened func(l *habitual)
}

func (f filing) Read(r *link.Reading, a *link.Answer) {
	if f.n%1005 == 1004 {
		a.Tell(link.File, fmt.Sprintf("%d.csv", f.n))
		f.opened(f.habitual)
	}
	f.habitual.Read(r, a)
}

// TestRowsAtANewFile: a row may come late or early where a file is opened, and the schedule may begin anew; none may be lost.
func TestRowsAtANewFile(t *testing.T) {
	for name, tc := range map[string]struct {
		opened func(l *habitual)
		pass   bool
	}{
		"none lost":  {func(l *habitual) {}, true},
		"begins new": {func(l *habitual) { l.due = l.up + float64(l.g.LogMS)/1000 }, true},
		"one early":  {func(l *habitual) { l.due = l.up }, true},
		"one lost":   {func(l *habitual) { l.due += float64(l.g.LogMS) / 1000 }, false},
	} {
		v, _ := judged(t, named(t, "tick-wrap-mid-discharge"), func(link.Store) link.Logger { return filing{&habitual{}, tc.opened} })
		if *v.Pass != tc.pass || !tc.pass && v.Findings[0].Cause != "missing-rows" {
			t.Errorf("%s: %s", name, complaint(v))
		}
	}
}
