package model

import (
	"fmt"
	"math"
	"sync"

	"stuntcell/model/chemistry"
	"stuntcell/model/quantity"
)

// recipe is what chemistry and pack files say, relative to the rated capacity where the figure scales with it.
type recipe struct {
	name, summary string
	family        Family
	cell          Cell    // Resistance and Pairs[].Resistance are drops at 1 C [V], Gassing.Current is in C
	ohms          float64 // R0 of the whole pack [ohm], 0: from the drop
	whole         float64 // all charge over the rated
	rate          Rate
	slow, fast    float64
	heat          Heat // of one cell an Ah
	levels        Levels
	// Limits: currents in C, voltage of one cell; the pack's own are in amperes.
	limits Limits
	amps   Limits
}

// PackNames lists the packs on board, in order.
func PackNames() []string { return chemistry.PackNames() }

// PackByName returns a pack that is on board.
func PackByName(name string) (*Pack, error) {
	if p, ok := solved.Load(name); ok {
		own := *p.(*Pack)
		return &own, nil
	}
	data, ok := chemistry.PackFile(name)
	if !ok {
		hint := ""
		if near := quantity.Nearest(name, PackNames()); near != "" {
			hint = fmt.Sprintf(" (hint: %s?)", near)
		}
		return nil, fmt.Errorf("no pack %q on board%s", name, hint)
	}
	p, err := LoadPack(name+".yaml", data)
	if err == nil {
		own := *p
		solved.Store(name, &own)
	}
	return p, err
}

// solved holds the packs on board by name, each once it was asked for: a pack of two wells takes milliseconds to solve.
var solved sync.Map

// PackFile returns the file of a pack on board, to show or hash, ok false if there is none.
func PackFile(name string) (data []byte, ok bool) { return chemistry.PackFile(name) }

// PackDescription is what a list says of a pack.
type PackDescription struct {
	Name, Summary string
	Family        Family
	Volts         float64 // nominal [V]
	Charge        float64 // rated [A·s]
}

// DescribePack returns what a pack on board is about without solving for its constants, which may take longer than all else that a list
// does. ok is false if there is none of that name.
func DescribePack(name string) (d PackDescription, ok bool) {
	data, ok := chemistry.PackFile(name)
	if !ok {
		return PackDescription{}, false
	}
	p, r, err := readPack(quantity.Read(name, data).Root())
	if err != nil {
		panic(err) // the packs are part of the program, and tests read them all
	}
	p.Cell = r.cell
	return PackDescription{Name: name, Summary: p.Summary, Family: r.family, Volts: p.Nominal(), Charge: p.Rated.Charge}, true
}

// LoadPack reads a pack file; file is its name for messages. A pack needs its chemistry, cells in series and a rating; every key of a
// chemistry file may stand in it too and then replaces the chemistry's. The error is quantity.Diagnostics.
func LoadPack(file string, data []byte) (*Pack, error) {
	doc := quantity.Read(file, data)
	p, r, err := readPack(doc.Root())
	if err == nil {
		err = doc.Err()
	}
	if err != nil {
		return nil, err
	}
	if err := p.make(r); err != nil {
		doc.Root().Fail("rated", fmt.Sprintf("%s: %v", p.Name, err), "", "")
		return nil, doc.Err()
	}
	return p, nil
}

