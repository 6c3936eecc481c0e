package loggers

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the outside check of summer time must not depend on the machine

	"pgregory.net/rapid"

	"stuntcell/emulator/link"
	"stuntcell/model/outside"
)

func pick(t *testing.T, name string) situation {
	t.Helper()
	for _, s := range situations() {
		if s.name == name {
			return s
		}
	}
	t.Fatalf("no situation %q", name)
	return situation{}
}

func TestGoodLog(t *testing.T) {
	rows := play(t, Good(), course{n: 21}.in("", workshop())).rows
	want := []string{
		"time,tick,V,A,W,Ah,Wh",
		"2026-06-01 13:00:00,0,12.6000,-1.4000,-17.6400,0.000000,0.000000",
		"2026-06-01 13:00:10,10000,12.6000,-1.4000,-17.6400,-0.003889,-0.049000",
		"2026-06-01 13:00:20,20000,12.6000,-1.4000,-17.6400,-0.007778,-0.098000",
	}
	for i, r := range rows {
		if i >= len(want) || r.text != want[i] {
			t.Errorf("row %d: %q", i, r.text)
		}
	}
	if len(rows) != len(want) {
		t.Errorf("%d rows, want %d", len(rows), len(want))
	}
}

// Ten seconds below the level open the load; a restart says so again; nothing closes it.
func TestGoodStopsForGood(t *testing.T) {
	for name, want := range map[string][]said{
		"end voltage":                 {{61, link.LoadOff, ""}},
		"rebound":                     {{61, link.LoadOff, ""}},
		"sensor dies below the level": {{61, link.LoadOff, ""}},
		"start pulse":                 nil,
		"power cut after the stop":    {{61, link.LoadOff, ""}, {104, link.Can, "charge"}, {104, link.LoadOff, ""}},
	} {
		got := play(t, Good(), pick(t, name)).words
		if want = append([]said{{-1, link.Can, "charge"}}, want...); !slices.Equal(got, want) {
			t.Errorf("%s: said %v, want %v", name, got, want)
		}
	}
}

// A hold of 0 stops at the first reading below the level; exactly the level is not below it.
func TestGoodWithoutHold(t *testing.T) {
	g := workshop()
	g.CutoffMV, g.CutoffHoldMS = 10_500, 0
	s := course{n: 100, bus: func(k int, _ int64) int32 { return int32(3550 - k) }}.in("", g)
	got := play(t, Good(), s).words[1:]
	if want := []said{{51, link.LoadOff, ""}}; !slices.Equal(got, want) {
		t.Errorf("said %v, want %v", got, want)
	}
}

// After a charge the stop is armed again.
func TestGoodIsArmedByCharge(t *testing.T) {
	g := workshop()
	g.CutoffMV, g.CutoffHoldMS = 10_500, 2000
	s := course{n: 90, bus: func(k int, _ int64) int32 {
		if k%30 < 20 {
			return 3600
		}
		return 3400
	}, current: func(k int, _ int64) int32 {
		if k >= 30 && k < 60 {
			return 350
		}
		return -350
	}}.in("", g)
	got := play(t, Good(), s).words[1:]
	if want := []said{{22, link.LoadOff, ""}, {82, link.LoadOff, ""}}; !slices.Equal(got, want) {
		t.Errorf("said %v, want %v", got, want)
	}
}

// With 14.4 V reached, the charger opens at the third reading at or below 140 mA (35 counts), and not before.
func TestGoodEndsTheCharge(t *testing.T) {
	got := play(t, Good(), pick(t, "charge to taper")).words[1:]
	// 350-(k-300) = 35 at reading 615.
	if want := []said{{617, link.ChargeOff, ""}}; !slices.Equal(got, want) {
		t.Errorf("said %v, want %v", got, want)
	}
}

