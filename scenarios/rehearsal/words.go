package rehearsal

// Span words a time [s] as everything here does: h:mm:ss, or with days in front, or in seconds below a minute.
func Span(s float64) string { return clock(s) }

// Amount words a value with its unit, with four digits at most and a prefix; the unit "1" is a ratio and is worded in per cent.
func Amount(x float64, unit string) string { return engineering(x, unit) }

// Size words a number of bytes.
func Size(n int64) string { return size(n) }
