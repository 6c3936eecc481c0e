package validate_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator/link"
)

// TestToldAllTheSame: mistakes for which the table has no name, or not this one, are told so that their author finds the line.
func TestToldAllTheSame(t *testing.T) {
	when := func(r *link.Reading) string { return time.Unix(r.Clock, 0).UTC().Format(time.DateTime) }
	totals := func(l *habitual, r *link.Reading, q, e float64) string {
		return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f,%.4f", when(r), l.up, l.v, l.i, q/3600, e/3600)
	}
	var before [2]float64 // totals of the row before
	var sum float64
	var currents []float64
	var taken, rows float64
	var in, out [2]float64
	split := func(l *habitual) {
		if l.n == 1 {
			in, out, before, taken = [2]float64{}, [2]float64{}, [2]float64{}, 0
		}
		dt := l.up - taken
		taken = l.up
		if l.n == 1 {
			return
		}
		for k, x := range [...]float64{l.i, l.i * l.v} {
			in[k], out[k] = in[k]+max(x, 0)*dt, out[k]+max(-x, 0)*dt
		}
	}
	type told struct {
		habit           habit
		scenario, cause string
		text            string
	}
	// instead adds another current than was read.
	instead := func(current func(l *habitual, n int) float64, scenario, cause, text string) told {
		var up float64
		n := 0
		return told{habit{read: func(l *habitual, r *link.Reading) {
			if l.n == 1 {
				n, up = 0, l.up
			}
			n++
			i := current(l, n)
			l.q, l.e = l.q+(i-l.i)*(l.up-up), l.e+(i-l.i)*l.v*(l.up-up)
			up = l.up
		}}, scenario, cause, text}
	}
	for name, tc := range map[string]told{
		"totals of the row before": {habit{row: func(l *habitual, r *link.Reading) string {
			if l.n == 1 {
				before = [2]float64{}
			}
			s := totals(l, r, before[0], before[1])
			before = [2]float64{l.q, l.e}
			return s
		}}, "rows-40s", "unexplained", "the row before should show"},
		"energy added again at each row": {habit{row: func(l *habitual, r *link.Reading) string {
			if l.n == 1 {
				sum = 0
			}
			sum += l.e
			return totals(l, r, l.q, sum)
		}}, "discharge-two-rates", "unexplained", "once more"},
		"the step of a row twice": {habit{row: func(l *habitual, r *link.Reading) string {
			if l.n > 1 {
				l.q, l.e = l.q+l.i, l.e+l.i*l.v
			}
			return l.plain(when(r))
		}}, "discharge-two-rates", "unexplained", "added twice"},
		"four amperes at most": {habit{amps: func(i float64) float64 { return max(i, -4) }}, "discharge-two-rates", "unexplained", "its number ends there"},
		"four amperes at most, in the sums alone": {habit{read: func(l *habitual, r *link.Reading) {
			if over := -4 - l.i; over > 0 && l.n > 1 {
				l.q, l.e = l.q+over, l.e+over*l.v
			}
		}}, "discharge-two-rates", "unexplained", "4 A at most"},
		"a glitch filter that does not let go": {habit{amps: func(i float64) float64 {
			if math.Abs(i-taken) > 3 {
				return taken
			}
			taken = i
			return i
		}}, "discharge-two-rates", "unexplained", "not believed"},
		"a median of five": {habit{read: func(l *habitual, r *link.Reading) {
			if l.n == 1 {
				currents = nil
			}
			currents = append(currents, l.i)
			window := slices.Sorted(slices.Values(currents[max(0, len(currents)-5):]))
			m := window[len(window)/2]
			l.q += m - l.i
			l.e += (m - l.i) * l.v
			if l.n == 1 {
				l.q, l.e = 0, 0
			}
		}}, "pulses-rows-70s", "unexplained", "median"},
		"a smoothed current": instead(func(l *habitual, n int) float64 {
			if n == 1 {
				sum = l.i
			}
			sum += 0.1 * (l.i - sum)
			return sum
		}, "discharge-two-rates", "unexplained", "0.1 of the way"),
		"a smoothed current that begins at nothing": instead(func(l *habitual, n int) float64 {
			if n == 1 {
				sum = 0
			}
			sum += 0.02 * (l.i - sum)
			return sum
		}, "rated-discharge", "unexplained", "from zero on"),
		"a mean of twenty": instead(func(l *habitual, n int) float64 {
			if n == 1 {
				currents = nil
			}
			currents = append(currents, l.i)
			mean := 0.0
			window := currents[max(0, n-20):]
			for _, i := range window {
				mean += i / float64(len(window))
			}
			return mean
		}, "discharge-two-rates", "unexplained", "mean of the last 20"),
		"zero for a failed reading": instead(func(l *habitual, n int) float64 {
			if n == 1 || l.i != 0 {
				sum = l.i
			}
			return sum
		}, "load-steps", "failed-reading", "the one before counts on"),
		"nothing below a voltage": instead(func(l *habitual, n int) float64 {
			if l.v < 12.2 {
				return 0
			}
			return l.i
		}, "discharge-two-rates", "unexplained", "below 12.2 V"),
		"nothing kept as the card takes rows again": {habit{read: func(l *habitual, r *link.Reading) {
			if l.n == 1 {
				taken = 0
			}
			switch {
			case r.CardFail:
				taken = 1
			case taken == 1:
				taken = 2
			}
		}, wrote: func(l *habitual) {
			if taken == 2 {
				l.q, taken = 0, 0
			}
		}}, "card-fails-mid-run", "card-loss", "as the card takes rows again"},
		"no step for the reading of a row": {habit{row: func(l *habitual, r *link.Reading) string {
			if l.n > 1 {
				l.q, l.e = l.q-l.i, l.e-l.i*l.v
			}
			return l.plain(when(r))
		}}, "discharge-two-rates", "unexplained", "ends with the reading of a row is left out"},
		"no step behind the reading of a row": {habit{read: func(l *habitual, r *link.Reading) {
			if rows > 0 && l.n > 1 {
				l.q, l.e = l.q-l.i, l.e-l.i*l.v
			}
			rows = 0
		}, wrote: func(l *habitual) { rows = 1 }}, "discharge-two-rates", "unexplained", "begins with the reading of a row is left out"},
		"the time of a row for each reading": {habit{read: func(l *habitual, r *link.Reading) {
			if l.n == 1 {
				taken, before, rows = l.up, [2]float64{}, l.up
			}
			l.q, l.e = before[0]+l.i*(l.up-taken), before[1]+l.i*l.v*(l.up-taken)
			before = [2]float64{l.q, l.e}
			rows = l.up
		}, wrote: func(l *habitual) { taken = rows }}, "discharge-two-rates", "unexplained", "runs from the last row"},
		"the time of a rest for the step behind it": {habit{read: func(l *habitual, r *link.Reading) {
			if l.n == 1 {
				taken, before = l.up, [2]float64{}
			}
			l.q, l.e = before[0]+l.i*(l.up-taken), before[1]+l.i*l.v*(l.up-taken)
			before = [2]float64{l.q, l.e}
			if l.i != 0 {
				taken = l.up
			}
		}}, "load-steps", "unexplained", "as long as the rest"},
		"three per cent more in one range": {habit{amps: func(i float64) float64 {
			if i < -2.5 {
				return i * 1.03
			}
			return i
		}}, "discharge-two-rates", "gain", "currents beyond"},
		"totals that begin anew after some rows": {habit{wrote: func(l *habitual) {
			if l.n == 1 {
				rows = 0
			}
			if rows++; int(rows)%150 == 0 {
				l.q, l.e = 0, 0
			}
		}}, "discharge-two-rates", "unexplained", "begins again at nothing"},
		"hours up to 24": {habit{header: "time,uptime,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			s := int(l.up) % 86400
			return fmt.Sprintf("%s,%d:%02d:%02d,%.3f,%.4f,%.5f,%.4f", when(r), s/3600, s/60%60, s%60, l.v, l.i, l.q/3600, l.e/3600)
		}}, "rows-2h-for-two-days", "tick-wrap", "begin again at 24"},
		"milliseconds times a thousand in 32 bits": {habit{header: "uptime_ms,epoch,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%d,%d,%.3f,%.4f,%.5f,%.4f", uint32(math.Round(l.up*1e6))/1000, r.Clock, l.v, l.i, l.q/3600, l.e/3600)
		}}, "rows-to-the-last", "total-overflow", "2^32"},
		"the month for the minute": {habit{row: func(l *habitual, r *link.Reading) string {
			return l.plain(time.Unix(r.Clock, 0).UTC().Format("2006-01-02 15:01:05"))
		}}, "discharge-two-rates", "wrong-date", "shows the month"},
		"a net of the wrong two": {habit{header: "time,V,A,Ah in,Ah out,Ah net,Wh in,Wh out,Wh net", read: func(l *habitual, r *link.Reading) { split(l) },
			row: func(l *habitual, r *link.Reading) string {
				return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.5f,%.5f,%.4f,%.4f,%.4f", when(r), l.v, l.i, in[0]/3600, out[0]/3600, (in[0]-out[0])/3600,
					in[1]/3600, out[1]/3600, in[1]/3600-out[0]/3600)
			}}, "charge-then-discharge", "unexplained", "do not belong to it"},
		"an efficiency of what flows in, in all its columns": {habit{header: "time,V,A,Ah in,Ah out,Ah net", read: func(l *habitual, r *link.Reading) { split(l) },
			row: func(l *habitual, r *link.Reading) string {
				return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.5f,%.5f", when(r), l.v, l.i, 0.95*in[0]/3600, out[0]/3600, (0.95*in[0]-out[0])/3600)
			}}, "store-and-return", "gain", "what flows in is counted 0.95 times"},
		"what flows out in both": {habit{header: "time,V,A,Ah in,Ah out,Wh in,Wh out", read: func(l *habitual, r *link.Reading) { split(l) },
			row: func(l *habitual, r *link.Reading) string {
				return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.5f,%.4f,%.4f", when(r), l.v, l.i, (in[0]+out[0])/3600, out[0]/3600, in[1]/3600, 0.)
			}}, "charge-then-discharge", "both-add", "counts its own direction"},
		"a mean of two in whole counts": {habit{amps: func(i float64) float64 { return i }, read: func(l *habitual, r *link.Reading) {
			a := l.i / 0.0039920159680638725
			m := math.Trunc((a+taken)/2+math.Copysign(1e-9, a+taken)) * 0.0039920159680638725
			dt := l.up - before[0]
			if l.n == 1 {
				l.q, l.e, dt = 0, 0, 0
			} else {
				l.q += (m - l.i) * dt
			}
			taken, before[0] = a, l.up
		}, header: "time,s,V,A,Ah", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f", when(r), l.up, l.v, l.i, l.q/3600)
		}}, "drip", "truncated-sum", "whole counts"},
		"a step without a change left out": {habit{read: func(l *habitual, r *link.Reading) {
			if l.n > 1 && l.i == before[0] && l.v == before[1] {
				l.q -= l.i * (l.up - taken)
			}
			before, taken = [2]float64{l.i, l.v}, l.up
		}}, "discharge-two-rates", "unexplained", "left out"},
		"no current is no reading": {habit{header: "time,s,V,A,Ah", read: func(l *habitual, r *link.Reading) {
			if l.n == 1 {
				taken, before[0] = 0, l.up
			}
			if l.i != 0 {
				if taken > 0 {
					l.q += l.i * ((l.up - taken) - (l.up - before[0]))
				}
				taken = l.up
			}
			before[0] = l.up
		}, row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f", when(r), l.up, l.v, l.i, l.q/3600)
		}}, "charge-then-discharge", "failed-reading", "current of zero"},
		"held at empty": {habit{read: func(l *habitual, r *link.Reading) { l.q = max(l.q, -3*3600) }}, "deep-discharge", "unexplained", "stands at -3"},
		"rows for time": {habit{header: "s,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			if l.n == 1 {
				rows = 0
			}
			rows++
			return fmt.Sprintf("%.0f,%.3f,%.4f,%.5f,%.4f", 10*rows, l.v, l.i, l.q/3600, l.e/3600)
		}}, "readings-fail-mid-discharge", "nominal-dt", "rows are counted"},
		"kilowatts under watts": {habit{header: "time,s,V,A,W,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f,%.5f,%.4f", when(r), l.up, l.v, l.i, l.i*l.v/1000, l.q/3600, l.e/3600)
		}}, "discharge-two-rates", "unit-factor", "1/1000"},
		"nothing, ever": {habit{read: func(l *habitual, r *link.Reading) { l.q, l.e = 0, 0 }}, "discharge-two-rates", "one-way", "never moves"},
	} {
		t.Run(name, func(t *testing.T) {
			taken = 0
			v, _ := judged(t, named(t, tc.scenario), func(link.Store) link.Logger { return &habitual{habit: tc.habit} })
			if *v.Pass || len(v.Findings) == 0 || v.Findings[0].Cause != tc.cause || !strings.Contains(v.Findings[0].Evidence, tc.text) {
				t.Errorf("pass %v, want %s, %q: %s", *v.Pass, tc.cause, tc.text, complaint(v))
			}
		})
	}
}
