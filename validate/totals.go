package validate

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/validate/cause"
	"stuntcell/validate/logfile"
	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// Default limits of JUDGING.md, as ratios; clock in seconds.
const (
	limitCharge   = 0.002
	limitEnergy   = 0.003
	limitElapsed  = 0.0005
	limitInterval = 0.98
	limitClock    = 1.0
	limitCutoff   = 0.002
	cutoffSlack   = 12 // readings
)

// roles maps the log reader's kinds to roles of totals.
var roles = map[logfile.Kind]cause.Role{
	logfile.Charge: cause.Charge, logfile.ChargeIn: cause.ChargeIn, logfile.ChargeOut: cause.ChargeOut,
	logfile.Energy: cause.Energy, logfile.EnergyIn: cause.EnergyIn, logfile.EnergyOut: cause.EnergyOut,
	logfile.Elapsed: cause.Elapsed,
}

// marks prepares the readings at which totals are taken: those of the rows, and those just before each step of the plan.
func (j *judge) marks() {
	var begins []int // first readings of steps
	for i, st := range j.rec.Steps {
		if i > 0 && st.First > 0 && st.Last >= st.First {
			begins = append(begins, st.First)
		}
	}
	begins = append(begins, j.daysOfTotals()...)
	slices.Sort(begins)
	index := slices.Grow(slices.Clone(j.at), 2*len(begins))
	for _, k := range begins {
		index = append(index, k-1, k)
	}
	slices.Sort(index)
	index = slices.Compact(index)
	next := 0 // mostly the row's
	where := func(k int) int {
		if next == len(index) || index[next] != k {
			next, _ = slices.BinarySearch(index, k)
		}
		next++
		return next - 1
	}
	n := len(j.at)
	m := replay.Marks{Row: make([]int, n), Life: make([]int16, n), Begin: make([]int, n)}
	for r, k := range j.at {
		m.Row[r] = where(k)
		m.Life[r] = j.lifeOfRow(r)
		m.Begin[r] = -1
		if r == 0 {
			continue
		}
		// The reset may come one reading late, so a step that began at the row before counts too.
		if i, _ := slices.BinarySearch(begins, k+1); i > 0 && begins[i-1] >= j.at[r-1] {
			m.Begin[r], _ = slices.BinarySearch(index, begins[i-1]-1)
		}
	}
	j.index, j.mark = index, m
	j.series.RowAt = make([]bool, j.series.Len())
	for _, k := range j.at {
		j.series.RowAt[k] = true
	}
}

// daysOfTotals are the first readings of each day of the user's clock, where the header of a total says that it is one of the day: then it begins
// anew there as others do with a step.
func (j *judge) daysOfTotals() []int {
	if !slices.ContainsFunc(j.table.Columns, func(c logfile.Column) bool {
		_, total := roles[c.Kind]
		return total && c.PerStep && ofDay.MatchString(c.Header)
	}) {
		return nil
	}
	var days []int
	face, zone := j.rec.Readings.Clock, 60*j.rec.Greeting.ZoneMin
	for k := 1; k < len(face); k++ {
		if floorDay(face[k]+zone) != floorDay(face[k-1]+zone) {
			days = append(days, k)
		}
	}
	return days
}

// ofDay finds the words of a header that say that a total is one of the day.
var ofDay = regexp.MustCompile(`(?i)today|daily|heute|täglich|hoy|diario|oggi|giornalier|vandaag|idag`)

func floorDay(unix int64) int64 { return int64(math.Floor(float64(unix) / 86400)) }

