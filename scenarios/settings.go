package scenarios

import (
	"strings"
	"time"
	_ "time/tzdata" // the same zones on every machine

	"stuntcell/emulator"
	"stuntcell/model/quantity"
)

// Defaults of the settings.
const (
	DefaultLog        = 10 * second
	DefaultCutoffHold = 5 * second
)

// readSettings reads what the user of the rig has set. The levels of cutoff and charge end follow from the plan.
func readSettings(m *quantity.Map, face int64) emulator.Settings {
	s := emulator.Settings{Log: DefaultLog, CutoffHold: DefaultCutoffHold}
	f, ok := m.Find("settings")
	if !ok {
		return s
	}
	set := f.Map()
	if f, ok := set.Find("log"); ok {
		s.Log = wholeMilliseconds(f, quantity.Between(0.001, 7*86400)) * 1e6
	}
	if f, ok := set.Find("cutoff_hold"); ok {
		s.CutoffHold = wholeMilliseconds(f, quantity.Between(0, 86400)) * 1e6
	}
	if f, ok := set.Find("zone"); ok {
		readZone(f, face, &s)
	}
	set.Done()
	return s
}

// readZone reads minutes east of UTC, or the name of a zone with its summer time; face is the clock's second at the start.
func readZone(f quantity.Field, face int64, s *emulator.Settings) {
	text := f.Text()
	if v, err := quantity.Parse(text, quantity.Time); err == nil {
		if err := quantity.Between(-14*3600, 14*3600).Check(v); err != nil {
			f.FailWith(err)
		}
		if minutes := v.SI / 60; minutes != float64(int64(minutes)) {
			f.Fail("a zone is a whole number of minutes", "whole minutes, such as 90 min", "")
		}
		s.Zone = int64(v.SI / 60)
		return
	}
	// "Local" and "" would depend on where this runs.
	if text == "Local" || text == "" || !strings.Contains(text, "/") && text != "UTC" {
		f.Fail("zone: "+quote(text)+" is no zone", "minutes east of UTC such as 60 min, or a name such as Europe/Berlin", "")
		return
	}
	zone, err := time.LoadLocation(text)
	if err != nil {
		f.Fail("zone: "+quote(text)+" is not in the tz database", "minutes east of UTC such as 60 min, or a name such as Europe/Berlin", "")
		return
	}
	_, offset := time.Unix(face, 0).In(zone).Zone()
	s.Zone, s.ZoneName = int64(offset/60), text
}
