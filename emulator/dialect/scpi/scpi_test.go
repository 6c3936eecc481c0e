package scpi_test

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/dialect/dialecttest"
	"stuntcell/emulator/dialect/scpi"
	"stuntcell/emulator/instrument"
	"stuntcell/emulator/link"
	"stuntcell/emulator/wire"
	"stuntcell/emulator/wire/wiretest"
	"stuntcell/model/outside"
)

func talk(_ testing.TB, b *instrument.Bench) dialect.Dialect { return scpi.New(b, "1.2.3") }

const memory = "from memory"

// pairs are commands and answers, each with the clause that it shows. A command without an answer is followed by one that asks.
func pairs() []struct{ ask, answer, clause string } {
	return []struct{ ask, answer, clause string }{
		{"*IDN?", "stuntcell,simulated bench,0,1.2.3", "IEEE 488.2 10.14, four fields"},
		{"*idn?", "stuntcell,simulated bench,0,1.2.3", "IEEE 488.2 7.6.1, any case, " + memory},
		{"*RST;*OPC?", "1", "IEEE 488.2 10.32 and 10.19, " + memory},
		{"*OPC;*ESR?", "129", "IEEE 488.2 10.18: OPC sets bit 0; bit 7 is power on, " + memory},
		{"*ESR?;*ESR?", "128;0", "IEEE 488.2 10.12: reading clears, " + memory},
		{"*ESE 36;*ESE?", "36", "IEEE 488.2 10.10, " + memory},
		{"*ESE 256;*ESE?;:SYST:ERR?", `0;-222,"Data out of range"`, "IEEE 488.2 10.10: 0 to 255, " + memory},
		{"*SRE 255;*SRE?", "191", "IEEE 488.2 10.34: bit 6 is not kept, " + memory},
		{"*STB?", "0", "IEEE 488.2 10.36, " + memory},
		{"*ESE 128;*STB?", "32", "IEEE 488.2 11.2: ESB is bit 5, " + memory},
		{"*ESE 128;*SRE 32;*STB?", "96", "IEEE 488.2 11.2: MSS is bit 6, " + memory},
		{"*CLS;*ESR?", "0", "IEEE 488.2 10.3, " + memory},
		{"*TST?", "0", "IEEE 488.2 10.38, " + memory},
		{"*WAI;*OPC?", "1", "IEEE 488.2 10.39, " + memory},
		{"SYSTem:ERRor?", `0,"No error"`, "SCPI-1999 21.8"},
		{"SYST:ERR:NEXT?", `0,"No error"`, "SCPI-1999 volume 2 21.8: NEXT is optional, " + memory},
		{"SYST:ERR:COUN?", "0", "SCPI-1999 volume 2 21.8, " + memory},
		{"SYST:VERS?", "1999.0", "SCPI-1999 volume 2 21.21, " + memory},
		{"SYSTEM:VERSION?", "1999.0", "SCPI-1999 volume 1 6.2.1: long form, " + memory},
		{"SYSTE:VERS?;:SYST:ERR?", `-`, "SCPI-1999 volume 1 6.2.1: neither short nor long; nothing comes, " + memory},
		{"VOLT 14.4;VOLT?", "+1.440000E+01", "IEEE 488.2 8.7.4: NR3, " + memory},
		{"SOUR:VOLT:LEV:IMM:AMPL 14.4;:VOLT?", "+1.440000E+01", "SCPI-1999 volume 2 19: optional nodes, " + memory},
		{"SOUR1:VOLT 1;:SOUR:VOLT?", "+1.000000E+00", "SCPI-1999 volume 1 6.2.5.2: suffix 1 is the default, " + memory},
		{"SOUR:VOLT 2;CURR 3;:VOLT?;CURR?", "+2.000000E+00;+3.000000E+00", "SCPI-1999 volume 1 6.2.4: compound headers, " + memory},
		{"CURR 500MA;CURR?", "+5.000000E-01", "IEEE 488.2 7.7.3: M is milli, " + memory},
		{"CURR 1.5e1 A;CURR?", "+1.500000E+01", "IEEE 488.2 7.7.2.4: exponent, blank before the suffix, " + memory},
		{"CURR .5;CURR?", "+5.000000E-01", "IEEE 488.2 7.7.2.4: no digit before the point, " + memory},
		{"VOLT 12000 mv;VOLT?", "+1.200000E+01", "IEEE 488.2 7.7.3: any case, " + memory},
		{"LOAD:MODE RES;RES 2 KOHM;RES?", "+2.000000E+03", "IEEE 488.2 7.7.3, " + memory},
		{"LOAD:MODE RES;RES 1 MOHM;RES?", "+1.000000E+06", "IEEE 488.2 7.7.3: M before OHM is mega, " + memory},
		{"VOLT? MAX", "+1.000000E+03", "SCPI-1999 volume 1 7.2.1: limits, " + memory},
		{"VOLT MAX;VOLT?", "+1.000000E+03", "SCPI-1999 volume 1 7.2.1, " + memory},
		{"VOLT:LIM 15;:VOLT? MAXIMUM", "+1.500000E+01", "SCPI-1999 volume 2 19: limit, " + memory},
		{"OUTP?", "0", "SCPI-1999 volume 2 13"},
		{"VOLT 14;CURR 1;:OUTP ON;:OUTP?", "1", "SCPI-1999 volume 1 7.3: ON is answered 1, " + memory},
		{"VOLT 14;CURR 1;:OUTP:STAT 1;:OUTP OFF;:OUTP?", "0", "SCPI-1999 volume 1 7.3, " + memory},
		{"INP:STAT ON;:INP?", "1", "SCPI-1999 volume 2 11, " + memory},
		{"LOAD:MODE POW;MODE?", "POW", "SCPI-1999 volume 1 7.1: character data in the short form, " + memory},
		{"*ESE 1;VOLT 3;*ESE?;VOLT?", "1;+3.000000E+00", "IEEE 488.2 A.1.2: common commands leave the path, " + memory},
		{" \tVOLT\t5 ; VOLT? ", "+5.000000E+00", "IEEE 488.2 7.4: white space, " + memory},
		{"MEAS:VOLT?", "+1.287000E+01", "SCPI-1999 volume 2 3.2 MEASure"},
		{"MEASURE:SCALAR:VOLTAGE:DC?", "+1.287000E+01", "SCPI-1999 volume 2 3.2, " + memory},
		{"READ:CURR?", "+0.000000E+00", "SCPI-1999 volume 2 3.5, " + memory},
		{"MEAS:VOLT?;:FETC:VOLT?;POW?", "+1.287000E+01;+1.287000E+01;+0.000000E+00", "SCPI-1999 volume 2 3.4: FETCh does not measure anew, " + memory},
		{"STAT:OPER:COND?", "0", "SCPI-1999 volume 2 20, " + memory},
		{"STAT:OPER:ENAB 768;ENAB?", "768", "SCPI-1999 volume 2 20, " + memory},
		{"INP ON;:STAT:OPER:COND?;EVEN?;:STAT:OPER?", "512;512;0", "SCPI-1999 volume 1 4.2.5: reading clears the event, " + memory},
		{"STAT:QUES?;:STAT:PRES;*OPC?", "0;1", "SCPI-1999 volume 2 20, " + memory},
	}
}

