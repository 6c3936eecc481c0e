package campaign_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/validate/campaign"
	"stuntcell/validate/verdict"
)

func made(i, of int) *verdict.Verdict {
	pass := i%3 != 0
	value := float64(i) / 7
	return &verdict.Verdict{
		Schema: verdict.Schema, Tool: "0.1.0", GoArch: "amd64", Scenario: fmt.Sprintf("scenario-%d", i), Seed: 3,
		Hash: verdict.Hash{Scenario: "s", Pack: "p", Rig: "r", Logger: "cafe"}, Logger: "./logger",
		Suite: &verdict.Suite{Hash: "feed", Index: i, Of: of, Seed: 3}, Pass: &pass,
		Checks: []verdict.Check{{Name: "charge", Value: &value, Unit: "1", Pass: &pass}},
	}
}

func lines(t testing.TB, vs ...*verdict.Verdict) []byte {
	t.Helper()
	var b bytes.Buffer
	for _, v := range vs {
		if err := json.NewEncoder(&b).Encode(v); err != nil {
			t.Fatal(err)
		}
	}
	return b.Bytes()
}

func TestJournalGoesOnFromAnyByte(t *testing.T) {
	const n = 4
	var vs []*verdict.Verdict
	for i := range n {
		vs = append(vs, made(i, n))
	}
	all := lines(t, vs...)
	path := filepath.Join(t.TempDir(), "journal")
	for cut := range len(all) + 1 {
		if err := os.WriteFile(path, all[:cut], 0o666); err != nil {
			t.Fatal(err)
		}
		j, err := campaign.OpenJournal(path, campaign.IdentityOf(vs[0]))
		if err != nil {
			t.Fatalf("cut at byte %d: %v", cut, err)
		}
		for i, v := range vs {
			kept, ok := j.Finished(i)
			if want := bytes.Count(all[:cut], []byte("\n")) > i; ok != want {
				t.Fatalf("cut at byte %d: scenario %d kept: %v, want %v", cut, i, ok, want)
			}
			if ok && !bytes.Equal(lines(t, kept), lines(t, v)) {
				t.Fatalf("cut at byte %d: scenario %d came back changed", cut, i)
			}
			if !ok {
				if err := j.Add(v); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		if got, _ := os.ReadFile(path); !bytes.Equal(got, all) {
			t.Fatalf("cut at byte %d: the journal went on to\n%s\nwant\n%s", cut, got, all)
		}
	}
}

func TestJournalOfAnotherRunIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal")
	for name, c := range map[string]struct {
		change func(*verdict.Verdict)
		says   string
	}{
		"seed":    {func(v *verdict.Verdict) { v.Suite.Seed = 4 }, "seed (3 and 4)"},
		"tool":    {func(v *verdict.Verdict) { v.Tool = "0.2.0" }, "version of stuntcell (0.1.0 and 0.2.0)"},
		"suite":   {func(v *verdict.Verdict) { v.Suite.Hash = "beef" }, "scenarios, packs or rigs (feed and beef)"},
		"logger":  {func(v *verdict.Verdict) { v.Logger = "./other" }, "logger (./logger and ./other)"},
		"build":   {func(v *verdict.Verdict) { v.Hash.Logger = "f00d" }, "logger's files (cafe and f00d)"},
		"without": {func(v *verdict.Verdict) { v.Suite = nil }, "number of scenarios (2 and 0)"},
	} {
		t.Run(name, func(t *testing.T) {
			v := made(1, 2)
			c.change(v)
			content := lines(t, made(0, 2), v)
			if err := os.WriteFile(path, content, 0o666); err != nil {
				t.Fatal(err)
			}
			_, err := campaign.OpenJournal(path, campaign.IdentityOf(made(0, 2)))
			if err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), path+":2") {
				t.Fatalf("error is %v, want %q and the place", err, c.says)
			}
			if got, _ := os.ReadFile(path); !bytes.Equal(got, content) {
				t.Error("a journal that was refused has been changed")
			}
		})
	}
}

func TestShardsPartTheSuiteAndJoinAgain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		of := rapid.IntRange(1, 40).Draw(t, "of")
		n := rapid.IntRange(1, 50).Draw(t, "n")
		costs := rapid.SliceOfN(rapid.Int64Range(0, 1000), of, of).Draw(t, "costs")
		owners := make([]int, of)
		least, most := int64(math.MaxInt64), int64(0)
		for s := 1; s <= n; s++ {
			var cost int64
			for _, i := range (campaign.Shard{I: s, N: n}).Of(costs) {
				owners[i]++
				cost += max(costs[i], 1)
			}
			least, most = min(least, cost), max(most, cost)
		}
		// None has more than another by more than one scenario, or it would not have been given the last.
		if most-least > max(slices.Max(costs), 1) {
			t.Fatalf("shards of %d to %d", least, most)
		}
		var placed []campaign.Placed
		for i := range of {
			if owners[i] != 1 {
				t.Fatalf("scenario %d of %d belongs to %d shards", i, n, owners[i])
			}
			placed = append(placed, campaign.Placed{Verdict: made(i, of), File: "f", Line: i + 1})
		}
		placed = append(placed, placed[rapid.IntRange(0, of-1).Draw(t, "twice")])
		placed = rapid.Permutation(placed).Draw(t, "order")
		joined, err := campaign.Join(placed)
		if err != nil {
			t.Fatal(err)
		}
		if len(joined) != 1 || len(joined[0].Verdicts) != of || len(joined[0].Missing) != 0 {
			t.Fatalf("joined to %d runs", len(joined))
		}
		for i, v := range joined[0].Verdicts {
			if v.Suite.Index != i {
				t.Fatalf("place %d has scenario %d", i, v.Suite.Index)
			}
		}
	})
}

