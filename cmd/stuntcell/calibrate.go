package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"stuntcell/model/quantity"
	"stuntcell/validate/budget"
	"stuntcell/validate/calibrate"
)

type calibrateOptions struct {
	json            bool
	rig, meter, out string
	header, history string
	tolerance, aim  float64
	toCurrent       float64
}

func newCalibrate(std streams) *cobra.Command {
	var o calibrateOptions
	cmd := &cobra.Command{
		Use:   "calibrate PAIRS",
		Short: "Gain and offset of a rig from readings beside a meter",
		Long: `Gain and offset of a rig, with their uncertainty, from its readings beside a
meter: covariance, residual, linearity, prediction band, whether to adjust at
all, how many more pairs and where, and whole numbers for firmware.

PAIRS is a CSV file with the header rig_A, meter_A (or mA, V, mV; a column meter
names the meter of each row). State each meter's accuracy in lines before the
rows:

  meter: bench, 0.5 % + 3 digits of 0.01 A, range 20 A

Two meters that disagree are both kept. A meter that is weaker than the shunt's
label does not adjust it (4 to 1, common practice).`,
		Example: `  stuntcell calibrate pairs.csv
  stuntcell calibrate pairs.csv --rig mine.yaml --header rig.h -o mine.json
  stuntcell budget mine.yaml run.csv --calibration mine.json
  stuntcell calibrate pairs.csv --check standard.csv`,
		Args: operands(1, 1, "one file of pairs"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runCalibrate(cmd.Context(), std, o, args[0])
		},
	}
	f := cmd.Flags()
	f.BoolVar(&o.json, "json", false, "write one JSON object on one line")
	f.StringVar(&o.rig, "rig", "", "the `RIG` that is calibrated: a name on board or a file (default: the project's, else shop-50a)")
	f.StringVar(&o.meter, "meter", "", "make the constants from the pairs against this `METER`")
	f.StringVarP(&o.out, "output", "o", "", "write the calibration to `FILE.json`, which budget and audit take as --calibration")
	f.StringVar(&o.header, "header", "", "write the rig's constants as a C header to `FILE.h`")
	f.StringVar(&o.history, "check", "", "judge the history of a check standard in `FILE.csv`: date, reading, nominal")
	f.Var(newAmount(quantity.Ratio, &o.tolerance), "tolerance", "what the rig claims without calibration (default: the rig's, else 0.5 %)")
	f.Var(newAmount(quantity.Ratio, &o.aim), "aim", "the uncertainty that more pairs should reach (default: a quarter of the meter's)")
	f.Var(newAmount(quantity.Current, &o.toCurrent), "to", "how far the current will be used (default: as far as the pairs reach)")
	return cmd
}

// calibration is what calibrate writes as JSON.
type calibration struct {
	Schema    string                `json:"schema"`
	Pairs     string                `json:"pairs"`
	SHA256    string                `json:"sha256"`
	Rig       string                `json:"rig"`
	Lines     []*calibrate.Line     `json:"lines"`
	Agreement []calibrate.Agreement `json:"agreement"`
	Constants []calibrate.Constants `json:"constants"`
	Notes     []string              `json:"notes"`
	History   *calibrate.History    `json:"history,omitempty"`
}

