package link

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"github.com/tetratelabs/wazero"
	"github.com/tetratelabs/wazero/api"
)

// The module that a sandboxed logger imports from, and what it exports: see benchlink.h.
const (
	wasmModule = "stuntcell"
	wasmStep   = "stuntcell_step"
	wasmIn     = "stuntcell_in"
	wasmInSize = "stuntcell_in_size"
)

// Bounds of a sandbox.
const (
	wasmPage     = 64 << 10
	wasmStore    = 1 << 20 // bytes kept in all
	wasmName     = 255     // longest name
	wasmSmallest = MaxLine + 1
	wasmAhead    = 64
)

// WasmOptions says which module is linked to and how.
type WasmOptions struct {
	// Binary is the module.
	Binary []byte
	// Timeout is how long an answer may take, in real time; 0: 10 s.
	Timeout time.Duration
	// Memory bounds what the module may have [bytes]; 0: 16 MiB.
	Memory int64
	// Seed draws how much a torn file loses.
	Seed uint64
}

// Wasm is a Link to a WebAssembly module in a sandbox: no files, no network, no clock, bounded in memory and time. Its shape is a step: it
// is handed one or more whole lines and answers each before it returns (benchlink.h does that for a function logger_event). A byte
// store stands for its files.
type Wasm struct {
	options WasmOptions
	rand    *rand.Rand
	files   memory

	runtime  wazero.Runtime
	compiled wazero.CompiledModule
	module   api.Module
	step     api.Function
	in       uint32 // where lines are put
	inSize   int

	listener
	held      []byte // lines that were not handed over yet
	out       []byte // what the running step has written
	flooded   bool
	asked     int // messages without an answer
	delivered int // of these, handed over
	failed    bool
	stack     [1]uint64
}

// NewWasm returns a link to the module that o describes; Start compiles it.
func NewWasm(o WasmOptions) *Wasm {
	if o.Timeout == 0 {
		o.Timeout = 10 * time.Second
	}
	if o.Memory == 0 {
		o.Memory = 16 << 20
	}
	return &Wasm{options: o, rand: rand.New(rand.NewPCG(o.Seed, 0x7042)), files: memory{bytes: map[string][]byte{}}}
}

// Start implements [Link]. Its error is the user's: no module, or one that asks for what a sandbox does not offer.
func (w *Wasm) Start(ctx context.Context) error {
	if w.module != nil {
		return errors.New("link: started twice")
	}
	if w.runtime == nil {
		if err := w.compile(ctx); err != nil {
			return err
		}
	}
	// Not the caller's context: what runs later has its own.
	module, err := w.runtime.InstantiateModule(ctx, w.compiled, wazero.NewModuleConfig().WithName("").WithStartFunctions("_initialize"))
	if err != nil {
		return fmt.Errorf("link: starting the module: %w", err)
	}
	in, err := constant(ctx, module, wasmIn)
	if err != nil {
		return err
	}
	size, err := constant(ctx, module, wasmInSize)
	if err != nil {
		return err
	}
	if size < wasmSmallest || uint64(in)+uint64(size) > uint64(module.Memory().Size()) {
		return fmt.Errorf("link: %s says %d bytes at %d (expected at least %d, inside its memory)", wasmInSize, size, in, wasmSmallest)
	}
	w.module, w.step, w.in, w.inSize = module, module.ExportedFunction(wasmStep), in, int(size)
	w.listener = listener{}
	w.held, w.asked, w.delivered, w.failed, w.flooded = w.held[:0], 0, 0, false, false
	return nil
}

// constant calls an exported function that takes nothing and returns a number.
func constant(ctx context.Context, m api.Module, name string) (uint32, error) {
	got, err := m.ExportedFunction(name).Call(ctx)
	if err != nil {
		return 0, fmt.Errorf("link: calling %s: %w", name, err)
	}
	return uint32(got[0]), nil
}

func (w *Wasm) compile(ctx context.Context) (err error) {
	config := wazero.NewRuntimeConfig().WithCloseOnContextDone(true).WithMemoryLimitPages(uint32(max(1, w.options.Memory/wasmPage)))
	r := wazero.NewRuntimeWithConfig(ctx, config)
	defer func() {
		if err != nil {
			r.Close(ctx)
		}
	}()
	i32 := api.ValueTypeI32
	_, err = r.NewHostModuleBuilder(wasmModule).
		NewFunctionBuilder().WithGoModuleFunction(api.GoModuleFunc(w.write), []api.ValueType{i32, i32}, nil).Export("write").
		NewFunctionBuilder().WithGoModuleFunction(api.GoModuleFunc(w.load), []api.ValueType{i32, i32, i32, i32}, []api.ValueType{i32}).Export("load").
		NewFunctionBuilder().WithGoModuleFunction(api.GoModuleFunc(w.save), []api.ValueType{i32, i32, i32, i32}, nil).Export("save").
		Instantiate(ctx)
	if err != nil {
		return fmt.Errorf("link: making the sandbox: %w", err)
	}
	compiled, err := r.CompileModule(ctx, w.options.Binary)
	if err != nil {
		return fmt.Errorf("link: this is no WebAssembly module that can be run: %w", err)
	}
	if err := fits(compiled); err != nil {
		return err
	}
	w.runtime, w.compiled = r, compiled
	return nil
}

