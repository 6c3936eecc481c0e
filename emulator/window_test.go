package emulator_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/emulator/rig"
	"stuntcell/model"
)

// A slow and plain reference of the readings' windows: the same plan is played by a course of its own in small steps, and each window is
// averaged over many midpoints. Held against the closed forms, edges in the window and all.
func TestWindowsAgainstMidpoints(t *testing.T) {
	const points = 640 // 100 us each in a window of 64 ms
	rapid.Check(t, func(rt *rapid.T) {
		step := discharge(rapid.Float64Range(0.5, 8).Draw(rt, "amps"), 4*second)
		step.Load.Period = rapid.Int64Range(30e6, 3e9).Draw(rt, "period")
		step.Load.On = rapid.Int64Range(1, step.Load.Period-1).Draw(rt, "on")
		step.Load.Low = rapid.Float64Range(0, 0.9).Draw(rt, "low")
		s := setup(t, "front: {shunt_noise: 0 V, bus_noise: 0 V}", rest(second*3/2), step)
		rec := run(t, s, scripted{})

		course, err := model.NewCourse(s.Pack, s.Plan, s.Options)
		if err != nil {
			rt.Fatal(err)
		}
		window := s.Rig.Front.Window()
		sensor := rig.NewSensor(s.Rig, s.Pack.Cell.Reference, s.Seed)
		edges := 2 + 2*float64(window)/float64(step.Load.Period)
		for i, end := range rec.Readings.T {
			for course.Now() < end-window {
				course.Next(end - window)
			}
			var amps, volts float64
			for k := range int64(points) {
				from := end - window + k*window/points
				to := end - window + (k+1)*window/points
				mid := (from + to) / 2
				for course.Now() < to {
					if span := course.Next(to); span.T0 < mid && mid <= span.T1 {
						amps += span.Current(mid) / points
						volts += span.Voltage(mid) / points
					}
				}
			}
			// Each edge is misplaced by half a step at most.
			slack := step.Load.Current * edges / points
			if a := rec.Readings.MeanI[i]; math.Abs(a-amps) > slack+1e-9 {
				rt.Fatalf("reading %d: mean %v A, midpoints %v A", i, a, amps)
			}
			if v := rec.Readings.MeanV[i]; math.Abs(v-volts) > 0.2*slack+1e-6 {
				rt.Fatalf("reading %d: mean %v V, midpoints %v V", i, v, volts)
			}
			// 64 conversions misplace an edge by one of them at most, and then there is half a count.
			shunt, bus := sensor.Volts(amps, volts, end)
			if d := math.Abs(float64(rec.Readings.Shunt[i]) - shunt/s.Rig.Front.ShuntStep); d > 0.51+step.Load.Current*edges/64*1.5e-3/6e-6 {
				rt.Fatalf("reading %d: %d counts, %v expected", i, rec.Readings.Shunt[i], shunt/s.Rig.Front.ShuntStep)
			}
			if d := math.Abs(float64(rec.Readings.Bus[i]) - bus/s.Rig.Front.BusStep); d > 1+step.Load.Current*0.2*edges/64/3e-3 {
				rt.Fatalf("reading %d: %d counts of the bus, %v expected", i, rec.Readings.Bus[i], bus/s.Rig.Front.BusStep)
			}
		}
	})
}