// readPack reads what a pack file and its chemistry say; nothing is solved yet. The error is the chemistry's.
func readPack(m *quantity.Map) (*Pack, *recipe, error) {
	r := &recipe{}
	p := &Pack{Health: 1}
	p.Name = m.Text("pack")
	p.Summary = m.TextOr("summary", "")
	p.Chemistry = m.Word("chemistry", chemistry.Names()...)
	if p.Chemistry != "" {
		var err error
		if r, err = readChemistry(p.Chemistry); err != nil {
			return nil, nil, err
		}
	}
	p.Series = int(m.Int("cells", 1, 400))
	p.Parallel = int(m.IntOr("parallel", 1, 100, 1))
	if rated := m.Get("rated"); rated.Present() {
		q := rated.Map()
		p.Rated.Charge = q.Quantity("capacity", quantity.Charge, quantity.Between(3.6, 3.6e8))
		p.Rated.Hours = q.Quantity("time", quantity.Time, quantity.Between(60, 1000*3600))
		p.Rated.End = p.readVolts(q, "end", quantity.Positive())
		for _, row := range q.List("table") {
			x := row.Map()
			r := RatedRow{Hours: x.Quantity("time", quantity.Time, quantity.Between(60, 1000*3600)), Charge: x.Quantity("capacity", quantity.Charge, quantity.Between(3.6, 3.6e8)), End: p.Rated.End}
			if x.Has("end") {
				r.End = p.readVolts(x, "end", quantity.Positive())
			}
			x.Done()
			if r.Hours > 0 && r.Charge > 0 && r.End > 0 {
				p.Table = append(p.Table, r)
			}
		}
		q.Done()
	}
	if f, ok := m.Find("resistance"); ok {
		r.ohms = f.Quantity(quantity.Resistance, quantity.Above(0, 1000))
	}
	r.read(m, false)
	p.readCells(m)
	m.Done()
	return p, r, nil
}

// readCells reads how the cells differ and the protection board.
func (p *Pack) readCells(m *quantity.Map) {
	share := quantity.Between(0, 0.3)
	if q, ok := m.Map("spread"); ok {
		p.Spread = Spread{q.QuantityOr("capacity", quantity.Ratio, share, 0), q.QuantityOr("charge", quantity.Ratio, share, 0),
			q.QuantityOr("resistance", quantity.Ratio, share, 0)}
		q.Done()
	}
	q, ok := m.Map("board")
	if !ok {
		return
	}
	volts, delay := quantity.Between(0.1, 10), quantity.Between(0, 3600)
	if x, ok := q.Map("low"); ok {
		p.Board.Low = x.Quantity("at", quantity.Voltage, volts)
		p.Board.LowDelay = x.NanosecondsOr("delay", delay, 0)
		p.Board.LowRelease = x.QuantityOr("release", quantity.Voltage, volts, p.Board.Low)
		if p.Board.LowRelease < p.Board.Low {
			x.Fail("release", "the board would release below the voltage at which it opens", "a release at or above "+quantity.Value{Kind: quantity.Voltage, SI: p.Board.Low}.String(), "")
		}
		x.Done()
	}
	if x, ok := q.Map("high"); ok {
		p.Board.High = x.Quantity("at", quantity.Voltage, volts)
		p.Board.HighDelay = x.NanosecondsOr("delay", delay, 0)
		p.Board.HighRelease = x.QuantityOr("release", quantity.Voltage, volts, p.Board.High)
		if p.Board.HighRelease > p.Board.High {
			x.Fail("release", "the board would release above the voltage at which it opens", "a release at or below "+quantity.Value{Kind: quantity.Voltage, SI: p.Board.High}.String(), "")
		}
		x.Done()
	}
	if x, ok := q.Map("current"); ok {
		p.Board.Current = x.Quantity("at", quantity.Current, quantity.Positive())
		p.Board.CurrentDelay = x.NanosecondsOr("delay", delay, 0)
		x.Done()
	}
	q.Done()
}

// readVolts reads a voltage of the pack, or of a cell, as volts of the pack.
func (p *Pack) readVolts(m *quantity.Map, key string, r quantity.Range) float64 {
	f := m.Get(key)
	v, ok := f.Value(quantity.Voltage, quantity.CellVoltage)
	if !ok {
		return 0
	}
	if err := r.Check(v); err != nil {
		f.FailWith(err)
		return 0
	}
	if v.Kind == quantity.CellVoltage {
		return v.SI * float64(p.Series)
	}
	return v.SI
}

