package rig

import (
	"embed"
	"fmt"
	"math"
	"sort"
	"strings"
	"time"

	"stuntcell/model/quantity"
)

//go:embed rigs/*.yaml
var files embed.FS

// Names lists the rigs on board, sorted.
func Names() []string {
	entries, err := files.ReadDir("rigs")
	if err != nil {
		panic(err) // embedded: cannot fail
	}
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".yaml"))
	}
	sort.Strings(names)
	return names
}

// Source returns the file of a rig on board, nil if there is none of that name.
func Source(name string) []byte {
	b, err := files.ReadFile("rigs/" + name + ".yaml")
	if err != nil {
		return nil
	}
	return b
}

// ByName returns a rig on board. The error names the nearest.
func ByName(name string) (Rig, error) {
	b := Source(name)
	if b == nil {
		hint := ""
		if near := quantity.Nearest(name, Names()); near != "" {
			hint = fmt.Sprintf(" (hint: %s?)", near)
		}
		return Rig{}, fmt.Errorf("no rig %q on board: expected one of %s%s", name, strings.Join(Names(), ", "), hint)
	}
	return Parse(name+".yaml", b, Rig{})
}

// Parse reads a rig file over a base: a key that is not there keeps the base's value; over the zero Rig the file must be
// whole. The error is quantity.Diagnostics.
func Parse(file string, data []byte, base Rig) (Rig, error) {
	doc := quantity.Read(file, data)
	m := doc.Root()
	r := Apply(m, base)
	if err := doc.Err(); err != nil {
		return Rig{}, err
	}
	return r, nil
}

// Apply reads a rig's keys of a mapping over a base and checks the result; what is wrong is recorded in the mapping's document.
func Apply(m *quantity.Map, base Rig) Rig {
	r := base
	r.Name = m.TextOr("rig", r.Name)
	r.Summary = m.TextOr("summary", r.Summary)
	// A part that is missing in a whole file is reported by its own first key.
	whole := base.Front.ShuntStep == 0
	part := func(key string, required bool, read func(*quantity.Map)) {
		p, ok := m.Map(key)
		if !ok {
			if required && whole {
				m.Get(key)
			}
			return
		}
		read(p)
		p.Done()
	}
	part("shunt", true, r.Shunt.read)
	part("front", true, r.Front.read)
	part("tick", true, r.Tick.read)
	part("clock", true, r.Clock.read)
	part("readings", true, r.Readings.read)
	part("relay", false, r.Relay.read)
	part("wiring", false, r.Wiring.read)
	part("tolerance", false, r.Tolerance.read)
	r.Channels = int(m.IntOr("channels", 1, 4, int64(max(r.Channels, 1))))
	m.Done()
	r.check(m)
	return r
}

// required reads a quantity that the base may have.
func required(m *quantity.Map, key string, k quantity.Kind, r quantity.Range, base float64) float64 {
	if base != 0 {
		return m.QuantityOr(key, k, r, base)
	}
	return m.Quantity(key, k, r)
}

func requiredInt(m *quantity.Map, key string, low, high, base int64) int64 {
	if base != 0 {
		return m.IntOr(key, low, high, base)
	}
	return m.Int(key, low, high)
}

func (s *Shunt) read(m *quantity.Map) {
	s.Nominal = required(m, "nominal", quantity.Resistance, quantity.Between(1e-7, 10), s.Nominal)
	s.RatedAmps = required(m, "rated", quantity.Current, quantity.Between(1e-3, 1e4), s.RatedAmps)
	s.Error = m.QuantityOr("error", quantity.Ratio, quantity.Between(-0.5, 0.5), s.Error)
	s.TempCo = m.QuantityOr("tempco", quantity.RatioPerKelvin, quantity.Between(-0.01, 0.01), s.TempCo)
	s.Rise = m.QuantityOr("rise", quantity.HeatResistance, quantity.Between(0, 1000), s.Rise)
	if f, ok := m.Find("side"); ok {
		s.Low = f.Word("low", "high") == "low"
	}
}

