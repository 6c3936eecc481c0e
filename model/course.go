package model

// Span is the waveform over a stretch of true time in which nothing switches. It answers questions about any
// part of [T0, T1] in closed form or by Gauss quadrature. Instants are ns since the plan began.
type Span struct {
	T0, T1 int64
	// Step is the index of the executed step (repeats counted), -1 before the first and after the last.
	Step int
	// LoadClosed and ChargeClosed are the contacts during the span.
	LoadClosed, ChargeClosed bool
	wave
}

// Course runs a plan on a pack. It is single-threaded and deterministic.
//
//	c, err := NewCourse(pack, plan, Options{})
//	for !c.Done() {
//		span := c.Next(until) // at most to until; shorter if something changes before
//	}
//
// The contacts start as each step wants them; Switch moves them afterwards.
