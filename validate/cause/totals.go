package cause

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// class says how well a hypothesis explains a column: lower is better.
type class uint8

const (
	exact   class = iota // to a tenth of the limit, printed unit aside
	close3               // leaves at most 3 % of the deviation
	close15              // leaves at most 15 %
	poor
)

// candidate is a cause beside how well it explains each failing column.
type candidate struct {
	cause    string
	how      string
	rank     int
	fitted   bool
	class    class
	shown    bool    // the columns of values have it as well
	left     float64 // worst of (left deviation)/(limit) over the columns
	contra   bool    // it would have spoilt a column that is right
	meters   []replay.Meter
	evidence string
}

// better orders candidates: by class, then those that spoil nothing, then those without a fitted constant, then by rank.
func (a *candidate) better(b *candidate) bool {
	switch {
	case a.class != b.class:
		return a.class < b.class
	case a.contra != b.contra:
		return !a.contra
	case a.shown != b.shown:
		return a.shown
	case a.fitted != b.fitted:
		return !a.fitted
	case (a.left == 0) != (b.left == 0):
		return a.left == 0 // every row to the digit
	case a.fitted && (a.left < b.left/5 || b.left < a.left/5):
		return a.left < b.left
	case a.rank != b.rank:
		return a.rank < b.rank
	}
	return a.left < b.left
}

// grade says how well an explanation does that leaves so much of the column's deviation.
func (col *Column) grade(left float64) class {
	before := max(col.Unrolled.Worst, 1e-12)
	switch {
	case left <= col.Limit/10:
		return exact
	case left <= 0.03*before:
		return close3
	case left <= 0.15*before:
		return close15
	}
	return poor
}

// Totals names why columns of totals differ from what their readings give.
func Totals(c *Case) []verdict.Finding {
	var wrong, right []*Column
	for _, col := range c.Column {
		if col.OK {
			right = append(right, col)
		} else {
			wrong = append(wrong, col)
		}
	}
	if len(wrong) == 0 || len(c.At) == 0 {
		return nil
	}
	if printed := c.misprinted(wrong); printed != nil {
		return printed
	}
	if under := c.misheaded(wrong); under != nil {
		return under
	}
	if lost := c.minusLost(wrong); lost != nil {
		return lost
	}
	if lost := c.zerosLost(wrong); lost != nil {
		return lost
	}
	if anew := c.beginAnew(wrong); anew != nil {
		return anew
	}
	if len(wrong) == 1 {
		for _, f := range []*verdict.Finding{c.mixed(wrong[0]), c.rowCount(wrong[0])} {
			if f != nil {
				return []verdict.Finding{*f}
			}
		}
	}
	tried := c.tryAll(wrong, right)
	all := c.explainAll(tried, wrong, right)
	if len(all) == 0 || all[0].left > 0 || all[0].rank == rangesRank {
		if odd := c.odd(wrong); odd != nil {
			return odd
		}
	}
	if len(all) > 0 && all[0].contra && len(wrong) > 1 {
		if each := c.oneByOne(tried, wrong, right); each != nil {
			return each
		}
	}
	if len(all) == 0 || all[0].class > close3 {
		if pair := c.explainTwo(wrong, all); pair != nil {
			return pair
		}
	}
	if len(all) > 0 && all[0].class <= close15 {
		return c.report(wrong, all)
	}
	// No single cause for all: name each column by itself.
	var out []verdict.Finding
	left := wrong
	if len(wrong) > 1 {
		left = nil
		for _, col := range wrong {
			own := c.explainAll(tried, []*Column{col}, nil)
			named := len(own) > 0 && own[0].class <= close15
			if !named || own[0].left > 0 {
				if odd := c.odd([]*Column{col}); odd != nil {
					out = append(out, odd...)
					continue
				}
			}
			if named {
				out = append(out, c.report([]*Column{col}, own[:1])...)
			} else {
				left = append(left, col)
			}
		}
	}
	for _, f := range out {
		if f.Cause == "gain" && len(left) > 0 {
			left = c.besideGain(wrong, left, &out)
			break
		}
	}
	out = append(out, c.localise(left)...)
	return merge(out)
}

// besideGain names columns that have a mistake of their own beside the factor that another column has alone, and returns those that it does not.
func (c *Case) besideGain(wrong, left []*Column, out *[]verdict.Finding) []*Column {
	var rest []*Column
	for _, col := range left {
		var found *verdict.Finding
		for _, other := range wrong {
			if slices.Contains(left, other) || other.Role == Elapsed || col.Role == Elapsed {
				continue
			}
			g := math.Abs(c.factor(other.Printed.Value, other.Role.Of(c.Totals)))
			trial := NewComparison(c.Series, c.Index, c.Marks, []*Column{col}, false)
			hs := c.hypotheses()
			for i := range hs {
				h := &hs[i]
				m := h.meter
				m.Gain = g
				if trial.With(m, func(least []float64) bool { return least[0] > col.Limit/10 }) && trial.Unrolled[0].Worst <= col.Limit/10 && (found == nil || trial.Unrolled[0].Worst == 0) {
					f := c.finding(h.cause, ofFirmware, 0.85, firstBad([]*Column{col}))
					f.Evidence = fmt.Sprintf("beside the factor of %.4g that column %q has: %s; together they give column %q in every row", g, other.Header, h.how, col.Header)
					c.quote(&f, col, firstBad([]*Column{col}))
					found = &f
					if trial.Unrolled[0].Worst == 0 {
						break
					}
				}
			}
		}
		if found == nil {
			rest = append(rest, col)
			continue
		}
		*out = append(*out, *found)
	}
	return rest
}

// oneByOne names each column by a cause of its own that spoils no other, or none if one of them has none.
func (c *Case) oneByOne(tried tries, wrong, right []*Column) []verdict.Finding {
	var out []verdict.Finding
	for _, col := range wrong {
		own := c.explainAll(tried, []*Column{col}, right)
		if len(own) == 0 || own[0].class > exact || own[0].contra {
			return nil
		}
		out = append(out, c.report([]*Column{col}, own[:1])...)
	}
	return merge(out)
}

// misprinted names what is wrong with the print of totals that are right: rows cut off at a length, or a step of the print that is larger
// than its last place.
func (c *Case) misprinted(wrong []*Column) []verdict.Finding {
	longest := 0
	for r := range c.At {
		longest = max(longest, len(c.Record.Rows[c.Line[r]].Text))
	}
	var out []verdict.Finding
	for _, col := range wrong {
		finest := math.Inf(1)
		for _, u := range col.Printed.Unit {
			if u > 0 {
				finest = min(finest, u)
			}
		}
		step := printStep(col)
		bad, cut, coarse := 0, 0, 0
		for r, x := range col.Unrolled.Residual {
			if math.IsNaN(x) || math.Abs(x) <= col.Limit+col.Printed.Unit[r] {
				continue
			}
			bad++
			if len(c.Record.Rows[c.Line[r]].Text) == longest && col.Printed.Unit[r] > 2*finest {
				cut++
			}
			if math.Abs(x) <= step {
				coarse++
			}
		}
		row := firstBad([]*Column{col})
		switch {
		case bad == 0:
			return nil
		case 10*cut >= 9*bad:
			f := c.finding("broken-row", ofFirmware, 0.93, row)
			f.Evidence = fmt.Sprintf("rows end after %d characters, whatever column %q still had to show: %d rows lack its last digits", longest, col.Header, bad)
			c.quote(&f, col, row)
			out = append(out, f)
		case coarse == bad:
			f := c.finding("clumsy-number", ofFirmware, 0.9, row)
			f.Evidence = fmt.Sprintf("column %q is shown in steps of %.4g %s only, and its readings lie within one of them", col.Header, step/col.Display, unitOr(col))
			c.quote(&f, col, row)
			out = append(out, f)
		default:
			return nil
		}
	}
	return merge(out)
}

