// Package audit examines a real log, whose truth nobody knows, and says what can be said of it from itself.
//
// An Auditor takes the log in batches, as logfile.Reader gives them, and keeps nothing that grows with it but the list of
// phases and a bounded number of findings. Charge and energy are integrated by trapezoid over the rows:
//
//	Q = sum (i_k + i_k+1)/2 · dt,  E = sum (v_k·i_k + v_k+1·i_k+1)/2 · dt,  each split where the current changes its sign
//
// What the sampling itself can hide: if the current is monotone between two rows, the true integral of the interval lies within
// ±|di|·dt/2 of the trapezoid. The sum of these is the Bound. If it can lie anywhere in there, independently from row to row, its
// standard uncertainty is the root of the sum of (di·dt)²/12: Sampling. A load that switches and returns between two rows is not seen by either.
//
// Time is the tick if there is one whose rate is known, else elapsed time, else the clock; a counter that wraps is unwrapped.
// Two clocks bound only their difference: which of them is wrong, a log cannot tell.
//
// Phases are stretches of rest, charge and discharge, by the current against a band about zero. Only a phase that ended as
// intended gives a capacity; of any other the figure is "at least". Which printed sign is charge is found from the voltage, which rises with it.
//
// Units: s, A, V, A·s, W·s, K. Current into the battery is positive in the report, whatever the log prints. Findings carry the names of the
// table of causes in JUDGING where they are the same thing. Tolerances are those of JUDGING: 0.2 % of charge, 0.3 % of energy, one printed unit.
package audit
