package rehearsal

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"

	"stuntcell/model"
)

//go:embed sheet.html
var sheetPage string

// sheetData is what the page of the sheets shows.
type sheetData struct {
	*Rehearsal
	Rest        float64 // highest voltage of the first step [V]
	Refuse, Ask []string
}

// Sheet writes two printable pages as one self-contained HTML file: what to check before the first connection, and the intake of a
// pack of unknown past.
func (r *Rehearsal) Sheet(w io.Writer) error {
	t, err := template.New("sheet").Funcs(template.FuncMap{
		"amps":  func(x float64) string { return engineering(x, "A") },
		"value": engineering,
		"share": func(x float64) string { return fmt.Sprintf("%.0f %%", 100*x) },
		"span":  func(a, b float64) string { return clock(b - a) },
	}).Parse(sheetPage)
	if err != nil {
		return err
	}
	d := sheetData{Rehearsal: r, Refuse: refusals(r.family), Ask: []string{
		"Where from, how old, how stored", "Maker's marks: chemistry, nominal V, Ah and at which rate", "Voltage as it came, after how long at rest [V]",
		"Temperature of case and room [degC]", "Weight, and what a new one weighs [kg]", "Signs of opening, repair or another cell inside",
		"What the maker's data sheet says: end voltage, charge voltage, largest currents",
	}}
	if len(r.Steps) > 0 {
		d.Rest = r.Steps[0].MaxV
	}
	return t.Execute(w, d)
}

// refusals lists what rules a pack out.
func refusals(f model.Family) []string {
	out := []string{
		"It is swollen, cracked, dented, leaking, wet, corroded at the terminals, or smells.",
		"It is warm without having been used.",
		"Its chemistry is not known for certain.",
		"It reads no voltage, or the wrong way round, or far from what its marks say.",
	}
	switch f {
	case model.LeadAcid:
		out = append(out, "It has been frozen, or the acid may be.", "A cell is dry, or a vent is blocked.",
			"It rests below about 1.75 V a cell: it stood empty, and is likely sulphated or has a shorted cell (common practice, from memory).")
	case model.Lithium:
		out = append(out, "Any cell rests below its lowest permitted voltage: copper may have dissolved, and charging it can set it on fire.",
			"It fell, was crushed, or was in a fire or flood.", "Its protection board is missing, bridged or unknown.")
	case model.Nickel:
		out = append(out, "A cell reads zero or reversed.", "White crust at a seal.")
	}
	return out
}