func (f *FrontEnd) read(m *quantity.Map) {
	volts := func(key string, base float64) float64 {
		return m.QuantityOr(key, quantity.Voltage, quantity.Between(-10, 10), base)
	}
	noise := func(key string, base float64) float64 {
		return m.QuantityOr(key, quantity.Voltage, quantity.Between(0, 10), base)
	}
	gain := func(key string, base float64) float64 {
		return m.QuantityOr(key, quantity.Ratio, quantity.Between(-0.5, 0.5), base)
	}
	f.ShuntStep = required(m, "shunt_step", quantity.Voltage, quantity.Between(1e-9, 1), f.ShuntStep)
	f.BusStep = required(m, "bus_step", quantity.Voltage, quantity.Between(1e-6, 1), f.BusStep)
	f.ShuntMax = int32(requiredInt(m, "shunt_max", 1, math.MaxInt32, int64(f.ShuntMax)))
	f.BusMax = int32(requiredInt(m, "bus_max", 1, math.MaxInt32, int64(f.BusMax)))
	f.ShuntGain, f.BusGain = gain("shunt_gain", f.ShuntGain), gain("bus_gain", f.BusGain)
	f.ShuntOffset, f.BusOffset = volts("shunt_offset", f.ShuntOffset), volts("bus_offset", f.BusOffset)
	f.ShuntNoise, f.BusNoise = noise("shunt_noise", f.ShuntNoise), noise("bus_noise", f.BusNoise)
	if d, ok := m.Find("drift"); ok {
		f.DriftPerDay = 86400 * d.Quantity(quantity.VoltagePerTime, quantity.Between(-1e-3, 1e-3))
	}
	f.Conversions = int(m.IntOr("conversions", 1, 4096, int64(f.conversions())))
	f.Spacing = m.NanosecondsOr("spacing", quantity.Between(0, 10), f.Spacing)
	f.Damage = m.QuantityOr("damage", quantity.Voltage, quantity.NotNegative(), f.Damage)
}

func (t *Tick) read(m *quantity.Map) {
	t.Bits = int(requiredInt(m, "bits", 8, 64, int64(t.Bits)))
	if f, ok := m.Find("rate"); ok || t.Hz == 0 {
		if !ok {
			f = m.Get("rate")
		}
		hz := f.Quantity(quantity.Frequency, quantity.Between(1, 1e9))
		if t.Hz = int64(hz); float64(t.Hz) != hz {
			f.Fail(fmt.Sprintf("a rate of %v Hz", hz), "whole ticks a second", "")
		}
	}
	if f, ok := m.Find("start"); ok {
		t.Start = t.readStart(f)
	}
	t.PPM, t.Parabola, t.Turnover = readRate(m, t.PPM, t.Parabola, t.Turnover)
}

// readStart reads a count, or a time of which counts are made; what is negative is so long before the wrap.
func (t *Tick) readStart(f quantity.Field) int64 {
	limit := int64(math.MaxInt64)
	if t.Bits < 63 {
		limit = 1<<t.Bits - 1
	}
	if text := f.Text(); strings.Trim(text, "-0123456789") == "" {
		return f.Int(-limit, limit)
	}
	ns := f.Nanoseconds(quantity.Between(-3e8, 3e8))
	counts := float64(ns) * 1e-9 * float64(t.Hz)
	if math.Abs(counts) > float64(limit) {
		f.Fail(fmt.Sprintf("%s is beyond what %d bits at %d Hz count", f.Text(), t.Bits, t.Hz),
			fmt.Sprintf("at most %.6g s", float64(limit)/float64(t.Hz)), "")
		return 0
	}
	return int64(math.Round(counts))
}

// readRate reads the error of a crystal and its temperature parabola, in ppm, ppm/K² and K.
func readRate(m *quantity.Map, ppm, k, turnover float64) (_, _, _ float64) {
	if f, ok := m.Find("error"); ok {
		ppm = 1e6 * f.Quantity(quantity.Ratio, quantity.Between(-0.1, 0.1))
	}
	if f, ok := m.Find("parabola"); ok {
		k = 1e6 * f.Quantity(quantity.RatioPerKelvin2, quantity.Between(-1e-6, 1e-6))
	}
	if turnover == 0 {
		turnover = Reference
	}
	return ppm, k, m.QuantityOr("turnover", quantity.Temperature, quantity.Between(233.15, 373.15), turnover)
}

func (c *Clock) read(m *quantity.Map) {
	if m.Has("absent") {
		c.Absent = m.Bool("absent")
	}
	if f, ok := m.Find("start"); ok {
		c.Start = readInstant(f)
	} else if c.Start == 0 && !c.Absent {
		m.Get("start")
	}
	if f, ok := m.Find("fraction"); ok {
		if c.Frac = f.Number(quantity.Between(0, 1)); c.Frac == 1 {
			f.Fail("fraction is 1", "a number from 0 to below 1", "")
		}
	}
	c.PPM, c.Parabola, c.Turnover = readRate(m, c.PPM, c.Parabola, c.Turnover)
	if f, ok := m.Find("build_time"); ok {
		c.BuildTime = readInstant(f)
	}
	if m.Has("lost") {
		c.Lost = m.Bool("lost")
	}
}