func runCalibrate(_ context.Context, std streams, o calibrateOptions, name string) error {
	b, err := findBench()
	if err != nil {
		return err
	}
	r, err := b.rig()
	if err == nil && o.rig != "" {
		r, err = b.rigNamed(o.rig)
	}
	if err != nil {
		return err
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	series, err := calibrate.Parse(name, data)
	if err != nil {
		return err
	}
	if o.tolerance == 0 {
		o.tolerance = budget.FromRig(r).Shunt.Half
	}
	c := calibration{Schema: calibrationSchema, Pairs: name, Rig: r.Name}
	if c.SHA256, err = hashFile(name); err != nil {
		return err
	}
	known := o.meter == ""
	for _, s := range series {
		known = known || s.Meter.Name == o.meter
		fo := calibrate.Options{Tolerance: o.tolerance, Aim: o.aim}
		if s.Meter.Quantity == quantity.Current {
			fo.To = o.toCurrent
		}
		l, err := calibrate.Fit(s, fo)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		c.Lines = append(c.Lines, l)
	}
	if !known {
		return usagef("", "--meter %s: no such meter in %s", o.meter, name)
	}
	c.Agreement = calibrate.Compare(c.Lines)
	for _, q := range []string{"current", "voltage"} {
		l, err := calibrate.Choose(c.Lines, q, o.meter)
		switch {
		case err != nil && o.header != "":
			return usagef("use --meter NAME", "no constants for the %s: %v", q, err)
		case err != nil:
			c.Notes = append(c.Notes, fmt.Sprintf("No constants for the %s: %v.", q, err))
			continue
		case l == nil:
			continue
		}
		k, err := l.Integers(r)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		c.Constants = append(c.Constants, k)
	}
	if o.history != "" {
		if c.History, err = readHistory(o.history, o.tolerance); err != nil {
			return err
		}
	}
	if o.header != "" {
		text := calibrate.Header(r, name+" (SHA-256 "+c.SHA256[:16]+")", c.Constants)
		if err := writeWhole(o.header, func(w io.Writer) error { _, err := io.WriteString(w, text); return err }); err != nil {
			return err
		}
		fmt.Fprintln(std.err, "wrote", o.header)
	}
	if o.out != "" {
		if err := writeWhole(o.out, func(w io.Writer) error { return json.NewEncoder(w).Encode(c) }); err != nil {
			return err
		}
		fmt.Fprintln(std.err, "wrote", o.out)
	}
	if o.json {
		return json.NewEncoder(std.out).Encode(c)
	}
	if err := calibrate.WriteText(std.out, c.Lines, c.Agreement, c.Constants); err != nil {
		return err
	}
	for _, n := range c.Notes {
		fmt.Fprint(std.out, budget.Wrap(n, "", "  "))
	}
	if c.History != nil {
		fmt.Fprintln(std.out)
		return c.History.WriteText(std.out)
	}
	return nil
}

func readHistory(name string, tolerance float64) (*calibrate.History, error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	checks, err := calibrate.ParseHistory(name, data)
	if err != nil {
		return nil, err
	}
	h := calibrate.Watch(checks, tolerance)
	return &h, nil
}

// calibrationSchema names the form of a calibration in JSON.
const calibrationSchema = "stuntcell.calibration/1"

// useCalibration puts a calibration that calibrate wrote into a budget: for each quantity whose constants are in use, what its pairs and its
// meter leave open. Where calibrate says not to adjust, the rig's own limits stand, and a note says so.
func useCalibration(std streams, c *budget.Capacity, name string) error {
	data, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	k, err := parseCalibration(name, data)
	if err != nil {
		return err
	}
	return k.use(std, c, name)
}

// parseCalibration reads what calibrate wrote.
func parseCalibration(name string, data []byte) (k calibration, err error) {
	if err := json.Unmarshal(data, &k); err != nil {
		line, col, what := 1, 1, "a value that does not fit"
		var e *json.SyntaxError
		if errors.As(err, &e) {
			what = "no JSON"
			before := data[:max(0, min(int(e.Offset)-1, len(data)))]
			line, col = 1+bytes.Count(before, []byte("\n")), len(before)-bytes.LastIndexByte(before, '\n')
		}
		return k, fmt.Errorf("%s:%d:%d: %s (expected what stuntcell calibrate -o wrote)", name, line, col, what)
	}
	if k.Schema != calibrationSchema {
		return k, fmt.Errorf("%s:1:1: the schema is %.40q (expected %s, as stuntcell calibrate -o writes it)", name, k.Schema, calibrationSchema)
	}
	return k, nil
}

// use puts the calibration into a budget.
func (k *calibration) use(std streams, c *budget.Capacity, name string) error {
	if k.Rig != c.Rig.Name {
		fmt.Fprintf(std.err, "%s: of rig %s, used for rig %s\n", name, k.Rig, c.Rig.Name)
	}
	for _, n := range k.Constants {
		i := slices.IndexFunc(k.Lines, func(l *calibrate.Line) bool { return l != nil && l.Quantity == n.Quantity && l.Meter == n.Meter })
		if i < 0 {
			return fmt.Errorf("%s: constants for the %s against meter %q without their line (expected what stuntcell calibrate -o wrote)", name, n.Quantity, n.Meter)
		}
		l := k.Lines[i]
		if !n.Adjust {
			fmt.Fprintf(std.err, "%s: the %s is not adjusted (%s): the rig's own limits stand\n", name, n.Quantity, n.Why)
			continue
		}
		found, err := l.Calibrated()
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		found.From = fmt.Sprintf("calibration %s, meter %s", filepath.Base(name), l.Meter)
		switch n.Quantity {
		case "current":
			if most := max(math.Abs(l.Low), math.Abs(l.High)); c.Figure.Current > 1.05*most {
				fmt.Fprintf(std.err, "%s: the current of %.3g A lies beyond the pairs, which reach %.3g A\n", name, c.Figure.Current, most)
			}
			c.Current = found
		case "voltage":
			c.Voltage = found
		}
	}
	return nil
}