// netTotals takes a column that a word calls one way, such as "used", for a net total where no column says the other way and it goes back
// while the current does: a total of one way never falls.
func (j *judge) netTotals() {
	other := map[logfile.Kind]logfile.Kind{logfile.ChargeIn: logfile.ChargeOut, logfile.ChargeOut: logfile.ChargeIn,
		logfile.EnergyIn: logfile.EnergyOut, logfile.EnergyOut: logfile.EnergyIn}
	net := map[logfile.Kind]logfile.Kind{logfile.ChargeIn: logfile.Charge, logfile.ChargeOut: logfile.Charge,
		logfile.EnergyIn: logfile.Energy, logfile.EnergyOut: logfile.Energy}
	for i := range j.table.Columns {
		c := &j.table.Columns[i]
		against, split := other[c.Kind]
		if !split || c.Channel > 1 || j.column(against) != nil || j.column(net[c.Kind]) != nil || !j.goesBack(c) {
			continue
		}
		c.Kind = net[c.Kind]
		j.notes = append(j.notes, fmt.Sprintf("column %q counts both ways: it is judged as a net total", c.Header))
	}
}

// goesBack says that a total turns back in rows between which the current did, and not all at once as at a reset: so often that it is no
// chance, or nearly always by what flowed.
func (j *judge) goesBack(c *logfile.Column) bool {
	way := map[bool]float64{true: 1, false: -1}[c.Kind == logfile.ChargeIn || c.Kind == logfile.EnergyIn]
	net, _, _ := j.integrals()
	flowed := net[map[bool]int{true: 1}[c.Kind == logfile.EnergyIn || c.Kind == logfile.EnergyOut]]
	back, forth, moved, agreed := 0, 0, 0, 0
	for r := 1; r < len(j.at); r++ {
		a, b := j.at[r-1], j.at[r]
		d := c.Value[r] - c.Value[r-1]
		if math.IsNaN(d) || d == 0 || b <= a || j.series.Life[a] != j.series.Life[b] || !j.series.Good(b) {
			continue
		}
		moved++
		if q := way * (flowed[b] - flowed[a]); math.Abs(d-q) <= 2*c.Step[r]+math.Abs(q)/5 {
			agreed++
		}
		if back++; d > 0 || j.series.I[b]*way > 0 {
			back--
			forth++
		}
	}
	return back >= 3 && forth > 0 || back >= 10 || back > 0 && float64(agreed) >= mostRows*float64(moved)
}

// totalColumns lists the columns of totals with their allowances. Elapsed columns come last.
func (j *judge) totalColumns() {
	truth := j.series.Run(replay.Meter{Source: replay.WindowTrue}, j.index)
	last := len(j.index) - 1
	var elapsed, sumV float64
	good := 0
	for k := range j.series.I {
		elapsed += j.series.Dt[k]
		if !math.IsNaN(j.series.V[k]) {
			sumV += j.series.V[k]
			good++
		}
	}
	meanV := sumV / float64(max(good, 1))
	if n := len(j.rec.Readings.T); n > 0 {
		j.throughput = max(j.rec.Readings.Throughput[n-1], j.series.Amp*elapsed)
		j.elapsed = elapsed
	}
	if last >= 0 {
		j.energyThroughput = max(truth.EnergyIn[last]+truth.EnergyOut[last], j.series.Amp*elapsed*meanV)
	}
	e := j.sc.Expect
	chargeLimit, energyLimit, elapsedLimit := or(e.Charge, limitCharge), or(e.Energy, limitEnergy), or(e.Elapsed, limitElapsed)
	for i := range j.table.Columns {
		tc := &j.table.Columns[i]
		role, ok := roles[tc.Kind]
		if !ok || tc.Channel > 1 {
			continue
		}
		c := &cause.Column{Header: tc.Header, Role: role, Display: tc.Scale, Unit: tc.Unit,
			Printed: replay.Printed{Value: tc.Value, Unit: tc.Step}}
		switch {
		case role == cause.Elapsed:
			c.Scale, c.Limit = elapsed, elapsedLimit*elapsed
			c.Printed.Value = fromFirst(tc.Value, j)
		case role.IsEnergy():
			c.Scale, c.Limit = j.energyThroughput, energyLimit*j.energyThroughput
		default:
			c.Scale, c.Limit = j.throughput, chargeLimit*j.throughput
		}
		if allMissing(c.Printed.Value) {
			continue
		}
		j.columns = append(j.columns, c)
		j.guessed = append(j.guessed, tc.Guessed)
	}
}

