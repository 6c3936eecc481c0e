package page

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"go.yaml.in/yaml/v3"

	"stuntcell/emulator/rig"
	"stuntcell/model/quantity"
	"stuntcell/scenarios"
	"stuntcell/validate/budget"
)

// part is something that a rig's owner may know: its field in the form and the key of the rig file that it becomes.
type part struct {
	Field, Label string
	Example      string
	block, key   string
	kind         quantity.Kind
	within       quantity.Range
}

// parts are the inputs of the budget view beside the rig: values of parts, and how far each may be off.
func parts() []part {
	share := quantity.Above(0, 0.5)
	return []part{
		{"ohm", "Shunt", "0.5 mohm", "shunt", "nominal", quantity.Resistance, quantity.Between(1e-7, 10)},
		{"count", "One count of the shunt channel", "2.5 uV", "front", "shunt_step", quantity.Voltage, quantity.Between(1e-9, 1)},
		{"buscount", "One count of the voltage channel", "1.25 mV", "front", "bus_step", quantity.Voltage, quantity.Between(1e-6, 1)},
		{"every", "Time between readings", "1 s", "readings", "nominal", quantity.Time, quantity.Between(0.001, 3600)},
		{"shunt", "Shunt against its label", "0.25 %", "tolerance", "shunt", quantity.Ratio, share},
		{"tempco", "Its temperature coefficient", "25 ppm/K", "tolerance", "tempco", quantity.RatioPerKelvin, quantity.Above(0, 0.01)},
		{"ambient", "Its surroundings against those of the calibration", "5 K", "tolerance", "ambient", quantity.Difference, quantity.Above(0, 100)},
		{"gain", "Gain of the shunt channel", "0.1 %", "tolerance", "shunt_gain", quantity.Ratio, share},
		{"offset", "Offset of the shunt channel", "5 uV", "tolerance", "shunt_offset", quantity.Voltage, quantity.Above(0, 10)},
		{"drift", "Drift of that offset", "5 uV/day", "tolerance", "drift", quantity.VoltagePerTime, quantity.Above(0, 1e-3)},
		{"thermal", "Thermal voltages at the joints", "2 uV", "tolerance", "thermal", quantity.Voltage, quantity.Above(0, 0.1)},
		{"busgain", "Gain of the voltage channel", "0.1 %", "tolerance", "bus_gain", quantity.Ratio, share},
		{"busoffset", "Offset of the voltage channel", "2 mV", "tolerance", "bus_offset", quantity.Voltage, quantity.Above(0, 10)},
		{"tick", "Rate of the counter", "20 ppm", "tolerance", "tick", quantity.Ratio, quantity.Above(0, 0.1)},
		{"lead", "Resistance between pack and voltage tap", "1 mohm", "tolerance", "lead", quantity.Resistance, quantity.Above(0, 10)},
		{"draw", "The rig's own draw", "2 mA", "tolerance", "draw", quantity.Current, quantity.Above(0, 10)},
		{"bypass", "Share of the current that goes around the shunt", "0.1 %", "tolerance", "bypass", quantity.Ratio, quantity.Above(0, 0.9)},
	}
}

// budgetState is what the budget view's address holds, as it was typed.
type budgetState struct {
	Rig, Pack, Current, Cutoff, Aim string
	Parts                           map[string]string // by field; no empty ones
}

func readBudget(q *query) budgetState {
	s := budgetState{Rig: q.text("rig", scenarios.DefaultRig), Pack: q.text("pack", scenarios.DefaultPack), Current: q.text("current", ""),
		Cutoff: q.text("cutoff", ""), Aim: q.text("aim", ""), Parts: map[string]string{}}
	for _, p := range parts() {
		if v := q.text("part-"+p.Field, ""); v != "" {
			s.Parts[p.Field] = v
		}
	}
	return s
}

func (b budgetState) values() url.Values {
	v := url.Values{}
	set(v, "rig", b.Rig)
	set(v, "pack", b.Pack)
	set(v, "current", b.Current)
	set(v, "cutoff", b.Cutoff)
	set(v, "aim", b.Aim)
	for field, value := range b.Parts {
		set(v, "part-"+field, value)
	}
	return v
}

// command is the command line that does the same.
func (b budgetState) command() string {
	words := []string{"stuntcell", "budget", b.Rig}
	if len(b.Parts) > 0 {
		words[2] = b.Rig + ".yaml"
	}
	words = append(words, "--pack", b.Pack)
	for _, f := range []struct{ flag, value string }{{"--current", b.Current}, {"--cutoff", b.Cutoff}, {"--aim", b.Aim}} {
		if f.value != "" {
			words = append(words, f.flag, f.value)
		}
	}
	return commandLine(words...)
}

// rigFile is the rig's file with what was typed in its place.
func (b budgetState) rigFile() ([]byte, error) {
	source := rig.Source(b.Rig)
	if len(b.Parts) == 0 {
		return source, nil
	}
	var doc yaml.Node
	if err := yaml.Unmarshal(source, &doc); err != nil {
		return nil, err
	}
	for _, p := range parts() {
		if v, ok := b.Parts[p.Field]; ok {
			put(block(doc.Content[0], p.block), p.key, v)
		}
	}
	return yaml.Marshal(&doc)
}

// find returns the value of a key of a mapping, nil if it has none.
func find(m *yaml.Node, key string) *yaml.Node {
	for i := 0; i+1 < len(m.Content); i += 2 {
		if m.Content[i].Value == key {
			return m.Content[i+1]
		}
	}
	return nil
}

// block returns the mapping under a key of a mapping, which is made if it is missing.
func block(m *yaml.Node, key string) *yaml.Node {
	if v := find(m, key); v != nil {
		return v
	}
	v := &yaml.Node{Kind: yaml.MappingNode, Tag: "!!map"}
	m.Content = append(m.Content, &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: key}, v)
	return v
}

