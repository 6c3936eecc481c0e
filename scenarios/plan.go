package scenarios

import (
	"fmt"
	"math"

	"stuntcell/model"
	"stuntcell/model/quantity"
)

// Bounds of a plan.
const (
	maxSteps  = 1000  // after repeats
	maxTable  = 10000 // rows of a load table
	maxRepeat = 1000
	maxNested = 4 // groups within groups
)

// Defaults of a step.
const (
	// LoggerHold is how long the load must have been off before a step that the logger ends is over [ns].
	LoggerHold = 60 * second
	// A charge step that names no backstop gets both: so much of the rated capacity that age has left, and the time in which the wanted
	// current would move it, with some hours for the taper.
	backstopCharge = 1.3
	backstopTaper  = 12 * hour
)

// Durations in ns.
const (
	second = int64(1e9)
	minute = 60 * second
	hour   = 60 * minute
	day    = 24 * hour
)

// plannedStep is a step with the places that later messages point at.
type plannedStep struct {
	step model.Step
	at   *quantity.Map // the step as written
	ends *quantity.Map // its ends; an empty map if there are none
	// taper is the current at which the logger is to end a charge [A]. It is no end of the step's own, which would come first.
	taper float64
}

// planReader turns the steps of a file into those of the model, for one pack.
type planReader struct {
	pack *model.Pack
	// absolute admits volts of the pack, because the file names its own.
	absolute bool
	start    model.Options
	// rate, if not 0, is the current of every discharge instead of the file's.
	rate float64
	// open reads a file that is named in the plan; nil: none can be.
	open  func(name string) ([]byte, error)
	steps []plannedStep
	full  bool
}

func (r *planReader) list(f quantity.Field, depth int) {
	items := f.List()
	if f.IsList() && len(items) == 0 {
		f.Fail(f.Name()+" has no step", "at least one", "")
	}
	for _, item := range items {
		r.item(item, depth)
	}
}

// item reads a step or a group, with its repeats.
func (r *planReader) item(f quantity.Field, depth int) {
	m := f.Map()
	times := m.IntOr("repeat", 1, maxRepeat, 1)
	from := len(r.steps)
	if group, ok := m.Find("steps"); ok {
		if depth >= maxNested {
			group.Fail("groups within groups within groups", fmt.Sprintf("at most %d levels", maxNested), "")
		} else {
			r.list(group, depth+1)
		}
	} else {
		r.step(m)
	}
	m.Done()
	block := append([]plannedStep(nil), r.steps[from:]...)
	for i := int64(1); i < times; i++ {
		if len(r.steps)+len(block) > maxSteps {
			if !r.full {
				f.Fail(fmt.Sprintf("the plan has more than %d steps", maxSteps), "fewer repeats", "")
			}
			r.full = true
			return
		}
		r.steps = append(r.steps, block...)
	}
}

// step reads one step of the plan.
func (r *planReader) step(m *quantity.Map) {
	p := plannedStep{at: m}
	rest, isRest := m.Find("rest")
	charge, isCharge := m.Find("charge")
	discharge, isDischarge := m.Find("discharge")
	kinds := 0
	for _, is := range [...]bool{isRest, isCharge, isDischarge} {
		if is {
			kinds++
		}
	}
	if kinds != 1 {
		m.Fail("", "a step that is not one thing", "exactly one of rest, charge, discharge (or steps, for a group)", "")
		for _, key := range [...]string{"ends", "to", "float", "as", "pulse", "ripple", "table", "inverter", "store"} {
			m.Find(key) // known, so that one mistake is one message
		}
		return
	}
	switch {
	case isRest:
		p.step.Kind = model.Rest
		p.step.Ends.Time = rest.Nanoseconds(quantity.Above(0, years))
		p.ends = &quantity.Map{}
	case isCharge && r.whole(charge, m):
		return
	case isCharge:
		p.step.Kind = model.Charge
		r.load(&p, charge, m)
		r.limit(&p, m)
		r.ends(&p, m)
		r.backstops(&p)
	case isDischarge:
		p.step.Kind = model.Discharge
		r.load(&p, discharge, m)
		r.ends(&p, m)
	}
	if !isRest && m.Bool("store") {
		p.step.Store = true
		if r.start.Store == nil {
			m.Fail("store", "the file has no store", "store: {capacity: ...} beside the plan", "")
		}
	}
	r.steps = append(r.steps, p)
}

