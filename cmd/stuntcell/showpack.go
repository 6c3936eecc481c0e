package main

import (
	"bufio"
	"bytes"
	"fmt"

	"stuntcell/model"
	"stuntcell/validate/budget"
)

// showPack is the file of a pack on board, and as comments under it what the file and its chemistry come to. It stays a file to start from.
func showPack(name string) []byte {
	data, ok := model.PackFile(name)
	if !ok {
		return nil
	}
	p, err := model.PackByName(name)
	if err != nil {
		return data
	}
	return append(bytes.TrimRight(data, "\n"), page(func(w *bufio.Writer) {
		fmt.Fprintf(w, "\n\n# With its chemistry, %s, this comes to (a model; the maker's data first):\n", p.Chemistry)
		line := func(what, format string, args ...any) {
			fmt.Fprint(w, budget.Wrap(fmt.Sprintf(format, args...), fmt.Sprintf("#   %-13s ", what), "#                 "))
		}
		line("family", "%s, %d in series, %d in parallel, %.4g V at rest when half full", p.Family, p.Series, p.Parallel, p.Nominal())
		showLevels(p, line)
		l := p.Limits
		line("limits", "charge %s to %.4g V at %s to %s, discharge %s, fuse %s", orNone(l.ChargeCurrent, "A"), l.ChargeVoltage,
			celsius(l.Coldest), celsius(l.Hottest), orNone(l.DischargeCurrent, "A"), orNone(l.Fuse, "A"))
		if l.LowestToCharge > 0 {
			line("not charged", "below %.4g V at rest", l.LowestToCharge)
		}
		switch r := p.Rate; r.Model {
		case model.Peukert:
			line("rate", "peukert, k %.3f as the discharge to its end shows it; back at rest with %.3g min", r.K, r.Recovery/60)
		case model.TwoWell:
			line("rate", "two wells, available share %.3f, flow %.3g /h", r.Well, r.Flow*3600)
		}
		for _, row := range p.Table {
			line("rating table", "%.4g Ah in %.3g h: the model delivers %+.2f %% of it", row.Charge/3600, row.Hours/3600, 100*row.Misfit)
		}
		for _, c := range [...]float64{0.05, 0.1, 0.2, 0.5, 1, 2} {
			if l.DischargeCurrent > 0 && p.Amps(c) > l.DischargeCurrent {
				break
			}
			q, t, err := p.Delivered(p.Amps(c), 0)
			if err != nil {
				break
			}
			end, _ := p.Level("end", p.Amps(c))
			line(fmt.Sprintf("at %.3g C", c), "%.4g A for %.3g h to %.4g V: %.4g Ah", p.Amps(c), t/3600, end, q/3600)
		}
		if b := p.Board; b != (model.Board{}) {
			line("board", "opens below %.3g V or above %.3g V of a cell, or at %s", b.Low, b.High, orNone(b.Current, "A"))
		}
		if s := p.Spread; s != (model.Spread{}) {
			line("spread", "capacity %.2g %%, charge %.2g %%, resistance %.2g %% from cell to cell", 100*s.Capacity, 100*s.Charge, 100*s.Resistance)
		}
		for _, c := range p.Cautions() {
			line("caution", "%s", c)
		}
	})...)
}

// showLevels writes what the level words of plans mean for the pack.
func showLevels(p *model.Pack, line func(what, format string, args ...any)) {
	for _, word := range model.LevelWords() {
		v, err := p.Level(word, 0)
		if err != nil {
			continue // this chemistry has no such level
		}
		note := ""
		if (word == "absorb" || word == "float") && p.Levels.PerKelvin != 0 {
			note = fmt.Sprintf(", %+.3g mV/K from %s", 1e3*p.Volts(p.Levels.PerKelvin), celsius(p.Cell.Reference))
		}
		if word == "end" || word == "floor" {
			note = " at the rated current"
		}
		line(word, "%.4g V%s", v, note)
	}
	line("taper", "%.3g A", p.Taper())
}

func orNone(x float64, unit string) string {
	if x == 0 {
		return "not limited"
	}
	return fmt.Sprintf("%.4g %s", x, unit)
}

func celsius(kelvin float64) string {
	if kelvin == 0 {
		return "any temperature"
	}
	return fmt.Sprintf("%.3g degC", kelvin-273.15)
}