// readChemistry reads a chemistry that is on board.
func readChemistry(name string) (*recipe, error) {
	data, ok := chemistry.File(name)
	if !ok {
		return nil, fmt.Errorf("no chemistry %q on board", name)
	}
	doc := quantity.Read(name+".yaml", data)
	m := doc.Root()
	r := &recipe{}
	r.name = m.Text("chemistry")
	r.summary = m.Text("summary")
	r.family = Family(m.Word("family", string(LeadAcid), string(Lithium), string(Nickel)))
	r.read(m, true)
	m.Done()
	return r, doc.Err()
}

// read takes over the keys that chemistry and pack files share; whole says that none of the basic ones may be missing.
func (r *recipe) read(m *quantity.Map, whole bool) {
	field := func(key string) (quantity.Field, bool) {
		if whole {
			f := m.Get(key)
			return f, f.Present()
		}
		return m.Find(key)
	}
	ratio := quantity.Between(0, 1e5)
	if f, ok := field("reference"); ok {
		r.cell.Reference = f.Quantity(quantity.Temperature, quantity.Between(250, 330))
	}
	if f, ok := field("ocv"); ok {
		r.cell.OCV = readCurve(f, quantity.Ratio, quantity.Voltage, quantity.Between(-1, 10))
		if !r.cell.OCV.IsZero() && !r.cell.OCV.rises() {
			f.Fail("the voltage at rest does not rise with charge", "each voltage above the one before", "")
		}
	}
	if f, ok := m.Find("ocv_temperature"); ok {
		r.cell.OCVPerKelvin = f.Quantity(quantity.VoltagePerKelvin, quantity.Between(-0.01, 0.01))
	}
	if f, ok := field("drop"); ok {
		r.cell.Resistance = f.Quantity(quantity.Voltage, quantity.Above(0, 2))
	}
	if f, ok := m.Find("drop_discharging"); ok {
		r.cell.Discharging = readCurve(f, quantity.Ratio, quantity.Ratio, ratio)
	}
	if f, ok := m.Find("drop_charging"); ok {
		r.cell.Charging = readCurve(f, quantity.Ratio, quantity.Ratio, ratio)
	}
	if f, ok := field("pairs"); ok {
		r.cell.Pairs = nil
		for i, pair := range f.List() {
			if i == 3 {
				pair.Fail("a fourth RC pair", "at most three", "")
				break
			}
			q := pair.Map()
			r.cell.Pairs = append(r.cell.Pairs, Pair{
				Resistance: q.Quantity("drop", quantity.Voltage, quantity.Above(0, 2)),
				Tau:        q.Quantity("time", quantity.Time, quantity.Between(1e-3, 1e6))})
			q.Done()
		}
	}
	if f, ok := field("whole"); ok {
		r.whole = f.Quantity(quantity.Ratio, quantity.Between(1, 2))
	}
	if f, ok := field("rate"); ok {
		r.rate = readRate(f.Map())
	}
	if q, ok := m.Map("temperature"); ok {
		r.slow = q.QuantityOr("capacity", quantity.RatioPerKelvin, quantity.Between(0, 0.05), r.slow)
		r.fast = q.QuantityOr("capacity_fast", quantity.RatioPerKelvin, quantity.Between(0, 0.05), r.slow)
		r.cell.ResistancePerKelvin = q.QuantityOr("resistance", quantity.RatioPerKelvin, quantity.Between(0, 0.1), r.cell.ResistancePerKelvin)
		q.Done()
	}
	if q, ok := m.Map("heat"); ok {
		r.heat.Capacity = q.Quantity("capacity", quantity.HeatCapacity, quantity.Above(0, 1e6))
		r.heat.Resistance = q.Quantity("resistance", quantity.HeatResistance, quantity.Above(0, 1e6))
		q.Done()
	}
	if q, ok := m.Map("gassing"); ok {
		g := &r.cell.Gassing
		g.Current = q.Quantity("current", quantity.Rate, quantity.Between(0, 1))
		g.Volts = q.Quantity("at", quantity.Voltage, quantity.Between(0.5, 5))
		g.Fold = q.Quantity("decade", quantity.Voltage, quantity.Above(0.01, 1)) / math.Ln10
		g.PerKelvin = q.QuantityOr("temperature", quantity.RatioPerKelvin, quantity.Between(0, 0.2), 0)
		q.Done()
	}
	if f, ok := m.Find("acceptance"); ok {
		r.cell.Acceptance = readCurve(f, quantity.Ratio, quantity.Ratio, quantity.Between(0, 1))
	}
	if q, ok := m.Map("hysteresis"); ok {
		r.cell.Hysteresis.Volts = q.Quantity("half_gap", quantity.Voltage, quantity.Between(0, 0.5))
		// The share of the charge after which 1/e of the old direction is left.
		r.cell.Hysteresis.PerCharge = 1 / q.Quantity("turns_over", quantity.Ratio, quantity.Between(1e-4, 1))
		q.Done()
	}
	if f, ok := m.Find("self_discharge"); ok {
		r.cell.SelfDischarge = f.Quantity(quantity.RatioPerTime, quantity.Between(0, 1e-4))
	}
	if f, ok := m.Find("reversal"); ok {
		r.cell.Reversal = f.Quantity(quantity.Voltage, quantity.Between(-3, 0))
	}
	r.readLevels(m, whole)
	r.readLimits(m, whole)
}