// usual is the word for half of the current that the pack may be charged with.
const usual = "usual"

// whole reads a charge by the rules of the pack's chemistry, {charge: 0.1 C, to: full}, and reports whether the step is one.
func (r *planReader) whole(level quantity.Field, m *quantity.Map) bool {
	const word = "full"
	to, _ := m.Find("to")
	if !to.IsText() || to.Text() != word {
		return false
	}
	for _, key := range [...]string{"ends", "as", "pulse", "ripple", "table", "inverter", "store"} {
		if _, ok := m.Find(key); ok {
			m.Fail(key, key+" beside to: full", "none: the chemistry says how its charge runs and ends", "to: absorb takes ends of your own")
		}
	}
	float := m.NanosecondsOr("float", quantity.Above(0, years), 0)
	if float > 0 && r.pack.Levels.Float == 0 {
		m.Fail("float", fmt.Sprintf("%s: %s is not floated", r.pack.Name, r.pack.Chemistry), "to: full without float", "")
		return true
	}
	rate := 0.0 // as usual
	given, v, ok := level.WordOrValue([]string{usual}, quantity.Rate, quantity.Current)
	switch {
	case !ok:
		return true
	case given == "":
		if err := quantity.Positive().Check(v); err != nil {
			level.FailWith(err)
			return true
		}
		rate = amperes(r.pack, v) / r.pack.Amps(1)
	}
	for _, step := range r.pack.ChargeSteps(rate, r.start.Ambient, float) {
		r.steps = append(r.steps, plannedStep{step: step, at: m, ends: &quantity.Map{}})
	}
	return true
}

// years bounds every duration of a file [s].
const years = 10 * 365 * 86400

// load reads the current, power, resistance or table of a step, and its shape.
func (r *planReader) load(p *plannedStep, level quantity.Field, m *quantity.Map) {
	load := &p.step.Load
	kinds := []quantity.Kind{quantity.Rate, quantity.Current}
	if p.step.Kind == model.Discharge {
		kinds = append(kinds, quantity.Power, quantity.Resistance)
	}
	word, v, ok := level.WordOrValue([]string{"rated", "table"}, kinds...)
	switch {
	case !ok:
	case word == "rated":
		load.Current = r.pack.Rated.Current()
	case word == "table":
		r.table(load, m)
	default:
		if err := quantity.Positive().Check(v); err != nil {
			level.FailWith(err)
			break
		}
		switch v.Kind {
		case quantity.Power:
			load.Power = v.SI
		case quantity.Resistance:
			load.Resistance = v.SI
		default:
			load.Current = amperes(r.pack, v)
		}
	}
	if r.rate != 0 && load.Current != 0 && p.step.Kind == model.Discharge {
		load.Current = r.pack.Amps(r.rate)
	}
	if word != "table" && m.Has("table") {
		m.Fail("table", "a table beside a level", "either a level, or `table` as the level and the rows under table", "")
		m.Find("table")
	}
	if f, ok := m.Find("as"); ok {
		r.as(load, f, p.step.Kind)
	}
	if f, ok := m.Find("inverter"); ok {
		r.inverter(p, f)
	}
	if f, ok := m.Find("pulse"); ok {
		r.pulse(load, f)
	}
	if f, ok := m.Find("ripple"); ok {
		ripple := f.Map()
		load.RippleHz = ripple.Quantity("rate", quantity.Frequency, quantity.Above(0, 1e5))
		load.Ripple = ripple.Quantity("share", quantity.Ratio, quantity.Between(0, 1))
		ripple.Done()
	}
	if word == "table" && (load.Period != 0 || load.RippleHz != 0) {
		m.Fail("table", "a table with a pulse or ripple on top", "one shape of load", "put the pulse into the table's rows")
	}
}

