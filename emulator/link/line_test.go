package link

import (
	"bytes"
	"reflect"
	"strings"
	"testing"
)

func TestLoggerLines(t *testing.T) {
	said := func(f func(a *Answer)) []Said {
		var a Answer
		f(&a)
		return a.Said
	}
	for _, tc := range []struct {
		line string
		want []Said
		hint string // not empty: garbled, with this in its hint
	}{
		{"row t_ms,V", said(func(a *Answer) { a.Row("t_ms,V") }), ""},
		{"row", said(func(a *Answer) { a.Row("") }), ""},
		{"row  two blanks\r", said(func(a *Answer) { a.Row(" two blanks") }), ""},
		{"load on", said(func(a *Answer) { a.Do(LoadOn) }), ""},
		{"load off\r", said(func(a *Answer) { a.Do(LoadOff) }), ""},
		{"charge off", said(func(a *Answer) { a.Do(ChargeOff) }), ""},
		{"mine tick_bits=16 read_ms=500", said(func(a *Answer) { a.State(Mine, "tick_bits", 16); a.State(Mine, "read_ms", 500) }), ""},
		{"cannot load set", said(func(a *Answer) { a.Tell(Cannot, "load"); a.Tell(Cannot, "set") }), ""},
		{"clock -5", said(func(a *Answer) { a.State(Clock, "", -5) }), ""},
		{"load", nil, "on or off"},
		{"load ON", nil, "on or off"},
		{"load on ", nil, "on or off"},
		{"clock 1.5", nil, "Unix seconds"},
		{"clock +5", nil, "Unix seconds"},
		{"clock 05", nil, "no plain integer"},
		{"clock 99999999999999999999", nil, "out of range"},
		{"mine tick_bits", nil, "KEY=VALUE"},
		{"mine tick_bits=99", nil, "8 to 64"},
		{"mine colour=3", nil, "no key of the greeting"},
		{"mine read_ms=1000 ", nil, "KEY=VALUE"},
		{"cannot fly", nil, "count-charge"},
		{"can", nil, "charge seq"},
		{"file ", nil, "a name"},
		{"ok then", nil, "alone"},
		{"OK", nil, "lower case"},
		{"1.5,2.5", nil, "write `row ` before it"},
		{"", nil, "empty line"},
		{"Hello, world", nil, "`say `"},
		{strings.Repeat("row x", 300), nil, "1024"},
	} {
		var a Answer
		done, err := a.Take([]byte(tc.line))
		f, _ := err.(*Failure)
		switch {
		case done:
			t.Errorf("%.40q ends the answer", tc.line)
		case tc.hint == "" && (err != nil || !reflect.DeepEqual(a.Said, tc.want)):
			t.Errorf("%.40q: %+v, %v; want %+v", tc.line, a.Said, err, tc.want)
		case tc.hint != "" && (f == nil || f.Kind != Garbled || !strings.Contains(f.Hint, tc.hint) || len(a.Said) > 0):
			t.Errorf("%.40q: %+v, %+v; want a hint with %q and nothing kept", tc.line, a.Said, f, tc.hint)
		}
	}
	var a Answer
	if done, err := a.Take([]byte("ok\r")); !done || err != nil {
		t.Errorf("ok with CR: %v, %v", done, err)
	}
}