// misheaded names totals of charge and energy of which each stands under the heading of another: the header has another order than the rows.
func (c *Case) misheaded(wrong []*Column) []verdict.Finding {
	if len(wrong) < 2 {
		return nil
	}
	for _, rule := range []replay.Rule{replay.Trapezoid, replay.Left, replay.Right} {
		t := c.healthy(rule)
		holds := func(col *Column, r Role) bool {
			turned := slices.Clone(r.Of(t))
			for i := range turned {
				turned[i] = -turned[i]
			}
			return replay.Unroll(col.Printed, r.Of(t), c.Marks, col.Limit).Worst <= col.Limit || replay.Unroll(col.Printed, turned, c.Marks, col.Limit).Worst <= col.Limit
		}
		var out []verdict.Finding
		taken, crossed := map[Role]bool{}, false
		for _, col := range wrong {
			i := slices.IndexFunc(wrong, func(o *Column) bool {
				return o != col && o.Role != Elapsed && !taken[o.Role] && holds(col, o.Role)
			})
			if i < 0 {
				break
			}
			taken[wrong[i].Role] = true
			crossed = crossed || wrong[i].Role.IsEnergy() != col.Role.IsEnergy()
			row := firstBad([]*Column{col})
			f := c.finding("unit-factor", ofFirmware, 0.95, row)
			f.Evidence = fmt.Sprintf("column %q holds the %s that column %q should: the header has another order than the rows", col.Header, wrong[i].Role, wrong[i].Header)
			c.quote(&f, col, row)
			out = append(out, f)
		}
		if len(out) != len(wrong) {
			continue
		}
		if !crossed {
			// One quantity's two directions, while those of the other are right: what parts them looks at another sign.
			f := &out[0]
			*f = c.finding("sign", ofFirmware, 0.9, firstBad(wrong))
			f.Evidence = fmt.Sprintf("column %q holds what column %q should, and the other way round", wrong[0].Header, wrong[1].Header)
			if slices.ContainsFunc(wrong, func(col *Column) bool { return maxAbs(col.Role.Of(t)) <= 2*col.Limit }) {
				*f = c.finding("both-add", ofFirmware, 0.8, firstBad(wrong))
				f.Evidence = fmt.Sprintf("column %q holds what column %q should: either all is added to the one, or the two are exchanged (sign): %s", wrong[0].Header, wrong[1].Header,
					c.tellsApart("both-add", "sign"))
				f.Rivals = []string{"sign"}
			}
			c.quote(f, wrong[0], firstBad(wrong[:1]))
			return out[:1]
		}
		return merge(out)
	}
	return nil
}

// minusLost names totals that lose their minus between -1 and 0 of their unit, as a print does that puts whole units and thousandths side
// by side: -0.500 is written 0.500, and -1.500 as it should be.
func (c *Case) minusLost(wrong []*Column) []verdict.Finding {
	var out []verdict.Finding
	for _, col := range wrong {
		if !c.losesMinus(col, 1) && !c.losesMinus(col, -1) {
			return nil
		}
		row := firstBad([]*Column{col})
		f := c.finding("sign", ofFirmware, 0.95, row)
		f.Evidence = fmt.Sprintf("column %q has its minus only from one %s on: between -1 and 0 it is lost", col.Header, unitOr(col))
		c.quote(&f, col, row)
		out = append(out, f)
	}
	return merge(out)
}

// zerosLost names totals that are right when their decimals are read as a whole number of the last place: a print that puts whole units and
// thousandths side by side without leading zeros writes 12.50 for 12.050.
func (c *Case) zerosLost(wrong []*Column) []verdict.Finding {
	var out []verdict.Finding
	for _, col := range wrong {
		meant, varied := unpadded(col.Printed, col.Display)
		fits := false
		for _, rule := range []replay.Rule{replay.Trapezoid, replay.Left, replay.Right} {
			fits = fits || varied && replay.Unroll(meant, col.Role.Of(c.healthy(rule)), c.Marks, col.Limit).Worst <= col.Limit
		}
		if !fits {
			return nil
		}
		row := firstBad([]*Column{col})
		f := c.finding("broken-row", ofFirmware, 0.95, row)
		f.Evidence = fmt.Sprintf("column %q is right if its decimals lost their leading zeros, as 12.50 for 12.050", col.Header)
		c.quote(&f, col, row)
		out = append(out, f)
	}
	return merge(out)
}

// unpadded reads the decimals of a column as whole numbers of its last place, and says whether its rows have different numbers of places.
func unpadded(p replay.Printed, display float64) (meant replay.Printed, varied bool) {
	finest, coarsest := math.Inf(1), 0.0
	for r, u := range p.Unit {
		if !math.IsNaN(p.Value[r]) {
			finest, coarsest = min(finest, u), max(coarsest, u)
		}
	}
	for r, v := range p.Value {
		whole, rest := math.Modf(math.Abs(v)/display + 1e-9)
		if p.Unit[r] < display { // else it shows no decimals
			v = math.Copysign(whole*display+math.Floor(rest*display/p.Unit[r]+0.5)*finest, v)
		}
		meant.Value, meant.Unit = append(meant.Value, v), append(meant.Unit, finest)
	}
	return meant, coarsest > 2*finest
}

// losesMinus says that a column of a sign shows its totals of the first power-up, those between -1 and 0 without their minus.
func (c *Case) losesMinus(col *Column, sign float64) bool {
	// The lost sign may have made another rule look best.
	for _, rule := range []replay.Rule{c.Meter.Rule, replay.Trapezoid, replay.Left, replay.Right} {
		p := col.Role.Of(c.healthy(rule))
		lost, fits := 0, true
		for r, v := range col.Printed.Value {
			if math.IsNaN(v) || c.Marks.Life[r] != 0 {
				continue
			}
			// What is left is judged as that of any replay: the limit may be as large as all that was lost.
			tol := col.Limit/10 + col.Printed.Unit[r]
			total := sign * p[c.Marks.Row[r]]
			if math.Abs(total) <= tol || math.Abs(total+col.Display) <= tol {
				continue // it may be on either side of 0, or of -1
			}
			if total < 0 && total > -col.Display {
				total = -total
				lost++
			}
			if math.Abs(v-total) > tol {
				fits = false
				break
			}
		}
		if fits && lost > 0 {
			return true
		}
	}
	return false
}

// printStep is the step, more than one unit in the last place, of which all that a column shows is a multiple; 0 if there is none.
func printStep(col *Column) float64 {
	for _, n := range []float64{1000, 500, 250, 200, 100, 50, 25, 20, 10, 5, 2} {
		multiple, shown := true, map[float64]bool{}
		step := 0.0
		for r, v := range col.Printed.Value {
			if math.IsNaN(v) {
				continue
			}
			step = n * col.Printed.Unit[r]
			multiple = multiple && math.Abs(math.Remainder(v, step)) < 0.01*col.Printed.Unit[r]
			shown[v] = true
		}
		if multiple && len(shown) > 2 {
			return step
		}
	}
	return 0
}

// attempt is the hypothesis of one cause that explains one column best, and how much it leaves of the deviation.
type attempt struct {
	h      *hypothesis
	left   float64
	spoils bool // it would have spoilt the other direction, which is right
}

// tries are the causes in the order of their hypotheses, each with its best attempt at each column that one of its hypotheses explains.
// One cause may need other constants in charge and energy: the best is taken by column.
type tries struct {
	causes []string
	best   map[string]map[*Column]attempt
}

