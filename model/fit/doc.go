// Package fit finds the parameters of a model from data by least squares, and says how well the data determine them.
//
// Nonlinear minimises S(p) = sum r_i(p)² by Levenberg-Marquardt: each step solves
//
//	min |J·d + r|² + mu·|D·d|²
//
// by Householder QR of the stacked matrix (the normal equations, which square the condition number, are never formed).
// D holds the largest column norms of J seen so far, so that the units of the parameters do not matter; mu follows the
// ratio of the reduction that came to the one that was predicted (Moré 1978, Nielsen 1999: from memory). A step that
// leads to NaN or infinity is refused like one that goes uphill.
//
// Linear solves min |A·b - y|² by QR with columns scaled to length one. Polynomial does so in Chebyshev polynomials of x brought
// to [-1, 1] and converts the coefficients at the end, since powers of x are all but dependent at degree 10.
//
// Standard errors are s·sqrt(((J'J)^-1)_jj) with s² = S/(n - p): they hold for independent errors of equal variance and
// where the model is close to linear within them. Residuals that are correlated in time (a log's are) make the true ones
// larger; Fitted.Inflated takes the lag-1 correlation of the residuals into account.
//
// Circuit and Rates are the battery's own models: see there for equations, signs and units. Current into the battery is
// positive; SI units.
//
// Checked against the Statistical Reference Datasets of NIST/ITL (nist_test.go).
package fit