func TestBenchLines(t *testing.T) {
	greeting := "stuntcell 1 tick_bits=32 tick_hz=1000 shunt_nohm=1500000 shunt_step_nv=6000 bus_step_uv=3000 shunt_max=32767 " +
		"bus_max=16383 bus_at=0 channels=1 read_ms=1000 log_ms=10000 cutoff_mv=0 cutoff_hold_ms=0 charge_end_mv=0 charge_taper_ma=0 zone_min=-210"
	for _, line := range []string{
		greeting,
		"r 0 0 0 0",
		"r 18446744073709551615 -32767 - -",
		"r 5 1 2 3 shunt2=4 bus2=- shunt3=1 bus3=1 temp_mdeg=-12000 aux1=7 card=fail load=on charge=off",
		"set log_ms=70000",
		"end",
	} {
		var m Message
		if err := ParseMessage([]byte(line), &m); err != nil {
			t.Errorf("%q: %v", line, err)
		} else if got := string(m.Append(nil)); got != line+"\n" {
			t.Errorf("%q is written as %q", line, got)
		}
	}
	for line, want := range map[string]string{
		"":                                "no word of the bench",
		"end now":                         "alone",
		"r 1 2 3":                         "expected TICK",
		"r -1 2 3 4":                      "no tick",
		"r 1 2 x 4":                       "no plain integer",
		"r 1 -2147483648 3 4":             "out of range",
		"r 1 2 3 4 card=ok":               "card=fail",
		"r 1 2 3 4 load=maybe":            "on or off",
		"r 1 2 3 4 bus3=1 shunt3=1":       "not whole",
		"r 1 2 3 4 shunt2=1":              "not whole",
		"r 1 2 3 4 aux1=1 aux1=1":         "once",
		"r 1 2 3 4 x=1":                   "no key",
		"set log_ms=0":                    "out of range",
		"stuntcell 2 tick_bits=32":        "version",
		"stuntcell 1 tick_bits=32":        "missing",
		greeting + " read_ms=1000":        "twice",
		strings.Repeat("r 1 2 3 4 ", 200): "at most",
	} {
		var m Message
		if err := ParseMessage([]byte(line), &m); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.60q: %v, want %q", line, err, want)
		}
	}
}

func TestWords(t *testing.T) {
	for command, want := range map[string][]string{
		"logger":                       {"logger"},
		"./logger -v 'two words' \"\"": {"/here/logger", "-v", "two words", ""},
		"python3 {here}/a.py":          {"python3", "/here/a.py"},
		`a\ b c`:                       {"a b", "c"},
		"/abs/logger":                  {"/abs/logger"},
		"sub/logger":                   {"/here/sub/logger"},
	} {
		if got, err := Words(command, "/here"); err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %q, %v; want %q", command, got, err, want)
		}
	}
	for command, want := range map[string]string{"": "empty", "  ": "empty", "a 'b": "quote", `a\`: "backslash"} {
		if _, err := Words(command, "/here"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", command, err, want)
		}
	}
}

func FuzzLoggerLine(f *testing.F) {
	for _, s := range []string{"row a,b", "ok", "load on", "mine tick_bits=16", "cannot load", "clock 5", "say x\xff", "file A.CSV", "row \r\r"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		if bytes.IndexByte(line, '\n') >= 0 {
			return
		}
		var a, again Answer
		done, err := a.Take(line)
		if err != nil {
			if len(a.Said) > 0 || done || err.(*Failure).Hint == "" {
				t.Fatalf("%q failed and left %+v", line, a.Said)
			}
			return
		}
		// What was understood is written so that it is understood again, except that text may have grown over the limit.
		for _, l := range bytes.Split(bytes.TrimSuffix(a.Append(nil), []byte("ok\n")), []byte("\n")) {
			if len(l) > MaxLine {
				return
			}
			if len(l) > 0 {
				if _, err := again.Take(l); err != nil {
					t.Fatalf("%q was written as %q: %v", line, l, err)
				}
			}
		}
		if !reflect.DeepEqual(a.Said, again.Said) {
			t.Fatalf("%q: %+v became %+v", line, a.Said, again.Said)
		}
	})
}

func FuzzBenchLine(f *testing.F) {
	for _, s := range []string{"r 5 1 2 3 shunt2=4 bus2=- temp_mdeg=-12000", "set log_ms=5", "end", "stuntcell 1 tick_bits=32", "r - - - -"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		var m, again Message
		if ParseMessage(line, &m) != nil {
			return
		}
		out := bytes.TrimSuffix(m.Append(nil), []byte("\n"))
		if err := ParseMessage(out, &again); err != nil || !reflect.DeepEqual(m, again) {
			t.Fatalf("%q: %+v was written as %q: %+v, %v", line, m, out, again, err)
		}
	})
}
