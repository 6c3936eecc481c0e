package rehearsal

import (
	"fmt"

	"stuntcell/model"
)

// Simulated opens everything that a rehearsal prints.
const Simulated = "This is a simulation. A real pack may be worse than its model, a used one is; nothing here is a promise about it."

// facts are the numbers of a test that call for a caution. What a chemistry and a voltage call for is the pack's to say.
type facts struct {
	maxAmps           float64 // [A]
	shunt             float64 // largest current over the shunt's rating
	charges, grounded bool
	hours             float64
	ambient           float64 // [K]
}

// byNumber returns the cautions that this test's own figures call for.
func byNumber(f model.Family, n facts) []string {
	var out []string
	add := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if n.maxAmps > 0 {
		w := WiringFor(n.maxAmps)
		if w.Fuse == 0 || w.Area == 0 {
			add("%.0f A is beyond the tables here: have wire, fuse and connectors sized by someone who does this for a living.", n.maxAmps)
		} else {
			add("%.3g A flows: copper of at least %g mm², a fuse of %g A for direct current at the pack that can break its short circuit, connectors and contacts for at least %.3g A direct current; alternating amperes are not direct amperes (%s).", n.maxAmps, w.Area, w.Fuse, w.Connector, PracticeStatus)
		}
	}
	if n.shunt > shuntShare {
		add("The shunt carries %.0f %% of its rating; above two thirds it drifts with its own heat and can burn whoever touches it.", 100*n.shunt)
	}
	if n.grounded {
		add("The shunt is in the negative lead: a computer on the mains that is connected to the rig may be a second path around it, through the earth. Use an isolator, or run the computer on its own battery.")
	}
	if n.charges {
		add("The charger's mains side is not for opening. Switch it on its direct-current side, and make sure that the pack cannot feed back into it when the mains fails.")
	}
	if n.hours > longHours {
		add("The test lasts %.0f h: the independent stop is not optional.", n.hours)
	}
	if f == model.Lithium && n.charges && n.ambient < kelvin+coldCharge {
		add("The plan charges at %.0f degC, near to freezing for a lithium cell, whose inside lags behind the air.", n.ambient-kelvin)
	}
	if f == model.Lithium {
		add("Damaged or defective lithium packs may not be posted or carried as usual: ask the carrier first.")
	}
	return out
}

const (
	longHours  = 8 // longer than anybody stays awake beside it [h]
	coldCharge = 5 // [degC]
)
