package loggers

// shown decides what a row shows of current and voltage.
type shown interface {
	// see takes a good sample, dt seconds after the one before.
	see(s *sample, dt float64)
	// row returns what the row that is now due shows.
	row() (amps, volts float64)
}

// newest shows the latest good reading.
type newest struct{ amps, volts float64 }

func (v *newest) see(s *sample, _ float64) { v.amps, v.volts = s.amps, s.volts }
func (v *newest) row() (float64, float64)  { return v.amps, v.volts }

// rowMean shows the mean of the readings since the row before.
type rowMean struct{ amps, volts, n float64 }

func (v *rowMean) see(s *sample, _ float64) {
	v.amps += s.amps
	v.volts += s.volts
	v.n++
}

func (v *rowMean) row() (float64, float64) {
	n := max(v.n, 1)
	amps, volts := v.amps/n, v.volts/n
	*v = rowMean{}
	return amps, volts
}

// writtenMean shows the mean of the readings since the row that was written last: rows that the card refused are in it.
type writtenMean struct {
	rowMean
	refused bool
}

func (v *writtenMean) see(s *sample, dt float64) {
	v.refused = s.cardFails
	v.rowMean.see(s, dt)
}

func (v *writtenMean) row() (float64, float64) {
	before := v.rowMean
	amps, volts := v.rowMean.row()
	if v.refused {
		v.rowMean = before
	}
	return amps, volts
}

// smoothed shows the mean of the latest two readings. After a gap of half a minute it starts anew.
type smoothed struct {
	last, now newest
	any       bool
}

func (v *smoothed) see(s *sample, dt float64) {
	now := newest{s.amps, s.volts}
	if v.last = v.now; !v.any || dt > 30 {
		v.last, v.any = now, true
	}
	v.now = now
}

func (v *smoothed) row() (float64, float64) {
	return (v.last.amps + v.now.amps) / 2, (v.last.volts + v.now.volts) / 2
}