// fromFirst makes an elapsed column count from the first reading, whatever it counted from. What a row shows that was written while readings
// failed is brought to its own reading where it stood at the last good one.
func fromFirst(v []float64, j *judge) []float64 {
	out := slices.Clone(v)
	defer j.onFromGood(out)
	for r, x := range v {
		if math.IsNaN(x) {
			continue
		}
		at := j.series.Run(replay.Meter{}, []int{j.at[r]}).Elapsed[0]
		for i := range out {
			out[i] += at - x
		}
		break
	}
	return out
}

// onFromGood adds the time since the last good reading to the rows that were written while readings failed, where they do not show it.
func (j *judge) onFromGood(v []float64) {
	if !j.series.HasFailed {
		return
	}
	now := j.series.Run(replay.Meter{}, j.index).Elapsed
	held := j.heldBy()
	for r, k := range j.at {
		if j.series.Good(k) || held[k] < 0 {
			continue
		}
		d, now := float64(j.series.Tick[k]-j.series.Tick[held[k]])/j.series.Hz, now[j.mark.Row[r]]
		if math.Abs(v[r]+d-now) < math.Abs(v[r]-now) {
			v[r] += d
		}
	}
}

func allMissing(v []float64) bool {
	for _, x := range v {
		if !math.IsNaN(x) {
			return false
		}
	}
	return true
}

func or(x, def float64) float64 {
	if x != 0 {
		return x
	}
	return def
}

// fit is the log under one healthy meter.
type fit struct {
	meter  replay.Meter
	totals *replay.Totals
	cols   []*replay.Unrolled
	fits   int     // columns within their limits
	cost   float64 // of the others and of these, in limits beyond the printed unit
}

// findRule finds the healthy meter that the whole log uses: one rule for all columns. Ties within a printed unit go to the
// counter, then to the trapezoid; where nothing fits, the meter is the trapezoid over the counter.
func (j *judge) findRule() {
	sources := []replay.Source{replay.Readings}
	if j.series.HasClock {
		sources = append(sources, replay.ReadingsRTC)
	}
	if j.series.Outruns() {
		sources = append(sources, replay.ReadingsShort)
	}
	bads := []replay.Bad{replay.Bridge}
	if j.series.HasFailed {
		bads = append(bads, replay.Hold)
		if j.series.Lone != nil {
			bads = append(bads, replay.HoldEach, replay.BridgeEach)
		}
	}
	zeros := []replay.FromZero{replay.Not}
	if j.series.FirstTick > 0 {
		zeros = append(zeros, replay.Full, replay.Half)
	}
	// A logger that said it does not count one direction is held to the other.
	side := replay.Net
	switch {
	case j.rec.Cannot["count-charge"]:
		side = replay.DischargeOnly
	case j.rec.Cannot["count-discharge"]:
		side = replay.ChargeOnly
	}
	sides := []replay.Side{side}
	if side == replay.Net && j.anewEachWay() {
		sides = append(sides, replay.Sized)
	}
	var best *fit
	burdens := []float64{0}
	if j.rec.Greeting.BusAt == 1 {
		burdens = append(burdens, float64(j.rec.Greeting.ShuntNohm)*1e-9)
	}
	for _, lag := range []replay.Lag{replay.NoLag, replay.LagSums, replay.LagAll} {
		for _, zero := range zeros {
			for _, src := range sources {
				for _, bad := range bads {
					for _, rule := range []replay.Rule{replay.Trapezoid, replay.Left, replay.Right} {
						for _, burden := range burdens {
							for _, side := range sides {
								m := replay.Meter{Rule: rule, Source: src, Bad: bad, FromZero: zero, Lag: lag, Side: side, Burden: burden}
								if f := j.try(m, best); f != nil {
									best = f
								}
							}
							if best.cost <= 0.05*float64(len(j.columns)) && best.fits == len(j.columns) {
								j.use(best)
								return
							}
						}
					}
				}
			}
		}
		// Totals printed before the row's own reading was added are rare: look only where nothing else fits all.
		if best.fits == len(j.columns) {
			break
		}
	}
	if best.fits == 0 {
		best = j.try(replay.Meter{Side: side}, nil)
	}
	j.use(best)
}

