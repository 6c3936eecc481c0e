// Package verdict is what the judge says of one logger in one scenario, as it is written to JSON (schema stuntcell.verdict/1).
//
// It is a leaf: the judge fills it in, renderers and tools read it. Charges are A·s, energies W·s, instants seconds of true time
// since the plan began. A nil *bool is "not judged": skipped, or after a hang or crash.
package verdict

// Verdict is checks and findings of one scenario, as written to JSON (schema stuntcell.verdict/1, JUDGING.md).
type Verdict struct {
	Schema   string `json:"schema"`
	Tool     string `json:"tool"`
	GoArch   string `json:"goarch"`
	Scenario string `json:"scenario"`
	// Summary is the scenario's purpose in a sentence.
	Summary string `json:"summary,omitempty"`
	Seed    uint64 `json:"seed"`
	Hash    Hash   `json:"hash"`
	Logger  string `json:"logger"`
	// Suite says of which suite this is one, so that shards and journals can be joined; nil outside of a suite.
	Suite *Suite `json:"suite,omitempty"`
	// Pass is nil if the scenario was skipped.
	Pass    *bool  `json:"pass"`
	Skipped string `json:"skipped,omitempty"`
	// Found is what the log was found to use.
	Found      Found            `json:"found"`
	Truth      Truth            `json:"truth"`
	Checks     []Check          `json:"checks"`
	Blame      map[string]Blame `json:"blame"`
	Findings   []Finding        `json:"findings"`
	Notes      []string         `json:"notes,omitempty"`
	NotCovered []string         `json:"not_covered"`
	// Corners is what the whole rig is worth over its tolerances; nil if that was not asked for.
	Corners *Corners `json:"corners,omitempty"`
	// Trace is the whole run, for a picture; nil if there is none to show.
	Trace *Trace `json:"trace,omitempty"`
}

// Hash holds SHA-256 of what was run, in hex.
type Hash struct {
	Scenario string `json:"scenario"`
	Pack     string `json:"pack"`
	Rig      string `json:"rig"`
	// Logger is of the files that its command names; empty for a built-in logger.
	Logger string `json:"logger,omitempty"`
}

// Suite is a place in a list of scenarios that were to be run together.
type Suite struct {
	// Hash is SHA-256 over the scenarios, packs and rigs of the list, in hex.
	Hash  string `json:"hash"`
	Index int    `json:"index"` // from 0
	Of    int    `json:"of"`
	// Seed replaced the scenarios' own; 0: each had its own.
	Seed uint64 `json:"seed,omitempty"`
}

// Found is the rule, the timebase and the columns that the judge found the log to use.
type Found struct {
	Rule     string            `json:"rule"`
	Timebase string            `json:"timebase"`
	Sign     string            `json:"sign"`
	ZoneMin  *int              `json:"zone_min"`
	Columns  map[string]string `json:"columns"`
	Rows     int               `json:"rows"`
}

// Truth is what really happened.
type Truth struct {
	Charge     float64 `json:"charge_As"`
	Energy     float64 `json:"energy_Ws"`
	Throughput float64 `json:"throughput_As"`
	Elapsed    float64 `json:"elapsed_s"`
}

// Check is one measured deviation against its limit. Value is signed and in Unit ("1" is a ratio).
type Check struct {
	Name      string   `json:"name"`
	Value     *float64 `json:"value"`
	LimitLow  *float64 `json:"limit_low,omitempty"`
	LimitHigh *float64 `json:"limit_high,omitempty"`
	Total     *float64 `json:"total,omitempty"`
	Unit      string   `json:"unit,omitempty"`
	Row       *int     `json:"row,omitempty"`
	Pass      *bool    `json:"pass"`
	Skipped   string   `json:"skipped,omitempty"`
	Detail    string   `json:"detail,omitempty"`
}

// Blame splits logged minus truth into its four parts, at the last row [A·s or W·s]. They sum exactly.
type Blame struct {
	Sampling float64 `json:"sampling"`
	FrontEnd float64 `json:"front_end"`
	Clock    float64 `json:"clock"`
	Firmware float64 `json:"firmware"`
}

// Finding is a named cause with its evidence.
type Finding struct {
	Cause      string  `json:"cause"`
	Severity   string  `json:"severity"` // failure or advice
	Of         string  `json:"of"`       // firmware, front_end, sampling, clock, rig
	Confidence float64 `json:"confidence"`
	AtS        float64 `json:"at_s"`
	Row        int     `json:"row"`
	Evidence   string  `json:"evidence"`
	Wrote      string  `json:"wrote,omitempty"`
	ShouldBe   string  `json:"should_be,omitempty"`
	Cost       string  `json:"cost,omitempty"`
	Mend       string  `json:"mend"`
	// Rivals are causes that explain what was seen here as well.
	Rivals []string `json:"rivals,omitempty"`
	// Spans are the values of a mistake's constants, least and greatest, that give what was seen here, by cause and constant, such as
	// "cutoff-late: s": one logger has the same wherever it runs.
	Spans map[string][2]float64 `json:"spans,omitempty"`
	// Near is the run around AtS, for a picture, and the rows there.
	Near *Trace   `json:"near,omitempty"`
	Rows []LogRow `json:"rows,omitempty"`
}

// Corners is the whole rig, logger and all, against truth over the tolerances of its parts. Errors are logged less true total over what
// passed, signed, as ratios.
type Corners struct {
	Limit float64      `json:"limit"`
	Parts []CornerPart `json:"parts"` // the most harmful first
	Worst CornerCase   `json:"worst"`
	// Charge and Energy are the least and the greatest error that was seen; nil without such a total.
	Charge []float64 `json:"charge,omitempty"`
	Energy []float64 `json:"energy,omitempty"`
	Runs   int       `json:"runs"`
	// Sampled is how many rigs were drawn at random within the tolerances, Outside how many of them are beyond the limit.
	Sampled int `json:"sampled"`
	Outside int `json:"outside"`
}

// CornerPart is one tolerance: what it changes by itself, from its middle to its worse end.
type CornerPart struct {
	Name   string  `json:"name"`
	Charge float64 `json:"charge"`
	Energy float64 `json:"energy"`
}

// CornerCase is a rig within the tolerances.
type CornerCase struct {
	Of    string  `json:"of"` // charge or energy
	Value float64 `json:"value"`
	At    string  `json:"at"` // which end of each tolerance, or what else it is
}

// LogRow is a row of the log as it was written.
type LogRow struct {
	Row  int     `json:"row"`
	AtS  float64 `json:"at_s"` // of the reading that it belongs to
	Text string  `json:"text"`
}

// Trace is a stretch of a run, thinned so that a picture of it looks the same: what really was, and what the log said.
type Trace struct {
	Charge  Series `json:"charge_As"` // truth, since the plan began
	Logged  Series `json:"logged_As"` // the log's total
	Current Series `json:"current_A"` // truth
	Voltage Series `json:"voltage_V"` // truth, at the terminals
}

// Series is points of a course; both slices have one length.
type Series struct {
	T []float64 `json:"t_s"` // true time since the plan began [s]
	Y []float64 `json:"y"`
}

// Schema is the value of Verdict.Schema.
const Schema = "stuntcell.verdict/1"

// Severities of a finding.
const (
	Failure = "failure"
	Advice  = "advice"
)
