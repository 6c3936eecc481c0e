package link

import "fmt"

// Keys returns the keys of the greeting in the order in which they are sent.
func Keys() []string {
	return []string{
		"tick_bits", "tick_hz", "shunt_nohm", "shunt_step_nv", "bus_step_uv", "shunt_max", "bus_max", "bus_at", "channels",
		"read_ms", "log_ms", "cutoff_mv", "cutoff_hold_ms", "charge_end_mv", "charge_taper_ma", "zone_min",
	}
}

// Field returns where the value of a greeting key is kept, nil if there is no such key.
func (g *Greeting) Field(key string) *int64 {
	switch key {
	case "tick_bits":
		return &g.TickBits
	case "tick_hz":
		return &g.TickHz
	case "shunt_nohm":
		return &g.ShuntNohm
	case "shunt_step_nv":
		return &g.ShuntStepNV
	case "bus_step_uv":
		return &g.BusStepUV
	case "shunt_max":
		return &g.ShuntMax
	case "bus_max":
		return &g.BusMax
	case "bus_at":
		return &g.BusAt
	case "channels":
		return &g.Channels
	case "read_ms":
		return &g.ReadMS
	case "log_ms":
		return &g.LogMS
	case "cutoff_mv":
		return &g.CutoffMV
	case "cutoff_hold_ms":
		return &g.CutoffHoldMS
	case "charge_end_mv":
		return &g.ChargeEndMV
	case "charge_taper_ma":
		return &g.ChargeTaperMA
	case "zone_min":
		return &g.ZoneMin
	}
	return nil
}

// Check says whether v is a possible value of a greeting key: nil, or an error that states the range.
func Check(key string, v int64) error {
	lo, hi := int64(0), int64(1)<<40
	switch key {
	case "tick_bits":
		lo, hi = 8, 64
	case "tick_hz":
		lo, hi = 1, 1e9
	case "shunt_nohm":
		lo, hi = 1, 1e12
	case "shunt_step_nv", "bus_step_uv":
		lo, hi = 1, 1e9
	case "shunt_max", "bus_max":
		lo, hi = 1, 1<<31-1
	case "bus_at":
		hi = 1
	case "channels":
		lo, hi = 1, 4
	case "read_ms", "log_ms":
		lo, hi = 1, 7*24*3600*1000
	case "zone_min":
		lo, hi = -14*60, 14*60
	case "cutoff_mv", "cutoff_hold_ms", "charge_end_mv", "charge_taper_ma":
	default:
		return fmt.Errorf("%q is no key of the greeting", key)
	}
	if v < lo || v > hi {
		return fmt.Errorf("%s=%d is out of range: %d to %d", key, v, lo, hi)
	}
	return nil
}
