package emulator

import (
	"fmt"
	"math"
	"slices"

	"stuntcell/emulator/link"
	"stuntcell/emulator/rig"
	"stuntcell/model"
)

// greeting is what a logger is told of a setup.
func greeting(s *Setup) link.Greeting {
	r := &s.Rig
	g := link.Greeting{
		TickBits: int64(r.Tick.Bits), TickHz: r.Tick.Hz,
		ShuntNohm:   whole(r.Shunt.Nominal, 1e-9),
		ShuntStepNV: whole(r.Front.ShuntStep, 1e-9), BusStepUV: whole(r.Front.BusStep, 1e-6),
		ShuntMax: int64(r.Front.ShuntMax), BusMax: int64(r.Front.BusMax),
		Channels: int64(max(r.Channels, 1)),
		ReadMS:   r.Readings.Nominal / 1e6, LogMS: s.Settings.Log / 1e6,
		CutoffMV: whole(s.Settings.Cutoff, 1e-3), CutoffHoldMS: s.Settings.CutoffHold / 1e6,
		ChargeEndMV: whole(s.Settings.ChargeEnd, 1e-3), ChargeTaperMA: whole(s.Settings.ChargeTaper, 1e-3),
		ZoneMin: s.Settings.Zone,
	}
	if r.Wiring.BusBehindShunt {
		g.BusAt = 1
	}
	return g
}

func whole(x, unit float64) int64 { return int64(math.Round(x / unit)) }

// adopt takes over what the logger said in answer to its first greeting: constants of its own, and what it does not or does do.
// skipped names what the scenario exists to vary and the logger has built in.
func (r *run) adopt(a *link.Answer) (skipped string) {
	rec := r.rec
	for _, said := range a.Said {
		switch said.Word {
		case link.Mine:
			if slices.Contains(r.setup.Varies, said.Text) && *rec.Greeting.Field(said.Text) != said.Value {
				skipped = fmt.Sprintf("the logger has %s=%d built in, the scenario wants %d", said.Text, said.Value,
					*rec.Greeting.Field(said.Text))
			}
			rec.Mine[said.Text] = said.Value
		case link.Cannot:
			rec.Cannot[said.Text] = true
		case link.Can:
			rec.Can[said.Text] = true
		}
	}
	for _, key := range link.Keys() {
		if v, ok := rec.Mine[key]; ok {
			r.setup.take(key, v)
			*rec.Greeting.Field(key) = v
		}
	}
	r.setup.Plan = handed(r.setup.Plan, rec, r.setup.Settings)
	return skipped
}

// take makes rig and settings have what a greeting key says.
func (s *Setup) take(key string, v int64) {
	r := &s.Rig
	switch key {
	case "tick_bits":
		r.Tick.Bits = int(v)
		if v < 63 {
			r.Tick.Start %= 1 << v
		}
	case "tick_hz":
		// A start is an instant before or after the wrap: it stays one.
		r.Tick.Start = int64(float64(r.Tick.Start) * float64(v) / float64(r.Tick.Hz))
		r.Tick.Hz = v
		if r.Tick.Bits < 63 {
			r.Tick.Start %= 1 << r.Tick.Bits
		}
	case "shunt_nohm":
		r.Shunt.Nominal = float64(v) * 1e-9
	case "shunt_step_nv":
		r.Front.ShuntStep = float64(v) * 1e-9
	case "bus_step_uv":
		r.Front.BusStep = float64(v) * 1e-6
	case "shunt_max":
		r.Front.ShuntMax = int32(v)
	case "bus_max":
		r.Front.BusMax = int32(v)
	case "bus_at":
		r.Wiring.BusBehindShunt = v == 1
	case "channels":
		r.Channels = int(v)
	case "read_ms":
		r.Readings.Nominal = v * 1e6
		fitWindow(r)
	case "log_ms":
		s.Settings.Log = v * 1e6
	case "cutoff_mv":
		s.Settings.Cutoff = float64(v) * 1e-3
	case "cutoff_hold_ms":
		s.Settings.CutoffHold = v * 1e6
	case "charge_end_mv":
		s.Settings.ChargeEnd = float64(v) * 1e-3
	case "charge_taper_ma":
		s.Settings.ChargeTaper = float64(v) * 1e-3
	case "zone_min":
		s.Settings.Zone, s.Settings.ZoneName = v, ""
	}
}

// fitWindow shortens the averaging until it fits between two readings, and the jitter until there is time between them.
func fitWindow(r *rig.Rig) {
	every := r.Readings.Interval()
	r.Readings.Jitter = min(r.Readings.Jitter, every/2)
	if shortest := every - r.Readings.Jitter; r.Front.Window() > shortest && r.Front.Spacing > 0 {
		r.Front.Conversions = int(max(1, shortest/r.Front.Spacing))
		r.Front.Spacing = min(r.Front.Spacing, shortest)
	}
}

// handed returns the plan with the logger's own level where it has one built in, and with the bench's end where the logger does not switch.
func handed(plan model.Plan, rec *Record, s Settings) model.Plan {
	out := slices.Clone(plan)
	for i := range out {
		e := &out[i].Ends
		if e.Logger == 0 {
			continue
		}
		key, able := "cutoff_mv", !rec.Cannot["load"]
		if out[i].Kind == model.Charge {
			key, able = "charge_end_mv", rec.Can["charge"]
		}
		if v, ok := rec.Mine[key]; ok && v > 0 {
			e.Logger = float64(v) * 1e-3
		}
		if able {
			continue
		}
		if out[i].Kind == model.Charge && s.ChargeTaper > 0 {
			e.Current = max(e.Current, s.ChargeTaper)
		} else {
			e.Voltage, e.VoltageFor = e.Logger, 0
		}
		e.Logger, e.Hold = 0, 0
	}
	return out
}
