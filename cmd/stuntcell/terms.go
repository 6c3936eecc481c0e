package main

// term is a word of the trade or of this program, and what it means here.
type term item

// terms are the words that files, messages and verdicts use, in the order of the way from battery to verdict.
func terms() []term {
	return []term{
		{"cell", "One electrochemical cell, the smallest thing with a voltage of its own."},
		{"pack", "What is tested: cells in series and parallel. A cell alone is a pack of one."},
		{"plan", "The test plan: steps of rest, charge and discharge, each with what ends it."},
		{"rig", "Everything between battery and logger: shunt, front end, wiring, relay, tick counter, clock, card."},
		{"shunt", "A resistor of small, known value in the current's path; its voltage tells the current."},
		{"burden", "The voltage that the shunt itself takes from the circuit."},
		{"front-end", "What turns the voltages of shunt and battery into counts: amplifier and converter."},
		{"count", "The smallest step of a converter. Small currents are a few counts only."},
		{"tick", "A free-running counter, most often of milliseconds. It wraps: 32 bits of milliseconds in 49.7 days."},
		{"clock", "The real-time clock, which shows date and time in whole seconds and may be set, or lose its time."},
		{"logger", "What is proved: the firmware or program that reads the rig and keeps a log."},
		{"truth", "What really happened in the pack: exact and without noise. A real bench never knows it; a simulation does."},
		{"reading", "What the rig hands to the logger at one instant: tick, shunt counts, bus counts, clock."},
		{"row", "A line of the log."},
		{"log", "What the logger wrote."},
		{"link", "How readings and rows travel between us and the logger: lines of text, one in, any number out, then ok."},
		{"scenario", "Pack, plan, conditions of the rig, faults and expectations: one thing that a logger is run through."},
		{"check", "One measured deviation against its limit."},
		{"finding", "A named cause with its evidence; a failure, or advice."},
		{"verdict", "Checks and findings of one scenario."},
		{"blame", "Logged minus truth, split into sampling, front end, clock and firmware. The four sum exactly to the whole."},
		{"sampling", "The part of the error that comes from looking only now and then: even perfect parts would be off by it."},
		{"throughput", "The charge that moved, in and out added up; what an error of charge is measured against."},
		{"cutoff", "The voltage at which the logger is to stop the load, after it has been below for the hold time."},
		{"rebound", "The rise of voltage when the load stops. A cutoff that closes again on it chatters."},
		{"taper", "The falling current of a charge at constant voltage; a charge ends when it has become small enough."},
		{"C-rate", "A current as a share of the rated capacity an hour: 0.2 C takes a full pack down in about five hours."},
		{"rated", "The claim on the label: so many Ah in so many hours to an end voltage, from full and rested, at a temperature."},
	}
}