// readInstant reads Unix seconds of a time of day with its offset, as RFC 3339 writes it, or of a whole number.
func readInstant(f quantity.Field) int64 {
	text := f.Text()
	if text == "" || strings.Trim(text, "-0123456789") == "" {
		return f.Int(-1<<40, 1<<40)
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		f.Fail(fmt.Sprintf("%.40q is no instant", text), `a time as "2026-03-02T08:00:00Z", or Unix seconds`, "")
		return 0
	}
	return t.Unix()
}

func (r *Readings) read(m *quantity.Map) {
	span := quantity.Between(1e-3, 7*86400)
	if r.Nominal == 0 {
		r.Nominal = m.Get("nominal").Nanoseconds(span)
	} else {
		r.Nominal = m.NanosecondsOr("nominal", span, r.Nominal)
	}
	r.Every = m.NanosecondsOr("every", span, r.Every)
	r.Jitter = m.NanosecondsOr("jitter", quantity.NotNegative(), r.Jitter)
	if m.Has("temperature") {
		r.Temperature = m.Bool("temperature")
	}
	if m.Has("aux") {
		r.Aux = m.Bool("aux")
	}
	if m.Has("contacts") {
		r.Contacts = m.Bool("contacts")
	}
}

// Interval is what the time between readings is [ns], jitter aside.
func (r Readings) Interval() int64 {
	if r.Every != 0 {
		return r.Every
	}
	return r.Nominal
}

func (r *Relay) read(m *quantity.Map) {
	r.Delay = m.NanosecondsOr("delay", quantity.Between(0, 10), r.Delay)
}

func (w *Wiring) read(m *quantity.Map) {
	if f, ok := m.Find("bus_at"); ok {
		w.BusBehindShunt = f.Word("pack", "load") == "load"
	}
	w.Lead = m.QuantityOr("lead", quantity.Resistance, quantity.Between(0, 10), w.Lead)
	w.Draw = m.QuantityOr("draw", quantity.Current, quantity.Between(0, 10), w.Draw)
	if m.Has("draw_through_shunt") {
		w.DrawThroughShunt = m.Bool("draw_through_shunt")
	}
	w.Bypass = m.QuantityOr("bypass", quantity.Ratio, quantity.Between(0, 0.9), w.Bypass)
	if m.Has("on_pack") {
		w.OnPack = m.Bool("on_pack")
	}
	w.Dropout = m.QuantityOr("dropout", quantity.Voltage, quantity.NotNegative(), w.Dropout)
}

// check records what does not fit together.
func (r *Rig) check(m *quantity.Map) {
	whole := func(part, what string, value, unit float64, name string) {
		if n := value / unit; math.Abs(n-math.Round(n)) > 1e-9*n { // beyond what float64 makes of a decimal fraction
			m.Fail(part, fmt.Sprintf("%s of %.9g %s", what, n, name), "a whole number of "+name+", since that is what firmware is told", "")
		}
	}
	whole("shunt", "a shunt", r.Shunt.Nominal, 1e-9, "nohm")
	whole("front", "a shunt_step", r.Front.ShuntStep, 1e-9, "nV")
	whole("front", "a bus_step", r.Front.BusStep, 1e-6, "uV")
	whole("readings", "readings every", float64(r.Readings.Nominal), 1e6, "ms")
	shortest := r.Readings.Interval() - r.Readings.Jitter
	if r.Readings.Nominal > 0 && shortest < 1e6 {
		m.Fail("readings", "the jitter leaves less than 1 ms between readings", "a jitter below the interval", "")
	} else if w := r.Front.Window(); r.Readings.Nominal > 0 && w > shortest {
		m.Fail("front", fmt.Sprintf("the window of %d ms is longer than the shortest time between readings, %d ms", w/1e6, shortest/1e6),
			"conversions · spacing at most as long", "")
	}
	if r.Wiring.Bypass > 0 && !r.Shunt.Low {
		m.Fail("wiring", "a bypass around a shunt in the positive lead", "side: low for the shunt", "a ground path goes around a low-side shunt")
	}
	if r.Wiring.Dropout > 0 && !r.Wiring.OnPack {
		m.Fail("wiring", "a dropout of a board that does not live on the pack", "on_pack: true beside it", "")
	}
	if t := r.Tick; t.Bits > 0 && t.Bits < 63 && (t.Start >= 1<<t.Bits || t.Start <= -1<<t.Bits) {
		m.Fail("tick", fmt.Sprintf("a start of %d in %d bits", t.Start, t.Bits), "a count that the counter has", "")
	}
}
