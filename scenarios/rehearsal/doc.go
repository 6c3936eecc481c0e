// Package rehearsal runs a plan on its pack without a logger and says what it would do: when each step begins and ends and why, how
// much charge and energy it moves, what a log of it is like, which counts run out, which limits of which part are crossed, what one
// failure would leave running, and the cautions that belong to it.
//
// [Play] is the course itself, with a logger that stops exactly when it should: it reads the pack's terminals without error
// at the rig's interval and acts at the first reading at which the voltage has been below the level for the whole hold. [Rehearse]
// makes the report of it, for people (Text, Sheet) and for machines (JSON, CSV).
//
// Units: SI inside; Ah, Wh, degC and seconds in the report, named in its keys. Current into the pack is positive. Tables of wire,
// fuses and reserves are common practice from memory and say so. All of it is a simulation, and every output says that as well.
package rehearsal