func TestGoodCountsLostRows(t *testing.T) {
	out := play(t, Good(), pick(t, "card fails"))
	want := []said{{-1, link.Can, "charge"}, {150, link.Say, "lost 1"}, {160, link.Say, "lost 2"}, {170, link.Say, "lost 3"}}
	if !slices.Equal(out.words, want) {
		t.Errorf("said %v, want %v", out.words, want)
	}
	if n := len(out.rows); n != 1+30-3 {
		t.Errorf("%d rows, want a header and 27", n)
	}
}

func TestGoodTakesOverSettings(t *testing.T) {
	var at []int
	for _, r := range play(t, Good(), pick(t, "setting")).rows[1:] {
		at = append(at, r.at)
	}
	if got, want := at[14:19], []int{140, 150, 170, 190, 210}; !slices.Equal(got, want) {
		t.Errorf("rows at %v, want %v", got, want)
	}
	var a link.Answer
	m := newMeter(&kept{})
	g := workshop()
	m.Greet(&g, &a)
	for _, bad := range []struct {
		key   string
		value int64
	}{{"log_ms", 0}, {"log_ms", -5}, {"shunt_nohm", 0}, {"colour", 3}, {"zone_min", -900}, {"cutoff_mv", -1}} {
		m.Set(bad.key, bad.value, &a)
		if m.g != g {
			t.Errorf("set %s=%d was taken over: %+v", bad.key, bad.value, m.g)
		}
	}
	m.Set("shunt_nohm", 750_000, &a)
	m.Read(&link.Reading{Shunt: 100, Bus: 4000}, &a)
	if m.now.amps != 0.8 {
		t.Errorf("100 counts of 6 uV at 0.75 mohm are %g A, want 0.8", m.now.amps)
	}
}

// A power cut costs at most what flowed since the last row; the gap is not counted.
func TestTotalsGoOnAfterAPowerCut(t *testing.T) {
	for _, d := range append(Healthy(), Defect{Name: "good", New: Good()}) {
		h := habitOf(d.Name)
		if h.none || h.buffered || h.split || d.Name == "minimal" || d.Name == "cannot-restore" || d.Name == "cannot-count-discharge" {
			continue
		}
		s := pick(t, "power cut")
		row, _ := cells(t, play(t, d.New, s).rows)
		got, one := number(t, row, "Ah")
		// 155 s before the cut, the last row at 150 s (or up to one interval from it); 135 s after, up to the last row.
		low, high := 1.4*(145+135)/3600, 1.4*(155+145)/3600
		if got = math.Abs(got); got < low-one || got > high+one {
			t.Errorf("%s: %g Ah after the cut, want %g to %g", d.Name, got, low, high)
		}
	}
}

// Whatever a torn write leaves of the newer slot, the older one is restored, and the stop is in both.
func TestSlotsSurviveATornWrite(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		store := &kept{}
		m := slots{store: store}
		n := rapid.IntRange(1, 6).Draw(t, "n")
		for i := range n {
			m.keep(state{totals: totals{charge: float64(i + 1), energyOut: -2.5}, stopped: i >= n-2, lost: int64(i)}, nil)
		}
		newest := slotName(m.number)
		torn := rapid.IntRange(0, slotBytes).Draw(t, "bytes left")
		store.Save(newest, store.Load(newest)[:torn])
		life := slots{store: store}
		got, ok := life.recall()
		want := n
		if torn < slotBytes {
			want = n - 1
		}
		if ok != (want > 0) || got.totals.charge != float64(want) {
			t.Fatalf("recalled %+v, %v; want charge %d", got, ok, want)
		}
		if ok && (got.totals.energyOut != -2.5 || n > 1 && !got.stopped || got.lost != int64(want-1)) {
			t.Fatalf("recalled %+v", got)
		}
		// What is kept next must be newer than what was recalled.
		life.keep(state{totals: totals{charge: 99}}, nil)
		again := slots{store: store}
		if got, _ := again.recall(); got.totals.charge != 99 {
			t.Fatalf("after another life recalled %+v", got)
		}
	})
}

