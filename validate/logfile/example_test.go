package logfile_test

import (
	"fmt"

	"stuntcell/validate/logfile"
)

func ExampleParseLines() {
	table, err := logfile.ParseLines([]string{
		"Datum;Uhrzeit;Spannung [V];Strom [mA];Entladung [Ah]",
		"02.03.2026;10:00:00;12,61;-1400;0,000",
		"02.03.2026;10:00:10;12,60;-1400;0,004",
	}, logfile.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, c := range table.Columns {
		fmt.Printf("%s: %s, last %.6g\n", c.Header, c.Kind, c.Value[1])
	}
	// Output:
	// Datum Uhrzeit: clock, last 1.77245e+09
	// Spannung [V]: voltage, last 12.6
	// Strom [mA]: current, last -1.4
	// Entladung [Ah]: charge out, last 14.4
}

func ExampleParseLines_ambiguous() {
	_, err := logfile.ParseLines([]string{
		"date,V,A",
		"02/03/2026 10:00:00,12.61,-1.40",
		"02/03/2026 10:00:10,12.60,-1.40",
	}, logfile.Options{})
	fmt.Println(err)
	// Output:
	// 2:1: the date "02/03/2026 10:00:00" in column "date" may be 2 March 2026 (day/month/year) or 3 February 2026 (month/day/year), and no row settles it; expected dates as 2026-03-02
	// hint: say which in stuntcell.yaml, with the order that is right
	// columns:
	//   date: clock day/month/year
}
