// Package model is the truth of the bench: a cell, a pack, a plan, and the course that the plan takes on the pack.
//
// # Equations
//
// A cell is an equivalent circuit ([Cell]). With z its charge as a fraction of the whole that it holds, u the fraction that the rate makes
// unavailable ([Rate]) and y = z - u:
//
//	v = OCV(y) + e·(T - Tref) + R0(y, sign i)·r(T)·i + Σ v_k + M·h
//	dv_k/dt = -v_k/τ_k + i·R_k·r(T)/τ_k              k = 1..3
//	dz/dt = (i - gassing - self-discharge - short - what is not accepted)/Q
//	dh/dt = -(γ·|i|/Q)·(h - sign i)
//	C·dT/dt = Σ(i²·R0 + Σ v_k²/R_k + side current·OCV) - (T - ambient)/Rth
//
// Units are SI (A, V, A·s, W·s, K, ohm, s); current into the pack is positive; instants are int64 ns since the plan began.
//
// # How it is solved
//
// A [Course] plays the plan in stretches in which the outside does not change. Within a stretch current is a straight line (plus a sine, if
// the load ripples) and every state a first-order linear equation with a known right side, which is solved exactly: no time step
// enters where current is constant and temperature held. Constant voltage, power and resistance are solved for the current at the
// end of the stretch, with v a monotone function of it, which is stable for any length; the stretch is shortened until the law holds
// in mid stretch to 2 uV a cell. Side currents are lines between both ends, held to a hundred-thousandth of the current. Events
// (a voltage, a charge, a temperature, an empty pack) are found inside the stretch to a nanosecond. A [Span] is what a caller sees of a
// stretch; its charge and energy are closed forms and Gauss quadrature between the knots of the tables. The course does not depend on
// how often it is looked at.
//
// Order of convergence in the length of a stretch: exact for isothermal constant current without side currents (ten steps of 1 s are one of
// 10 s to 1e-12); second order elsewhere (course_test.go, convergence_test.go).
//
// # Packs
//
// Equal cells are carried as one. Cells that differ ([Spread], [Defect]) are carried one by one, strings in parallel share one voltage and
// trade charge, and a [Board] opens on the weakest cell. Rated means rated: the whole charge is solved so that the pack delivers its
// rated charge at its rated current to its rated end, isothermal at the reference temperature from full and rested. That is consistency of the
// model and no prediction about a battery.
//
// # Validity
//
// An engineering model for hours and amperes: no electrochemistry in space, no ageing while it runs, one temperature for all cells, RC
// pairs that do not depend on charge. Peukert's law is fitted to constant currents from full; for anything else the unavailable
// charge follows the law of the present current with the (invented) recovery time. Figures marked plausible, invented are that.
// [Pack.Doubts] lists where a run has left the range that its pack was made for.
//
// Sources stand in the files of package chemistry and beside the checks (go test -run Published -v).
package model
