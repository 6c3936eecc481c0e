package audit

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// sample is a row of a made-up log of a rest, a discharge at 3.5 A, a pause, one at 1.4 A, a charge and a rest; rows each 10 s.
type sample struct {
	k       int
	at      int // [s]
	i, v    float64
	q, e    float64 // [Ah], [Wh]
	clock   string
	clockAt int // [s] since midnight of 4 May 2026
}

func samples() []sample {
	var all []sample
	q, e, before, beforeV := 0.0, 0.0, 0.0, 12.8
	for k := range 2400 {
		i := 0.0
		switch {
		case k >= 60 && k < 700:
			i = -3.5
		case k >= 760 && k < 1300:
			i = -1.4
		case k >= 1360 && k < 2300:
			i = 2.8
		}
		v := 12.8 + i*0.08 + (q+0.2*math.Sin(float64(k)/9))*0.25
		if k > 0 {
			q += (i + before) / 2 * 10 / 3600
			e += (i*v + before*beforeV) / 2 * 10 / 3600
		}
		before, beforeV = i, v
		at := 10 * k
		c := 9*3600 + at
		all = append(all, sample{k: k, at: at, i: i, v: v, q: q, e: e, clockAt: c, clock: fmt.Sprintf("2026-05-%02d %02d:%02d:%02d", 4+c/86400, c/3600%24, c/60%60, c%60)})
	}
	return all
}

