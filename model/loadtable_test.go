package model

import (
	"strings"
	"testing"
)

func TestReadLoadTable(t *testing.T) {
	rows, err := ReadLoadTable("load.csv", []byte("# a drive\ntime [min],current (mA)\r\n0,1440\n\n1.5, 0\n2,20.5e1\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := []LoadPoint{{0, 1.44}, {90 * second, 0}, {120 * second, 0.205}}
	for i := range want {
		if len(rows) != 3 || rows[i].T != want[i].T {
			t.Fatalf("got %v", rows)
		}
		near(t, "current", rows[i].Current, want[i].Current, 1e-15)
	}
}

func TestReadLoadTableSaysWhatIsWrong(t *testing.T) {
	cases := []struct{ name, csv, want string }{
		{"empty", "", "load.csv:1:1: the table has no rows"},
		{"no unit", "time,current\n0,1\n", `load.csv:1:1: the header is "time,current" (expected two columns with units, such as time_s,current_A)`},
		{"a gap", "time_s,current_A\n0,1\n1,\n2,1\n", `load.csv:3:3: the current is "" (expected a finite number, 0 or more)`},
		{"NaN", "time_s,current_A\n0,NaN\n", `load.csv:2:3: the current is "NaN"`},
		{"infinite", "time_s,current_A\n0,1e999\n", `the current is "1e999"`},
		{"negative", "time_s,current_A\n0,-1\n", `the current is "-1"`},
		{"backwards", "time_s,current_A\n0,1\n5,1\n4,1\n", `load.csv:4:1: the time 4 does not come after the row before (expected times in rising order)`},
		{"three columns", "time_s,current_A\n0,1,2\n", `load.csv:2:1: a row of 3 columns (expected two, time and current)`},
		{"several", "time_s,current_A\nx,1\n0,y\n", "load.csv:2:1: the time is \"x\" (expected a finite number)\nload.csv:3:3: the current is \"y\""},
	}
	for _, c := range cases {
		_, err := ReadLoadTable("load.csv", []byte(c.csv))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", c.name, err, c.want)
		}
	}
}

func FuzzReadLoadTable(f *testing.F) {
	f.Add([]byte("time_s,current_A\n0,1\n5,0\n"))
	f.Add([]byte("h,mA\n1e300,1\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		rows, err := ReadLoadTable("x", data)
		if err != nil {
			return
		}
		l := Load{Table: rows}
		if e := l.validate(); e != nil {
			t.Fatalf("an accepted table is refused as a load: %v", e)
		}
	})
}