// tryAll replays every hypothesis against the columns.
func (c *Case) tryAll(wrong, right []*Column) tries {
	t := tries{best: map[string]map[*Column]attempt{}}
	hs := c.hypotheses()
	trial := NewComparison(c.Series, c.Index, c.Marks, wrong, false)
	plain := c.plain(wrong)
	for i := range hs {
		h := &hs[i]
		if !h.reaches(wrong) {
			continue
		}
		if t.best[h.cause] == nil {
			t.causes = append(t.causes, h.cause)
			t.best[h.cause] = map[*Column]attempt{}
		}
		best := t.best[h.cause]
		// One that explains no column is of no use.
		worth := trial.With(h.meter, func(least []float64) bool {
			for w, col := range wrong {
				if col.grade(least[w]) < poor {
					return false
				}
			}
			return true
		})
		if !worth {
			continue
		}
		for w, u := range trial.Unrolled {
			left := u.Worst
			if left > plain[h.meter.Rule][w]/2 {
				continue // the rule explains it as well, without the mistake
			}
			// What lies just between two steps of a rounded total falls to either, and all that follows with it.
			if q := h.meter.RoundRow; q > 0 {
				if !c.goesOnRounded(wrong[w], h.meter.Rule, q) {
					continue // many roundings may lose whatever was lost
				}
				if q <= wrong[w].Unrolled.Worst/20 {
					left = c.fallsToEither(wrong[w], trial.Totals, q)
				}
			}
			// A product that turns over gives every row or none: what only comes near is a total that hardly moves.
			if m := &h.meter; (m.WrapPower > 0 || m.WrapStep > 0 || m.WrapCharge > 0) && wrong[w].grade(left) > exact {
				continue
			}
			old, ok := best[wrong[w]]
			better := !ok || left < old.left-1e-12 || left < old.left+1e-12 && h.rank < old.h.rank
			spoils := wrong[w].Role.Splits() && (better || ok && left < old.left+1e-12 && h.rank == old.h.rank && old.spoils) && c.spoilt(alike(right, wrong[w:w+1]), trial.Totals)
			better = better || ok && left < old.left+1e-12 && h.rank == old.h.rank && old.spoils && !spoils
			if wrong[w].grade(left) < poor && better {
				best[wrong[w]] = attempt{h, left, spoils}
			}
		}
	}
	return t
}

// fallsToEither is what a replay leaves of a column where every total may also be one step of q off.
func (c *Case) fallsToEither(col *Column, t *replay.Totals, q float64) float64 {
	left := 0.0
	for r, x := range replay.Unroll(col.Printed, col.Role.Of(t), c.Marks, col.Limit).Residual {
		if x = math.Abs(x); !math.IsNaN(x) {
			left = max(left, min(x, math.Abs(x-q))-col.Printed.Unit[r])
		}
	}
	return left
}

// goesOnRounded says that nearly each row shows what flowed since the row before on top of that row's total, rounded to q.
func (c *Case) goesOnRounded(col *Column, rule replay.Rule, q float64) bool {
	p := col.Role.Of(c.healthy(rule))
	for _, sign := range []float64{1, -1} {
		fits, n := 0, 0
		for r := 1; r < len(col.Printed.Value); r++ {
			x, before := sign*col.Printed.Value[r], sign*col.Printed.Value[r-1]
			if math.IsNaN(x) || math.IsNaN(before) {
				continue
			}
			n++
			// What lies between two steps falls to either.
			d := math.Abs(x - math.Round(before/q)*q - p[c.Marks.Row[r]] + p[c.Marks.Row[r-1]])
			if min(d, math.Abs(d-q)) <= 2*col.Printed.Unit[r] {
				fits++
			}
		}
		if n > 0 && 10*fits >= 9*n {
			return true
		}
	}
	return false
}

// plain is what the meter of each rule, without any mistake, leaves of each column's deviation: where readings fail or the load changes in one
// step only, another rule may come close.
func (c *Case) plain(wrong []*Column) map[replay.Rule][]float64 {
	left := map[replay.Rule][]float64{}
	for _, rule := range []replay.Rule{replay.Trapezoid, replay.Left, replay.Right} {
		t := c.healthy(rule)
		for _, col := range wrong {
			left[rule] = append(left[rule], replay.Unroll(col.Printed, col.Role.Of(t), c.Marks, col.Limit).Worst)
		}
	}
	return left
}

// explainAll lists the causes that explain all the given columns, best first.
func (c *Case) explainAll(tried tries, wrong, right []*Column) []*candidate {
	best := map[string]*candidate{}
	keep := func(x *candidate) {
		if x.class == poor {
			return
		}
		x.shown = slices.Contains(c.Shown, x.cause)
		key := x.cause
		if old := best[key]; old == nil || x.better(old) {
			best[key] = x
		}
	}
	totals := 0
	for _, col := range wrong {
		if col.Role != Elapsed {
			totals++
		}
	}
	for _, name := range tried.causes {
		// One wrong column beside right ones is a sign; all of them growing in both directions is not.
		if name == "sign" && totals > 1 {
			continue
		}
		x := &candidate{cause: name}
		for i, col := range wrong {
			s, ok := tried.best[name][col]
			if !ok {
				x.class = poor
				break
			}
			if i == 0 {
				x.rank, x.how = s.h.rank, s.h.how
			}
			x.class = max(x.class, col.grade(s.left))
			x.left = max(x.left, s.left/max(col.Limit, 1e-12))
			x.meters = append(x.meters, s.h.meter)
			x.fitted = x.fitted || s.h.searched()
			x.rank = min(x.rank, s.h.rank)
		}
		if x.class == poor || oneSided(x.meters) {
			continue
		}
		// What is thrown away by a quantum depends on the column: another column may be summed more finely, but not that of the other
		// direction.
		switch name {
		case "truncated-sum", "rounded-sum", "float32-stall":
			x.contra = c.contradicts(x, wrong, alike(right, wrong))
		default:
			x.contra = c.contradicts(x, wrong, right)
		}
		keep(x)
	}
	for _, x := range c.fits(wrong) {
		x.contra = false
		keep(x)
	}
	out := make([]*candidate, 0, len(best))
	for _, name := range sortedNames(best) {
		out = append(out, best[name])
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].better(out[b]) })
	return out
}

// oneSided says that meters, each for a column, drop or join the directions in different ways: no logger does.
func oneSided(ms []replay.Meter) bool {
	for _, m := range ms {
		for _, o := range ms {
			other := m.Side != replay.Net && o.Side != replay.Net && m.Side != o.Side
			if other || m.AllCharge*o.AllCharge < 0 || m.AllEnergy*o.AllEnergy < 0 {
				return true
			}
		}
	}
	return false
}

func sortedNames(m map[string]*candidate) []string {
	names := make([]string, 0, len(m))
	for n := range m {
		names = append(names, n)
	}
	sort.Strings(names)
	return names
}

// contradicts says that the candidate would have spoilt a column of charge or energy that is right.
func (c *Case) contradicts(x *candidate, wrong, right []*Column) bool {
	if len(right) == 0 {
		return false
	}
	for i, m := range x.meters {
		if slices.Contains(x.meters[:i], m) {
			continue
		}
		others := right
		if i > 0 { // one cause may have other constants in charge and energy
			others = slices.DeleteFunc(slices.Clone(right), func(col *Column) bool { return col.Role.IsEnergy() != wrong[i].Role.IsEnergy() })
		}
		if c.spoilt(others, c.Series.Run(m, c.Index)) {
			return true
		}
	}
	return false
}

// spoilt says that totals would have spoilt a column that is right.
func (c *Case) spoilt(right []*Column, t *replay.Totals) bool {
	return slices.ContainsFunc(right, func(col *Column) bool {
		return col.Role != Elapsed && replay.Unroll(col.Printed, col.Role.Of(t), c.Marks, col.Limit).Worst > col.Limit
	})
}

// alike are the columns of a pair whose other column is among the wrong ones.
func alike(right, wrong []*Column) []*Column {
	var out []*Column
	for _, r := range right {
		for _, w := range wrong {
			if r.Role.Splits() && w.Role.Splits() && r.Role.IsEnergy() == w.Role.IsEnergy() {
				out = append(out, r)
				break
			}
		}
	}
	return out
}

// unitFactors are the factors that confusing units makes.
var unitFactors = []float64{1000, 1e-3, 60, 1.0 / 60, 3600, 1.0 / 3600, 3.6, 1 / 3.6, 1e6, 1e-6, 100, 0.01, 10, 0.1, 3.6e6, 1 / 3.6e6, 60000, 1.0 / 60000, 24, 1.0 / 24}