func (r *recipe) readLevels(m *quantity.Map, whole bool) {
	q, ok := m.Map("levels")
	if !ok {
		if whole {
			m.Get("levels")
		}
		return
	}
	if f, ok := q.Find("end"); ok {
		x, y := readPoints(f, quantity.Rate, quantity.Voltage, quantity.Between(0.1, 10))
		for i := range x {
			if !(x[i] > 0) {
				f.Fail("a rate of the end table is not above 0", "a rate, such as 0.2 C", "")
				return
			}
			x[i] = math.Log(x[i])
		}
		if len(x) == 1 {
			x, y = []float64{x[0], x[0] + 1}, []float64{y[0], y[0]}
		}
		if len(x) > 1 {
			k, err := NewCurve(x, y)
			if err != nil {
				f.FailWith(err)
			}
			r.levels.End = k
		}
	}
	volts := func(key string, def float64) float64 {
		return q.QuantityOr(key, quantity.Voltage, quantity.Between(0, 10), def)
	}
	r.levels.FloorBelow = volts("floor_below", r.levels.FloorBelow)
	r.levels.Absorb = volts("absorb", r.levels.Absorb)
	r.levels.Float = volts("float", r.levels.Float)
	r.levels.Equalise = volts("equalise", r.levels.Equalise)
	r.levels.Falling = volts("falling", r.levels.Falling)
	r.levels.PerKelvin = q.QuantityOr("compensation", quantity.VoltagePerKelvin, quantity.Between(-0.02, 0.02), r.levels.PerKelvin)
	r.levels.Taper = q.QuantityOr("taper", quantity.Rate, quantity.Above(0, 1), r.levels.Taper)
	q.Done()
	if whole && (r.levels.End.IsZero() || r.levels.Absorb == 0 || r.levels.Taper == 0 || r.levels.FloorBelow == 0) {
		m.Fail("levels", "levels are incomplete", "end, floor_below, absorb and taper", "")
	}
}

