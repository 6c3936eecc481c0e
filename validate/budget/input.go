package budget

import (
	"errors"
	"fmt"
	"math"
)

// ErrModel marks a model that cannot be evaluated: a negative or infinite uncertainty, a correlation outside [-1, 1] or impossible
// with the others, a function that is not finite at the inputs' values. Test with errors.Is.
var ErrModel = errors.New("the uncertainty model cannot be evaluated")

// Shape is the distribution of an input.
type Shape uint8

// Shapes. U of an input is always the standard uncertainty; Half gives it from a half-width.
const (
	Normal      Shape = iota
	Rectangular       // anything within ±a alike; u = a/sqrt 3
	Triangular        // u = a/sqrt 6
	Arcsine           // a sinusoidal swing of amplitude a; u = a/sqrt 2
	Student           // scaled Student's t with the input's DOF: the mean of DOF+1 observations
)

// String returns the word for the shape.
func (s Shape) String() string {
	switch s {
	case Normal:
		return "normal"
	case Rectangular:
		return "rectangular"
	case Triangular:
		return "triangular"
	case Arcsine:
		return "arcsine"
	case Student:
		return "Student t"
	}
	return "unknown"
}

// Half returns the standard uncertainty of a distribution of this shape with half-width a (JCGM 100, 4.3.7 and 4.3.9; arcsine: JCGM 101, 6.4.6).
// For Normal, a is taken as two standard uncertainties, for Student as one.
func (s Shape) Half(a float64) float64 {
	switch s {
	case Rectangular:
		return a / math.Sqrt(3)
	case Triangular:
		return a / math.Sqrt(6)
	case Arcsine:
		return a / math.Sqrt2
	case Normal:
		return a / 2
	}
	return a
}

// Input is one input quantity.
type Input struct {
	Name string
	// Value is the estimate, U its standard uncertainty, both in Unit.
	Value, U float64
	Unit     string
	Shape    Shape
	// DOF is the degrees of freedom of U; 0 is infinite.
	DOF float64
	// From says where value and uncertainty come from.
	From string
	// Assumed says that nobody stated it and a figure of common practice stands in.
	Assumed bool
}

// Correlation is the correlation coefficient R of inputs A and B (indices).
type Correlation struct {
	A, B int
	R    float64
}

// Model is a measurement model.
type Model struct {
	Inputs       []Input
	Correlations []Correlation
	// Outputs is the length of y.
	Outputs int
	// F writes the results for the inputs x to y. It must not keep either.
	F func(x, y []float64)
}

// check returns the correlation matrix' lower Cholesky factor (rows), nil if nothing is correlated.
func (m Model) check() ([][]float64, error) {
	if m.Outputs < 1 || m.F == nil {
		return nil, fmt.Errorf("%w: no result", ErrModel)
	}
	for _, in := range m.Inputs {
		switch {
		case !finite(in.Value):
			return nil, fmt.Errorf("%w: %s has no finite value", ErrModel, in.Name)
		case !(in.U >= 0) || math.IsInf(in.U, 1):
			return nil, fmt.Errorf("%w: %s has the standard uncertainty %v", ErrModel, in.Name, in.U)
		case !(in.DOF >= 0):
			return nil, fmt.Errorf("%w: %s has %v degrees of freedom", ErrModel, in.Name, in.DOF)
		case in.Shape > Student:
			return nil, fmt.Errorf("%w: %s has an unknown distribution", ErrModel, in.Name)
		}
	}
	if len(m.Correlations) == 0 {
		return nil, nil
	}
	n := len(m.Inputs)
	r := make([][]float64, n)
	for i := range r {
		r[i] = make([]float64, n)
		r[i][i] = 1
	}
	for _, c := range m.Correlations {
		if c.A < 0 || c.B < 0 || c.A >= n || c.B >= n || c.A == c.B {
			return nil, fmt.Errorf("%w: a correlation of inputs %d and %d", ErrModel, c.A, c.B)
		}
		if !(math.Abs(c.R) <= 1) {
			return nil, fmt.Errorf("%w: correlation %v of %s and %s", ErrModel, c.R, m.Inputs[c.A].Name, m.Inputs[c.B].Name)
		}
		r[c.A][c.B], r[c.B][c.A] = c.R, c.R
	}
	if !factor(r) {
		return nil, fmt.Errorf("%w: the correlations contradict each other", ErrModel)
	}
	return r, nil
}

// factor replaces the correlation matrix by its lower Cholesky factor; a row that depends on others gets a zero diagonal. It reports
// false if the matrix is not positive semidefinite.
func factor(r [][]float64) bool {
	const rounding = 1e-9
	for i := range r {
		for j := 0; j <= i; j++ {
			s := r[i][j]
			for k := 0; k < j; k++ {
				s -= r[i][k] * r[j][k]
			}
			switch {
			case i == j && s < -rounding:
				return false
			case i == j:
				r[i][i] = math.Sqrt(math.Max(0, s))
			case r[j][j] > math.Sqrt(rounding):
				r[i][j] = s / r[j][j]
			case math.Abs(s) > math.Sqrt(rounding):
				return false
			default:
				r[i][j] = 0
			}
		}
		for j := i + 1; j < len(r); j++ {
			r[i][j] = 0
		}
	}
	return true
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func sq(x float64) float64 { return x * x }