// as turns a current into the power or the resistance that takes it at the pack's nominal voltage, so that such loads fit any pack too.
func (r *planReader) as(load *model.Load, f quantity.Field, kind model.StepKind) {
	word := f.Word("power", "resistance")
	if kind != model.Discharge || load.Current == 0 {
		f.Fail("as goes with a discharge at a current", "a rate or a current, such as {discharge: 0.5 C, as: power}", "")
		return
	}
	switch word {
	case "power":
		load.Power, load.Current = load.Current*r.pack.Nominal(), 0
	case "resistance":
		load.Resistance, load.Current = r.pack.Nominal()/load.Current, 0
	}
}

// inverter reads what stands between the pack and the power that is wanted.
func (r *planReader) inverter(p *plannedStep, f quantity.Field) {
	m := f.Map()
	load := &p.step.Load
	if p.step.Kind != model.Discharge || load.Power == 0 {
		f.Fail("an inverter goes with a discharge at a power", "a power, such as {discharge: 60 W, inverter: {...}}", "as: power makes a power of a rate")
	}
	v := &model.Inverter{
		Rated:   m.QuantityOr("rated", quantity.Power, quantity.Positive(), math.Inf(1)),
		Idle:    m.QuantityOr("idle", quantity.Power, quantity.NotNegative(), 0),
		Delay:   m.NanosecondsOr("delay", quantity.Between(0, 86400), 0),
		Standby: m.QuantityOr("standby", quantity.Power, quantity.NotNegative(), 0),
	}
	if math.IsInf(v.Rated, 1) {
		v.Rated = load.Power
	}
	if load.Power > v.Rated {
		m.Fail("rated", "more power is asked than the inverter gives", "at least the step's power", "")
	}
	var x, y []float64
	for _, row := range m.List("efficiency") {
		pair := row.List()
		if len(pair) != 2 {
			row.Fail(fmt.Sprintf("a row of %d values", len(pair)), "two, such as [50 %, 90 %]", "")
			continue
		}
		x = append(x, pair[0].Quantity(quantity.Ratio, quantity.Between(0, 1)))
		y = append(y, pair[1].Quantity(quantity.Ratio, quantity.Above(0, 1)))
	}
	if f, ok := m.Find("efficiency"); ok {
		curve, err := model.NewCurve(x, y)
		if err != nil {
			f.FailWith(err)
		}
		v.Efficiency = curve
	}
	if f, ok := m.Find("lockout"); ok {
		v.Lockout = r.volts(f, p, []string{"end", "floor"})
		// It starts again so much above its lockout.
		if f, ok := m.Find("restart"); ok {
			v.Restart = v.Lockout * (1 + f.Quantity(quantity.Ratio, quantity.Above(0, 1)))
		}
	}
	m.Done()
	load.Inverter = v
}

// pulse reads a switched load.
func (r *planReader) pulse(load *model.Load, f quantity.Field) {
	pulse := f.Map()
	load.Period = pulse.Get("every").Nanoseconds(quantity.Between(1e-3, 86400))
	load.On = pulse.Get("on").Nanoseconds(quantity.Between(1e-4, 86400))
	load.Low = pulse.QuantityOr("low", quantity.Ratio, quantity.Between(0, 1), 0)
	load.Phase = pulse.NanosecondsOr("phase", quantity.Between(0, 86400), 0)
	pulse.Done()
	if load.Period > 0 && load.On >= load.Period {
		pulse.Fail("on", "the pulse is on for the whole of its period", "less than every", "leave the pulse out for a steady load")
	}
}