func (r *recipe) readLimits(m *quantity.Map, whole bool) {
	q, ok := m.Map("limits")
	if !ok {
		if whole {
			m.Get("limits")
		}
		return
	}
	current := func(key string, rate, amps *float64) {
		f, ok := q.Find(key)
		if !ok {
			return
		}
		v, ok := f.Value(quantity.Rate, quantity.Current)
		if !ok {
			return
		}
		if err := quantity.Above(0, 1e5).Check(v); err != nil {
			f.FailWith(err)
		} else if v.Kind == quantity.Rate {
			*rate, *amps = v.SI, 0
		} else {
			*rate, *amps = 0, v.SI
		}
	}
	current("charge", &r.limits.ChargeCurrent, &r.amps.ChargeCurrent)
	current("discharge", &r.limits.DischargeCurrent, &r.amps.DischargeCurrent)
	current("fuse", &r.limits.Fuse, &r.amps.Fuse)
	if v := q.QuantityOr("charge_voltage", quantity.Voltage, quantity.Between(0.5, 10), 0); v > 0 {
		r.limits.ChargeVoltage = v
	}
	if v := q.QuantityOr("lowest_to_charge", quantity.Voltage, quantity.Between(0, 10), 0); v > 0 {
		r.limits.LowestToCharge = v
	}
	temperature := quantity.Between(220, 360)
	if t, ok := q.Map("charge_temperature"); ok {
		r.limits.Coldest = t.Quantity("coldest", quantity.Temperature, temperature)
		r.limits.Hottest = t.Quantity("hottest", quantity.Temperature, temperature)
		t.Done()
	}
	if t, ok := q.Map("discharge_temperature"); ok {
		r.limits.ColdestDischarge = t.Quantity("coldest", quantity.Temperature, temperature)
		t.Done()
	}
	q.Done()
}

func readRate(q *quantity.Map) Rate {
	var r Rate
	r.Model = RateModel(q.Word("model", string(NoRate), string(Peukert), string(TwoWell)))
	switch r.Model {
	case Peukert:
		r.K = q.Get("k").Number(quantity.Between(1, 2))
		r.Recovery = q.Quantity("recovery", quantity.Time, quantity.Between(1, 1e6))
	case TwoWell:
		// Its two constants, or the exponent that they are to follow.
		if q.Has("well") || q.Has("flow") {
			r.Well = q.Quantity("well", quantity.Ratio, quantity.Between(0.01, 0.99))
			r.Flow = q.Quantity("flow", quantity.RatioPerTime, quantity.Between(1e-8, 10))
			r.K = 1
		} else {
			r.K = q.Get("k").Number(quantity.Between(1.001, 1.6))
		}
	}
	q.Done()
	return r
}

// readPoints reads a table of pairs in the order of x.
func readPoints(f quantity.Field, kx, ky quantity.Kind, ry quantity.Range) (x, y []float64) {
	for _, row := range f.List() {
		pair := row.List()
		if len(pair) != 2 {
			row.Fail(fmt.Sprintf("a row of %d values", len(pair)), fmt.Sprintf("two, such as [%s, %s]", kx.Example(), ky.Example()), "")
			return nil, nil
		}
		a := pair[0].Quantity(kx, quantity.Any())
		b := pair[1].Quantity(ky, ry)
		if n := len(x); n > 0 && !(a > x[n-1]) {
			pair[0].Fail(fmt.Sprintf("%s is not above the row before", quantity.Value{Kind: kx, SI: a}), "rows in rising order", "")
			return nil, nil
		}
		x, y = append(x, a), append(y, b)
	}
	return x, y
}

func readCurve(f quantity.Field, kx, ky quantity.Kind, ry quantity.Range) Curve {
	x, y := readPoints(f, kx, ky, ry)
	if len(x) == 0 {
		return Curve{}
	}
	k, err := NewCurve(x, y)
	if err != nil {
		f.FailWith(err)
	}
	return k
}

