package main

import (
	"bufio"
	"fmt"
	"strings"

	"stuntcell/emulator/dialect/modbus"
	"stuntcell/emulator/dialect/registers"
	"stuntcell/emulator/dialect/scpi"
	"stuntcell/emulator/dialect/stream"
	"stuntcell/emulator/wire"
)

// speech is a way in which a device on a wire speaks.
type speech struct {
	item
	show func(*bufio.Writer) // all that a client can say, and what comes
}

// speeches lists the dialects of emulate.
func speeches() []speech {
	return []speech{
		{item{"stream", "A capacity logger's lines of numbers, one at each interval."}, showStream},
		{item{"readings", "What the rig's sensors read in a scenario, as record writes it."}, showReadings},
		{item{"scpi", "A source, a load and a meter as one instrument (SCPI-1999, IEEE 488.2)."}, showSCPI},
		{item{"modbus", "A monitor of one battery: RTU on --pty and --port, Modbus TCP on --tcp."}, showModbus},
		{item{"registers", "A made-up shunt monitor, register by register, for driver code."}, showRegisters},
	}
}

func dialectNames() []string {
	var names []string
	for _, s := range speeches() {
		names = append(names, s.name)
	}
	return names
}

func listDialects() ([]item, error) {
	var items []item
	for _, s := range speeches() {
		items = append(items, s.item)
	}
	return items, nil
}

func showDialect(name string) []byte {
	for _, s := range speeches() {
		if s.name == name {
			return page(func(w *bufio.Writer) {
				fmt.Fprintf(w, "%s: %s\n\n", s.name, strings.TrimSuffix(s.summary, "."))
				s.show(w)
				fmt.Fprintln(w)
				writeWrapped(w, "", "stuntcell emulate SCENARIO --dialect "+s.name+" is such a device. It is simulated: no battery is switched.")
			})
		}
	}
	return nil
}

// table writes entries under a title.
func table(w *bufio.Writer, title string, items []item) {
	fmt.Fprintln(w, title)
	width := 0
	for _, it := range items {
		width = max(width, len(it.name))
	}
	for _, it := range items {
		writeEntry(w, width, it)
	}
}

func showStream(w *bufio.Writer) {
	var items []item
	for _, c := range stream.Columns() {
		items = append(items, item{c.Name, c.About})
	}
	table(w, "Columns (--columns s,V,A,Ah,Wh)", items)
	fmt.Fprintln(w)
	writeWrapped(w, "", `Current into the pack is positive unless --discharge-positive turns it. With --speed step the client asks: an empty line for the next line, a line
		with a number for so many.`)
}

func showReadings(w *bufio.Writer) {
	writeWrapped(w, "", `Lines of TICK,SHUNT,BUS,CLOCK, one a reading: the counter as firmware reads it, counts of the converter (- where a reading failed),
		seconds since 1970 on the clock. Each client on TCP gets the whole run. A terminal's begins at once: there --speed max waits for its reader.
		After the last line the device is done. What a program logs of it is judged by:`)
	fmt.Fprintln(w, "\n  stuntcell prove SCENARIO --log FILE")
}

func showSCPI(w *bufio.Writer) {
	writeWrapped(w, "", `Each line is one or more commands, parted by ; and answered in one line. Words have a short form (in capitals) and a long one; what is in
		brackets may be left out; with ? a setting is asked for. Numbers may have a suffix (500MA), or be MIN, MAX or DEF. Current into the pack is positive.`)
	var items []item
	for _, c := range scpi.Commands() {
		items = append(items, item{c.Header, c.About})
	}
	fmt.Fprintln(w)
	fmt.Fprintln(w, "Commands")
	for _, it := range items {
		fmt.Fprintln(w, "  "+it.name)
		writeWrapped(w, "      ", it.summary)
	}
}

func showModbus(w *bufio.Writer) {
	for _, m := range []struct {
		title   string
		holding bool
	}{{"Input registers (function 4)", false}, {"Holding registers (functions 3, 6, 16)", true}} {
		var items []item
		for _, r := range modbus.Map(m.holding) {
			items = append(items, item{fmt.Sprintf("%2d  %-7s", r.Address, r.Type), r.About})
		}
		table(w, m.title, items)
		fmt.Fprintln(w)
	}
	writeWrapped(w, "", `Addresses are counted from 0, as in the frame. A float32 and an int32 take two registers, high word first unless --low-word-first; both are
		written at once. Exceptions: 1 unknown function, 2 off the map, 3 value out of range, 4 refused by the bench. Other units are not answered; unit 0
		on RTU is for all.`)
}

func showRegisters(w *bufio.Writer) {
	table(w, "Lines, in hexadecimal", []item{
		{"r RR", "reads register RR: the answer is four digits"},
		{"w RR VVVV", "writes it: the answer is ok"},
		{"t SECONDS", "skips so many seconds: the answer is ok"},
		{"(else)", "the answer is nak"},
	})
	fmt.Fprintln(w)
	var items []item
	for _, r := range registers.Map() {
		items = append(items, item{fmt.Sprintf("%02X  %-11s", r.Address, r.Name), r.About})
	}
	table(w, "Registers", items)
}

// dialectTable lists the dialects, for help.
func dialectTable() string {
	var b strings.Builder
	w := bufio.NewWriter(&b)
	for _, s := range speeches() {
		writeEntry(w, 9, s.item)
	}
	w.Flush()
	return b.String()
}

// faultTable lists what a line can do, for help.
func faultTable() string {
	var b strings.Builder
	for _, k := range wire.Kinds() {
		fmt.Fprintf(&b, "  %-11s %s\n", k, k.About())
	}
	return b.String()
}