// anewEachWay says that a net total begins anew whenever the current turns round, so that it says how much flowed in each phase, whichever way:
// between two of its falls the current has one direction, and there are falls with either.
func (j *judge) anewEachWay() bool {
	var in, out [2][]float64
	for _, c := range j.columns {
		q := map[cause.Role]int{cause.Charge: 1, cause.Energy: 2}[c.Role] - 1
		v := c.Printed.Value
		falls := func(r int) bool { return r < len(v) && math.Abs(v[r]) < math.Abs(v[r-1])/2 }
		if q < 0 || !anyRow(1, len(v), falls) {
			continue
		}
		if in[0] == nil {
			_, in, out = j.integrals()
		}
		from, apart := 0, true
		var ways [2]bool
		for r := 1; r <= len(v) && apart; r++ {
			if r < len(v) && !falls(r) {
				continue
			}
			a, b := j.at[from], j.at[r-1]
			i, o := in[q][b]-in[q][a], out[q][b]-out[q][a]
			if i > 0 || o > 0 {
				ways[map[bool]int{true: 0, false: 1}[i > o]] = true
			}
			apart = min(i, o) <= nearlyNothing*max(i, o)
			from = r
		}
		if apart && ways[0] && ways[1] {
			return true
		}
	}
	return false
}

// anyRow says that one of the rows from a to before b is so.
func anyRow(a, b int, so func(int) bool) bool {
	for r := a; r < b; r++ {
		if so(r) {
			return true
		}
	}
	return false
}

// try compares the log with a healthy meter; it returns nil if that fits no better than the best so far.
func (j *judge) try(m replay.Meter, best *fit) *fit {
	trial := cause.NewComparison(j.series, j.index, j.mark, j.columns, true)
	worth := trial.With(m, func(least []float64) bool {
		f := fit{}
		for i, c := range j.columns {
			f.add(least[i], c.Limit)
		}
		return !math.IsNaN(f.cost) && !f.better(best)
	})
	if !worth {
		return nil
	}
	f := &fit{meter: m, totals: trial.Totals, cols: trial.Unrolled}
	for i, c := range j.columns {
		f.add(f.cols[i].Worst, c.Limit)
	}
	if !f.better(best) {
		return nil
	}
	return f
}

// add counts a column of which so much is left.
func (f *fit) add(left, limit float64) {
	x := left / limit
	if x <= 1 {
		f.fits++
	}
	f.cost += min(x, 4)
}

// better says that f fits more columns than the best, or as many and better; nil is the worst.
func (f *fit) better(best *fit) bool {
	return best == nil || f.fits > best.fits || f.fits == best.fits && f.cost < best.cost-1e-9
}

func (j *judge) use(f *fit) {
	j.meter, j.totals = f.meter, f.totals
	if f.meter.Side == replay.Sized {
		j.notes = append(j.notes, "totals begin anew with each direction of the current and say how much flowed, whichever way")
	}
	for i, c := range j.columns {
		c.Unrolled = f.cols[i]
	}
}

