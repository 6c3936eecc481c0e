package loggers

// shown decides what a row shows of current and voltage.
type shown interface {
	see(amps, volts float64)
	// row returns what the row that is now due shows.
	row() (amps, volts float64)
}

// newest shows the latest good reading.
type newest struct{ amps, volts float64 }

func (v *newest) see(amps, volts float64) { v.amps, v.volts = amps, volts }
func (v *newest) row() (float64, float64) { return v.amps, v.volts }

// rowMean shows the mean of the readings since the row before.
type rowMean struct{ amps, volts, n float64 }

func (v *rowMean) see(amps, volts float64) {
	v.amps += amps
	v.volts += volts
	v.n++
}

func (v *rowMean) row() (float64, float64) {
	n := max(v.n, 1)
	amps, volts := v.amps/n, v.volts/n
	*v = rowMean{}
	return amps, volts
}

// smoothed shows the mean of the latest two readings.
type smoothed struct {
	last, now newest
	any       bool
}

func (v *smoothed) see(amps, volts float64) {
	if v.last = v.now; !v.any {
		v.last, v.any = newest{amps, volts}, true
	}
	v.now = newest{amps, volts}
}

func (v *smoothed) row() (float64, float64) {
	return (v.last.amps + v.now.amps) / 2, (v.last.volts + v.now.volts) / 2
}

// third shows the reading before the last but one: a display buffer and a log buffer, one behind the other.
// This is a mistake; it stands here since it is all that can go wrong with the part.
type third struct {
	held [3]newest
	any  bool
}

func (v *third) see(amps, volts float64) {
	r := newest{amps, volts}
	if !v.any {
		v.held, v.any = [3]newest{r, r, r}, true
	}
	v.held = [3]newest{v.held[1], v.held[2], r}
}

func (v *third) row() (float64, float64) { return v.held[0].amps, v.held[0].volts }