// fits lists the causes with a constant that is fitted to the log: gain, offset, factor of units, nominal voltage, a sum
// that wraps at its width.
func (c *Case) fits(wrong []*Column) []*candidate {
	var out []*candidate
	// The rule that the log was found to use may be one that the mistake made look best.
	for _, rule := range []replay.Rule{replay.Trapezoid, replay.Left, replay.Right} {
		out = append(out, c.fitsBy(replay.Meter{Rule: rule, Bad: c.Meter.Bad}, wrong)...)
		if c.Meter.Burden != 0 {
			out = append(out, c.fitsBy(replay.Meter{Rule: rule, Bad: c.Meter.Bad, Burden: c.Meter.Burden}, wrong)...)
		}
	}
	return out
}

// fitsBy lists them for a log of an otherwise healthy meter.
func (c *Case) fitsBy(m replay.Meter, wrong []*Column) []*candidate {
	t := c.Series.Run(m, c.Index)
	gain := &candidate{cause: "gain", rank: 50, fitted: true}
	unit := &candidate{cause: "unit-factor", rank: 5}
	nominal := &candidate{cause: "nominal-voltage", rank: 54, fitted: true}
	over := &candidate{cause: "total-overflow", rank: 19} // what falls to nothing when something happens was hardly just then at a width
	var gains []float64
	okUnit, okNominal, okOver := true, true, true
	for _, col := range wrong {
		p := col.Role.Of(t)
		g := c.factor(col.Printed.Value, p)
		gains = append(gains, math.Abs(g))
		grade(gain, col, replay.Unroll(col.Printed, times(p, g), c.Marks, col.Limit))
		f := nearestFactor(math.Abs(g))
		if f == 0 {
			okUnit = false
		} else {
			u := replay.Unroll(col.Printed, times(p, math.Copysign(f, g)), c.Marks, col.Limit*max(f, 1))
			u.Worst /= max(f, 1)
			grade(unit, col, u)
			unit.how = fmt.Sprintf("column %q is %s times what its readings give, a confusion of units", col.Header, factorName(f))
			unit.evidence = unit.how
		}
		if q := c.chargeOf(col.Role, t); q != nil {
			q, own := c.asLogged(col.Role, q)
			v, mean := c.factor(col.Printed.Value, q), ratio(p, q)
			if math.Abs(v) < 0.2*math.Abs(mean) || math.Abs(v) > 5*math.Abs(mean) {
				okNominal = false
			} else {
				u := replay.Unroll(col.Printed, times(q, v), c.Marks, col.Limit)
				grade(nominal, col, u)
				// Beside a wrong charge any voltage takes most of the deviation away.
				okNominal = okNominal && !(own && (u.Worst > col.Limit || c.follows(col, q)))
				nominal.how = fmt.Sprintf("energy is charge times a constant %.4g V", math.Abs(v))
				// A nameplate's volts are round; a fitted constant is so by chance once in twenty-five times.
				if parts := math.Abs(v) * 20; math.Abs(parts-math.Round(parts)) < 0.02 {
					nominal.rank, nominal.fitted = 28, false
				}
				nominal.evidence = nominal.how
			}
		} else {
			okNominal = false
		}
		if u, how := c.overflow(col, p); u != nil {
			grade(over, col, u)
			over.how, over.evidence = how, how
		} else {
			okOver = false
		}
	}
	var out []*candidate
	// A factor far from one is no calibration, but it may be another shunt, where it is none of units; and a fitted one must leave next to nothing.
	shunt := roundShunt(float64(c.Record.Greeting.ShuntNohm)/gains[0], 0.1*spread(gains)+1e-4)
	if (gains[0] > 0.2 && gains[0] < 5 || shunt > 0 && !okUnit) && spread(gains) < 0.002 && gain.left <= 1 {
		gain.how = fmt.Sprintf("all its totals are %.4g times what the readings give", gains[0])
		if len(wrong) == 1 {
			gain.how = fmt.Sprintf("column %q is %.4g times what its readings give", wrong[0].Header, gains[0])
		}
		if shunt > 0 && math.Abs(gains[0]-1) > 0.002 {
			gain.how += fmt.Sprintf(", as with a shunt of %.4g mohm for one of %.4g mohm", shunt*1e-6, float64(c.Record.Greeting.ShuntNohm)*1e-6)
		}
		gain.evidence = gain.how
		out = append(out, gain)
		if step := c.stepOf(m, gains[0], wrong); step != nil {
			out = append(out, step)
		}
	}
	if okUnit {
		out = append(out, unit)
	}
	if okNominal {
		out = append(out, nominal)
	}
	if okOver {
		out = append(out, over)
	}
	for _, x := range []*candidate{c.offset(m, wrong, t), c.unequal(wrong, t), c.voltOffset(wrong, t), c.ranges(m, wrong, t)} {
		if x != nil {
			out = append(out, x)
		}
	}
	plain := 0.0
	for _, col := range wrong {
		plain = max(plain, replay.Unroll(col.Printed, col.Role.Of(t), c.Marks, col.Limit).Worst/max(col.Limit, 1e-12))
	}
	return slices.DeleteFunc(out, func(x *candidate) bool { return x.left > plain/2 }) // as in tryAll
}

// stepOf is the candidate that all totals have a factor because each step is taken for a time of a round number, or nil: where steps are even
// that cannot be told from a factor.
func (c *Case) stepOf(m replay.Meter, factor float64, wrong []*Column) *candidate {
	each := factor * c.Series.Period
	round := twoDigits(each)
	if math.Abs(each/round-1) > 1e-3 || slices.ContainsFunc(c.Column, func(col *Column) bool {
		return col.Role != Elapsed && col.OK && maxAbs(col.Printed.Value) > col.Limit
	}) {
		return nil
	}
	m.Clocking, m.Each = replay.Nominal, round
	t := c.Series.Run(m, c.Index)
	x := &candidate{cause: "nominal-dt", rank: 53, fitted: true, how: fmt.Sprintf("each step is taken for %.3g s", round)}
	for _, col := range wrong {
		if col.Role == Elapsed {
			return nil
		}
		grade(x, col, replay.Unroll(col.Printed, col.Role.Of(t), c.Marks, col.Limit))
	}
	x.evidence = x.how
	if x.left > 1 {
		return nil
	}
	return x
}

// roundShunt is the shunt of two digits that a value [nohm] is, 0 if it is none.
func roundShunt(nohm, within float64) float64 {
	if !(nohm > 1e3 && nohm < 1e9) {
		return 0
	}
	round := twoDigits(nohm)
	if math.Abs(nohm/round-1) > within {
		return 0
	}
	return round
}

// twoDigits rounds a positive number to two digits.
func twoDigits(x float64) float64 {
	digit := math.Pow(10, math.Floor(math.Log10(x))-1)
	return math.Round(x/digit) * digit
}

// chargeOf is the charge that belongs to a column of energy; nil for others.
func (c *Case) chargeOf(r Role, t *replay.Totals) []float64 {
	return map[Role][]float64{Energy: t.Charge, EnergyIn: t.In, EnergyOut: t.Out}[r]
}

// asLogged is the charge that a column of energy was made from: that of its own log where this is wrong, else that of the readings.
func (c *Case) asLogged(r Role, q []float64) (charge []float64, own bool) {
	role := map[Role]Role{Energy: Charge, EnergyIn: ChargeIn, EnergyOut: ChargeOut}[r]
	for _, col := range c.Column {
		if col.Role != role || col.OK || len(col.Unrolled.Resets) > 0 {
			continue
		}
		q = slices.Clone(q)
		for r, x := range col.Printed.Value {
			if !math.IsNaN(x) {
				q[c.Marks.Row[r]] = x
			}
		}
		return q, true
	}
	return q, false
}

