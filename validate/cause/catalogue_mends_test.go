package cause_test

import (
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"stuntcell/model/outside"
	"stuntcell/validate/cause"
)

// prelude is what a mend finds around it in a logger.
func prelude(t *testing.T) string {
	t.Helper()
	path, err := filepath.Abs("testdata/catalogue/prelude.h")
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf("#include %q\n", path)
}

// asFunction wraps a page's mend; messages of the compiler name the cause and the line of the mend.
func asFunction(t *testing.T, name, function string) string {
	t.Helper()
	p, ok := cause.Lookup(name)
	if !ok {
		t.Fatalf("no page of %s", name)
	}
	return fmt.Sprintf("void %s(void);\nvoid %s(void) {\n#line 1 %q\n%s\n}\n#undef SHUNT_NOHM\n#undef SHUNT_STEP_NV\n", function, function, name, p.MendC)
}

// TestMendsAreC99 compiles all mends, for this computer and for a chip whose int has 16 bits: there 1000 * 70 overflows, and
// what needs a format of 64 bits cannot be printed.
func TestMendsAreC99(t *testing.T) {
	source := prelude(t)
	for k, p := range cause.Pages() {
		source += asFunction(t, p.Name, fmt.Sprintf("mend%d", k))
	}
	for _, name := range []string{"cc", "avr-gcc"} {
		t.Run(name, func(t *testing.T) {
			cc := outside.Program(t, name)
			check := func(source string) ([]byte, error) {
				cmd := exec.Command(cc, "-std=c99", "-pedantic", "-Wall", "-Wextra", "-Werror", "-fsyntax-only", "-x", "c", "-")
				cmd.Stdin = strings.NewReader(source)
				return cmd.CombinedOutput()
			}
			if out, err := check(source); err != nil {
				t.Errorf("%v\n%s", err, out)
			}
			// That the compiler looks at all.
			if _, err := check(source + "void canary(void) { no_such_variable = 1; }\n"); err == nil {
				t.Error("the compiler accepts a variable that is not there")
			}
		})
	}
}