// unitsOfGuessed gives a column without a unit the unit in which it agrees, where V, A, Ah, Wh does not.
func (j *judge) unitsOfGuessed() {
	for i, c := range j.columns {
		if !j.guessed[i] || c.Role == cause.Elapsed || c.Unrolled.Worst <= c.Limit {
			continue
		}
		for _, s := range []float64{1e-3, 1 / 3600.0, 1 / 3600e3, 1e-6} {
			p := replay.Printed{Value: scaled(c.Printed.Value, s), Unit: scaled(c.Printed.Unit, s)}
			u := replay.Unroll(p, c.Role.Of(j.totals), j.mark, c.Limit)
			// A column that is nearly nothing in the new unit agrees with nearly nothing only.
			if u.Worst <= c.Limit && u.Raw < 0.2*c.Scale {
				c.Printed, c.Unrolled, c.Display = p, u, c.Display*s
				j.notes = append(j.notes, fmt.Sprintf("column %q names no unit; its values agree with the readings if one of its units is %.4g %s",
					c.Header, c.Display, siUnit(c.Role)))
				break
			}
		}
	}
}

func scaled(v []float64, s float64) []float64 {
	out := make([]float64, len(v))
	for i, x := range v {
		out[i] = x * s
	}
	return out
}

func siUnit(r cause.Role) string {
	switch {
	case r == cause.Elapsed:
		return "s"
	case r.IsEnergy():
		return "W·s"
	}
	return "A·s"
}

// truthOf is the truth of a role at the marked readings, and false if the run does not hold it.
func (j *judge) truthOf(r cause.Role) ([]float64, bool) {
	rd := &j.rec.Readings
	out := make([]float64, len(j.index))
	if j.meter.Side != replay.Net && (r == cause.Charge || r == cause.Energy) {
		return nil, false
	}
	for i, k := range j.index {
		switch r {
		case cause.Charge:
			out[i] = rd.Charge[k]
		case cause.ChargeIn:
			out[i] = (rd.Throughput[k] + rd.Charge[k]) / 2
		case cause.ChargeOut:
			out[i] = (rd.Throughput[k] - rd.Charge[k]) / 2
		case cause.Energy:
			out[i] = rd.Energy[k]
		default:
			return nil, false
		}
	}
	return out, true
}

// checkTotals makes the checks charge, energy and elapsed and marks the columns that hold.
func (j *judge) checkTotals() {
	j.checkTotal("charge", "1", func(r cause.Role) bool { return r == cause.Charge || r == cause.ChargeIn || r == cause.ChargeOut })
	j.checkTotal("energy", "1", cause.Role.IsEnergy)
	j.checkElapsed()
}

// checkTotal makes one check over the columns of its roles: the largest firmware part of any row over the throughput.
func (j *judge) checkTotal(name, unit string, of func(cause.Role) bool) {
	chk := verdict.Check{Name: name, Unit: unit}
	var worstExcess = math.Inf(-1)
	n := 0
	for _, c := range j.columns {
		if !of(c.Role) {
			continue
		}
		n++
		truth, known := j.truthOf(c.Role)
		// An anchor after a power cut is the restart check's business: truth goes on from where the log did.
		p := c.Role.Of(j.totals)
		c.OK = true
		for r, v := range c.Unrolled.Value {
			if math.IsNaN(v) {
				continue
			}
			i := j.mark.Row[r]
			res, unit := c.Unrolled.Residual[r], c.Printed.Unit[r]
			if known && len(j.rec.Steps) > 0 && math.Abs(v-truth[i]) <= math.Abs(p[i]-truth[i]) && math.Abs(res) < c.Scale/4 {
				// Nearer the truth than its readings are: calibrated or zeroed, healthy.
				if math.Abs(v-truth[i])+unit < math.Abs(res) {
					res = math.Copysign(math.Abs(v-truth[i]), res)
				}
			}
			excess := math.Abs(res) - unit - c.Limit
			if excess > 0 {
				c.OK = false
			}
			// Rows are compared by what is beyond their own printed unit.
			if excess/c.Scale > worstExcess {
				worstExcess = excess / c.Scale
				row := r + 1
				value, lim := res/c.Scale, (c.Limit+unit)/c.Scale
				low := -lim
				chk.Value, chk.LimitLow, chk.LimitHigh, chk.Row = &value, &low, &lim, &row
				if known {
					last := lastValue(c.Unrolled.Value)
					total := (c.Unrolled.Value[last] - truth[j.mark.Row[last]]) / c.Scale
					chk.Total = &total
				}
				chk.Detail = fmt.Sprintf("column %q", c.Header)
			}
		}
	}
	switch {
	case j.rec.Cannot["totals"]:
		chk.Skipped = "cannot totals"
	case name == "energy" && j.rec.Cannot["energy"]:
		chk.Skipped = "cannot energy"
	case n == 0:
		chk.Skipped = "the log has no " + name + " column"
	case chk.Value == nil:
		chk.Skipped = "no rows"
	default:
		ok := worstExcess <= 0
		chk.Pass = &ok
	}
	if chk.Skipped != "" {
		chk = verdict.Check{Name: name, Skipped: chk.Skipped}
		for _, c := range j.columns {
			if of(c.Role) {
				c.OK = true
			}
		}
	}
	j.checks = append(j.checks, chk)
}