// follows says that a column of energy is what a logged charge makes with the volts read at the rows.
func (c *Case) follows(col *Column, charge []float64) bool {
	s, last, e, worst := c.Series, -1, 0.0, 0.0
	for r, x := range col.Printed.Value {
		if math.IsNaN(x) || !s.Good(c.At[r]) {
			continue
		}
		if last >= 0 {
			e += (charge[c.Marks.Row[r]] - charge[c.Marks.Row[last]]) * (s.V[c.At[r]] + s.V[c.At[last]]) / 2
			worst = max(worst, math.Abs(math.Abs(x-col.Printed.Value[0])-math.Abs(e)))
		}
		last = r
	}
	return worst <= 2*col.Limit
}

// unequal fits a factor for each direction: a charging efficiency, or another calibration for the way in.
func (c *Case) unequal(wrong []*Column, t *replay.Totals) *candidate {
	x := &candidate{cause: "gain", rank: 52, fitted: true}
	for _, col := range wrong {
		in, out := t.In, t.Out
		switch col.Role {
		case Charge:
		case Energy:
			in, out = t.EnergyIn, t.EnergyOut
		case ChargeIn, ChargeOut, EnergyIn, EnergyOut:
			if !slices.ContainsFunc(wrong, func(o *Column) bool { return !o.Role.Splits() && o.Role.IsEnergy() == col.Role.IsEnergy() }) {
				return nil // a factor of its own
			}
			p := col.Role.Of(t)
			grade(x, col, replay.Unroll(col.Printed, times(p, c.factor(col.Printed.Value, p)), c.Marks, col.Limit))
			continue
		default:
			return nil
		}
		a, b, ok := c.factors(col.Printed.Value, in, out)
		if !ok || math.Abs(a) < 0.2 || math.Abs(a) > 5 || math.Abs(b) < 0.2 || math.Abs(b) > 5 || a*b > 0 {
			return nil
		}
		p := make([]float64, len(in))
		for i := range p {
			p[i] = a*in[i] + b*out[i]
		}
		grade(x, col, replay.Unroll(col.Printed, p, c.Marks, col.Limit))
		x.how = fmt.Sprintf("what flows in is counted %.4g times, what flows out %.4g times", math.Abs(a), math.Abs(b))
		x.evidence = x.how
	}
	if x.left > 1 {
		return nil
	}
	return x
}

// rangesRank is the rank of what [Case.ranges] finds: at one large current any factor of it is as well an end of the range.
const rangesRank = 55

// ranges fits a factor for currents beyond a level and another for those below: two ranges of a front end, of which one is right.
func (c *Case) ranges(m replay.Meter, wrong []*Column, t *replay.Totals) *candidate {
	var best *candidate
	for _, level := range c.levels() {
		m.DeadBand = level
		high := c.Series.Run(m, c.Index)
		x := &candidate{cause: "gain", rank: rangesRank, fitted: true}
		for _, col := range wrong {
			if col.Role == Elapsed {
				return nil
			}
			p, h := col.Role.Of(t), col.Role.Of(high)
			low := make([]float64, len(p))
			for i := range p {
				low[i] = p[i] - h[i]
			}
			a, b, ok := c.factors(col.Printed.Value, h, low)
			a1, b1 := math.Abs(math.Abs(a)-1) < 0.001, math.Abs(math.Abs(b)-1) < 0.001
			if !ok || a*b <= 0 || a1 == b1 || min(math.Abs(a), math.Abs(b)) < 0.2 || max(math.Abs(a), math.Abs(b)) > 5 {
				x = nil
				break
			}
			for i := range p {
				low[i] = a*h[i] + b*low[i]
			}
			grade(x, col, replay.Unroll(col.Printed, low, c.Marks, col.Limit))
			x.how = fmt.Sprintf("currents beyond %.3g A are counted %.4g times, smaller ones %.4g times", level, math.Abs(a), math.Abs(b))
			x.evidence = x.how
		}
		if x != nil && x.left <= 0.1 && (best == nil || x.left < best.left) {
			best = x
		}
	}
	return best
}

// levels part the currents that were read into larger and smaller ones, where they leave a gap: few of them, from small to large.
func (c *Case) levels() []float64 {
	var all []float64
	for k, i := range c.Series.I {
		if c.Series.Good(k) && math.Abs(i) > 4*c.Series.Amp {
			all = append(all, math.Abs(i))
		}
	}
	slices.Sort(all)
	var out []float64
	for k := 1; k < len(all) && len(out) < 4; k++ {
		if all[k] > 1.3*all[k-1] && k >= 20 && len(all)-k >= 20 {
			out = append(out, math.Sqrt(all[k]*all[k-1]))
		}
	}
	return out
}

// voltOffset fits a constant voltage that was added to the readings: energy is then off by it times the charge.
func (c *Case) voltOffset(wrong []*Column, t *replay.Totals) *candidate {
	x := &candidate{cause: "offset", rank: 53, fitted: true}
	for _, col := range wrong {
		q := c.chargeOf(col.Role, t)
		if q == nil {
			return nil
		}
		e := col.Role.Of(t)
		a, _, ok := c.factors(col.Printed.Value, e, q)
		switch {
		case !ok: // at one voltage a constant and a factor are the same: both are to be said
			a = c.factor(col.Printed.Value, e)
		case math.Abs(math.Abs(a)-1) > 0.02:
			return nil
		}
		// The readings themselves are right: what is left is all the constant's.
		sign := math.Copysign(1, a)
		rest := make([]float64, len(col.Printed.Value))
		for r, v := range col.Printed.Value {
			rest[r] = v - sign*e[c.Marks.Row[r]]
		}
		b := c.factor(rest, q)
		if math.Abs(b) < c.Series.Volt/2 || math.Abs(b) > c.highest()/2 {
			return nil // less than a count, or another voltage and not an offset of this one
		}
		p := make([]float64, len(e))
		for i := range p {
			p[i] = sign*e[i] + b*q[i]
		}
		grade(x, col, replay.Unroll(col.Printed, p, c.Marks, col.Limit))
		x.how = fmt.Sprintf("a constant %+.4g V is added to every voltage", sign*b)
		x.evidence = x.how
	}
	if x.left > 1 {
		return nil
	}
	return x
}

// highest is the highest voltage that was read [V].
func (c *Case) highest() float64 {
	highest := 0.0
	for _, v := range c.Series.V {
		if v > highest { // NaN is not
			highest = v
		}
	}
	return highest
}

// factors are the least-squares factors of two totals in a printed column, counted anew after a power cut; false if the two cannot be
// told apart.
func (c *Case) factors(v, p, q []float64) (a, b float64, ok bool) {
	var pp, qq, pq, pv, qv float64
	life, v0, p0, q0 := int16(0), 0.0, 0.0, 0.0
	for r, printed := range v {
		if math.IsNaN(printed) {
			continue
		}
		i := c.Marks.Row[r]
		if l := c.Marks.Life[r]; l != life {
			life, v0, p0, q0 = l, printed, p[i], q[i]
		}
		x, y, z := p[i]-p0, q[i]-q0, printed-v0
		pp, qq, pq, pv, qv = pp+x*x, qq+y*y, pq+x*y, pv+x*z, qv+y*z
	}
	det := pp*qq - pq*pq
	if det <= 1e-6*pp*qq {
		return 0, 0, false
	}
	return (pv*qq - qv*pq) / det, (qv*pp - pv*pq) / det, true
}

// grade takes what is left of a column into the candidate.
func grade(x *candidate, col *Column, u *replay.Unrolled) {
	x.class = max(x.class, col.grade(u.Worst))
	x.left = max(x.left, u.Worst/max(col.Limit, 1e-12))
}

