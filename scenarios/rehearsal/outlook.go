package rehearsal

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"stuntcell/emulator"
	"stuntcell/model"
)

// Outlook is how far the figures of a rehearsal may move: with the rate, and where nobody knows how worn the pack is or how warm it will be.
type Outlook struct {
	// Rates says what the pack delivers from full and rested at constant currents, to the end voltage of each, its cells at their
	// reference temperature.
	Rates []Delivery `json:"rates"`
	// Healths are the shares of the capacity that age may have left; Celsius the surroundings [degC]. Plans holds the plan with each, a row
	// for each health.
	Healths []float64   `json:"healths"`
	Celsius []float64   `json:"celsius"`
	Plans   [][]Outcome `json:"plans"`
	// Note says why Plans is empty.
	Note string `json:"note,omitempty"`
}

// Delivery is what a pack gives at one current.
type Delivery struct {
	Rate float64 `json:"rate_C"` // in multiples of the rated capacity an hour
	Amps float64 `json:"current_A"`
	// Charge is what it gives [Ah] with each of Outlook.Healths.
	Charge []float64 `json:"charge_Ah"`
	// Seconds is the time that it takes when new.
	Seconds float64 `json:"seconds"`
}

// Outcome is a whole plan with a pack of some health in some surroundings.
type Outcome struct {
	Out     float64 `json:"out_Ah"`
	Seconds float64 `json:"seconds"`
	// Refused says which limit forbids the plan there; the figures are 0 then.
	Refused string `json:"refused,omitempty"`
}

// affordable is how many spans the plan itself may take for it to be played with every health and temperature.
const affordable = 200_000

// errWide says that a plan is not played again.
var errWide = errors.New("not played: the plan switches too often to be played many times")

// Look plays the plan of a setup with a pack of 100 % to 50 % of its health, in cold and warm surroundings, and discharges the pack at several rates.
func Look(s *emulator.Setup) (*Outlook, error) {
	pack := s.Pack
	ambient := s.Options.Ambient
	if ambient == 0 {
		ambient = pack.Cell.Reference
	}
	o := &Outlook{Healths: []float64{1, 0.8, 0.65, 0.5}}
	for _, T := range [...]float64{pack.Cell.Reference - 20, ambient, pack.Cell.Reference + 10} {
		if c := T - kelvin; !slices.ContainsFunc(o.Celsius, func(x float64) bool { return math.Abs(x-c) < 0.5 }) {
			o.Celsius = append(o.Celsius, c)
		}
	}
	slices.Sort(o.Celsius)
	packs := make([]*model.Pack, len(o.Healths))
	for k, h := range o.Healths {
		worn, err := pack.Aged(h, 0)
		if err != nil {
			return nil, err
		}
		packs[k] = worn
	}
	if err := o.discharge(packs); err != nil {
		return nil, err
	}
	for _, worn := range packs {
		var row []Outcome
		for _, c := range o.Celsius {
			out, err := outcome(s, worn, c+kelvin)
			if errors.Is(err, errWide) {
				o.Plans, o.Note = nil, err.Error()
				return o, nil
			}
			if err != nil {
				return nil, err
			}
			row = append(row, out)
		}
		o.Plans = append(o.Plans, row)
	}
	return o, nil
}

// discharge fills in what the packs give at the rated current and at round multiples of the capacity an hour that the pack allows.
func (o *Outlook) discharge(packs []*model.Pack) error {
	pack := packs[0]
	rated := pack.Rated.Current() / pack.Amps(1)
	rates := []float64{rated}
	for _, c := range [...]float64{0.05, 0.1, 0.2, 0.5, 1, 2} {
		if math.Abs(c-rated) > 0.01*rated && c > rated/3 && (pack.Limits.DischargeCurrent == 0 || pack.Amps(c) <= pack.Limits.DischargeCurrent) {
			rates = append(rates, c)
		}
	}
	slices.Sort(rates)
	for _, c := range rates {
		d := Delivery{Rate: c, Amps: pack.Amps(c)}
		for k, worn := range packs {
			q, t, err := worn.Delivered(d.Amps, 0)
			if err != nil {
				return err
			}
			if k == 0 {
				d.Seconds = t
			}
			d.Charge = append(d.Charge, q/hours)
		}
		o.Rates = append(o.Rates, d)
	}
	return nil
}

// outcome plays the plan with another pack in surroundings of T [K].
func outcome(s *emulator.Setup, pack *model.Pack, T float64) (Outcome, error) {
	setup := *s
	setup.Pack, setup.Options.Ambient = pack, T
	if setup.Options.Cell != 0 && setup.Options.Ambient != s.Options.Ambient {
		setup.Options.Cell = T
	}
	if harms := pack.CheckPlan(setup.Plan, T); len(harms) > 0 {
		return Outcome{Refused: refusal(harms[0])}, nil
	}
	c, err := Play(&setup, Options{Most: affordable})
	if errors.Is(err, ErrTooLong) {
		return Outcome{}, errWide
	}
	if err != nil {
		return Outcome{}, err
	}
	if harms := pack.CheckRun(setup.Plan, c.Steps); len(harms) > 0 {
		return Outcome{Refused: refusal(harms[0])}, nil
	}
	out := Outcome{Seconds: seconds(c.End)}
	for _, e := range c.Steps {
		out.Out += (e.Throughput - e.Charge) / 2 / hours
	}
	return out, nil
}

func refusal(h model.Harm) string { return fmt.Sprintf("%s (limit: %s)", h.What, h.Limit) }