// table reads the rows of a load table: instants from 0 s, in order, each with a current.
func (r *planReader) table(load *model.Load, m *quantity.Map) {
	rows := m.Get("table")
	if rows.IsText() {
		load.Table = r.tableFile(rows)
		return
	}
	for i, row := range rows.List() {
		if i >= maxTable {
			row.Fail("the table is too long", fmt.Sprintf("at most %d rows", maxTable), "")
			return
		}
		pair := row.List()
		if len(pair) != 2 {
			row.Fail(fmt.Sprintf("a row of %d values", len(pair)), "two, such as [10 s, 0.5 C]", "")
			continue
		}
		at := pair[0].Nanoseconds(quantity.Between(0, years))
		v, ok := pair[1].Value(quantity.Rate, quantity.Current)
		if !ok {
			continue
		}
		if err := quantity.NotNegative().Check(v); err != nil {
			pair[1].FailWith(err)
			continue
		}
		if n := len(load.Table); n == 0 && at != 0 {
			pair[0].Fail("the table begins late", "0 s in its first row", "")
		} else if n > 0 && at <= load.Table[n-1].T {
			pair[0].Fail("the table runs backwards", "a later instant than in the row above", "")
			continue
		}
		load.Table = append(load.Table, model.LoadPoint{T: at, Current: amperes(r.pack, v)})
	}
	if rows.IsList() && len(load.Table) == 0 {
		rows.Fail("the table has no usable row", "rows such as [0 s, 0.5 C]", "")
	}
}

// tableFile reads a load table from a CSV file.
func (r *planReader) tableFile(f quantity.Field) []model.LoadPoint {
	if r.open == nil {
		f.Fail("a load table cannot be read from a file here", "rows such as [0 s, 0.5 C]", "")
		return nil
	}
	data, err := r.open(f.Text())
	if err != nil {
		f.FailWith(err)
		return nil
	}
	rows, err := model.ReadLoadTable(f.Text(), data)
	if err != nil {
		f.FailWith(err)
	}
	return rows
}

// limit reads the voltage that a charge holds.
func (r *planReader) limit(p *plannedStep, m *quantity.Map) {
	p.step.Voltage = r.volts(m.Get("to"), p, []string{"absorb", "float", "equalise", "full"})
}

// volts reads a level of the pack: a word that the pack resolves for the step's rate or, in a file that names its own pack, volts.
func (r *planReader) volts(f quantity.Field, p *plannedStep, words []string) float64 {
	if f.IsText() {
		if v, err := quantity.Parse(f.Text(), quantity.Voltage, quantity.CellVoltage); err == nil && !(v.Kind == quantity.Voltage && r.absolute) {
			hint := "only a file that names its own pack may give volts, and then those of the whole pack"
			f.Fail(fmt.Sprintf("%s is given as %s", f.Name(), v), "one of "+join(words), hint)
			return 0
		}
	}
	word, v, ok := f.WordOrValue(words, quantity.Voltage)
	switch {
	case !ok:
		return 0
	case word == "":
		if err := quantity.Positive().Check(v); err != nil {
			f.FailWith(err)
		}
		return v.SI
	}
	ambient := r.start.Ambient
	if ambient == 0 {
		ambient = r.pack.Cell.Reference
	}
	volts, err := r.pack.LevelAt(word, p.step.Load.Mean(r.pack.Nominal()), ambient)
	if err != nil {
		f.FailWith(err)
	}
	return volts
}

// ends reads what ends a charge or a discharge.
func (r *planReader) ends(p *plannedStep, m *quantity.Map) {
	f, ok := m.Find("ends")
	if !ok {
		p.ends = &quantity.Map{}
		if p.step.Kind == model.Discharge {
			m.Fail("discharge", "nothing would end this step", "ends: with one of voltage, time, charge, logger", "unsafe-end")
		}
		return
	}
	e := f.Map()
	p.ends = e
	ends := &p.step.Ends
	ends.Time = e.NanosecondsOr("time", quantity.Above(0, years), 0)
	if f, ok := e.Find("charge"); ok {
		if v, ok := f.Value(quantity.Charge, quantity.Ratio); ok {
			if err := quantity.Positive().Check(v); err != nil {
				f.FailWith(err)
			}
			ends.Charge = v.SI
			if v.Kind == quantity.Ratio {
				ends.Charge = v.SI * r.pack.Rated.Charge
			}
		}
	}
	if f, ok := e.Find("temperature"); ok {
		ends.Temperature = f.Quantity(quantity.Temperature, quantity.Between(233.15, 373.15))
	}
	if f, ok := e.Find("voltage"); ok {
		words := []string{"end", "floor"}
		if p.step.Kind == model.Charge {
			words = []string{"absorb", "float"}
		}
		ends.Voltage = r.volts(f, p, words)
	}
	if f, ok := e.Find("for"); ok {
		ends.VoltageFor = f.Nanoseconds(quantity.Between(0, 86400))
		if !e.Has("voltage") {
			f.Fail("for without a voltage", "voltage: beside it", "")
		}
	}
	if p.step.Kind == model.Charge {
		r.chargeEnds(p, e)
	} else {
		r.dischargeEnds(p, e)
	}
	e.Done()
}

