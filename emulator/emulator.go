// Package emulator is the bench: one loop that steps pack, rig and logger in virtual time, so that a logger meets a battery whose
// truth is known.
//
// [Run] plays a [Setup] against a [link.Link] and returns a [Record] of all that happened. It is single-threaded; everything is drawn from
// the setup's seed, and no clock of the real world is read: the same setup, seed and logger give the same record. Instants are int64 ns since
// the plan began, current into the battery is positive, all else is SI.
//
// The truth beside each reading (mean over its window, integrals since the first) comes from the model's own closed forms and
// quadrature, never from the readings. Where the current is smooth over a reading's window, the mean of its conversions is taken to be the
// true mean: conversions are points Spacing apart, the last at the window's end, so that the two differ by at most half of Spacing times the
// steepest slope in the window (for a pack after a load step 0.2 V/s and 1 ms: 0.1 mV; for a constant current nothing). Where the load
// switches or ripples in the window each conversion looks at the waveform, so that aliasing is as real as it is on a bench.
package emulator
