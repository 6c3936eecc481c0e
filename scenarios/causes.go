package scenarios

// Causes lists the names of every cause that a verdict can give, in the order of the table of causes in the
// project's rules of judging. The `shows` of a scenario may name these and no others.
func Causes() []string {
	return []string{
		"tick-wrap", "signed-tick", "first-interval", "narrow-interval", "schedule-creep", "nominal-dt", "truncated-dt",
		"rtc-as-dt", "rtc-trusting", "gain", "offset", "unit-factor", "sign", "both-add", "one-way", "dead-band",
		"truncated-sum", "float32-stall", "rounded-sum", "total-overflow", "row-rate-sum", "mean-energy",
		"nominal-voltage", "stale-reading", "setting-jump", "midnight-reset", "failed-reading", "missing-rows",
		"duplicate-rows", "disordered-rows", "broken-row", "clumsy-number", "card-loss", "silent-card-loss",
		"restart-loss", "restart-double", "latch-lost", "local-time", "wrong-date", "epoch-2038", "cutoff-late",
		"cutoff-early", "cutoff-never", "cutoff-chatter", "cutoff-wrong-level", "charge-late", "charge-never",
		"charge-wrong-level", "load-left-on", "hang", "crash", "garbled-output", "shunt-gain", "zero-offset", "clipped",
		"aliased", "lead-drop", "burden", "own-draw", "bypass", "tick-rate", "rtc-rate", "rtc-step", "coarse-count",
		"too-slow-to-see", "unsafe-end",
	}
}
