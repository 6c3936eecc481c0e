package model

// boardState is what the protection board has seen and done.
type boardState struct {
	low, high, over int64 // since when a limit is crossed, -1 if it is not
	noOut, noIn     bool  // the switch for discharging or charging is open
	lowest, highest int   // units that were furthest out
}

// boardAllows closes the board again where it may, and says what is left of the law: nothing where the board is open. cutOff says that
// the terminals are off the cells.
func (c *Course) boardAllows(l law, i0 float64) (law, bool) {
	b, s := &c.pack.Board, &c.board
	if !s.noOut && !s.noIn {
		return l, false
	}
	step := &c.plan[c.idx]
	c.weakest()
	if s.noOut {
		loaded := step.Kind == Discharge && c.loadOn
		// A charger wakes it; otherwise it waits for the cells, without load.
		if i0 > 0 || !loaded && c.unitNow(s.lowest) >= b.LowRelease {
			s.noOut = false
		}
	}
	if s.noIn && (i0 < 0 || c.unitNow(s.highest) <= b.HighRelease) {
		s.noIn = false
	}
	if s.noOut && i0 <= 0 || s.noIn && i0 > 0 {
		return law{until: l.until}, true
	}
	return l, false
}

// unitNow is the voltage of one cell of unit j at its string's current.
func (c *Course) unitNow(j int) float64 { return c.cellNow(j, c.bench.i0[j/c.bench.series]) }

// weakest finds the cells that are furthest out now.
func (c *Course) weakest() {
	s := &c.board
	s.lowest, s.highest = 0, 0
	low := c.unitNow(0)
	high := low
	for j := 1; j < len(c.units); j++ {
		v := c.unitNow(j)
		if v < low {
			low, s.lowest = v, j
		}
		if v > high {
			high, s.highest = v, j
		}
	}
}

// boardWatches starts and stops the board's delays at the beginning of a stretch.
func (c *Course) boardWatches(i0 float64) {
	b, s := &c.pack.Board, &c.board
	if *b == (Board{}) {
		return
	}
	c.weakest()
	count := func(since *int64, crossed bool) {
		switch {
		case !crossed:
			*since = -1
		case *since < 0:
			*since = c.now
		}
	}
	count(&s.low, b.Low > 0 && !s.noOut && c.unitNow(s.lowest) <= b.Low)
	count(&s.high, b.High > 0 && !s.noIn && c.unitNow(s.highest) >= b.High)
	count(&s.over, b.Current > 0 && (i0 > b.Current || i0 < -b.Current))
}

// boardDue is the instant at which the first delay has passed.
func (c *Course) boardDue() int64 {
	b, s, due := &c.pack.Board, &c.board, int64(never)
	take := func(since, delay int64) {
		if since >= 0 {
			due = min(due, since+delay)
		}
	}
	take(s.low, b.LowDelay)
	take(s.high, b.HighDelay)
	take(s.over, b.CurrentDelay)
	return due
}

// boardActs opens the switches whose delays have passed and ends the step that they interrupt; a step that its logger ends goes on, so
// that the logger sees the pack vanish.
func (c *Course) boardActs() {
	b, s := &c.pack.Board, &c.board
	passed := func(since, delay int64) bool { return since >= 0 && since+delay <= c.now }
	low, high, over := passed(s.low, b.LowDelay), passed(s.high, b.HighDelay), passed(s.over, b.CurrentDelay)
	step, e := &c.plan[c.idx], &c.step.end
	cell := s.lowest
	if low {
		s.noOut, s.low = true, -1
	}
	if high {
		s.noIn, s.high, cell = true, -1, s.highest
	}
	if over {
		s.noOut, s.over = true, -1
		if step.Kind == Charge {
			s.noOut, s.noIn = false, true
		}
	}
	if c.bench.mixed && !over {
		e.String, e.Cell = cell/c.bench.series+1, cell%c.bench.series+1
	}
	interrupts := step.Kind == Discharge && s.noOut || step.Kind == Charge && s.noIn
	switch {
	case !interrupts:
	case step.Ends.Logger > 0:
		c.step.cut = c.now
	default:
		c.endStep(ByProtection)
	}
}

// locateBoard finds where a cell crosses a level of the board.
func (c *Course) locateBoard(take func(float64, eventKind, Reason), first *float64) {
	b, s := &c.pack.Board, &c.board
	if *b == (Board{}) {
		return
	}
	watch := func(level float64, down bool) {
		for j := range c.bench.waves {
			w := &c.bench.waves[j]
			v := w.voltage(*first) / c.bench.each
			if down != (v <= level) {
				continue
			}
			if at, ok := w.crosses(level*c.bench.each, down, *first); ok {
				take(at, goOn, "")
			}
		}
	}
	if b.Low > 0 && !s.noOut {
		watch(b.Low, s.low < 0)
	}
	if b.High > 0 && !s.noIn {
		watch(b.High, s.high >= 0)
	}
	if s.noOut {
		watch(b.LowRelease, false)
	}
	if s.noIn {
		watch(b.HighRelease, true)
	}
}