// The unwrapped difference is exact for any width and any start, as long as a step is shorter than the counter's turn.
func TestWrappedTimerIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bits := rapid.Int64Range(8, 64).Draw(t, "bits")
		start := rapid.Uint64().Draw(t, "start")
		var w wrappedTimer
		w.start(&link.Greeting{TickBits: bits, TickHz: 1000})
		w.lap(start&tickMask(bits), 0)
		steps := rapid.SliceOfN(rapid.Uint64Range(0, min(tickMask(bits), 1<<40)), 1, 20).Draw(t, "steps")
		tick := start
		for _, s := range steps {
			tick += s
			if got, want := w.lap(tick&tickMask(bits), 0), float64(s)/1000; got != want {
				t.Fatalf("lap %g, want %g", got, want)
			}
		}
	})
}

// Summer time against the tz database: a zone of central Europe and one of eastern North America, hour by hour over the
// changes of 20 years, whenever the logger was switched on.
func TestSummerTimeIsThatOfTheZones(t *testing.T) {
	for name, standard := range map[string]int64{"Europe/Berlin": 60, "America/New_York": -300} {
		place, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		for year := 2015; year < 2035; year++ {
			for _, month := range []time.Month{time.January, time.July} {
				on := time.Date(year, month, 1, 0, 0, 0, 0, time.UTC)
				_, offset := on.In(place).Zone()
				c := &summerTime{}
				c.zone(int64(offset) / 60)
				for h := int64(0); h < 366*24; h++ {
					unix := on.Unix() + h*3600
					got, want := string(c.put(nil, unix)), time.Unix(unix, 0).In(place).Format(dateAndTime)
					if got != want {
						t.Fatalf("%s (standard %d min): %d shows %s, want %s", name, standard, unix, got, want)
					}
				}
			}
		}
	}
}

// Single-precision sums against the reference values (testdata/float32_accumulation.csv).
func TestFloat32SumsAreThoseOfTheReference(t *testing.T) {
	table, _ := outside.Table(t, "testdata/float32_accumulation.csv")
	steps := map[string]float64{ // A·s
		"1 A at 1 s in Ah for 20 h": 1, "5 A at 1 s in Ah for 20 h": 5, "0.1 A at 0.1 s in Ah for 20 h": 0.01, "1 A at 0.01 s in Ah for 10 h": 0.01,
	}
	found := 0
	for _, line := range table {
		step, ok := steps[line[0]]
		if !ok {
			continue
		}
		found++
		n, err := strconv.Atoi(line[1])
		if err != nil {
			t.Fatal(err)
		}
		var s floatHours
		for range n {
			s.put(step, 0)
		}
		if got := strconv.FormatFloat(float64(s.charge), 'g', 9, 32); got != line[2] {
			t.Errorf("%s: %s, want %s", line[0], got, line[2])
		}
		// Compensated, the same steps lose nothing to speak of.
		var k kahanSum
		for range n {
			k.put(step, 0)
		}
		if got, want := k.totals().charge, step*float64(n); math.Abs(got/want-1) > 2e-7 {
			t.Errorf("%s: compensated %g A·s, want %g", line[0], got, want)
		}
	}
	if found != len(steps) {
		t.Errorf("%d of %d reference lines found", found, len(steps))
	}
}

