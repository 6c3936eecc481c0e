package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"sync"

	"stuntcell/emulator"
	"stuntcell/emulator/instrument"
	"stuntcell/emulator/link"
	"stuntcell/emulator/wire"
)

// emulation is a device that runs.
type emulation struct {
	std     streams
	options emulateOptions
	benches []*instrument.Bench
	told    *emulator.Record // nil: not readings
	served  bool             // it could be reached
	mu      sync.Mutex       // of the files
}

func (e *emulation) run(ctx context.Context, faults wire.Faults) (err error) {
	o := &e.options
	w := wire.Options{Faults: faults}
	if w.Speed, err = o.rate(); err != nil {
		return err
	}
	if o.trace != "" {
		tell, done, failed := e.keep(o.trace)
		if failed != nil {
			return failed
		}
		defer func() { err = errors.Join(err, done()) }()
		w.Trace = func(a wire.Act) { tell(a.String()) }
	}
	if o.capture != "" {
		tell, done, failed := e.keep(o.capture)
		if failed != nil {
			return failed
		}
		defer func() { err = errors.Join(err, done()) }()
		tell(wire.CaptureHead)
		w.Capture = func(op wire.Op) { tell(op.String()) }
	}
	serve := e.onLine
	if o.tcp != "" {
		serve = e.onTCP
	}
	if err := serve(ctx, w); err != nil || ctx.Err() == nil {
		return err
	}
	return context.Cause(ctx)
}

// keep begins a file of lines; done puts it in its place, unless the device never came to be.
func (e *emulation) keep(path string) (tell func(string), done func() error, err error) {
	f, err := createWhole(path)
	if err != nil {
		return nil, nil, err
	}
	tell = func(line string) {
		e.mu.Lock()
		defer e.mu.Unlock()
		f.WriteString(line)
		f.WriteByte('\n')
	}
	return tell, func() error {
		e.mu.Lock()
		defer e.mu.Unlock()
		if !e.served {
			f.discard()
			return nil
		}
		return f.commit()
	}, nil
}

// onTCP serves the packs: units of one port, or a port each.
func (e *emulation) onTCP(ctx context.Context, w wire.Options) error {
	groups := [][]*instrument.Bench{e.benches}
	if e.options.dialect != "modbus" {
		groups = nil
		for i := range e.benches {
			groups = append(groups, e.benches[i:i+1])
		}
	}
	listeners, reachable, err := listen(e.options.tcp, len(groups))
	if err != nil {
		return err
	}
	defer closeAll(listeners)
	if reachable {
		fmt.Fprintln(e.std.err, "Caution: other computers can reach this device; it asks nobody who they are.")
	}
	var devices []*wire.Device
	for i, group := range groups {
		talk, err := e.talk(group)
		if err != nil {
			return err
		}
		w.Name = strconv.Itoa(i)
		devices = append(devices, wire.NewDevice(talk, w, group...))
	}
	first, last := listeners[0].Addr(), listeners[len(listeners)-1].Addr()
	where := first.String()
	if len(listeners) > 1 {
		where += " to " + last.String()
	}
	e.ready(where)
	errs := make(chan error, len(devices))
	for i, d := range devices {
		go func() { errs <- d.Serve(ctx, listeners[i]) }()
	}
	for range devices {
		err = errors.Join(err, <-errs)
	}
	return err
}

// roomFor makes sure that so many lines can be open at once. Where there is no room for a dozen files of its own, Go's runtime itself ends
// with a trace.
func roomFor(lines int) error {
	need := lines + 12
	if most, known := link.OpenFiles(); known && most < uint64(need) {
		return usagef(fmt.Sprintf("ulimit -n %d raises the limit", need), "only %d files may be open at once, and this needs %d", most, need)
	}
	return nil
}

// listen listens at so many ports in a row, from that of the address on; from port 0 on it looks for so many that are free.
func listen(addr string, n int) (all []net.Listener, reachable bool, err error) {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, false, usagef("as in --tcp 127.0.0.1:5025", "--tcp %q: expected HOST:PORT", addr)
	}
	first, err := strconv.Atoi(port)
	if err != nil || first < 0 || first+n > 65536 {
		return nil, false, usagef("", "--tcp %q: expected a port number, up to %d", addr, 65536-n)
	}
	const attempts = 100
	for range attempts {
		all = nil
		for i := range n {
			at := 0
			if i > 0 {
				at = all[0].Addr().(*net.TCPAddr).Port + i
			} else if first > 0 {
				at = first
			}
			var l net.Listener
			var far bool
			if l, far, err = link.ListenTCP(net.JoinHostPort(host, strconv.Itoa(at))); err != nil {
				closeAll(all)
				break
			}
			all, reachable = append(all, l), reachable || far
		}
		if err == nil || first > 0 {
			break
		}
	}
	return all, reachable, err
}

func closeAll(listeners []net.Listener) {
	for _, l := range listeners {
		l.Close()
	}
}

// onLine serves one terminal or serial port.
func (e *emulation) onLine(ctx context.Context, w wire.Options) error {
	var line wire.Line
	where := e.options.port
	if e.options.pty {
		p, err := link.OpenPTY(e.options.linkName)
		if err != nil {
			return err
		}
		line, where = p, p.Device()
		if e.options.linkName != "" {
			where = e.options.linkName + " (" + where + ")"
		}
	} else {
		s, err := link.OpenSerial(e.options.port, e.options.baud)
		if err != nil {
			return err
		}
		line = s
	}
	talk, err := e.talk(e.benches)
	if err != nil {
		line.Close()
		return err
	}
	w.Name = "0"
	e.ready(where)
	return wire.NewDevice(talk, w, e.benches...).ServeTerminal(ctx, line)
}

// ready says where the device is to be found.
func (e *emulation) ready(where string) {
	e.served = true
	packs := ""
	if n := len(e.benches); n > 1 {
		packs = fmt.Sprintf(", %d packs", n)
	}
	fmt.Fprintf(e.std.err, "%s on %s%s; an interrupt ends it.\nA simulation: real batteries may be worse.\n", e.options.dialect, where, packs)
	if e.told != nil {
		tellCounts(e.std.err, &e.told.Greeting)
	}
}