// TestNamedByTheWholeLog: mistakes that only the whole log tells apart; the same log without any has no finding.
func TestNamedByTheWholeLog(t *testing.T) {
	const clockHead, elapsedHead = "clock,V,A,Ah,Wh", "t (s),V,A,Ah,Wh"
	plain := func(s sample) string { return fmt.Sprintf("%.3f,%.4f,%.5f,%.4f", s.v, s.i, s.q, s.e) }
	var held sample
	var moved, movedE, sum, last float64
	for name, tc := range map[string]struct {
		head, want, text string // text: what the evidence must say
		row              func(sample) string
	}{
		"none, by the clock":  {clockHead, "", "", func(s sample) string { return s.clock + "," + plain(s) }},
		"none, elapsed":       {elapsedHead, "", "", func(s sample) string { return fmt.Sprintf("%d,%s", s.at, plain(s)) }},
		"volts under amperes": {"t (s),A,V,Ah,Wh", "swapped-columns", "voltage", func(s sample) string { return fmt.Sprintf("%d,%s", s.at, plain(s)) }},
		"Wh under Ah":         {"t (s),V,A,Wh,Ah", "swapped-columns", "energy", func(s sample) string { return fmt.Sprintf("%d,%s", s.at, plain(s)) }},
		"a full integer":      {elapsedHead, "total-overflow", "2^31 - 1", func(s sample) string { s.q = max(s.q, -2.147483647); return fmt.Sprintf("%d,%s", s.at, plain(s)) }},
		"a byte": {"t (s),V,A,mAh", "total-overflow", "2^8", func(s sample) string {
			return fmt.Sprintf("%d,%.3f,%.4f,%.0f", s.at, s.v, s.i, math.Mod(-1000*s.q, 256))
		}},
		"below 2 A nothing": {elapsedHead, "dead-band", "1.4 A", func(s sample) string {
			step(&s, &moved, &movedE, math.Abs(s.i) > 2)
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"a constant current": {elapsedHead, "offset", "0.02", func(s sample) string { s.q += 0.02 * float64(s.at) / 3600; return fmt.Sprintf("%d,%s", s.at, plain(s)) }},
		"more in one range": {elapsedHead, "gain", "3.5 A and more", func(s sample) string {
			sum = rated(&s, sum, &last, func(i float64) float64 {
				if i < -3 {
					return 1.03
				}
				return 1
			})
			s.q = sum
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"less on the way in": {elapsedHead, "gain", "positive 0.95 times", func(s sample) string {
			sum = rated(&s, sum, &last, func(i float64) float64 {
				if i > 0 {
					return 0.95
				}
				return 1
			})
			s.q = sum
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"amperes end at 3": {elapsedHead, "clipped", "3 A", func(s sample) string { s.i = max(s.i, -3); return fmt.Sprintf("%d,%s", s.at, plain(s)) }},
		"twice from a row on": {elapsedHead, "gain", "line 40", func(s sample) string {
			if s.k == 400 {
				held = s
			}
			if s.k > 400 {
				s.q, s.e = 2*s.q-held.q, 2*s.e-held.e
			}
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"whole steps": {"t (s),V,A,Ah", "truncated-sum", "exactly 7", func(s sample) string {
			sum += math.Trunc((s.q-last)*1000) / 1000
			last = s.q
			return fmt.Sprintf("%d,%.3f,%.4f,%.3f", s.at, s.v, s.i, sum)
		}},
		"Ah times this volt": {elapsedHead, "mean-energy", "voltage of the row", func(s sample) string { s.e = s.q * s.v; return fmt.Sprintf("%d,%s", s.at, plain(s)) }},
		"a voltage that stood": {elapsedHead, "stale-reading", "stands at", func(s sample) string {
			if s.k == 200 {
				held = s
			}
			if s.k > 200 && s.k < 320 {
				s.v = held.v
			}
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"seconds in 16 bits": {elapsedHead, "tick-wrap", "16 bits", func(s sample) string { return fmt.Sprintf("%d,%s", (s.at+60000)%65536, plain(s)) }},
		"a clock of 12 hours": {clockHead, "local-time", "twelve hours", func(s sample) string {
			return fmt.Sprintf("2026-05-04 %02d%s,%s", (s.clockAt/3600+11)%12+1, s.clock[13:], plain(s))
		}},
		"the month for minute": {clockHead, "wrong-date", "month", func(s sample) string { return s.clock[:14] + "05" + s.clock[16:] + "," + plain(s) }},
		"an hour on by day": {clockHead, "local-time", "somebody set it", func(s sample) string {
			c := s.clockAt
			if s.k > 500 {
				c += 3600
			}
			return fmt.Sprintf("2026-05-04 %02d:%02d:%02d,%s", c/3600, c/60%60, c%60, plain(s))
		}},
		"each twelfth missing": {elapsedHead, "missing-rows", "one row in 12", func(s sample) string {
			if s.k%12 == 5 {
				return ""
			}
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"single signs": {elapsedHead, "sign", "single rows", func(s sample) string {
			if s.k%90 == 7 {
				s.i = -s.i
			}
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"both readings stood": {elapsedHead, "stale-reading", "stand together", func(s sample) string {
			s.i += 0.002 * float64(s.k%3)
			if s.k == 670 {
				held = s
			}
			if s.k > 670 && s.k < 1000 {
				s.i, s.v = held.i, held.v
			}
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"no more than 2.5 A": {elapsedHead, "gain", "no more than 2.5 A", func(s sample) string {
			sum = rated(&s, sum, &last, func(i float64) float64 {
				if i < -2.5 {
					return 2.5 / 3.5
				}
				return 1
			})
			s.q = sum
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"a loop that hung": {elapsedHead, "stale-reading", "those of the row before", func(s sample) string {
			if s.k == 200 {
				held = s
			}
			if s.k > 200 && s.k < 260 {
				s.i, s.v, s.q, s.e = held.i, held.v, held.q, held.e
			} else if s.k >= 260 {
				s.q, s.e = s.q+3.5*600/3600, s.e+3.5*600/3600*12.4
			}
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"a sum that paused": {elapsedHead, "total-stops", "goes on", func(s sample) string {
			if s.k == 200 {
				held = s
			}
			if s.k > 200 && s.k < 260 {
				s.q, s.e = held.q, held.e
			} else if s.k >= 260 {
				s.q, s.e = s.q+3.5*600/3600, s.e+3.5*600/3600*12.4
			}
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"no minus below two": {elapsedHead, "sign", "minus that is lost", func(s sample) string {
			if s.i > -2 {
				s.i = math.Abs(s.i)
			}
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"no zeros behind the point": {elapsedHead, "broken-row", "leading zeros", func(s sample) string {
			n := int(math.Round(math.Abs(s.q) * 1e4))
			return fmt.Sprintf("%d,%.3f,%.4f,%d.%d,%.4f", s.at, s.v, s.i, n/10000, n%10000, s.e)
		}},
		"0 V beside a current": {elapsedHead, "failed-reading", "0 V beside a current", func(s sample) string {
			if s.k%50 == 7 {
				s.v = 0
			}
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"volts of another place": {elapsedHead, "unit-factor", "a decimal place", func(s sample) string { s.v /= 10; return fmt.Sprintf("%d,%s", s.at, plain(s)) }},
		"milliwatts":             {"t (s),V,A,Ah,Wh,W", "unit-factor", "power column is 1000 times", func(s sample) string { return fmt.Sprintf("%d,%s,%.0f", s.at, plain(s), 1000*s.i*s.v) }},
		"a total that is scaled": {elapsedHead, "setting-jump", "multiplied by", func(s sample) string {
			if s.k == 400 {
				held = s
			}
			if s.k >= 400 {
				s.q, s.e = s.q+1.5*held.q, s.e+1.5*held.e
			}
			return fmt.Sprintf("%d,%s", s.at, plain(s))
		}},
		"energy of the rows, charge of all": {"t (s),V,A,Ah,Wh", "row-rate-sum", "rows alone give", func(s sample) string {
			if s.k > 690 {
				return ""
			}
			return fmt.Sprintf("%d,%.3f,%.4f,%.5f,%.4f", s.at, s.v, s.i, 4*s.q, s.e)
		}},
		"steps of a length of their own": {"clock,t (s),V,A,Ah,Wh", "nominal-dt", "the totals go by the clock", func(s sample) string { return fmt.Sprintf("%s,%.1f,%s", s.clock, 0.9*float64(s.at), plain(s)) }},
		"both sixty times":               {elapsedHead, "unit-factor", "So does the energy", func(s sample) string { s.q *= 60; s.e *= 60; return fmt.Sprintf("%d,%s", s.at, plain(s)) }},
	} {
		moved, movedE, sum, last, held = 0, 0, 0, 0, sample{}
		var b strings.Builder
		b.WriteString(tc.head + "\n")
		for _, s := range samples() {
			if tc.head == clockHead && s.clockAt >= 15*3600 {
				break // no midnight
			}
			if line := tc.row(s); line != "" {
				b.WriteString(line + "\n")
			}
		}
		all := run(t, strings.NewReader(b.String()), Options{}).Findings
		if tc.want == "" {
			if len(all) > 0 {
				t.Errorf("%s: found %v", name, all)
			}
			continue
		}
		if len(all) == 0 || all[0].Cause != tc.want || !strings.Contains(all[0].Evidence, tc.text) {
			t.Errorf("%s: found %v, want %s", name, all, tc.want)
		}
	}
}

// step counts what passed since the row before only if it is to count.
func step(s *sample, q, e *float64, counts bool) {
	passedQ, passedE := s.i*10/3600, s.i*s.v*10/3600
	if counts {
		*q, *e = *q+passedQ, *e+passedE
	}
	s.q, s.e = *q, *e
}

// rated adds what passed since the row before times a factor of the current.
func rated(s *sample, sum float64, last *float64, factor func(float64) float64) float64 {
	sum += (s.q - *last) * factor(s.i)
	*last = s.q
	return sum
}