// offset fits a constant current that was added to the readings: to all of them, or to those that are not zero.
func (c *Case) offset(m replay.Meter, wrong []*Column, t *replay.Totals) *candidate {
	printed := c.netCharge()
	if printed == nil {
		return nil
	}
	most := float64(c.Series.ShuntMax) * c.Series.Amp / 200
	for _, i := range c.Series.I {
		if some := 0.2 * math.Abs(i); some > most { // NaN is not
			most = some
		}
	}
	var best *candidate
	for _, where := range []struct {
		is  replay.Where
		how string
	}{{replay.Everywhere, "to every reading"}, {replay.Flowing, "to every reading that is not zero"}, {replay.Outward, "to the size of every reading that is not zero"},
		{replay.Inflow, "to every reading of a current into the battery"}, {replay.Outflow, "to every reading of a current out of the battery"}} {
		m.Offset, m.OffsetWhere = 1, where.is
		one := c.Series.Run(m, c.Index).Charge
		for _, s := range []float64{1, -1} {
			num, den := 0.0, 0.0
			life, v0, e0 := int16(0), 0.0, 0.0 // after a power cut the log goes on from what it saved
			for r, v := range printed {
				if math.IsNaN(v) {
					continue
				}
				i := c.Marks.Row[r]
				e, d := one[i]-t.Charge[i], s*v-t.Charge[i]
				if l := c.Marks.Life[r]; l != life {
					life, v0, e0 = l, d, e
				}
				num += (d - v0) * (e - e0)
				den += (e - e0) * (e - e0)
			}
			if den == 0 || num == 0 {
				continue
			}
			m.Offset = num / den
			if math.Abs(m.Offset) > most {
				continue // it would be another current, not an offset of this one
			}
			ot := c.Series.Run(m, c.Index)
			x := &candidate{cause: "offset", rank: 51, fitted: true, meters: []replay.Meter{m}}
			for _, col := range wrong {
				grade(x, col, replay.Unroll(col.Printed, col.Role.Of(ot), c.Marks, col.Limit))
			}
			x.how = fmt.Sprintf("a constant %+.4g A (%+.1f counts) is added %s", m.Offset, m.Offset/c.Series.Amp, where.how)
			x.evidence = x.how
			// The plainer one goes first where both leave next to nothing.
			if x.left <= 1 && (best == nil || x.class < best.class || x.class == best.class && x.left < best.left/5) {
				best = x
			}
		}
	}
	return best
}

// netCharge is the net charge that the log shows [A·s]: of its column, or of what flowed in less what flowed out; nil without either.
func (c *Case) netCharge() []float64 {
	var in, out *Column
	for _, col := range c.Column {
		switch col.Role {
		case Charge:
			return col.Printed.Value
		case ChargeIn:
			in = col
		case ChargeOut:
			out = col
		}
	}
	if in == nil || out == nil {
		return nil
	}
	net := make([]float64, len(in.Printed.Value))
	for r, v := range in.Printed.Value {
		net[r] = v - out.Printed.Value[r]
	}
	return net
}

// factor is the least-squares factor from a meter's totals p to a printed column. After a power cut both are counted from the first row
// on, since the log goes on from what it saved.
func (c *Case) factor(v, p []float64) float64 {
	var x, y []float64
	life, v0, p0 := int16(0), 0.0, 0.0
	for r, printed := range v {
		if math.IsNaN(printed) {
			continue
		}
		total := p[c.Marks.Row[r]]
		if l := c.Marks.Life[r]; l != life {
			life, v0, p0 = l, printed, total
		}
		x, y = append(x, printed-v0), append(y, total-p0)
	}
	return ratio(x, y)
}

// ratio is the least-squares factor from p to v.
func ratio(v, p []float64) float64 {
	num, den := 0.0, 0.0
	for i, x := range v {
		num += x * p[i]
		den += p[i] * p[i]
	}
	if den == 0 {
		return 0
	}
	return num / den
}

func times(p []float64, g float64) []float64 {
	out := make([]float64, len(p))
	for i, x := range p {
		out[i] = g * x
	}
	return out
}

// nearestFactor is the factor of units within 0.4 % of g, 0 if there is none.
func nearestFactor(g float64) float64 {
	for _, f := range unitFactors {
		if math.Abs(g/f-1) < 0.004 {
			return f
		}
	}
	return 0
}

func factorName(f float64) string {
	if f < 1 {
		return fmt.Sprintf("1/%.4g", 1/f)
	}
	return fmt.Sprintf("%.4g", f)
}

// spread is the largest relative difference within v.
func spread(v []float64) float64 {
	lo, hi := math.Inf(1), 0.0
	for _, x := range v {
		lo, hi = min(lo, x), max(hi, x)
	}
	if hi == 0 {
		return math.Inf(1)
	}
	return (hi - lo) / hi
}

// overflow looks for a total that wraps, or sticks, at the width of an integer: the deviation is a multiple of 2^n units,
// and the total passed that width, or half of it, where it began.
func (c *Case) overflow(col *Column, p []float64) (*replay.Unrolled, string) {
	units := []float64{}
	amp, volt := c.Series.Amp, c.Series.Volt
	for _, d := range []float64{col.Display, 1, 3600, amp, amp * volt} {
		finest := -18
		if d == amp || d == amp*volt {
			finest = -9 // counts are summed over counts of time, nanoseconds at the finest
		}
		for e := finest; e <= 0; e++ {
			units = append(units, d*math.Pow(10, float64(e)))
		}
	}
	for _, sign := range []float64{1, -1} {
		first, before := -1, 0.0
		life, lost := int16(0), 0.0 // what a power cut took is another matter
		for r, x := range col.Printed.Value {
			if math.IsNaN(x) {
				continue
			}
			t := p[c.Marks.Row[r]]
			if l := c.Marks.Life[r]; l != life {
				life, lost = l, sign*x-t
			}
			t += lost
			if math.Abs(sign*x-t) > col.Limit+col.Printed.Unit[r] {
				first = r
				break
			}
			before = t
		}
		if first < 0 {
			continue
		}
		there := p[c.Marks.Row[first]]
		passed := func(level float64) bool {
			lo, hi := min(math.Abs(before), math.Abs(there)), max(math.Abs(before), math.Abs(there))
			return lo <= level*1.01 && hi >= level*0.99
		}
		// Four, five or six places of a display are a width as well.
		for _, whole := range []float64{1e4 * col.Display, 1e5 * col.Display, 1e6 * col.Display} {
			if 50*col.Printed.Unit[first] < whole && 2*col.Limit < whole && passed(whole) {
				if u := c.wrapLeft(col, p, sign, whole); u != nil {
					return u, fmt.Sprintf("the sum begins anew at %.0f %s", whole/col.Display, unitOr(col))
				}
			}
		}
		for _, bits := range []int{32, 16, 31, 15, 64} {
			for _, unit := range units {
				whole := math.Ldexp(unit, bits)
				if 50*col.Printed.Unit[first] > whole || 2*col.Limit > whole {
					continue // too small a width to be told from other deviations
				}
				name := fmt.Sprintf("2^%d units of %.3g %s", bits, unit, siName(col.Role))
				if bits != 31 && bits != 15 {
					// An unsigned sum that goes below zero wraps at once, not later.
					below := before*there < 0 || math.Abs(before) <= 2*col.Printed.Unit[first] && math.Abs(there) <= whole/1000
					if !passed(whole) && !passed(whole/2) && !below {
						continue
					}
					if u := c.wrapLeft(col, p, sign, whole); u != nil {
						return u, "the sum wraps at " + name
					}
					continue
				}
				// Stuck at the last value of the type.
				last := lastOf(col.Printed.Value)
				if math.Abs(math.Abs(col.Printed.Value[last])-(whole-unit)) <= col.Printed.Unit[last] && near(math.Abs(col.Printed.Value[first]), whole, 0.01) && passed(whole) {
					return &replay.Unrolled{}, "the sum stops at " + name
				}
				// The sign bit is masked off.
				if passed(whole) || passed(whole/2) {
					if u := c.wrapLeft(col, p, sign, whole); u != nil {
						return u, "the sum wraps at " + name
					}
				}
			}
		}
		// A product of counts wraps at no round number. With a sign it turns over at half of what it falls by, to the other side of zero, where
		// nothing that is set to zero comes.
		now := sign * col.Printed.Value[first]
		whole := math.Abs(now - there - lost)
		if 50*col.Printed.Unit[first] < whole && 2*col.Limit < whole && passed(whole/2) && now*there < 0 && math.Abs(now) > 0.4*whole {
			if u := c.wrapLeft(col, p, sign, whole); u != nil {
				return u, fmt.Sprintf("the sum wraps after %.4g %s", whole/col.Display, unitOr(col))
			}
		}
	}
	return nil, ""
}