// put sets a text under a key of a mapping.
func put(m *yaml.Node, key, value string) {
	if v := find(m, key); v != nil {
		*v = yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: value}
		return
	}
	m.Content = append(m.Content, &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: key}, &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: value})
}

// stated makes the budget that a state asks for; nil where something is wrong with the fields.
func (s *Server) stated(b budgetState, w mistakes) *budget.Stated {
	amps := w.quantityOf("current", b.Current, quantity.Current, quantity.Above(0, 1e5))
	end := w.quantityOf("cutoff", b.Cutoff, quantity.Voltage, quantity.Above(0, 1e4))
	aim := w.quantityOf("aim", b.Aim, quantity.Ratio, quantity.Above(0, 1))
	for _, p := range parts() {
		w.quantityOf("part-"+p.Field, b.Parts[p.Field], p.kind, p.within)
	}
	pack := s.pack(b.Pack, "pack", w)
	if !has(s.board.rigs, b.Rig) {
		w.add("rig", "no rig %.60q on board", b.Rig)
	}
	if len(w) > 0 {
		return nil
	}
	file, err := b.rigFile()
	if err != nil {
		w.add("", "%v", err)
		return nil
	}
	r, err := rig.Parse(b.Rig+".yaml", file, rig.Rig{})
	if err != nil {
		w.add("", "%s", refusal(err))
		return nil
	}
	c := budget.Capacity{Rig: r, Limits: budget.FromRig(r)}
	if c.Figure, err = budget.Rehearsed(pack, r, amps, end); err != nil {
		w.add("current", "%v", err)
		return nil
	}
	c.Figure.Reference = c.Figure.Cell
	stated, err := c.State(budget.Options{Aim: aim, Seed: 1})
	if err != nil {
		w.add("", "%v", err)
		return nil
	}
	return stated
}

// budgetView is what the budget view shows.
type budgetView struct {
	State   budgetState
	Rigs    []choice
	Packs   []choice
	Parts   []part
	Wrong   mistakes
	Stated  *budget.Stated
	Query   string
	Command string
}

// Part is what was typed for a part.
func (v budgetView) Part(field string) string { return v.State.Parts[field] }

// Length is the length of a line's bar, of 100 for the longest.
func (v budgetView) Length(x float64) string {
	most := 0.0
	for _, l := range v.Stated.Lines {
		most = max(most, l.Charge)
	}
	if most == 0 {
		return "0"
	}
	return strconv.FormatFloat(100*x/most, 'f', 2, 64)
}

func (s *Server) budgetOf(r *http.Request) (budgetState, *budget.Stated, mistakes, error) {
	q := readQuery(r.URL.RawQuery)
	state := readBudget(q)
	wrong := q.done()
	if len(wrong) > 0 {
		return state, nil, wrong, nil
	}
	free, err := s.slot(r.Context())
	if err != nil {
		return state, nil, wrong, err
	}
	defer free()
	return state, s.stated(state, wrong), wrong, nil
}

func (s *Server) budget(w http.ResponseWriter, r *http.Request) error {
	state, stated, wrong, err := s.budgetOf(r)
	if err != nil {
		return err
	}
	d := budgetView{State: state, Rigs: s.board.rigs, Packs: s.board.packs, Parts: parts(), Wrong: wrong, Stated: stated}
	if stated != nil {
		d.Query, d.Command = state.values().Encode(), state.command()
	}
	s.show(w, statusOf(wrong), "budget", view{Title: "Budget of a capacity figure", Here: "/budget", Data: d})
	return nil
}

// budgetFile sends what the budget view shows as a file.
func (s *Server) budgetFile(w http.ResponseWriter, r *http.Request) error {
	state, stated, wrong, err := s.budgetOf(r)
	if err != nil {
		return err
	}
	if stated == nil {
		return problem{status: http.StatusBadRequest, Title: "No budget", Text: wrong.First(), Back: "/budget", BackText: "Back to the form"}
	}
	switch r.PathValue("file") {
	case "bars.svg":
		return download(w, "budget-"+state.Rig+".svg", func(b *bytes.Buffer) error { return stated.WriteSVG(b) })
	case "budget.csv":
		return download(w, "budget-"+state.Rig+".csv", func(b *bytes.Buffer) error { return writeLines(b, stated) })
	case "budget.txt":
		return download(w, "budget-"+state.Rig+".txt", func(b *bytes.Buffer) error { return stated.WriteText(b) })
	case "budget.json":
		return download(w, "budget-"+state.Rig+".json", func(b *bytes.Buffer) error { return json.NewEncoder(b).Encode(stated) })
	case "rig.yaml":
		return download(w, state.Rig+".yaml", func(b *bytes.Buffer) error {
			file, err := state.rigFile()
			b.Write(file)
			return err
		})
	}
	return noFile()
}

// writeLines writes the contributions of a budget as CSV.
func writeLines(b *bytes.Buffer, s *budget.Stated) error {
	number := func(x float64) string { return strconv.FormatFloat(x, 'g', 6, 64) }
	c := csv.NewWriter(b)
	rows := [][]string{{"contribution", "u", "unit", "charge_Ah", "energy_Wh", "share_charge", "share_energy", "shape", "assumed", "from"}}
	for _, l := range s.Lines {
		rows = append(rows, []string{l.Name, number(l.U), l.Unit, number(l.Charge), number(l.Energy), number(l.ShareCharge),
			number(l.ShareEnergy), l.Shape, fmt.Sprint(l.Assumed), l.From})
	}
	return c.WriteAll(rows)
}