func lastValue(v []float64) int {
	for r := len(v) - 1; r >= 0; r-- {
		if !math.IsNaN(v[r]) {
			return r
		}
	}
	return 0
}

// checkElapsed makes the check elapsed over elapsed columns and the tick column.
func (j *judge) checkElapsed() {
	chk := verdict.Check{Name: "elapsed", Unit: "1"}
	any := false
	bad := false
	worst := math.Inf(-1)
	note := func(res, unit, scale, limit float64, r int, header string) bool {
		any = true
		excess := math.Abs(res) - max(limit, unit)
		if scale > 0 && excess/scale > worst {
			worst = excess / scale
			row := r + 1
			value, lim := res/scale, max(limit, unit)/scale
			low := -lim
			chk.Value, chk.LimitLow, chk.LimitHigh, chk.Row = &value, &low, &lim, &row
			chk.Detail = fmt.Sprintf("column %q", header)
		}
		return excess <= 1e-9
	}
	for _, c := range j.columns {
		if c.Role != cause.Elapsed {
			continue
		}
		j.elapsedByOther(c)
		j.elapsedWhileFlowing(c)
		c.OK = true
		for r, v := range c.Unrolled.Value {
			if math.IsNaN(v) {
				continue
			}
			// The column may count any reading of its row's interval; half a period is no deviation of a clock.
			unit := c.Printed.Unit[r] + j.series.Period/2
			if !note(c.Unrolled.Residual[r], unit, c.Scale, c.Limit, r, c.Header) {
				c.OK, bad = false, true
			}
		}
	}
	if c := j.tickEnds(); c != nil {
		for r := range c.Unrolled.Value {
			if !note(c.Unrolled.Residual[r], c.Printed.Unit[r]+j.series.Period/2, c.Scale, c.Limit, r, c.Header) {
				bad = true
			}
		}
		j.columns, j.guessed = append(j.columns, c), append(j.guessed, false)
	}
	if c := j.tickColumn; c != nil && j.ticksFit {
		mask := j.series.Mask()
		for r, v := range c.Value {
			n, ok := j.counts(c, v)
			if !ok {
				continue
			}
			k := j.at[r]
			d := float64(0)
			offset := j.tickOffset[j.lifeOfRow(r)]
			if !j.fits[r] {
				d = float64(((n+offset-j.rec.Readings.Tick[k])&mask+mask/2)&mask - mask/2)
				if d == 0 {
					d = 1
				}
			} else if n < 0 && n+offset < 0 {
				// A counter is not negative: printed as signed.
				d = float64(n)
			}
			if !note(d/j.series.Hz, c.Step[r], j.elapsed, limitElapsed*j.elapsed, r, c.Header) {
				bad = true
				j.tickBad = true
			}
		}
	}
	switch {
	case !any && j.tickColumn == nil:
		chk = verdict.Check{Name: "elapsed", Skipped: "the log has no elapsed or tick column"}
	case !any:
		chk = verdict.Check{Name: "elapsed", Skipped: "no rows"}
	default:
		ok := !bad
		chk.Pass = &ok
	}
	j.checks = append(j.checks, chk)
}

