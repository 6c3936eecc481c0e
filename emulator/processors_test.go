package emulator_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/model/outside"
)

// tool finds a program that a test needs.
func tool(t testing.TB, name, what string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		outside.Missing(t, what+" ("+name+")")
	}
	return path
}

func compile(t testing.TB, name string, args ...string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "out")
	if b, err := exec.Command(name, append(args, "-o", out)...).CombinedOutput(); err != nil {
		t.Fatalf("%s %v: %v: %s", name, args, err, b)
	}
	return out
}

// chip runs a logger of testdata on a simulated 8-bit chip.
func chip(t testing.TB, s emulator.Setup, logger string) *emulator.Record {
	t.Helper()
	cc := tool(t, "cc", "C compiler")
	avr := tool(t, "avr-gcc", "compiler for a chip")
	const simulator = "/usr/include/simavr"
	if _, err := os.Stat(simulator); err != nil {
		outside.Missing(t, "a simulator of a chip (libsimavr-dev)")
	}
	host := compile(t, cc, "-O2", "-Wall", "-Wextra", "-Werror", "firmware/chip/host.c", "-I"+simulator, "-lsimavr", "-lelf")
	firmware := compile(t, avr, "-mmcu=atmega328p", "-DF_CPU=16000000UL", "-std=c99", "-Os", "-Wall", "-Wextra", "-pedantic", "-Werror",
		"-Ifirmware", `-DLOGGER="`+logger+`"`, "../testdata/loggers/chip.c")
	return play(t, s, link.NewChild(link.ChildOptions{Args: []string{host, firmware}, Dir: t.TempDir(), Timeout: 5 * time.Second}))
}

// sandbox runs the integer logger as WebAssembly.
func sandbox(t testing.TB, s emulator.Setup) *emulator.Record {
	t.Helper()
	clang := tool(t, "clang", "C compiler for WebAssembly")
	tool(t, "wasm-ld", "linker for WebAssembly")
	path := compile(t, clang, "--target=wasm32", "-std=c99", "-O2", "-mbulk-memory", "-nostdlib", "-Wl,--no-entry", "-Wall", "-Wextra", "-Werror",
		"-Ifirmware", "../testdata/loggers/wasm.c")
	binary, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return play(t, s, link.NewWasm(link.WasmOptions{Binary: binary}))
}

func rows(rec *emulator.Record) string {
	var b strings.Builder
	for _, r := range rec.Rows {
		b.WriteString(r.Text + "\n")
	}
	return b.String()
}

// One C core, compiled for three processors, writes the same rows: it uses integers of stated widths only.
func TestThreeProcessorsWriteTheSameRows(t *testing.T) {
	s := setup(t, "tick: {start: -3 min}", discharge(1.4, 5*minute), toLogger(7, 12.0), charge(1, 14.4, minute))
	want := child(t, s, "../testdata/loggers/integer.c")
	if want.Outcome.Failure != nil || len(want.Rows) < 40 {
		t.Fatalf("host: %+v, %d rows", want.Outcome.Failure, len(want.Rows))
	}
	for name, got := range map[string]*emulator.Record{"chip": chip(t, s, "integer.c"), "sandbox": sandbox(t, s)} {
		if got.Outcome.Failure != nil {
			t.Errorf("%s: %+v", name, got.Outcome.Failure)
		}
		if rows(got) != rows(want) {
			t.Errorf("%s: other rows (%d, the host has %d)", name, len(got.Rows), len(want.Rows))
		}
		if !reflect.DeepEqual(got.Events, want.Events) {
			t.Errorf("%s: other events", name)
		}
	}
}

// An int of 16 bits holds no 40000: what is right on the host is wrong on the chip.
func TestOverflowThatOnlyTheChipHas(t *testing.T) {
	s := setup(t, "", discharge(1.4, 6*minute))
	s.Settings.Log = 40 * second
	host := child(t, s, "../testdata/loggers/mistake-narrow-interval.c")
	small := chip(t, s, "mistake-narrow-interval.c")
	// A header, and a row at the first reading and each 40 s after it.
	if got, want := len(host.Rows), 2+359/40; got != want {
		t.Errorf("host: %d rows, want %d", got, want)
	}
	if got := len(small.Rows); got > 3 {
		t.Errorf("chip: %d rows, want those after the first to be missing", got)
	}
	s.Settings.Log = 30 * second
	if a, b := rows(child(t, s, "../testdata/loggers/mistake-narrow-interval.c")), rows(chip(t, s, "mistake-narrow-interval.c")); a != b {
		t.Error("an interval that fits in 16 bits differs")
	}
}

func TestHeaderCompilesForAChipWithoutWarnings(t *testing.T) {
	avr := tool(t, "avr-gcc", "compiler for a chip")
	source := filepath.Join(t.TempDir(), "t.c")
	const text = "static int get(void) { return -1; }\nstatic void put(char c) { (void)c; }\n#define BENCH_GETC() get()\n" +
		"#define BENCH_PUTC(c) put((char)(c))\n#include \"benchlink.h\"\nint main(void) { while (bench_next() != BENCH_CLOSED) bench_ok(); return 0; }\n"
	if err := os.WriteFile(source, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	compile(t, avr, "-mmcu=atmega328p", "-std=c99", "-Os", "-Wall", "-Wextra", "-pedantic", "-Wconversion", "-Werror", "-Ifirmware", source)
}

func TestChipThatIsNone(t *testing.T) {
	cc := tool(t, "cc", "C compiler")
	if _, err := os.Stat("/usr/include/simavr"); err != nil {
		outside.Missing(t, "a simulator of a chip (libsimavr-dev)")
	}
	host := compile(t, cc, "-O2", "firmware/chip/host.c", "-I/usr/include/simavr", "-lsimavr", "-lelf")
	for _, args := range [][]string{{}, {"a", "b"}, {"/dev/null"}, {"-f", "0", "x"}} {
		out, err := exec.Command(host, args...).CombinedOutput()
		if exit, ok := err.(*exec.ExitError); !ok || exit.ExitCode() != 2 || len(out) == 0 {
			t.Errorf("%q: %v, %s", args, err, out)
		}
	}
}

func BenchmarkRunSandbox(b *testing.B) {
	s := setup(b, "", discharge(0.35, 20*hour))
	n := 0
	for b.Loop() {
		n += len(sandbox(b, s).Readings.T)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}

func BenchmarkRunChip(b *testing.B) {
	s := setup(b, "", discharge(1.4, hour))
	n := 0
	for b.Loop() {
		n += len(chip(b, s, "integer.c").Readings.T)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}
