package model

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestIntegrator: on every pack on board, through random plans and steps, an Integrator gives what the spans give one by one.
func TestIntegrator(t *testing.T) {
	packs := PackNames()
	rapid.Check(t, func(t *rapid.T) {
		p := mustPackRapid(t, rapid.SampledFrom(packs).Draw(t, "pack"))
		c, err := NewCourse(p, drawPlan(t, p), Options{
			Start: rapid.Float64Range(0.01, 1).Draw(t, "start"), Ambient: rapid.Float64Range(253, 323).Draw(t, "ambient"),
		})
		if err != nil {
			t.Fatal(err)
		}
		step := int64(rapid.Float64Range(0.01, 20).Draw(t, "step") * 1e9)
		window := rapid.Int64Range(1, step).Draw(t, "window")
		near := func(what string, got, want, tol float64) {
			if !(math.Abs(got-want) <= tol) {
				t.Fatalf("%s: %.15g, want %.15g within %g", what, got, want, tol)
			}
		}
		var g Integrator
		total, plain := 0.0, 0.0
		for n := 0; n < 5000 && !c.Done(); n++ {
			s := c.Next(c.Now() + step)
			if s.T1 <= s.T0 {
				continue
			}
			seconds := float64(s.T1-s.T0) * 1e-9
			got, want := g.Energy(&s, s.T0, s.T1), s.Energy(s.T0, s.T1)
			total, plain = total+got, plain+want
			volts := math.Abs(s.Voltage(s.T0)) + 1
			// Where the current passes zero, it is its size elsewhere in the stretch that counts. An energy is the difference of two of
			// the piece, so that a last part of nanoseconds has the rounding of a whole piece.
			rounding := 4e-16 * mostParts * float64(step) * 1e-9
			near("energy", got, want, (1e-11*seconds+rounding)*volts*(math.Abs(s.Current(s.T0))+math.Abs(s.Current(s.T1))+math.Abs(s.i0)+1e-6))
			if from := max(s.T0, s.T1-window); from < s.T1 {
				// An instant is no finer than what of it stands in a float64 of seconds; where multiply and add are one, it does not cancel.
				grain := 4e-16 * s.seconds(s.T1) / (float64(s.T1-from) * 1e-9)
				near("mean voltage", g.MeanVoltage(&s, from, s.T1), s.MeanVoltage(from, s.T1), (1e-11+grain)*volts)
			}
		}
		near("sum of energy", total, plain, 1e-11*math.Abs(plain)+1e-9)
	})
}

// TestIntegratorFast: the test above would pass as well where every part is answered the plain way. An hour of each pack's own
// 20-hour rate, read once a second, is where the polynomial must serve, and is the same in every run.
func TestIntegratorFast(t *testing.T) {
	for _, name := range PackNames() {
		p := mustPack(t, name)
		c, err := NewCourse(p, Plan{{Kind: Discharge, Load: Load{Current: p.Amps(0.05)}, Ends: Ends{Time: 3600 * second}}}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		var g Integrator
		answered, all := 0, 0
		for !c.Done() {
			s := c.Next(c.Now() + second)
			g.Energy(&s, s.T0, s.T1)
			all++
			if !g.plain {
				answered++
			}
		}
		if all < 3600 || answered < all*95/100 {
			t.Errorf("%s: %d of %d parts were answered by a polynomial", name, answered, all)
		}
	}
}

// BenchmarkIntegrator is what a reading asks for: the energy of its second and the mean voltage of its window.
func BenchmarkIntegrator(b *testing.B) {
	p := mustPack(b, "agm-12v-7ah")
	for _, way := range []string{"polynomial", "plain"} {
		b.Run(way, func(b *testing.B) {
			var c *Course
			var g Integrator
			b.ReportAllocs()
			for b.Loop() {
				if c == nil || c.Done() {
					c, _ = NewCourse(p, Plan{{Kind: Discharge, Load: Load{Current: 0.35}, Ends: Ends{Voltage: 10.5}}}, Options{})
				}
				s := c.Next(c.Now() + second)
				if from := max(s.T0, s.T1-64e6); way == "plain" {
					s.Energy(s.T0, s.T1)
					s.MeanVoltage(from, s.T1)
				} else {
					g.Energy(&s, s.T0, s.T1)
					g.MeanVoltage(&s, from, s.T1)
				}
			}
		})
	}
}