// tickEnds makes a column of time of a counter that fits no reading, where its unit is known and it is the time that passed but for whole turns of a
// number that is too narrow for it; nil else: it may be another counter.
func (j *judge) tickEnds() *cause.Column {
	tc := j.tickColumn
	if tc == nil || j.ticksFit || tc.Scale <= 0 || len(j.at) < 10 {
		return nil
	}
	value, unit := make([]float64, len(tc.Value)), make([]float64, len(tc.Value))
	for r, v := range tc.Value {
		value[r], unit[r] = v*tc.Scale, tc.Step[r]*tc.Scale
	}
	c := &cause.Column{Header: tc.Header, Role: cause.Elapsed, Display: 1, Unit: "s", Printed: replay.Printed{Value: fromFirst(value, j), Unit: unit},
		Scale: j.elapsed, Limit: limitElapsed * j.elapsed}
	c.Unrolled = replay.Unroll(c.Printed, j.totals.Elapsed, j.mark, c.Limit)
	if c.Unrolled.Worst <= c.Limit || !cause.ComesToItsEnd(c) {
		return nil
	}
	return c
}

// elapsedByOther takes a column of elapsed time for that of the timebase by which the log does not count, where it is that: counter and
// clock are both there to be read.
func (j *judge) elapsedByOther(c *cause.Column) {
	if c.Unrolled.Worst <= c.Limit || !j.series.HasClock {
		return
	}
	m := j.meter
	switch m.Source {
	case replay.ReadingsRTC:
		m.Source = replay.Readings
	default:
		m.Source = replay.ReadingsRTC
	}
	if u := replay.Unroll(c.Printed, c.Role.Of(j.series.Run(m, j.index)), j.mark, c.Limit); u.Worst <= c.Limit {
		c.Unrolled = u
	}
}

// elapsedWhileFlowing takes a column of elapsed time for hours of use, where it is these: it stands while no current flows to speak of, by the
// newer reading of a step or by the older.
func (j *judge) elapsedWhileFlowing(c *cause.Column) {
	if c.Unrolled.Worst <= c.Limit || len(j.index) == 0 {
		return
	}
	s := j.series
	most := 0.0
	for _, i := range s.I {
		if a := math.Abs(i); a > most { // nan is not
			most = a
		}
	}
	all := j.series.Run(replay.Meter{}, j.index).Elapsed
	for _, least := range []float64{s.Amp / 2, 2.5 * s.Amp, 5.5 * s.Amp, 10.5 * s.Amp, most / 100, most / 20} {
		for _, newer := range []bool{true, false} {
			used, sum := make([]float64, len(s.I)), 0.0
			flows := false
			for k, i := range s.I {
				was := flows
				if s.Good(k) {
					flows = math.Abs(i) > least
				}
				if newer && flows || !newer && was {
					sum += s.TickDt[k]
				}
				used[k] = sum
			}
			totals := make([]float64, len(j.index))
			for n, k := range j.index {
				totals[n] = used[k] - used[j.index[0]] + all[0] // printed times were made to begin where all time stood then
			}
			if u := replay.Unroll(c.Printed, totals, j.mark, c.Limit); u.Worst <= c.Limit {
				c.Unrolled = u
				j.notes = append(j.notes, fmt.Sprintf("column %q stands while no current flows: hours of use", c.Header))
				return
			}
		}
	}
}

