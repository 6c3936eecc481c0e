package link_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator/link"
	"stuntcell/emulator/link/linktest"
	"stuntcell/model/outside"
)

// toWasm compiles C to a module; extra is given to the compiler.
func toWasm(t testing.TB, source string, extra ...string) []byte {
	t.Helper()
	clang, err := exec.LookPath("clang")
	if err == nil {
		_, err = exec.LookPath("wasm-ld")
	}
	if err != nil {
		outside.Missing(t, "a C compiler for WebAssembly (clang, lld)")
	}
	if !strings.HasSuffix(source, ".c") {
		path := filepath.Join(t.TempDir(), "logger.c")
		if err := os.WriteFile(path, []byte(source+"\n"), 0o666); err != nil {
			t.Fatal(err)
		}
		source = path
	}
	out := filepath.Join(t.TempDir(), "logger.wasm")
	args := append([]string{"--target=wasm32", "-std=c99", "-O2", "-mbulk-memory", "-nostdlib", "-Wl,--no-entry", "-Wall", "-Wextra", "-pedantic",
		"-Werror", "-I../firmware", "-o", out, source}, extra...)
	if b, err := exec.Command(clang, args...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, b)
	}
	b, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestWasmConforms(t *testing.T) {
	binary := toWasm(t, "linktest/testdata/conform.c")
	linktest.Run(t, func(t *testing.T) link.Link { return link.NewWasm(link.WasmOptions{Binary: binary, Seed: 1}) })
}

func TestSickModules(t *testing.T) {
	cases := []struct {
		name, does string
		kind       link.FailureKind
		in         string
	}{
		{"loops", `for (;;) n++;`, link.Hang, "within"},
		{"traps", `__builtin_trap();`, link.Crash, "unreachable"},
		{"reads beyond its memory", `bench_signed(*(volatile int *)0x7ffffff0u);`, link.Crash, "out of bounds"},
		{"writes beyond its memory", `bench_write_((char *)0x7ffffff0u, 100);`, link.Crash, "outside of its memory"},
		{"recurses", `bench_signed(down(0));`, link.Crash, ""},
		{"floods", `for (;;) bench_row("again");`, link.Garbled, "32 MiB"},
		{"never ends its line", `while (n++ < 100000) bench_put('x');`, link.Garbled, "1024 bytes"},
		{"answers twice", `bench_ok();`, link.Garbled, "ok"},
		{"says what is no word", `bench_text("1,2,3\n");`, link.Garbled, "`row `"},
		{"fills the store", `bench_save_bytes("a", 1, big, sizeof big); bench_save_bytes("b", 1, big, sizeof big);`, link.Crash, "more than 1 MiB"},
		{"wants more memory than there is", `if (__builtin_wasm_memory_grow(0, 4096) == (unsigned long)-1) bench_text("out of memory\n");`,
			link.Garbled, "out of memory"},
	}
	// One module has all of it; aux1 says which.
	source := `#include "benchlink.h"
static char big[700000];
static volatile int deep, n;
static int down(int i) { volatile char pad[1000]; pad[i % 1000] = 1; return deep ? 0 : down(i + 1) + pad[0]; }
void logger_event(int event) {
	if (event != BENCH_READING) return;
	switch (bench.aux1) {
`
	for i, tc := range cases {
		source += fmt.Sprintf("\tcase %d: %s break;\n", i, tc.does)
	}
	binary := toWasm(t, source+"\t}\n}", "-Wno-error")
	for i, tc := range cases {
		t.Run(tc.name, func(t *testing.T) {
			o := link.WasmOptions{Binary: binary}
			if tc.kind == link.Hang {
				o.Timeout = 300 * time.Millisecond
			}
			l := link.NewWasm(o)
			if err := l.Start(context.Background()); err != nil {
				t.Fatal(err)
			}
			if _, err := exchange(l, 1); err != nil {
				t.Fatal(err)
			}
			var f *link.Failure
			for range 3 {
				if err := l.Send(&link.Message{Kind: link.Read, Reading: link.Reading{HasAux1: true, Aux1: int32(i)}}); err != nil {
					t.Fatal(err)
				}
				if _, err := l.Receive(context.Background()); err != nil {
					errors.As(err, &f)
					break
				}
			}
			if f == nil || f.Kind != tc.kind || !strings.Contains(f.Error()+f.Hint, tc.in) {
				t.Errorf("got %+v, want %s, %q", f, tc.kind, tc.in)
			}
			if err := l.Close(); err != nil {
				t.Error(err)
			}
		})
	}
}

// A 32-bit word leaves the upper half of its place on the stack as the code before it did, here with 64-bit numbers: it is no part of
// the length of a name.
func TestWordsWhereWiderOnesStood(t *testing.T) {
	l := link.NewWasm(link.WasmOptions{Binary: toWasm(t, `#include "benchlink.h"
static volatile int64_t seed = -7777777777777;
__attribute__((noinline)) static int64_t wide(int depth, int64_t a, int64_t b, int64_t c, int64_t d, int64_t e, int64_t f) {
	if (depth == 0) return a ^ b ^ c ^ d ^ e ^ f;
	return a + b + c + d + e + f + wide(depth - 1, f * seed, a * seed, b * seed, c * seed, d * seed, e * seed) * seed;
}
void logger_event(int event) {
	static int64_t kept[3];
	int depth;
	(void)event;
	for (depth = 0; depth < 40; depth++) {
		kept[0] += wide(depth, seed, seed, seed, seed, seed, seed);
		bench_save_bytes(kept[0] & 1 ? "one" : "two", 3, kept, sizeof kept);
	}
	if (bench_load_bytes("one", 3, kept, sizeof kept) + bench_load_bytes("two", 3, kept, sizeof kept) > 0) bench_say("kept");
}`)})
	if err := l.Start(context.Background()); err != nil {
		t.Fatal(err)
	}
	if said, err := exchange(l, 2); err != nil || len(said) != 2 {
		t.Errorf("%v, %v", said, err)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}

func TestModulesThatDoNotFit(t *testing.T) {
	for name, tc := range map[string]struct {
		binary []byte
		want   string
	}{
		"text":   {[]byte("#!/bin/sh\n"), "no WebAssembly module"},
		"empty":  {nil, "no WebAssembly module"},
		"import": {toWasm(t, "#include \"benchlink.h\"\nint puts(const char *);\nvoid logger_event(int e) { (void)e; puts(\"hello\"); }", "-Wl,--allow-undefined", "-Wno-missing-prototypes"), "imports env.puts"},
		"export": {toWasm(t, "__attribute__((export_name(\"run\"))) int run(void); int run(void) { return 1; }"), "does not export"},
	} {
		l := link.NewWasm(link.WasmOptions{Binary: tc.binary})
		err := l.Start(context.Background())
		var f *link.Failure
		if err == nil || errors.As(err, &f) || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: %v, want %q", name, err, tc.want)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
}
