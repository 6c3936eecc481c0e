package validate_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate/verdict"
)

// babbler is a logger that writes what it likes.
type babbler struct {
	header string
	row    func(k int, r *link.Reading) []string
	k      int
}

func (b *babbler) Greet(_ *link.Greeting, a *link.Answer) {
	if b.header != "" {
		a.Row(b.header)
	}
}

func (b *babbler) Read(r *link.Reading, a *link.Answer) {
	for _, text := range b.row(b.k, r) {
		a.Row(text)
	}
	b.k++
}

func (b *babbler) Set(string, int64, *link.Answer) {}
func (b *babbler) End(*link.Answer)                {}

// Whatever a logger writes, there is a verdict, it is a failure with a name, and it can be written as JSON.
func TestNonsenseIsJudged(t *testing.T) {
	const header = "time,tick,V,A,Ah,Wh"
	always := func(text string) func(int, *link.Reading) []string {
		return func(int, *link.Reading) []string { return []string{text} }
	}
	every10 := func(f func(k int, r *link.Reading) string) func(int, *link.Reading) []string {
		return func(k int, r *link.Reading) []string {
			if k%10 != 0 {
				return nil
			}
			return []string{f(k, r)}
		}
	}
	cell := func(text string) func(int, *link.Reading) []string {
		return every10(func(k int, r *link.Reading) string {
			return fmt.Sprintf("%d,%d,%s,%s,%s,%s", r.Clock, r.Tick, text, text, text, text)
		})
	}
	for name, b := range map[string]babbler{
		"nothing":             {row: func(int, *link.Reading) []string { return nil }},
		"a header alone":      {header: header, row: func(int, *link.Reading) []string { return nil }},
		"headers":             {header: header, row: always(header)},
		"one row":             {header: header, row: func(k int, r *link.Reading) []string { return []string{"0,0,0,0,0,0"}[:max(0, 1-k)] }},
		"empty rows":          {header: header, row: always("")},
		"separators":          {header: header, row: always(",,,,,")},
		"words":               {header: header, row: always("lorem ipsum dolor sit amet")},
		"NaN":                 {header: header, row: cell("NaN")},
		"infinity":            {header: header, row: cell("inf")},
		"largest numbers":     {header: header, row: cell("1e308")},
		"beyond all numbers":  {header: header, row: cell("-1e999")},
		"smallest numbers":    {header: header, row: cell("5e-324")},
		"long digits":         {header: header, row: cell(strings.Repeat("9", 150))},
		"many decimals":       {header: header, row: cell("0." + strings.Repeat("1", 150))},
		"control characters":  {header: header, row: cell("\x00\x1b[31m")},
		"bytes of no charset": {header: header, row: cell("\xff\xfe")},
		"long rows":           {header: header, row: always(strings.Repeat("1,", 450))},
		"other widths":        {header: header, row: func(k int, r *link.Reading) []string { return []string{strings.Repeat("1,", k%40)} }},
		"ticks without end": {header: header, row: every10(func(k int, r *link.Reading) string {
			return fmt.Sprintf("%d,%d,12,0,0,0", r.Clock, uint64(math.MaxUint64)-uint64(k))
		})},
		"floating ticks": {header: header, row: every10(func(k int, r *link.Reading) string { return fmt.Sprintf("%d,%g,12,0,0,0", r.Clock, 1e300) })},
		"dates without end": {header: header, row: every10(func(k int, r *link.Reading) string {
			return fmt.Sprintf("%d,%d,12,0,0,0", int64(math.MaxInt64)-int64(k), r.Tick)
		})},
		"dates before all": {header: header, row: every10(func(k int, r *link.Reading) string {
			return fmt.Sprintf("%d,%d,12,0,0,0", int64(math.MinInt64)+int64(k), r.Tick)
		})},
		"rows backwards": {header: header, row: every10(func(k int, r *link.Reading) string { return fmt.Sprintf("%d,%d,12,0,0,0", r.Clock-int64(2*k), 1e9-k) })},
		"totals that leap": {header: header, row: every10(func(k int, r *link.Reading) string {
			return fmt.Sprintf("%d,%d,12,0,%g,%g", r.Clock, r.Tick, math.Pow(-10, float64(k%300)), math.Pow(10, float64(k%290)))
		})},
		"one total":             {header: "Ah", row: every10(func(k int, r *link.Reading) string { return "17" })},
		"a title of commas":     {header: strings.Repeat(",", 300), row: cell("1")},
		"the same name for all": {header: "Ah,Ah,Ah,Ah,Ah,Ah", row: cell("1")},
	} {
		t.Run(name, func(t *testing.T) {
			for _, plan := range []string{
				"plan:\n  - {rest: 1 min}\n  - {discharge: 0.5 C, ends: {time: 8 min}}\n  - {rest: 1 min}\n",
				"plan:\n  - {discharge: 0.8 C, ends: {logger: end, floor: floor}}\n  - {rest: 1 min}\nstart: {charge: 30 %}\n",
				"plan:\n  - {discharge: 0.5 C, ends: {time: 10 min}}\nfaults:\n  - {at: 2 min, fault: failed-read, for: 30 s}\n  - {at: 4 min, fault: card-fail, for: 1 min}\n" +
					"  - {at: 6 min, fault: power-cut, for: 10 s}\n  - {at: 8 min, fault: clock-set, by: -50 min}\n  - {at: 9 min, fault: setting, set: {log: 4 s}}\n",
			} {
				sc, err := scenarios.Parse("any.yaml", []byte("scenario: any\nsummary: Anything.\n"+plan), scenarios.Env{})
				if err != nil {
					t.Fatal(err)
				}
				v, _ := judged(t, sc, func(link.Store) link.Logger { fresh := b; return &fresh })
				if v.Pass == nil || *v.Pass {
					t.Errorf("passes: %v", v.Checks)
				}
				if !slices.ContainsFunc(v.Findings, func(f verdict.Finding) bool { return f.Severity == "failure" }) {
					t.Errorf("fails without a name: %s", complaint(v))
				}
				if _, err := json.Marshal(v); err != nil {
					t.Error(err)
				}
			}
		})
	}
}
