// Package loggers holds the loggers that are on board: a good one, healthy ones with other habits, and one with each mistake
// that a verdict can name. They are what `prove --good` and `prove --defect NAME` run, and what the judge is tested against.
//
// Each reads like the firmware of a small capacity meter, built from one core, [meter], whose parts can be swapped:
//
//	timer     ticks of the counter -> seconds since the reading before
//	front     counts -> amperes and volts
//	ledger    amperes, volts, seconds -> totals [A·s], [W·s]
//	shown     what a row shows of current and voltage
//	schedule  when a row is due
//	calendar  Unix seconds -> date and time
//	sheet     a row's columns
//	output    how rows get to the card
//	memory    what survives a power cut
//	cutoff    opens the load; charger opens the charger
//
// A file named after a part holds its healthy forms; the same name with _wrong holds its mistakes, each with a line on how
// people come to make it. Where a mistake lies in fixed-width arithmetic, Go's fixed-width types do the same as a small
// controller's (both wrap at two's complement; float32 rounds as IEEE 754 does). Elsewhere arithmetic is float64.
//
// The good logger integrates by the trapezoid over its readings, dt from the wrapped difference of the counter:
//
//	Q += (i0+i1)/2·dt    E += (i0·v0+i1·v1)/2·dt    i = counts·shunt_step/shunt
//
// Current into the battery is positive. Failed readings are bridged. Units are SI unless a name says otherwise; a row prints
// V, A, W, Ah, Wh. A single channel is read. These loggers bypass what the bench link bypasses: driver code.
package loggers
