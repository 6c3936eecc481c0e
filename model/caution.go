package model

// deference ends every caution: the project never speaks last about safety.
const deference = "Local codes, the maker's data and licensed practice come first."

// Deference is the sentence that ends every list of cautions.
func Deference() string { return deference }

// Cautions lists what belongs to the pack by chemistry and by its voltage, for every document that could lead to a wire being connected.
// Common practice; the list is no instruction.
func (p *Pack) Cautions() []string {
	out := []string{
		"Put a fuse at the pack and on each sense wire.",
		"Check polarity with a meter before connecting; connect with load and charger off.",
		"No jewellery; insulated tools; eye protection.",
		"Not unattended without an independent stop: firmware is no safety device.",
	}
	switch p.Family {
	case LeadAcid:
		out = append(out,
			"Lead-acid gives off hydrogen while it charges: ventilate, no sparks or flames near it.",
			"Its acid burns skin and eyes: rinse with much water, see a doctor.",
			"Never charge a frozen pack.")
	case Lithium:
		out = append(out,
			"Do not test a lithium pack that is swollen, hot, wet or was discharged too far.",
			"No charging below freezing: the cells' temperature counts, not the air's.",
			"Test it in a place that does not burn, with nothing that burns nearby.",
			"Never bypass the protection board.")
	case Nickel:
		out = append(out,
			"Never charge nickel cells in parallel.",
			"A nickel charge that misses its end heats the pack: a timer and a temperature stop belong beside the falling voltage.")
	}
	full := p.Volts(p.Cell.OCV.At(1))
	if p.Limits.ChargeVoltage > full {
		full = p.Limits.ChargeVoltage
	}
	if full > 60 {
		out = append(out, "Above 60 V DC a touch can kill: work on it only if you are trained and allowed to.")
	} else if full > 30 {
		out = append(out, "Above about 30 V DC an arc may not break by itself: use a switch that is rated for DC at this voltage.")
	}
	return append(out, deference)
}