// blame splits logged minus truth at the last row into its four parts, which sum exactly (JUDGING.md).
func (j *judge) blame() map[string]verdict.Blame {
	out := map[string]verdict.Blame{}
	if len(j.index) == 0 {
		return out
	}
	healthy := j.meter
	trueTime := healthy
	trueTime.Source = replay.ReadingsTrue
	window := healthy
	window.Source = replay.WindowTrue
	type part struct {
		key           string
		net           cause.Role
		at            int // index into the totals
		logged, truth float64
	}
	var parts []part
	var rows []int // the totals of these alone are wanted
	for _, q := range []struct {
		key          string
		net, in, out cause.Role
	}{{"charge_As", cause.Charge, cause.ChargeIn, cause.ChargeOut}, {"energy_Ws", cause.Energy, cause.EnergyIn, cause.EnergyOut}} {
		truth, known := j.truthOf(q.net)
		logged, row, ok := j.netLogged(q.net, q.in, q.out)
		if ok && known {
			at := j.mark.Row[row]
			parts = append(parts, part{q.key, q.net, at, logged, truth[at]})
		}
	}
	slices.SortStableFunc(parts, func(a, b part) int { return cmp.Compare(a.at, b.at) })
	for _, p := range parts {
		rows = append(rows, j.index[p.at])
	}
	s1, s2 := j.series.Run(window, rows), j.series.Run(trueTime, rows)
	for n, p := range parts {
		a, b, c := p.net.Of(s1)[n], p.net.Of(s2)[n], p.net.Of(j.totals)[p.at]
		out[p.key] = verdict.Blame{Sampling: a - p.truth, FrontEnd: b - a, Clock: c - b, Firmware: p.logged - c}
	}
	return out
}

// netLogged is the net total of the last row that has one: of the net column, or of in less out.
func (j *judge) netLogged(net, in, out cause.Role) (v float64, row int, ok bool) {
	var plus, minus *cause.Column
	for _, c := range j.columns {
		switch c.Role {
		case net:
			r := lastValue(c.Unrolled.Value)
			return c.Unrolled.Value[r], r, !math.IsNaN(c.Unrolled.Value[r])
		case in:
			plus = c
		case out:
			minus = c
		}
	}
	if plus == nil || minus == nil {
		return 0, 0, false
	}
	r := min(lastValue(plus.Unrolled.Value), lastValue(minus.Unrolled.Value))
	v = plus.Unrolled.Value[r] - minus.Unrolled.Value[r]
	return v, r, !math.IsNaN(v)
}

// checkGoal makes the check total where the scenario asks for it: the whole rig against truth. A standard's accuracy binds
// front end, clock and firmware, since it is about the equipment.
func (j *judge) checkGoal(blame map[string]verdict.Blame) {
	chk := verdict.Check{Name: "total", Unit: "1"}
	e := j.sc.Expect
	acc, standard := e.Standard.Accuracy()
	if e.Total == 0 && !standard {
		chk = verdict.Check{Name: "total", Skipped: "not asked for"}
		j.checks = append(j.checks, chk)
		return
	}
	worst, seen := math.Inf(-1), false
	for _, q := range []struct {
		key          string
		scale, limit float64
	}{
		{"charge_As", j.throughput, pick(standard, acc.Charge(), e.Total)},
		{"energy_Ws", j.energyThroughput, pick(standard, acc.Energy(), e.Total)},
	} {
		b, ok := blame[q.key]
		if !ok || q.scale == 0 {
			continue
		}
		seen = true
		d := b.FrontEnd + b.Clock + b.Firmware
		if !standard {
			d += b.Sampling
		}
		v, lim := d/q.scale, q.limit
		low := -lim
		if math.Abs(v)-lim > worst {
			worst = math.Abs(v) - lim
			chk.Value, chk.LimitLow, chk.LimitHigh = &v, &low, &lim
			chk.Detail = q.key
		}
	}
	if !seen {
		chk = verdict.Check{Name: "total", Skipped: "the log has no totals"}
	} else {
		ok := worst <= 0
		chk.Pass = &ok
	}
	j.checks = append(j.checks, chk)
}

func pick(c bool, a, b float64) float64 {
	if c {
		return a
	}
	return b
}

// faced says whether reading k shows a clock.
func faced(r *emulator.Readings, k int) bool {
	return k >= 0 && k < len(r.Clock) && r.Clock[k] != link.NoClock
}