// fits says what a module lacks or wants in vain: nil if nothing.
func fits(m wazero.CompiledModule) error {
	for _, f := range m.ImportedFunctions() {
		module, name, _ := f.Import()
		if module != wasmModule || name != "write" && name != "load" && name != "save" {
			return fmt.Errorf("link: the module imports %s.%s, which a sandbox does not offer (expected only write, load and save of %s; "+
				"hint: link without a C library, as benchlink.h says)", module, name, wasmModule)
		}
	}
	if len(m.ImportedMemories()) > 0 || len(m.ExportedMemories()) == 0 {
		return errors.New("link: the module must have a memory of its own and export it")
	}
	i32 := api.ValueTypeI32
	for name, want := range map[string][2][]api.ValueType{
		wasmStep: {{i32}, nil}, wasmIn: {nil, {i32}}, wasmInSize: {nil, {i32}},
	} {
		f, ok := m.ExportedFunctions()[name]
		if !ok || !bytes.Equal(f.ParamTypes(), want[0]) || !bytes.Equal(f.ResultTypes(), want[1]) {
			return fmt.Errorf("link: the module does not export %s as benchlink.h does", name)
		}
	}
	return nil
}

// outside ends the running step: the module named bytes that it does not have. The sandbox reports it as the module's own crash.
type outside struct{ what string }

func (o outside) Error() string { return o.what + " outside of its memory" }

var errFlood = errors.New("flood")

func bytesAt(m api.Module, at, length uint64, what string) []byte {
	b, ok := m.Memory().Read(api.DecodeU32(at), api.DecodeU32(length))
	if !ok {
		panic(outside{what})
	}
	return b
}

func (w *Wasm) write(_ context.Context, m api.Module, stack []uint64) {
	w.out = append(w.out, bytesAt(m, stack[0], stack[1], "it writes what is")...)
	if len(w.out) > maxAnswer {
		w.flooded = true
		panic(errFlood)
	}
}

func (w *Wasm) load(_ context.Context, m api.Module, stack []uint64) {
	kept := w.files.bytes[w.name(m, stack)]
	to := bytesAt(m, stack[2], stack[3], "it loads to what is")
	copy(to, kept)
	stack[0] = uint64(len(kept))
}

func (w *Wasm) save(_ context.Context, m api.Module, stack []uint64) {
	name := w.name(m, stack)
	w.files.Save(name, bytesAt(m, stack[2], stack[3], "it saves what is"))
	total := 0
	for name, b := range w.files.bytes {
		total += len(name) + len(b)
	}
	if total > wasmStore {
		panic(fmt.Errorf("it saves more than %d MiB", wasmStore>>20))
	}
}

func (w *Wasm) name(m api.Module, stack []uint64) string {
	// The upper half of a 32-bit word on the stack is whatever the compiled code left there.
	if api.DecodeU32(stack[1]) > wasmName {
		panic(fmt.Errorf("it names bytes with more than %d characters", wasmName))
	}
	return string(bytesAt(m, stack[0], stack[1], "it names what is"))
}

// Send implements [Link].
func (w *Wasm) Send(m *Message) error {
	if w.module == nil || w.failed {
		return errors.New("link: sent to a logger that does not run")
	}
	if w.asked >= wasmAhead {
		return errors.New("link: sent too many messages ahead")
	}
	w.held = m.Append(w.held)
	w.asked++
	return nil
}

// Receive implements [Link].
func (w *Wasm) Receive(ctx context.Context) (*Answer, error) {
	if w.module == nil || w.asked == 0 {
		return nil, errors.New("link: nothing was sent that could be answered")
	}
	a, err := w.receive(ctx)
	if err != nil {
		w.failed = true
		return nil, err
	}
	w.asked--
	w.delivered--
	return a, nil
}

func (w *Wasm) receive(ctx context.Context) (*Answer, error) {
	for {
		a, err := w.next()
		switch {
		case err != nil:
			return nil, err
		case a != nil && w.delivered > 0:
			return a, nil
		case a != nil:
			return nil, &Failure{Kind: Garbled, Line: "ok", Hint: "answer each line once"}
		case w.delivered > 0:
			return nil, w.hung("no `ok` in the answer")
		}
		if err := w.deliver(ctx); err != nil {
			return nil, err
		}
	}
}

// deliver hands over as many lines as there is room for and lets the module work on them.
func (w *Wasm) deliver(ctx context.Context) error {
	lines := w.held
	if len(lines) > w.inSize {
		lines = lines[:bytes.LastIndexByte(lines[:w.inSize], '\n')+1]
	}
	w.delivered = bytes.Count(lines, []byte{'\n'})
	w.module.Memory().Write(w.in, lines)
	w.stack[0] = uint64(len(lines))
	w.held = append(w.held[:0], w.held[len(lines):]...)
	w.out = w.out[:0]
	limited, cancel := context.WithTimeout(ctx, w.options.Timeout)
	defer cancel()
	err := w.step.CallWithStack(limited, w.stack[:])
	w.chunk = w.out
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return ctx.Err()
	case limited.Err() != nil:
		return w.hung(fmt.Sprintf("no answer within %v", w.options.Timeout))
	case w.flooded:
		return &Failure{Kind: Garbled, Detail: fmt.Sprintf("more than %d MiB in one answer", maxAnswer>>20), Hint: "end each answer with a line `ok`"}
	}
	what, _, _ := strings.Cut(err.Error(), "\n")
	return &Failure{Kind: Crash, Detail: printable([]byte(what), 200)}
}

// Ahead implements [Link].
func (w *Wasm) Ahead() int { return wasmAhead }

// Cut implements [Link].
func (w *Wasm) Cut(torn bool) error {
	if w.module == nil {
		return nil
	}
	err := w.module.Close(context.Background())
	w.module = nil
	if torn {
		w.files.tear(w.rand)
	}
	return err
}

// Close implements [Link].
func (w *Wasm) Close() error {
	w.module = nil
	if w.runtime == nil {
		return nil
	}
	err := w.runtime.Close(context.Background())
	w.runtime = nil
	return err
}