// wrapLeft is what a whole number of wraps leaves of a column's deviation; nil if the deviation is not such.
func (c *Case) wrapLeft(col *Column, p []float64, sign, whole float64) *replay.Unrolled {
	u := &replay.Unrolled{}
	wraps := 0.0
	life, before := int16(0), 0.0 // what was lost at a power cut is another matter
	for r, x := range col.Printed.Value {
		if math.IsNaN(x) {
			continue
		}
		if l := c.Marks.Life[r]; l != life {
			life, before = l, sign*x-p[c.Marks.Row[r]]
		}
		d := sign*x - p[c.Marks.Row[r]] - before
		n := math.Round(d / whole)
		// A sum has wrapped as often as it holds the width, not more.
		if math.Abs(n) > math.Abs(p[c.Marks.Row[r]])/whole+1.01 {
			return nil
		}
		wraps = max(wraps, math.Abs(n))
		u.Worst = max(u.Worst, math.Abs(d-n*whole)-col.Printed.Unit[r])
	}
	if wraps == 0 || u.Worst > min(col.Limit/4, whole/25) {
		return nil
	}
	return u
}

func near(x, want, rel float64) bool { return math.Abs(x/want-1) <= rel }

func lastOf(v []float64) int {
	for r := len(v) - 1; r >= 0; r-- {
		if !math.IsNaN(v[r]) {
			return r
		}
	}
	return 0
}

func siName(r Role) string {
	switch {
	case r == Elapsed:
		return "s"
	case r.IsEnergy():
		return "W·s"
	}
	return "A·s"
}

// pairsFrom is how many single hypotheses are joined with every other.
const pairsFrom = 8

// explainTwo looks for two causes that together explain what one does not: the best single candidates, each joined with
// every other hypothesis.
func (c *Case) explainTwo(wrong []*Column, singles []*candidate) []verdict.Finding {
	if c.Series.Len() > 60000 {
		return nil
	}
	hs := c.hypotheses()
	type scored struct {
		i    int
		left float64
	}
	var order []scored // the most promising so far, best first
	trial := NewComparison(c.Series, c.Index, c.Marks, wrong, false)
	for i := range hs {
		left := func(w int, worst float64) float64 { return worst / max(wrong[w].Unrolled.Worst, 1e-12) }
		worth := trial.With(hs[i].meter, func(least []float64) bool {
			for w, x := range least {
				if len(order) == pairsFrom && left(w, x) >= order[pairsFrom-1].left {
					return true
				}
			}
			return false
		})
		if !worth {
			continue
		}
		x := scored{i: i}
		for w, u := range trial.Unrolled {
			x.left = max(x.left, left(w, u.Worst))
		}
		order = append(order, x)
		sort.SliceStable(order, func(a, b int) bool { return order[a].left < order[b].left })
		order = order[:min(pairsFrom, len(order))]
	}
	best := [2]int{-1, -1}
	bestClass, bestLeft := poor, math.Inf(1)
	for _, o := range order {
		for k := range hs {
			if hs[k].cause == hs[o.i].cause {
				continue
			}
			m, ok := join(hs[o.i].meter, hs[k].meter)
			if !ok {
				continue
			}
			worth := trial.With(m, func(least []float64) bool {
				for w, x := range least {
					if wrong[w].grade(x) > close3 {
						return true
					}
				}
				return false
			})
			if !worth {
				continue
			}
			cl, left := exact, 0.0
			for w, u := range trial.Unrolled {
				cl = max(cl, wrong[w].grade(u.Worst))
				left = max(left, u.Worst/max(wrong[w].Limit, 1e-12))
			}
			if cl < bestClass || cl == bestClass && left < bestLeft {
				best, bestClass, bestLeft = [2]int{o.i, k}, cl, left
			}
		}
	}
	single := poor
	if len(singles) > 0 {
		single = singles[0].class
	}
	if bestClass > close3 || bestClass >= single {
		return nil
	}
	var out []verdict.Finding
	for _, i := range best {
		h := &hs[i]
		row := firstBad(wrong)
		f := c.finding(h.cause, ofFirmware, 0.85, row)
		f.Evidence = fmt.Sprintf("two causes together explain every row: here %s", h.how)
		c.quote(&f, wrong[0], row)
		out = append(out, f)
	}
	return out
}

// join puts two mistakes into one meter; false if both are about the same thing.
func join(a, b replay.Meter) (replay.Meter, bool) {
	if a.Rule != b.Rule {
		return a, false
	}
	m := a
	ok := true
	take := func(set, want bool, apply func()) {
		if !want {
			return
		}
		if set {
			ok = false
			return
		}
		apply()
	}
	take(a.Clocking != 0, b.Clocking != 0, func() { m.Clocking = b.Clocking })
	take(a.Fold != 0 || a.Clocking != 0 || a.WrapBits != 0, b.Fold != 0, func() { m.Fold, m.Factor, m.FoldSigned = b.Fold, b.Factor, b.FoldSigned })
	take(a.Side != 0 || a.AllCharge != 0 || a.AllEnergy != 0, b.Side != 0, func() { m.Side, m.SideOf = b.Side, b.SideOf })
	take(a.Energy != 0, b.Energy != 0, func() { m.Energy = b.Energy })
	take(a.CutTime != 0 || a.Clocking != 0, b.CutTime != 0, func() { m.CutTime = b.CutTime })
	take(a.DeadPower != 0, b.DeadPower != 0, func() { m.DeadPower = b.DeadPower })
	turns := func(m *replay.Meter) bool { return m.WrapPower != 0 || m.WrapStep != 0 || m.WrapCharge != 0 }
	take(turns(&a), turns(&b), func() {
		m.WrapPower, m.WrapStep, m.WrapCharge, m.WrapPositive = b.WrapPower, b.WrapStep, b.WrapCharge, b.WrapPositive
	})
	take(a.Burden != 0, b.Burden != 0, func() { m.Burden = b.Burden })
	take(a.CutVolt != 0 || a.CutPower != 0, b.CutVolt != 0, func() { m.CutVolt, m.RoundCurrent = b.CutVolt, b.RoundCurrent })
	take(a.CutPower != 0, b.CutPower != 0, func() { m.CutPower, m.CutMean = b.CutPower, b.CutMean })
	take(a.Modulo != 0 || a.CutTime != 0 || a.Clocking != 0, b.Modulo != 0, func() { m.Modulo = b.Modulo })
	take(a.RowLength != 0 || a.Energy != 0, b.RowLength != 0, func() { m.RowLength, m.Energy = b.RowLength, b.Energy })
	take(a.FromZero != 0, b.FromZero != 0, func() { m.FromZero = b.FromZero })
	take(a.ZeroFirst, b.ZeroFirst, func() { m.ZeroFirst = true })
	m.Across = a.Across || b.Across
	take(a.DeadBand != 0 || a.DeadStep != 0, b.DeadBand != 0 || b.DeadStep != 0, func() { m.DeadBand, m.DeadStep, m.DeadMean = b.DeadBand, b.DeadStep, b.DeadMean })
	take(a.CutCurrent != 0, b.CutCurrent != 0, func() { m.CutCurrent, m.CutFloor, m.PowerOfCut = b.CutCurrent, b.CutFloor, b.PowerOfCut })
	take(a.CutStep != 0, b.CutStep != 0, func() { m.CutStep, m.CutEnergy, m.RoundStep, m.CutRaw = b.CutStep, b.CutEnergy, b.RoundStep, b.CutRaw })
	take(a.Float32 != 0, b.Float32 != 0, func() { m.Float32 = b.Float32 })
	take(a.RowRate, b.RowRate, func() { m.RowRate = true })
	take(a.Stale != 0, b.Stale != 0, func() { m.Stale = b.Stale })
	take(a.Unsigned != 0, b.Unsigned != 0, func() { m.Unsigned = b.Unsigned })
	take(a.Stop != 0 || a.Side != 0, b.Stop != 0, func() { m.Stop = b.Stop })
	take(a.AlsoCharge != 0 || a.AllCharge != 0 || a.Side != 0, b.AlsoCharge != 0, func() { m.AlsoCharge = b.AlsoCharge })
	take(a.AlsoEnergy != 0 || a.AllEnergy != 0 || a.Side != 0, b.AlsoEnergy != 0, func() { m.AlsoEnergy = b.AlsoEnergy })
	take(a.AllCharge != 0 || a.Side != 0, b.AllCharge != 0, func() { m.AllCharge = b.AllCharge })
	take(a.AllEnergy != 0 || a.Side != 0, b.AllEnergy != 0, func() { m.AllEnergy = b.AllEnergy })
	take(a.FlipCharge != 0, b.FlipCharge != 0, func() { m.FlipCharge = b.FlipCharge })
	take(a.FlipEnergy != 0, b.FlipEnergy != 0, func() { m.FlipEnergy = b.FlipEnergy })
	take(a.ResetSetting, b.ResetSetting, func() { m.ResetSetting = true })
	take(a.HoldSetting, b.HoldSetting, func() { m.HoldSetting = true })
	take(a.ResetClock != 0, b.ResetClock != 0, func() { m.ResetClock = b.ResetClock })
	take(a.FaceFloor, b.FaceFloor, func() { m.FaceFloor = true })
	take(a.Each != 0, b.Each != 0, func() { m.Each = b.Each })
	take(a.ResetMidnight != 0, b.ResetMidnight != 0, func() { m.ResetMidnight, m.Hourly = b.ResetMidnight, b.Hourly })
	take(a.SkipCard || a.ResetCard || a.FreezeCard, b.SkipCard || b.ResetCard || b.FreezeCard, func() {
		m.SkipCard, m.ResetCard, m.FreezeCard, m.ResetRows = b.SkipCard, b.ResetCard, b.FreezeCard, b.ResetRows
	})
	take(a.StallLimit != 0 || a.StallClip != 0, b.StallLimit != 0 || b.StallClip != 0, func() { m.StallLimit, m.StallClip = b.StallLimit, b.StallClip })
	if b.Bad != a.Bad && b.Bad > replay.BridgeEach {
		m.Bad, m.BadOf = b.Bad, b.BadOf
	}
	return m, ok
}