// TestMendsDoWhatTheyPromise runs mends where the mistake would show.
func TestMendsDoWhatTheyPromise(t *testing.T) {
	cc := outside.Program(t, "cc")
	const rowCounter = "static long written; void write_row(void) { written++; }\n"
	const stopper = "void stop_test(void) { printf(\"%u \", (unsigned)now); }\nvoid load_off(void) { stop_test(); }\n" +
		"bool load_is_on(void) { return false; } void call_for_help(void) { }\n"
	// Volts below the level for 3 s at 5 s, and for good from 20 s on, with a hold of 10 s.
	const dips = `cutoff_mv = 10500; cutoff_hold_ms = 10000;
		for (now = 0; now <= 30000; now += 1000) {
			volts_mv = (now >= 5000 && now < 8000) || now >= 20000 ? 10400 : 10600;
			mend();
		}`
	for _, tc := range []struct{ cause, around, run, want string }{
		{"tick-wrap", "", `amps = 5; last = UINT32_MAX - 4499; now = last;
			for (int k = 0; k < 10; k++) { now += 1000; mend(); }
			printf("%.3f", charge);`, "50.000"},
		{"signed-tick", rowCounter, `amps = 5; last = 0x7fffffff - 4499; now = last; next_row = now + 2000; log_ms = 2000;
			for (int k = 0; k < 10; k++) { now += 1000; mend(); }
			printf("%.3f %ld", charge, written);`, "50.000 5"},
		{"first-interval", "", `amps = 3.5; now = 3024000000;
			for (int k = 0; k < 3; k++) { mend(); now += 1000; }
			printf("%.3f", charge);`, "7.000"},
		{"narrow-interval", rowCounter, `log_s = 70;
			for (int k = 0; k < 700; k++) { now += 1000; mend(); }
			printf("%ld", written);`, "10"},
		{"schedule-creep", rowCounter, `log_ms = 10000; now = UINT32_MAX - 5000000; next_row = now + log_ms;
			for (int k = 0; k < 8 * 3600 * 10 / 7; k++) { now += 700; mend(); }
			printf("%ld", written);`, "2879"}, // the loop ends 0.6 s before the last is due
		{"truncated-dt", "", `milliamps = 1400;
			for (int k = 0; k < 1000; k++) { now += k % 2 ? 1050 : 950; mend(); }
			printf("%" PRId64, charge_uC);`, "1400000000"},
		{"float32-stall", "", `amps = dt = 0.1; milliamps = 100; step = 100;
			for (long k = 0; k < 720000; k++) mend();
			printf("%.2f %" PRId64, sum_As, charge_uC);`, "7200.00 7200000000"},
		{"truncated-sum", "", `shunt = -5; step = 1000; amps_per_count = 0.004;
			for (int k = 0; k < 3600; k++) { freopen(k < 3599 ? "/dev/null" : "/dev/stderr", "w", stdout); mend(); }`, "-0.020000\n"},
		{"total-overflow", "", `shunt = 1250; step = 1000;
			for (int k = 0; k < 72000; k++) mend();
			printf("%" PRId64, sum);`, "90000000000"},
		{"sign", "", `ma = -350; mend(); ma = 350; mend(); ma = -1400; mend(); ma = -5; mend();`, "-0.350\n0.350\n-1.400\n-0.005\n"},
		{"both-add", "", `amps = -3.5; dt = 1200; mend(); amps = 1.75; dt = 2400; mend();
			printf("%.1f %.1f %.1f", charge, charge_in, charge_out);`, "0.0 4200.0 4200.0"},
		{"rtc-rate", "static int64_t face; int64_t rtc_unix(void) { return face; } void print_time(int64_t t) { printf(\"%\" PRId64, t); }\n",
			`set_at = 1000000; face = 1000000 + 2678400 + 120; rtc_ppm = 45; mend();`, "3678400"}, // 45 ppm of 31 d are 120.5 s, whole ones 120
		{"wrong-date", "", `for (days = 0; days < 80000; days++) {
				mend();
				printf("%04" PRIu32 "-%02" PRIu32 "-%02" PRIu32 "\n", date.year, date.month, date.day);
			}`, calendar(80000)},
		{"epoch-2038", "int64_t rtc_unix(void) { return 2147483648; }\n", `mend(); printf("%d", (int)days);`, "03:14:08\n24855"}, // of 2038-01-19
		{"local-time", "", `setenv_zone(); unix_time = 2147483647; mend(); printf("%s", line);`, "2038-01-19T03:14:07Z"},         // RFC 3339's form
		{"cutoff-late", stopper, dips, "30000 "},
		{"cutoff-early", stopper, dips, "30000 "},
		{"cutoff-never", stopper, dips, "30000 "},
		{"disordered-rows", "bool card_write_row(const char *row) { printf(\"%s\", row); return true; }\n",
			`rows[0] = "a"; rows[1] = "b"; rows[2] = "c"; n = 3; mend(); printf("%u", (unsigned)n);`, "abc0"},
		{"missing-rows", "bool card_write(const char *bytes, size_t count) { return fwrite(bytes, 1, count, stdout) == count; }\n",
			`for (int k = 0; k < 100; k++) {
				len = (size_t)sprintf(line, "row %d of a hundred that are longer than a ninth part\n", k);
				test_ended = k == 99;
				mend();
			}`, hundred()},
		{"card-loss", "bool card_write(const char *bytes, size_t count) { (void)bytes; return count == 0; } void card_reopen(void) { }\n",
			`amps = 3.5; dt = 360; len = 8; mend(); printf("%.0f %lu", charge, lost);`, "1260 1"},
		{"zero-offset", "int32_t adc_shunt(void) { static int k; return k++ % 4 ? 3 : 7; }\n", `mend(); printf("%d", (int)shunt_zero);`, "4"},
		{"lead-drop", "", `bus_volts = 11.58; amps = -7; dt = 1; mend(); printf("%.2f %.0f", volts, energy);`, "12.00 -84"},
		{"shunt-gain", "", `shunt = -1000; dt = 1; mend(); printf("%.4f", amps);`, "-3.9409"}, // 6 mV across 1.5225 mohm
	} {
		t.Run(tc.cause, func(t *testing.T) {
			source := strings.Replace(prelude(t), "#include", "#define _XOPEN_SOURCE 600\n#define GLOBAL\n#include", 1) +
				"void setenv_zone(void);\nvoid setenv_zone(void) { setenv(\"TZ\", \"CET-1CEST\", 1); tzset(); }\n" +
				tc.around + asFunction(t, tc.cause, "mend") + "int main(void) {\n" + tc.run + "\nreturn 0;\n}\n"
			program := filepath.Join(t.TempDir(), "mend")
			build := exec.Command(cc, "-std=c99", "-O1", "-w", "-x", "c", "-", "-o", program, "-lm")
			build.Stdin = strings.NewReader(source)
			if out, err := build.CombinedOutput(); err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			got, err := exec.Command(program).CombinedOutput()
			if err != nil {
				t.Fatal(err)
			}
			if string(got) != tc.want {
				t.Errorf("got %.300q, want %.300q", got, tc.want)
			}
		})
	}
}

// calendar lists dates from 1970-01-01 on, by the standard library.
func calendar(days int) string {
	var b strings.Builder
	for k := range days {
		b.WriteString(time.Unix(int64(k)*86400, 0).UTC().Format("2006-01-02\n"))
	}
	return b.String()
}

func hundred() string {
	var b strings.Builder
	for k := range 100 {
		fmt.Fprintf(&b, "row %d of a hundred that are longer than a ninth part\n", k)
	}
	return b.String()
}