func TestJoinNamesWhatDoesNotFit(t *testing.T) {
	place := func(line int, v *verdict.Verdict) campaign.Placed {
		return campaign.Placed{Verdict: v, File: "s.ndjson", Line: line}
	}
	changed := func(v *verdict.Verdict, change func(*verdict.Verdict)) *verdict.Verdict {
		change(v)
		return v
	}
	for name, c := range map[string]struct {
		in   []campaign.Placed
		says string
	}{
		"nothing":         {nil, "no verdict"},
		"no suite":        {[]campaign.Placed{place(1, changed(made(0, 2), func(v *verdict.Verdict) { v.Suite = nil }))}, "s.ndjson:1: the verdict does not say"},
		"another suite":   {[]campaign.Placed{place(1, made(0, 2)), place(2, made(1, 3))}, "s.ndjson:2: cannot be joined with s.ndjson:1; different: number of scenarios (2 and 3)"},
		"another version": {[]campaign.Placed{place(1, made(0, 2)), place(2, changed(made(1, 2), func(v *verdict.Verdict) { v.Tool = "9" }))}, "version of stuntcell (0.1.0 and 9)"},
		"two verdicts":    {[]campaign.Placed{place(1, made(0, 2)), place(2, changed(made(0, 2), func(v *verdict.Verdict) { v.Pass = nil }))}, "s.ndjson:2: s.ndjson:1 has another verdict of scenario-0"},
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := campaign.Join(c.in); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("error is %v, want %q", err, c.says)
			}
		})
	}
}

func TestJoinKeepsLoggersAndSeedsApartAndTellsWhatIsMissing(t *testing.T) {
	other := made(1, 4)
	other.Suite.Seed = 8
	arm := made(0, 4)
	arm.GoArch = "arm"
	joined, err := campaign.Join([]campaign.Placed{{Verdict: made(0, 4)}, {Verdict: other}, {Verdict: made(3, 4)}, {Verdict: arm}})
	if err != nil {
		t.Fatal(err)
	}
	if len(joined) != 2 || joined[0].Seed != 3 || joined[1].Seed != 8 {
		t.Fatalf("joined %+v", joined)
	}
	if !slices.Equal(joined[0].Missing, []int{1, 2}) {
		t.Errorf("missing %v", joined[0].Missing)
	}
}

func TestReadNamesThePlace(t *testing.T) {
	good := string(lines(t, made(0, 2)))
	for name, c := range map[string]struct{ in, says string }{
		"no JSON":       {good + "oops\n", "f:2:1: no JSON; expected a verdict"},
		"wrong kind":    {`{"schema":"stuntcell.verdict/1","seed":"one"}` + "\n", "seed is a string"},
		"other schema":  {`{"schema":"stuntcell.verdict/9"}` + "\n", `f:1:1: schema "stuntcell.verdict/9"; expected "stuntcell.verdict/1"`},
		"no scenario":   {`{"schema":"stuntcell.verdict/1"}` + "\n", "f:1:1: a verdict without a scenario"},
		"beyond suite":  {`{"schema":"stuntcell.verdict/1","scenario":"x","suite":{"index":7,"of":7}}` + "\n", "suite index 7 of 7"},
		"too many":      {`{"schema":"stuntcell.verdict/1","scenario":"x","suite":{"index":7,"of":7000000000}}` + "\n", "of at most"},
		"endless line":  {strings.Repeat("x", 9<<20), "more than 8 MiB"},
		"second broken": {good + good[:20] + "\n" + good, "f:2:"},
	} {
		t.Run(name, func(t *testing.T) {
			if _, _, err := campaign.Read("f", strings.NewReader(c.in)); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("error is %v, want %q", err, c.says)
			}
		})
	}
}

func TestParseShard(t *testing.T) {
	for in, want := range map[string]campaign.Shard{"1/1": {I: 1, N: 1}, "3/7": {I: 3, N: 7}} {
		if got, err := campaign.ParseShard(in); err != nil || got != want {
			t.Errorf("%q is %v, %v", in, got, err)
		}
	}
	for _, in := range []string{"", "1", "0/2", "3/2", "-1/2", "1/2/3", "a/b", "1 / 2", "1/0"} {
		if _, err := campaign.ParseShard(in); err == nil {
			t.Errorf("%q is accepted", in)
		}
	}
}

// What is read and written again reads the same, and nothing that is fed to Read and Join makes them panic.
func FuzzRead(f *testing.F) {
	f.Add(lines(f, made(0, 2), made(1, 2)))
	f.Add([]byte("{}\n"))
	f.Add([]byte(`{"schema":"stuntcell.verdict/1","scenario":"x"}` + "\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		vs, whole, err := campaign.Read("f", bytes.NewReader(b))
		if err != nil {
			return
		}
		if whole > int64(len(b)) {
			t.Fatalf("%d whole bytes of %d", whole, len(b))
		}
		var again []*verdict.Verdict
		for _, v := range vs {
			again = append(again, v.Verdict)
		}
		ws, _, err := campaign.Read("f", bytes.NewReader(lines(t, again...)))
		if err != nil || len(ws) != len(vs) {
			t.Fatalf("what was read cannot be read again: %v", err)
		}
		if len(vs) > 0 && vs[0].Suite != nil && vs[0].Suite.Of > 1000 {
			return
		}
		campaign.Join(vs)
	})
}