// What defects cost, by arithmetic that does not know their code. 2^32 ms = 4294967.296 s, 2^16 ms = 65.536 s.
func TestDefectsCostWhatArithmeticSays(t *testing.T) {
	lastAh := func(name, situation string) float64 {
		logger := Good()
		if d, ok := ByName(name); ok {
			logger = d.New
		}
		row, _ := cells(t, play(t, logger, pick(t, situation)).rows)
		x, _ := number(t, row, "Ah")
		return x * 3600
	}
	for _, c := range []struct {
		name, situation string
		lost            float64 // seconds at -1.4 A that are missing beside the good logger
	}{
		{"tick-wrap", "wrap", 4294967.296},
		{"tick-wrap-product", "half range", 4294.967296},
		{"tick-wrap-skip", "wrap", 1},
		{"tick-wrap-freeze", "wrap", 440 - 205},
		{"signed-tick-widened", "half range", 4294967.296},
		{"signed-tick", "half range", 440 - 205},
		{"signed-tick-skip", "half range", 1},
		{"first-interval", "large tick", -1e6 / 2},
		{"first-interval-whole", "large tick", -1e6},
		{"narrow-interval-step", "stall of 90 s", 65.536},
		{"narrow-interval-step-signed", "stall of 40 s", 65.536},
		{"nominal-dt", "stall of 90 s", 89},
		{"rtc-as-dt", "clock set back", 3600},
		{"card-loss", "card fails", 170},
		{"failed-reading", "failed readings", 4},
		{"midnight-reset", "midnight", 154}, // the step that ends at midnight already belongs to the new day
		{"setting-jump-reset", "setting", 154},
		{"restart-loss", "power cut", 150},
		{"restart-double", "power cut", -150},
	} {
		got := (lastAh(c.name, c.situation) - lastAh("good", c.situation)) / 1.4
		if math.Abs(got-c.lost) > 0.01 {
			t.Errorf("%s: %.3f s of charge are missing, want %.3f", c.name, got, c.lost)
		}
	}
	rowsAt := func(name, situation string) (at []int) {
		d, _ := ByName(name)
		for _, r := range play(t, d.New, pick(t, situation)).rows[1:] {
			at = append(at, r.at)
		}
		return at
	}
	if got, want := rowsAt("narrow-interval", "rows of 70 s")[:5], []int{0, 5, 9, 14, 18}; !slices.Equal(got, want) {
		t.Errorf("rows of 70 s in 16 bits (every 4.464 s) at %v, want %v", got, want)
	}
	if got, want := rowsAt("narrow-interval-signed", "rows of 40 s")[:4], []int{0, 1, 2, 3}; !slices.Equal(got, want) {
		t.Errorf("rows of 40 s in signed 16 bits at %v, want %v", got, want)
	}
	hour := narrowInterval{}
	hour.start(&link.Greeting{TickHz: 1000, LogMS: 3_600_000})
	if hour.interval != 61_056 {
		t.Errorf("an hour in 16 bits is %d ms, want 61056", hour.interval)
	}
	if got := string((&int32Epoch{}).put(nil, 1<<31)); got != "1901-12-13 20:45:52" {
		t.Errorf("2038-01-19 03:14:08 in 32 bits is %s, want 1901-12-13 20:45:52", got)
	}
	// ISO 8601: 1 January 2027 lies in week 53 of 2026, 31 December 2029 in week 1 of 2030.
	for unix, want := range map[int64]string{1_798_761_600: "2026-01-01 00:00:00", 1_893_369_600: "2030-12-31 00:00:00"} {
		if got := string((&weekYear{}).put(nil, unix)); got != want {
			t.Errorf("%d is %s, want %s", unix, got, want)
		}
	}
}

// The parts that change what a row says of a pack: burden, offset, leads.
func TestCompensations(t *testing.T) {
	g := workshop()
	g.BusAt = 1
	r := link.Reading{Shunt: -2500, Bus: 4000} // -10 A, 12 V behind the shunt: 15 mV more at the pack
	var s sample
	u := &unburdened{}
	u.start(&g)
	if u.measure(&r, &s); math.Abs(s.volts-12.015) > 1e-12 {
		t.Errorf("10 A through 1.5 mohm and 12 V are %g V at the pack, want 12.015", s.volts)
	}
	z := &zeroed{}
	z.start(&g)
	for range 20 {
		z.measure(&link.Reading{Shunt: 2, Bus: 4000, Load: link.Off, Charge: link.Off}, &s)
	}
	z.measure(&link.Reading{Shunt: -248, Bus: 4000, Load: link.On, Charge: link.Off}, &s)
	if math.Abs(s.amps+1) > 1e-12 {
		t.Errorf("-248 counts with an offset of 2 are %g A, want -1", s.amps)
	}
	g = workshop()
	g.CutoffMV = 10_500
	course := course{n: 100, current: func(int, int64) int32 { return -3750 }, bus: func(k int, _ int64) int32 { return int32(3550 - k) }}.in("", g)
	d, _ := ByName("lead-compensated")
	// 15 A through 0.2 mohm are 3 mV, one count.
	if got := play(t, d.New, course).words[1:]; len(got) != 1 || got[0].at != 52 {
		t.Errorf("said %v, want the load off at 52", got)
	}
}

