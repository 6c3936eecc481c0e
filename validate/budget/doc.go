// Package budget states the uncertainty of a result, above all of a measured capacity.
//
// Two ways stand beside each other, on the same inputs and the same function y = f(x):
//
//   - Propagate, the law of propagation (JCGM 100:2008, 5 and annex G): u²(y) = sum c_i² u_i² + 2 sum c_i c_j u_i u_j r_ij with c_i = df/dx_i,
//     effective degrees of freedom by Welch-Satterthwaite, k from Student's t. It is exact for a linear f and normal y.
//   - MonteCarlo (JCGM 101:2008, 7.9): f of many draws from the inputs' distributions, in blocks until mean, u and both ends of the interval
//     are stable. It needs no derivative, so it holds where f bends or one input that is not normal dominates.
//
// Compare says which of the two to quote (JCGM 101, 8.1). Round writes a result by JCGM 100, 7.2.6.
//
// Capacity and Figure build the budget of a capacity figure from a rig and the conditions of a test: see capacity.go for the measurement
// model. Standard uncertainties are in the unit of their input; limits ("half-width") are rectangular unless said otherwise. What was
// not given and had to be assumed is marked so in the result. Current into the battery is positive; SI inside, Ah and Wh where a name says so.
//
// Neither way knows of what is not among the inputs: a wrong unit, a wrap, an alias. Those are found by prove and audit.
package budget
