package loggers

// third shows the reading two before its own: a display buffer and a log buffer, one behind the other.
type third struct {
	held [3]newest
	any  bool
}

func (v *third) see(s *sample, _ float64) {
	r := newest{s.amps, s.volts}
	if !v.any {
		v.held, v.any = [3]newest{r, r, r}, true
	}
	v.held = [3]newest{v.held[1], v.held[2], r}
}

func (v *third) row() (float64, float64) { return v.held[0].amps, v.held[0].volts }
