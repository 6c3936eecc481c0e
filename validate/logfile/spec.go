package logfile

import (
	"fmt"
	"sort"
	"strconv"
	"strings"
)

// describable lists what a `columns:` block may say.
const describable = "tick, elapsed, clock, date, time, voltage, current, power, charge, energy, temperature, index, phase, other; " +
	"behind it a unit, `in` or `out`, `ch2`, `per-step`, `unix`, `day/month/year`, `month/day/year`, `year/month/day`, `h:min`, `min:s`"

// CheckColumns says whether each description of a `columns:` block can be understood, before there is a log. A description is
// a kind and, in any order behind it, a unit, a direction (in, out), a channel (ch2), and what else the error lists.
func CheckColumns(columns map[string]string) error {
	keys := make([]string, 0, len(columns))
	for k := range columns {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		if _, err := describe(k, columns[k]); err != nil {
			return err
		}
	}
	return nil
}

// describe reads one description.
func describe(key, text string) (meaning, error) {
	m := meaning{channel: 1}
	bad := func(w string) error {
		return &Error{Text: fmt.Sprintf("columns: %s: %q in %q is not understood", key, w, text), Expected: "one of " + describable}
	}
	words := strings.Fields(text)
	if len(words) == 0 {
		return m, &Error{Text: fmt.Sprintf("columns: %s: nothing is said", key), Expected: "one of " + describable}
	}
	switch strings.ToLower(words[0]) {
	case "tick":
		m.of, m.aspect = duration, tickCount
	case "elapsed":
		m.of, m.aspect = duration, elapsedTime
	case "clock":
		m.of, m.aspect = duration, wholeStamp
	case "date":
		m.of, m.aspect = duration, dateOnly
	case "time":
		m.of, m.aspect = duration, timeOfDay
	case "voltage":
		m.of = voltage
	case "current":
		m.of = current
	case "power":
		m.of = power
	case "charge":
		m.of = charge
	case "energy":
		m.of = energy
	case "temperature":
		m.of = temperature
	case "index":
		m.aspect = rowIndex
	case "phase":
		m.aspect = phaseName
	case "other":
		m.ignored = true
	default:
		return m, bad(words[0])
	}
	for _, w := range words[1:] {
		lower := strings.ToLower(w)
		ch, isChannel := strings.CutPrefix(lower, "ch")
		switch {
		case lower == "in":
			m.direction = 1
		case lower == "out":
			m.direction = -1
		case lower == "per-step":
			m.perStep = true
		case lower == "unix" && m.of == duration:
			m.aspect = unixTime
		case lower == "day/month/year" && m.of == duration:
			m.order = dayMonth
		case lower == "month/day/year" && m.of == duration:
			m.order = monthDay
		case lower == "year/month/day" && m.of == duration:
			m.order = yearMonthDay
		case lower == "h:min" && m.of == duration:
			m.twoParts = hoursMinutes
		case lower == "min:s" && m.of == duration:
			m.twoParts = minutesSeconds
		case isChannel && len(ch) == 1 && ch[0] >= '1' && ch[0] <= '4':
			m.channel, _ = strconv.Atoi(ch)
			m.numbered = true
		default:
			u, ok := lookUnit(w)
			if m.of == temperature && (w == "C" || w == "F") {
				u, ok = exactUnit("°" + w)
			}
			if !ok || m.hasUnit || u.of != m.of && !(u.of == counts && m.aspect == tickCount) {
				return m, bad(w)
			}
			m.unit, m.hasUnit = u, true
		}
	}
	if m.direction != 0 && m.of != charge && m.of != energy && m.of != current && m.of != power {
		return m, bad("in or out")
	}
	return m, nil
}

// descriptions matches a `columns:` block to the names of the fields.
func descriptions(opts Options, names []string) (map[int]meaning, error) {
	columns := opts.Columns
	if len(columns) == 0 {
		return nil, nil
	}
	if err := CheckColumns(columns); err != nil {
		return nil, err
	}
	out := map[int]meaning{}
	missing := ""
	for key, text := range columns {
		m, _ := describe(key, text)
		found := false
		for i, n := range names {
			if n != "" && strings.EqualFold(strings.TrimSpace(n), strings.TrimSpace(key)) {
				out[i] = m
				found = true
			}
		}
		if n, err := strconv.Atoi(strings.TrimSpace(key)); err == nil && !found && n >= 1 && n <= len(names) {
			out[n-1] = m
			found = true
		}
		if !found && (missing == "" || key < missing) {
			missing = key
		}
	}
	if missing != "" && !opts.anyOf {
		expected := fmt.Sprintf("a number from 1 to %d", len(names))
		if quoted := quoteAll(names); len(quoted) > 0 {
			expected = "one of " + strings.Join(quoted, ", ") + ", or " + expected
		}
		return nil, &Error{Text: fmt.Sprintf("columns: the log has no column %q", missing), Expected: expected}
	}
	return out, nil
}

func quoteAll(names []string) []string {
	var out []string
	for _, n := range names {
		if n != "" {
			out = append(out, strconv.Quote(printable([]byte(n))))
		}
	}
	return out
}
