package budget

import (
	"fmt"
	"math"
)

// Observed returns a model whose inputs are the means of repeated observations (JCGM 100, 4.2), each with n-1 degrees of freedom. Columns that were
// observed together, row by row, are correlated as their observations are (5.2.3). Results and function are the caller's to add.
func Observed(names []string, columns [][]float64) (Model, error) {
	var m Model
	if len(names) != len(columns) {
		return m, fmt.Errorf("%w: %d names for %d columns", ErrModel, len(names), len(columns))
	}
	for i, c := range columns {
		if len(c) < 2 || len(c) != len(columns[0]) {
			return m, fmt.Errorf("%w: %s has %d observations", ErrModel, names[i], len(c))
		}
		mean, sd := moments(c)
		n := float64(len(c))
		m.Inputs = append(m.Inputs, Input{Name: names[i], Value: mean, U: sd / math.Sqrt(n), DOF: n - 1, From: fmt.Sprintf("mean of %d observations", len(c))})
		for j := 0; j < i; j++ {
			s := 0.0
			for k := range c {
				s += (c[k] - mean) * (columns[j][k] - m.Inputs[j].Value)
			}
			if d := m.Inputs[i].U * m.Inputs[j].U; d > 0 {
				r := s / (n * (n - 1)) / d
				m.Correlations = append(m.Correlations, Correlation{A: j, B: i, R: math.Max(-1, math.Min(1, r))})
			}
		}
	}
	return m, nil
}