func TestPairs(t *testing.T) {
	if n := len(pairs()); n < 40 {
		t.Fatalf("%d pairs", n)
	}
	for _, p := range pairs() {
		d := talk(t, dialecttest.Bench(t, instrument.Stepped))
		want := p.answer + "\n"
		if p.answer == "-" {
			want = ""
		}
		got := string(d.Hear([]byte(p.ask+"\r\n"), nil))
		if strings.HasPrefix(p.ask, "MEAS") && len(got) > 5 {
			// What a pack shows at rest is the model's matter: it must look like 12.9 V.
			if !strings.HasPrefix(got, "+1.2") && !strings.HasPrefix(got, "+1.3") || strings.Count(got, ";") != strings.Count(want, ";") {
				t.Errorf("%s: %q", p.ask, got)
			}
			continue
		}
		if got != want {
			t.Errorf("%s (%s): %q, want %q", p.ask, p.clause, got, want)
		}
	}
}

// TestErrors provokes each error and compares its number and text with the published list.
func TestErrors(t *testing.T) {
	f, err := os.Open("testdata/scpi_errors.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	published := map[string]string{}
	for _, r := range rows[1:] {
		text, _, _ := strings.Cut(r[1], " (") // a note of the list's
		published[r[0]] = text
	}
	checked := 0
	for _, c := range []struct{ ask, number string }{
		{"VOLT\x01 1", "-101"}, {"VOLT\xff 1", "-101"}, {"VOLT::LEV 1", "-102"}, {":", "-102"}, {"VOLT 1,,2", "-102"}, {"VOLT! 1", "-102"},
		{"VOLT,CURR", "-103"}, {"VOLT \"a\"", "-104"}, {"CURR FAST", "-104"}, {"VOLT 1,2", "-108"}, {"*IDN? 1", "-108"}, {"VOLT", "-109"}, {"*ESE", "-109"},
		{"VOLTAGEOFTHESOURCE 1", "-112"}, {"VOLTS 1", "-113"}, {"*XYZ?", "-113"}, {"*IDN", "-113"}, {"MEAS:VOLT", "-113"},
		{"SOUR2:VOLT 1", "-114"}, {"VOLT 1A", "-131"}, {"VOLT +", "-121"}, {"OUTP ON", "-221"}, {"VOLT 1001", "-222"}, {"VOLT -1", "-222"}, {"VOLT 1E999", "-222"},
		{"VOLT:LIM 5;:VOLT 6", "-222"}, {"VOLT? HIGH", "-224"}, {"LOAD:MODE FAST", "-224"}, {"FETC:VOLT?", "-230"}, {strings.Repeat("x", 5000), "-363"},
		{"LOAD:MODE POW;POW 5;:INP ON;:VOLT 14;CURR 1;:OUTP ON", "-221"}, {"LOAD:POW 5", "-221"}, {"SYST:STEP -1", "-222"},
	} {
		d := talk(t, dialecttest.Bench(t, instrument.Stepped))
		if got := d.Hear([]byte(c.ask+"\n"), nil); len(got) != 0 {
			t.Errorf("%.40q: answered %q", c.ask, got)
		}
		got := strings.TrimSpace(string(d.Hear([]byte("SYST:ERR?\n"), nil)))
		number, text, _ := strings.Cut(got, ",")
		if number != c.number {
			t.Errorf("%.40q: error %s, want %s", c.ask, got, c.number)
		}
		if want, ok := published[number]; ok {
			checked++
			if text != `"`+want+`"` {
				t.Errorf("error %s is %s, published is %q", number, text, want)
			}
		}
	}
	if checked < 15 {
		t.Errorf("only %d errors were compared", checked)
	}
}

func TestErrorQueue(t *testing.T) {
	d := talk(t, dialecttest.Bench(t, instrument.Stepped))
	for range 30 {
		d.Hear([]byte("NONSENSE\n"), nil)
	}
	var got []string
	for range 22 {
		got = append(got, strings.TrimSpace(string(d.Hear([]byte("SYST:ERR?\n"), nil))))
	}
	if got[0] != `-113,"Undefined header"` || got[19] != `-350,"Queue overflow"` || got[20] != `0,"No error"` {
		t.Errorf("queue: %q", got)
	}
	// A command error drops the rest of its message, an execution error does not (IEEE 488.2 6.1.6.1 and 6.1.7, from memory).
	if got := d.Hear([]byte("NONSENSE;*IDN?\n"), nil); len(got) != 0 {
		t.Errorf("after a command error: %q", got)
	}
	if got := string(d.Hear([]byte("VOLT 5000;*OPC?\n"), nil)); got != "1\n" {
		t.Errorf("after an execution error: %q", got)
	}
	// *IDN? before the error is answered.
	if got := string(d.Hear([]byte("*OPC?;NONSENSE\n"), nil)); got != "1\n" {
		t.Errorf("before an error: %q", got)
	}
}

// TestTheClientDrivesThePack: the load takes charge out, the source puts it in, the load trips when nothing is left.
func TestTheClientDrivesThePack(t *testing.T) {
	b := dialecttest.Bench(t, instrument.Stepped)
	d := talk(t, b)
	ask := func(s string) string { return strings.TrimSpace(string(d.Hear([]byte(s+"\n"), nil))) }
	num := func(s string) (v float64) { fmt.Sscan(ask(s), &v); return v }
	rest := num("MEAS:VOLT?")
	ask("LOAD:CURR 1.4;:INP ON")
	if v := num("MEAS:VOLT?"); v >= rest {
		t.Errorf("%g V at rest, %g V under load at the same instant", rest, v)
	}
	ask("SYST:STEP 3600")
	if q := num("MEAS:CHAR?"); q < -1.40001 || q > -1.39999 {
		t.Errorf("an hour of 1.4 A are %g Ah", q)
	}
	ask("INP OFF;:VOLT 14.4;CURR 0.7;:OUTP ON;:SYST:STEP 600")
	if i := num("MEAS:CURR?"); i < 0.6999 || i > 0.7001 {
		t.Errorf("charging at %g A, want 0.7 A", i)
	}
	ask("LOAD:CURR 0.2;:INP ON;:SYST:STEP 1")
	if i := num("MEAS:CURR?"); i < 0.4999 || i > 0.5001 {
		t.Errorf("0.7 A from the source and 0.2 A into the load are %g A", i)
	}
	ask("INP OFF;:SYST:STEP 20000")
	if s := ask("STAT:OPER:COND?"); s != "1280" {
		t.Errorf("after six hours at 14.4 V the condition is %s, want source on and constant voltage", s)
	}
	if v := num("MEAS:VOLT?"); v < 14.399 || v > 14.401 {
		t.Errorf("%g V, want 14.4 V", v)
	}
	ask("OUTP OFF;:LOAD:CURR 7;:INP ON;:SYST:STEP 20000")
	if s := ask("INP?;:STAT:QUES?"); s != "0;512" {
		t.Errorf("a load on an empty pack: %s", s)
	}
	if e := ask("SYST:ERR?"); e != `0,"No error"` {
		t.Error(e)
	}
}

func TestConforms(t *testing.T) {
	dialecttest.Run(t, instrument.Stepped, talk,
		dialecttest.Sample{Request: "*IDN?\n", Answer: "stuntcell,simulated bench,0,1.2.3\n"},
		dialecttest.Sample{Request: "VOLT 5;VOLT?;CURR?\n", Answer: "+5.000000E+00;+0.000000E+00\n"},
		dialecttest.Sample{Request: "NONSENSE\n", Answer: ""},
		dialecttest.Sample{Request: "\n\r\n;;;\n", Answer: ""})
}

func FuzzHear(f *testing.F) {
	var seeds []string
	for _, p := range pairs() {
		seeds = append(seeds, p.ask+"\n")
	}
	dialecttest.Fuzz(f, instrument.Stepped, talk, append(seeds, "VOLT \"a;b\",'c'\n", "INP ON;:SYST:STEP 1e7\n", "LOAD:MODE POW;POW 1e5;:INP 1;:SYST:STEP 1\n")...)
}

// TestCapacityTestOverTheWire: a script of general-purpose parts runs a whole discharge and finds the rated capacity, over TCP and over a
// pseudo-terminal.
func TestCapacityTestOverTheWire(t *testing.T) {
	python := outside.Python(t, "pyvisa, pyvisa_py, serial")
	run := func(t *testing.T, b *instrument.Bench, resource string) {
		// The rating: 7 Ah in 20 h at 0.35 A to 10.5 V, or what the pack's file says.
		r := b.Pack().Rated
		out, err := exec.Command(python, "testdata/capacity.py", resource, fmt.Sprint(r.Current()), fmt.Sprint(r.End), "600").CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		var ah float64
		var rows int
		if _, err := fmt.Sscanf(string(out), "%f Ah in %d rows", &ah, &rows); err != nil {
			t.Fatalf("%q: %v", out, err)
		}
		t.Logf("%s", out)
		// Rated means rated within 0.1 %; the script looks every minute near the end of 20 hours, another 0.08 %.
		if want := r.Charge / 3600; ah < want*0.998 || ah > want*1.002 || rows < 100 {
			t.Errorf("%g Ah in %d rows, rated %g Ah", ah, rows, want)
		}
	}
	t.Run("tcp", func(t *testing.T) {
		b := dialecttest.Bench(t, instrument.Stepped)
		host, port, _ := net.SplitHostPort(wiretest.OnTCP(t, device(b)))
		run(t, b, "TCPIP::"+host+"::"+port+"::SOCKET")
	})
	t.Run("tcp, in real time that is skipped", func(t *testing.T) {
		b := dialecttest.Bench(t, instrument.Real)
		host, port, _ := net.SplitHostPort(wiretest.OnTCP(t, device(b)))
		run(t, b, "TCPIP::"+host+"::"+port+"::SOCKET")
	})
	t.Run("pty", func(t *testing.T) {
		b := dialecttest.Bench(t, instrument.Stepped)
		run(t, b, "ASRL"+wiretest.OnPTY(t, device(b))+"::INSTR")
	})
}

func device(b *instrument.Bench) *wire.Device {
	return wire.NewDevice(func() dialect.Dialect { return scpi.New(b, "0") }, wire.Options{}, b)
}

// BenchmarkQueryOnPTY is a question each few milliseconds over a pseudo-terminal: one iteration is one. Reported is how long answers take.
func BenchmarkQueryOnPTY(b *testing.B) {
	port, err := link.OpenSerial(wiretest.OnPTY(b, device(dialecttest.Bench(b, instrument.Real))), 115200)
	if err != nil {
		b.Fatal(err)
	}
	defer port.Close()
	answers := bufio.NewReader(port)
	var took []float64
	for b.Loop() {
		time.Sleep(2 * time.Millisecond)
		begun := time.Now()
		if _, err := io.WriteString(port, "MEAS:VOLT?\n"); err != nil {
			b.Fatal(err)
		}
		if _, err := answers.ReadSlice('\n'); err != nil {
			b.Fatal(err)
		}
		took = append(took, float64(time.Since(begun).Microseconds())/1000)
	}
	slices.Sort(took)
	b.ReportMetric(took[len(took)/2], "ms-median")
	b.ReportMetric(took[len(took)*99/100], "ms-p99")
}

// BenchmarkQuery is a question over TCP, beside a bare echo.
func BenchmarkQuery(b *testing.B) {
	wiretest.BesideEcho(b, wiretest.OnTCP(b, device(dialecttest.Bench(b, instrument.Real))), "MEAS:VOLT?\n", len("+1.287000E+01\n"))
}
