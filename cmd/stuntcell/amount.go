package main

import (
	"fmt"
	"strings"

	"stuntcell/model/quantity"
)

// amount is a flag that takes a quantity with its unit.
type amount struct {
	kind quantity.Kind
	si   *float64
	text string
	like string // an example that fits the flag better than the kind's own
}

func newAmount(kind quantity.Kind, si *float64) *amount { return &amount{kind: kind, si: si} }

// amountLike is newAmount with an example of what this flag usually gets.
func amountLike(like string, kind quantity.Kind, si *float64) *amount {
	return &amount{kind: kind, si: si, like: like}
}

func (a *amount) String() string { return a.text }

// Type names the flag's value in the help.
func (a *amount) Type() string {
	if a.like != "" {
		return a.like
	}
	return strings.ReplaceAll(a.kind.Example(), " ", "")
}

func (a *amount) Set(text string) error {
	v, err := quantity.Parse(text, a.kind)
	if err != nil {
		return err
	}
	switch a.kind {
	case quantity.Rate, quantity.Current, quantity.Voltage, quantity.Charge, quantity.Ratio:
		if v.SI <= 0 { // 0 is how the options say that it was not given
			return fmt.Errorf("%q: expected more than 0", text)
		}
	}
	if a.kind == quantity.RatioPerKelvin && v.SI == 0 {
		return fmt.Errorf("%q: expected another value than 0; without --reference nothing is brought to another temperature", text)
	}
	a.text, *a.si = text, v.SI
	return nil
}