// fitNoise is how much a fitted constant may leave [limits] where it is right: it is as good as the print that it was fitted to.
const fitNoise = 0.01

// report turns the best candidate, and those that cannot be told from it, into findings.
func (c *Case) report(wrong []*Column, all []*candidate) []verdict.Finding {
	top := all[0]
	confidence := [...]float64{0.98, 0.93, 0.7}[top.class]
	if top.left > 0 {
		// A logger repeats its mistake to the last digit, unless it counts more finely than it prints. What only comes near is measured to be
		// the mistake seven times in eight.
		confidence = min(confidence, 0.88)
	}
	if top.left > 10 {
		confidence = min(confidence, 0.5) // it explains most of a large deviation, and leaves much
	}
	var rivals []*candidate
	for _, x := range all[1:] {
		if top.left == 0 && (x.left > fitNoise || x.left > 0 && !x.fitted) {
			continue // only the one gives every row to the digit
		}
		if x.class == top.class && x.contra == top.contra && x.shown == top.shown && x.left <= 3*top.left+0.3 && len(rivals) < 2 {
			rivals = append(rivals, x)
		}
	}
	// A constant that is fitted to a deviation barely beyond its limit fits many.
	if len(rivals) > 0 || top.fitted && deviation(wrong) < 2 {
		confidence *= 0.75
	}
	row := firstBad(wrong)
	f := c.finding(top.cause, ofFirmware, confidence, row)
	f.Evidence = c.describe(top, wrong)
	for _, x := range rivals {
		f.Evidence += fmt.Sprintf("; %s (%s) would explain these rows as well: %s", x.cause, x.how, c.tellsApart(top.cause, x.cause))
	}
	c.quote(&f, wrong[0], row)
	for _, x := range rivals {
		f.Rivals = append(f.Rivals, x.cause)
	}
	out := []verdict.Finding{f}
	for _, x := range rivals {
		g := c.finding(x.cause, ofFirmware, 0.3, row)
		g.Severity = verdict.Advice
		g.Evidence = fmt.Sprintf("cannot be told from %s by what was seen here: %s; %s", top.cause, x.how, c.tellsApart(top.cause, x.cause))
		out = append(out, g)
	}
	return out
}

// deviation is the largest of the columns' deviations over their limits.
func deviation(cols []*Column) float64 {
	worst := 0.0
	for _, col := range cols {
		worst = max(worst, col.Unrolled.Worst/max(col.Limit, 1e-12))
	}
	return worst
}

const (
	ofFirmware = "firmware"
	ofFront    = "front_end"
	ofSampling = "sampling"
	ofClock    = "clock"
	ofRig      = "rig"
)

// describe is the evidence for a candidate.
func (c *Case) describe(x *candidate, wrong []*Column) string {
	worst := wrong[0]
	for _, col := range wrong {
		if col.Unrolled.Worst/max(col.Limit, 1e-12) > worst.Unrolled.Worst/max(worst.Limit, 1e-12) {
			worst = col
		}
	}
	how := x.how
	if x.evidence != "" {
		how = x.evidence
	}
	to := "to the last digit"
	switch off := math.Abs(worst.Unrolled.Raw); {
	case x.left > 1 && off > 0:
		to = fmt.Sprintf("but for %.2g %% of what is off", 100*x.left*worst.Limit/off)
	case x.left > 0:
		to = fmt.Sprintf("to within %.2g of the limit", x.left)
	}
	if !slices.ContainsFunc(wrong, func(col *Column) bool {
		return slices.ContainsFunc(col.Printed.Value, func(v float64) bool { return v != 0 }) // NaN is not, and no row shows it where all do
	}) {
		how = "the total never moves: nothing at all is ever added, or " + how
	}
	return fmt.Sprintf("replayed with this mistake (%s) the readings give every row %s; without it column %q is off by %.4g %s",
		how, to, worst.Header, worst.Unrolled.Raw/worst.Display, worst.Unit)
}

// firstBad is the first row at which one of the columns leaves its limit.
func firstBad(cols []*Column) int {
	first := math.MaxInt
	for _, col := range cols {
		for r, x := range col.Unrolled.Residual {
			if !math.IsNaN(x) && math.Abs(x) > col.Limit+col.Printed.Unit[r] {
				first = min(first, r)
				break
			}
		}
	}
	if first == math.MaxInt {
		return 0
	}
	return first
}

// quote fills in what the log wrote, what it should be and what it cost.
func (c *Case) quote(f *verdict.Finding, col *Column, row int) {
	last := lastOf(col.Unrolled.Value)
	f.Wrote = c.text(row)
	f.ShouldBe = fmt.Sprintf("%s %.6g %s", col.Header, (col.Unrolled.Value[row]-col.Unrolled.Residual[row]-col.Unrolled.Base[row])*col.Unrolled.Sign/col.Display, col.Unit)
	f.Cost = fmt.Sprintf("%+.4g %s at the end", col.Unrolled.Residual[last]/col.Display, unitOr(col))
}

func unitOr(col *Column) string {
	if col.Unit != "" {
		return col.Unit
	}
	switch {
	case col.Role == Elapsed:
		return "s"
	case col.Role.IsEnergy():
		return "Wh"
	}
	return "Ah"
}

// merge keeps the surest finding of each cause.
func merge(fs []verdict.Finding) []verdict.Finding {
	var out []verdict.Finding
	at := map[string]int{}
	for _, f := range fs {
		if i, ok := at[f.Cause]; ok {
			if f.Severity == out[i].Severity && f.Confidence > out[i].Confidence || f.Severity == verdict.Failure && out[i].Severity != verdict.Failure {
				out[i] = f
			}
			continue
		}
		at[f.Cause] = len(out)
		out = append(out, f)
	}
	return out
}
