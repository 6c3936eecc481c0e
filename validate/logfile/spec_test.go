package logfile

import (
	"errors"
	"strings"
	"testing"
)

func TestDescriptions(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"charge mAh", "charge mAh"}, {"charge Ah out", "charge Ah out"}, {"current out mA ch2", "current mA out ch2"}, {"clock day/month/year", "time stamp day/month/year"},
		{"date month/day/year", "time date month/day/year"}, {"elapsed min", "time elapsed min"}, {"tick ms", "time tick ms"}, {"tick", "time tick"}, {"temperature C", "temperature degC"}, {"clock unix", "time unix"},
		{"phase", "- phase"}, {"index", "- index"}, {"other", "ignored"}, {"Energy Wh per-step", "energy Wh per-step"},
	} {
		if m, err := describe("1", c.text); err != nil || say(m) != c.want {
			t.Errorf("%q: %s, %v, want %s", c.text, say(m), err, c.want)
		}
	}
	for text, said := range map[string]string{"": "nothing is said", "volts": "volts", "charge mV": "mV", "charge mAh Ah": "Ah", "voltage in": "in or out", "current ch5": "ch5", "voltage day/month/year": "day/month/year", "phase mA": "mA"} {
		var e *Error
		if err := CheckColumns(map[string]string{"x": text}); !errors.As(err, &e) || !strings.Contains(e.Text, said) || e.Expected == "" {
			t.Errorf("%q: %v", text, err)
		}
	}
}

func TestColumnsOption(t *testing.T) {
	lines := []string{"a,b,c", "0,12.61,1400", "10,12.60,1400"}
	table, err := ParseLines(lines, Options{Columns: map[string]string{"A": "elapsed s", "2": "voltage V", "c": "current mA out"}})
	if err != nil {
		t.Fatal(err)
	}
	if v, i := table.Find(Voltage, 1), table.Find(Current, 1); v == nil || v.Value[1] != 12.6 || i == nil || i.Value[0] != 1.4 || i.Direction != -1 || table.Find(Charge, 1) != nil {
		t.Errorf("%s", asText(table, err))
	}
	// The header still says the unit; a date is a date whatever it is called; a second header need not have the column.
	lines = []string{"d,t,Kap mAh,V", "02/03/2026,10:00:00,100,12.61", "d,t,V,Kap mAh", "02/03/2026,10:00:10,12.60,104", "V,A", "12.60,-1.40"}
	table, err = ParseLines(lines, Options{Columns: map[string]string{"d": "clock day/month/year", "t": "time", "Kap mAh": "charge out"}})
	if err != nil {
		t.Fatal(err)
	}
	if q, at := table.Find(ChargeOut, 1), table.Find(Clock, 1); len(table.Problems) > 0 || q == nil || q.Unit != "mAh" || q.Value[1] != 374.4 || at == nil || at.Value[1] != 1772445610 || len(table.Segments) != 3 {
		t.Errorf("%s", asText(table, err))
	}
	lines = []string{"a,b,c", "0,12.61,1400", "10,12.60,1400"}
	for key, said := range map[string]string{"d": `"d"`, "4": `"4"`, "0": `"0"`} {
		if _, err := ParseLines(lines, Options{Columns: map[string]string{key: "voltage V"}}); err == nil || !strings.Contains(err.Error(), said) {
			t.Errorf("%s: %v", key, err)
		}
	}
}
