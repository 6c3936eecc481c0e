package campaign

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"stuntcell/validate/verdict"
)

// Identity is what verdicts must share to belong to one run of one suite. The processor is not in it: verdicts are equal on all.
type Identity struct {
	Tool       string // version of stuntcell
	Suite      string // hash of the suite's scenarios, packs and rigs
	Of         int    // scenarios in the suite
	Logger     string
	LoggerHash string
	Seed       uint64 // that replaced the scenarios' own; 0: none did
}

// IdentityOf returns the identity that a verdict carries. One without a suite has none of its own.
func IdentityOf(v *verdict.Verdict) Identity {
	id := Identity{Tool: v.Tool, Logger: v.Logger, LoggerHash: v.Hash.Logger}
	if v.Suite != nil {
		id.Suite, id.Of, id.Seed = v.Suite.Hash, v.Suite.Of, v.Suite.Seed
	}
	return id
}

// Differs says in what two identities differ, or returns "".
func (id Identity) Differs(other Identity) string {
	var what []string
	tell := func(name string, a, b any) {
		if a != b {
			what = append(what, fmt.Sprintf("%s (%v and %v)", name, a, b))
		}
	}
	tell("version of stuntcell", id.Tool, other.Tool)
	tell("number of scenarios", id.Of, other.Of)
	tell("scenarios, packs or rigs", short(id.Suite), short(other.Suite))
	tell("logger", id.Logger, other.Logger)
	tell("logger's files", short(id.LoggerHash), short(other.LoggerHash))
	tell("seed", id.Seed, other.Seed)
	return strings.Join(what, ", ")
}

func short(hash string) string {
	if len(hash) > 12 {
		return hash[:12]
	}
	return hash
}

// Shard is one of N parts of a suite that take about equally long.
type Shard struct{ I, N int } // I counts from 1; the zero Shard is the whole

// ParseShard reads I/N.
func ParseShard(s string) (Shard, error) {
	left, right, _ := strings.Cut(s, "/")
	i, errI := strconv.Atoi(left)
	n, errN := strconv.Atoi(right)
	if errI != nil || errN != nil || i < 1 || i > n {
		return Shard{}, fmt.Errorf("shard %q: expected I/N with 1 <= I <= N, as in 2/5", s)
	}
	return Shard{i, n}, nil
}

// Of says which scenarios of a suite belong to the shard, in the suite's order, from what each is expected to cost (0 or more, in any unit):
// the dearest goes first, each to the shard that has least so far. The same costs give the same parts on every machine.
func (s Shard) Of(costs []int64) []int {
	mine := make([]int, 0, len(costs))
	if s.N == 0 {
		for i := range costs {
			mine = append(mine, i)
		}
		return mine
	}
	order := make([]int, len(costs))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(costs[b], costs[a]) })
	// More shards than scenarios are left empty.
	has := make([]int64, min(s.N, len(costs)))
	for _, i := range order {
		least := 0
		for k := range has {
			if has[k] < has[least] {
				least = k
			}
		}
		has[least] += max(costs[i], 1)
		if least == s.I-1 {
			mine = append(mine, i)
		}
	}
	slices.Sort(mine)
	return mine
}