// chargeEnds reads what only ends a charge.
func (r *planReader) chargeEnds(p *plannedStep, e *quantity.Map) {
	ends := &p.step.Ends
	if f, ok := e.Find("current"); ok {
		ends.Current = r.taper(f)
	}
	if f, ok := e.Find("slope"); ok {
		word, v, ok := f.WordOrValue([]string{"falling"}, quantity.Voltage, quantity.CellVoltage)
		switch {
		case !ok:
		case word != "" && r.pack.Levels.Falling == 0:
			f.Fail(fmt.Sprintf("%s: a charge of %s does not end by falling voltage", r.pack.Name, r.pack.Chemistry), "current: taper", "")
		case word != "":
			ends.Slope = r.pack.Volts(r.pack.Levels.Falling)
		case !(v.SI > 0):
			f.FailWith(quantity.Positive().Check(v))
		case v.Kind == quantity.CellVoltage:
			ends.Slope = r.pack.Volts(v.SI)
		default:
			ends.Slope = v.SI
		}
	}
	if f, ok := e.Find("logger"); ok {
		p.taper = r.taper(f)
		ends.Logger = p.step.Voltage
		ends.Hold = e.NanosecondsOr("hold", quantity.Between(1, 86400), LoggerHold)
	}
}

// taper reads the current that ends a charge.
func (r *planReader) taper(f quantity.Field) float64 {
	word, v, ok := f.WordOrValue([]string{"taper"}, quantity.Rate, quantity.Current)
	switch {
	case !ok:
		return 0
	case word == "":
		if err := quantity.Positive().Check(v); err != nil {
			f.FailWith(err)
		}
		return amperes(r.pack, v)
	}
	return r.pack.Taper()
}

// dischargeEnds reads what only ends a discharge.
func (r *planReader) dischargeEnds(p *plannedStep, e *quantity.Map) {
	ends := &p.step.Ends
	if f, ok := e.Find("logger"); ok {
		ends.Logger = r.volts(f, p, []string{"end", "floor"})
		ends.Logger *= 1 + e.QuantityOr("margin", quantity.Ratio, quantity.Between(0, 0.2), 0)
		ends.Hold = e.NanosecondsOr("hold", quantity.Between(1, 86400), LoggerHold)
		if !e.Has("floor") {
			f.Fail("the logger's stop has nothing behind it", "floor: floor beside it, at which the bench ends the step", "unsafe-end")
		}
	}
	if f, ok := e.Find("floor"); ok {
		ends.Floor = r.volts(f, p, []string{"floor"})
		if !e.Has("logger") {
			f.Fail("a floor without a logger", "voltage: floor, if the step is to end there", "floor is the bench's stop behind the logger's")
		}
	}
	if !e.Has("time") && !e.Has("charge") && !e.Has("voltage") && !e.Has("logger") {
		e.Fail("", "nothing would end this discharge for certain", "one of voltage, time, charge, logger", "unsafe-end")
	}
}

// backstops gives a charge the time and the charge at which it ends whatever the pack does.
func (r *planReader) backstops(p *plannedStep) {
	ends, amps := &p.step.Ends, p.step.Load.Mean(r.pack.Nominal())
	if ends.Charge == 0 {
		ends.Charge = backstopCharge * r.pack.Rated.Charge * r.pack.Health
	}
	if ends.Time == 0 && amps > 0 {
		ends.Time = int64(math.Min(ends.Charge/amps, years)*1e9) + backstopTaper
	}
}

// amperes makes amperes of a rate or a current.
func amperes(p *model.Pack, v quantity.Value) float64 {
	if v.Kind == quantity.Rate {
		return p.Amps(v.SI)
	}
	return v.SI
}