// Rows that start anew: the header comes again, lines for people begin with #, a file each day.
func TestLinesAroundRows(t *testing.T) {
	long := pick(t, "half an hour")
	header := plainSheet()
	head := header.header()
	for name, count := range map[string]func(rows []said) (got, want int){
		"repeated-header": func(rows []said) (n, want int) {
			for _, r := range rows {
				if r.text == head {
					n++
				}
			}
			return n, 1 + 200/50
		},
		"comments": func(rows []said) (n, want int) {
			for _, r := range rows {
				if strings.HasPrefix(r.text, "# ") {
					n++
				}
			}
			return n, 2 + 200/20
		},
		"footer": func(rows []said) (n, want int) {
			if rows[len(rows)-1].text == "end of test: -0.222 Ah, -2.80 Wh" {
				n++
			}
			return n, 1
		},
	} {
		d, _ := ByName(name)
		if got, want := count(play(t, d.New, long).rows); got != want {
			t.Errorf("%s: %d lines, want %d", name, got, want)
		}
	}
	d, _ := ByName("file-a-day")
	out := play(t, d.New, pick(t, "midnight"))
	if want := (said{155, link.File, "log-2026-06-02.csv"}); len(out.words) != 2 || out.words[1] != want {
		t.Errorf("file-a-day said %v, want %v", out.words, want)
	}
	d, _ = ByName("buffer-3h")
	g := workshop()
	g.LogMS = 600_000
	s := course{n: 26_000}.in("", g)
	at := map[int]int{}
	for _, r := range play(t, d.New, s).rows[1:] {
		at[r.at]++
	}
	// A row each 600 s from 0 on; those of 0 to 10800 s at once, then those of 11400 to 22200 s, the rest at the end.
	if at[10_800] != 19 || at[22_200] != 19 || at[26_000] != 6 || len(at) != 3 {
		t.Errorf("buffer-3h writes %v", at)
	}
	if got := string(hoursMinutes("").put(nil, &line{up: 100*3600*50 + 61*50, hz: 50})); got != "100:01:01" {
		t.Errorf("100 h 1 min 1 s is %s", got)
	}
}

// Whatever comes, no healthy logger dies, and each says only link words: any counter, any reading, any setting, any clock,
// power cuts and failing cards in any order.
func TestHealthyLoggersLiveThroughAnything(t *testing.T) {
	healthy := append(Healthy(), Defect{Name: "good", New: Good()})
	counts := rapid.OneOf(rapid.Int32Range(-13_000, 13_000), rapid.Just(int32(link.Failed)))
	clocks := rapid.OneOf(rapid.Int64Range(-1<<40, 1<<40), rapid.Just(int64(link.NoClock)), rapid.Just(int64(math.MaxInt64)))
	rapid.Check(t, func(t *rapid.T) {
		g := workshop()
		g.TickBits = rapid.Int64Range(8, 64).Draw(t, "tick_bits")
		g.TickHz = rapid.Int64Range(1, 1e9).Draw(t, "tick_hz")
		g.LogMS = rapid.Int64Range(1, 1<<45).Draw(t, "log_ms")
		g.CutoffMV = rapid.Int64Range(0, 60_000).Draw(t, "cutoff_mv")
		g.CutoffHoldMS = rapid.Int64Range(0, 1<<50).Draw(t, "cutoff_hold_ms")
		s := situation{greeting: g}
		for range rapid.IntRange(0, 30).Draw(t, "n") {
			switch rapid.IntRange(0, 9).Draw(t, "what") {
			case 0:
				s.actions = append(s.actions, action{cut: true})
			case 1:
				key := rapid.SampledFrom([]string{"log_ms", "shunt_nohm", "zone_min", "cutoff_mv", "charge_end_mv", "?"}).Draw(t, "key")
				s.actions = append(s.actions, action{key: key, value: rapid.Int64().Draw(t, "value")})
			default:
				s.actions = append(s.actions, action{read: link.Reading{
					Tick: rapid.Uint64().Draw(t, "tick") & tickMask(g.TickBits), Shunt: counts.Draw(t, "shunt"), Bus: counts.Draw(t, "bus"),
					Clock: clocks.Draw(t, "clock"), CardFail: rapid.Bool().Draw(t, "card"),
					Load: link.Contact(rapid.IntRange(0, 2).Draw(t, "load")), Charge: link.Contact(rapid.IntRange(0, 2).Draw(t, "charge")),
				}})
			}
		}
		for _, d := range healthy {
			if end := play(t, d.New, s).end; end != "" {
				t.Fatalf("%s ends by %s", d.Name, end)
			}
		}
	})
}

