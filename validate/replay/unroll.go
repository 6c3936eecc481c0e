package replay

import "math"

// Printed is a column of totals as the log shows it.
type Printed struct {
	Value []float64 // [A·s], [W·s] or [s]; NaN where the row has none
	Unit  []float64 // one unit in the last printed place, same unit as Value
}

// Marks says where a healthy total may start anew: its rows' power-ups, and the steps of the plan.
type Marks struct {
	Row   []int   // index into the readings' totals of each row
	Life  []int16 // of each row
	Begin []int   // for each row, index into the totals of the last step begin at or before the row, -1 if there was none since the row before
}

// Unrolled is a printed column brought to the form of a net total: Sign·Value + Base.
type Unrolled struct {
	Value    []float64 // NaN where the row has none
	Residual []float64 // Value less the meter's total
	Worst    float64   // largest |Residual| less one printed unit, at least 0
	Raw      float64   // largest |Residual|
	Row      int       // where
	Sign     float64   // of the last stretch, +1 or -1
	Base     []float64 // what was added to the signed value of each row
	Resets   []int     // rows at which the column began anew with a step
	// Anchor is, for each row that is the first after a power cut, the total that the log went on from; nil without cuts.
	Anchor map[int]float64
}

// Unroll compares a printed column with a meter's totals p (at all marked readings; marks.Row and Begin index into it). The
// column has one fixed sign; where it falls to about nothing together with a step of the plan it starts anew, and may then
// have another sign; after a power cut it goes on from whatever it shows first (the restart check looks at that).
func Unroll(c Printed, p []float64, marks Marks, limit float64) *Unrolled {
	u := NewUnroller(c, marks, limit)
	u.Keep(p)
	u.To(len(p))
	return u.Best()
}

// Unroller is an [Unroll] that may be stopped when its first rows say enough, and begun again with other totals.
type Unroller struct {
	column      Printed
	marks       Marks
	limit       float64
	totals      []float64
	plus, minus unrolling
	row         int // next row
}

// unrolling is one sign of an Unroller at work.
type unrolling struct {
	Unrolled
	base  float64
	life  int16
	later bool // a row was seen
	off   int  // rows that do not keep the limit and one printed unit
}

// NewUnroller prepares to compare a printed column with meters' totals.
func NewUnroller(c Printed, marks Marks, limit float64) *Unroller {
	return &Unroller{column: c, marks: marks, limit: limit}
}

// Begin begins to compare with a meter's totals p, which may be written as it goes. What comes of single rows is not kept.
func (u *Unroller) Begin(p []float64) {
	u.totals, u.row = p, 0
	u.plus, u.minus = unrolling{Unrolled: Unrolled{Sign: 1}}, unrolling{Unrolled: Unrolled{Sign: -1}}
}

// Keep is Begin, with all of [Unrolled] in the end.
func (u *Unroller) Keep(p []float64) {
	u.Begin(p)
	n := len(u.column.Value)
	for _, x := range []*unrolling{&u.plus, &u.minus} {
		x.Value, x.Residual, x.Base = make([]float64, n), make([]float64, n), make([]float64, n)
	}
}

// To compares the rows in order as far as the first n totals reach.
func (u *Unroller) To(n int) {
	for ; u.row < len(u.column.Value) && u.marks.Row[u.row] < n; u.row++ {
		u.plus.take(u, u.row)
		u.minus.take(u, u.row)
	}
}

// Least is what Worst will be at least, whatever comes.
func (u *Unroller) Least() float64 { return min(u.plus.Worst, u.minus.Worst) }

// Best is the comparison by the column's own sign.
func (u *Unroller) Best() *Unrolled {
	// One huge deviation must not decide the sign: that in which fewer rows are off is the column's.
	best := u.plus.Unrolled
	if u.minus.off < u.plus.off || u.minus.off == u.plus.off && u.minus.Worst < u.plus.Worst {
		best = u.minus.Unrolled
	}
	return &best
}

// take compares row j.
func (u *unrolling) take(of *Unroller, j int) {
	l, unit := of.column.Value[j], of.column.Unit[j]
	if math.IsNaN(l) {
		if u.Value != nil {
			u.Value[j], u.Residual[j] = l, l
		}
		return
	}
	pj := of.totals[of.marks.Row[j]]
	if life := of.marks.Life[j]; life != u.life {
		if u.Anchor == nil {
			u.Anchor = map[int]float64{}
		}
		// What the log went on from is its first total less what came since the restart.
		u.base = pj - u.Sign*l
		u.Anchor[j] = u.Sign * l
		u.life = life
	} else if b := of.marks.Begin[j]; b >= 0 && u.later {
		on := math.Abs(u.Sign*l + u.base - pj)
		for _, s := range [2]float64{u.Sign, -u.Sign} {
			anew := math.Abs(s*l + of.totals[b] - pj)
			// Starting anew must explain the row far better than going on, and within the limit.
			if anew < on/4 && anew <= of.limit+unit && on > of.limit+unit {
				u.base, u.Sign = of.totals[b], s
				u.Resets = append(u.Resets, j)
				break
			}
		}
	}
	u.later = true
	v := u.Sign*l + u.base
	r := v - pj
	if u.Value != nil {
		u.Value[j], u.Residual[j], u.Base[j] = v, r, u.base
	}
	a := math.Abs(r)
	if a > of.limit+unit {
		u.off++
	}
	if a > u.Raw || a-unit > u.Worst {
		u.Raw = max(u.Raw, a)
		if a-unit > u.Worst {
			u.Worst, u.Row = a-unit, j
		}
	}
}