// make turns the recipe into the pack and solves for the whole charge, so that the pack delivers what it claims.
func (p *Pack) make(r *recipe) error {
	p.Family, p.Cell, p.Rate = r.family, r.cell, r.rate
	p.CapacityPerKelvin, p.CapacityPerKelvinFast = r.slow, r.fast
	p.Levels = r.levels
	perC := p.Rated.Charge / 3600 / float64(p.Parallel) // amperes of a cell at 1 C
	p.Cell.Resistance /= perC
	if err := p.Cell.bottom(); err != nil {
		return err
	}
	p.Cell.Pairs = append([]Pair(nil), r.cell.Pairs...)
	for i := range p.Cell.Pairs {
		p.Cell.Pairs[i].Resistance /= perC
	}
	if r.ohms > 0 {
		// The pairs keep their proportion to R0.
		f := r.ohms * float64(p.Parallel) / float64(p.Series) / p.Cell.Resistance / p.Cell.Discharging.At(1)
		p.Cell.Resistance *= f
		for i := range p.Cell.Pairs {
			p.Cell.Pairs[i].Resistance *= f
		}
	}
	p.Cell.Gassing.Current *= perC
	ah := p.Rated.Charge / 3600 * float64(p.Series)
	p.Heat = Heat{Capacity: r.heat.Capacity * ah, Resistance: r.heat.Resistance / math.Pow(ah, 2.0/3)}
	p.Limits = r.limits
	amps := func(limit *float64, own float64) {
		*limit = p.Amps(*limit)
		if own > 0 {
			*limit = own
		}
	}
	amps(&p.Limits.ChargeCurrent, r.amps.ChargeCurrent)
	amps(&p.Limits.DischargeCurrent, r.amps.DischargeCurrent)
	amps(&p.Limits.Fuse, r.amps.Fuse)
	p.Limits.ChargeVoltage = p.Volts(r.limits.ChargeVoltage)
	p.Limits.LowestToCharge = p.Volts(r.limits.LowestToCharge)
	p.Cell.Capacity = p.Rated.Charge / float64(p.Parallel) * r.whole
	if err := p.Cell.validate(); err != nil {
		return err
	}
	if len(p.Table) > 0 {
		if err := p.fitTable(); err != nil {
			return err
		}
	}
	if err := p.solveRating(); err != nil {
		return err
	}
	for i := range p.Table {
		row := &p.Table[i]
		q, _, err := p.Delivered(row.Charge/row.Hours, 0)
		if err != nil {
			return err
		}
		row.Misfit = q/row.Charge - 1
	}
	return nil
}

// solveRating sets the whole charge so that the rated current delivers the rated charge to the rated end.
func (p *Pack) solveRating() error {
	rated := p.Rated.Charge / float64(p.Parallel)
	amps := rated / p.Rated.Hours
	end := p.Rated.End / float64(p.Series)
	if top := p.Cell.OCV.At(1); end >= top-amps*p.Cell.Total() {
		return fmt.Errorf("the rated end of %.4g V is above what the pack shows under its rated current when full (at most %.4g V would be possible)",
			p.Rated.End, p.Volts(top-amps*p.Cell.Total()))
	}
	if bottom := p.Cell.OCV.At(0); end <= bottom {
		return fmt.Errorf("the rated end of %.4g V is below what the pack shows at rest when empty (more than %.4g V would be possible)",
			p.Rated.End, p.Volts(bottom))
	}
	if p.Rate.Model == TwoWell {
		misfit, err := p.twoWells()
		if err == nil && p.Rate.K > 1 {
			p.Sources = append(p.Sources, fmt.Sprintf("two wells: %.4g of the charge available, flow %.4g/s; within %.2g %% of an exponent of %.4g from 1 to 20 times the rated current",
				p.Rate.Well, p.Rate.Flow, misfit*100, p.Rate.K))
		}
		return err
	}
	y := p.levelAt(end, amps, p.Rated.Hours, p.Cell.Reference)
	if p.Rate.Model == NoRate {
		p.Cell.Capacity = 0
	}
	if left := (rated + p.lost(rated, amps, p.Cell.Reference)) / (1 - y); p.Cell.Capacity < left {
		p.Cell.Capacity = left
	}
	if p.Cell.Capacity > 3*rated {
		// So much charge would have to stay behind the rated end that the claim cannot be meant.
		return fmt.Errorf("a pack of this chemistry that gives %.4g Ah in %.4g h to %.4g V would hold %.4g Ah (an end of %.4g V would be possible)",
			p.Rated.Charge/3600, p.Rated.Hours/3600, p.Rated.End, p.Cell.Capacity*float64(p.Parallel)/3600, p.endOf(p.Rated.Current()))
	}
	return nil
}