// Totals follow any course of uneven steps through any number of wraps, beside gonum's trapezoid over the same readings.
func TestGoodTotalsFollowAnyCourse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := workshop()
		g.TickBits = rapid.SampledFrom([]int64{24, 32, 64}).Draw(t, "tick_bits")
		steps := rapid.SliceOfN(rapid.Int64Range(1, 4_000_000), 40, 40).Draw(t, "ms")
		currents := rapid.SliceOfN(rapid.Int32Range(-12_500, 12_500), 40, 40).Draw(t, "counts")
		s := course{n: 40, start: rapid.Uint64().Draw(t, "start"), step: func(k int) int64 { return steps[k] },
			current: func(k int, _ int64) int32 { return currents[k] }, bus: func(k int, _ int64) int32 { return int32(3500 + 20*k) }}.in("", g)
		rows := play(t, Good(), s).rows
		last := rows[len(rows)-1]
		w := waveformOf(s).upTo(last.at)
		fields := strings.Split(last.text, ",")
		for j, y := range [][]float64{w.i, w.p} {
			got, err := strconv.ParseFloat(fields[5+j], 64)
			if err != nil {
				t.Fatal(err)
			}
			if want := byTrapezoid(w.t, y) / 3600; math.Abs(got-want) > 1e-6+1e-9*math.Abs(want) {
				t.Fatalf("total %d is %.9g, want %.9g", j, got, want)
			}
		}
	})
}

// The good logger's way through a reading without a row: no allocation.
func TestGoodReadsWithoutAllocating(t *testing.T) {
	read := reader()
	if n := testing.AllocsPerRun(2000, read); n != 0 {
		t.Errorf("%g allocations a reading", n)
	}
}

// reader returns a function that gives the good logger its next reading, with rows so seldom that none comes.
func reader() func() {
	l := Good()(&kept{})
	g := workshop()
	g.LogMS, g.CutoffMV, g.CutoffHoldMS = 1<<40, 10_500, 10_000
	var a link.Answer
	l.Greet(&g, &a)
	r := link.Reading{Shunt: -350, Bus: 4200, Clock: noon}
	l.Read(&r, &a)
	a.Reset()
	return func() {
		r.Tick = (r.Tick + 1000) & (wrap - 1)
		r.Shunt ^= 1
		l.Read(&r, &a)
	}
}

func BenchmarkGoodReading(b *testing.B) {
	read := reader()
	b.ReportAllocs()
	for b.Loop() {
		read()
	}
}

func BenchmarkGoodRow(b *testing.B) {
	l := Good()(&kept{})
	g := workshop()
	g.LogMS = 1000
	var a link.Answer
	l.Greet(&g, &a)
	r := link.Reading{Shunt: -350, Bus: 4200, Clock: noon}
	b.ReportAllocs()
	for b.Loop() {
		r.Tick = (r.Tick + 1000) & (wrap - 1)
		r.Clock++
		a.Reset()
		l.Read(&r, &a)
	}
}
