package page_test

import (
	"testing"

	"stuntcell/cmd/stuntcell/page"
	"stuntcell/emulator/rig"
)

func TestBudgetAddsTheParts(t *testing.T) {
	s := newServer(t, page.Options{})
	want(t, get(s, "/budget"), 200, "shunt tolerance", "assumed", "stuntcell budget shop-50a --pack agm-12v-7ah")
	state := "?rig=shop-50a&part-shunt=0.1+%25&part-ohm=2+mohm&aim=1+%25"
	want(t, get(s, "/budget"+state), 200, "0.1 %", "Aim of 1 %", "stuntcell budget shop-50a.yaml")
	for query, said := range map[string]string{"part-shunt=1+V": "part-shunt-wrong", "part-shunt=90+%25": "out of range", "current=-1+A": "out of range", "pack=x": "no pack", "rig=x": "no rig",
		"current=900+A": "limit", "part-nope=1": "unknown part"} {
		want(t, get(s, "/budget?"+query), 400, said)
	}
	for file, text := range map[string]string{"bars.svg": "<svg", "budget.csv": "contribution,u,unit", "budget.txt": "Uncertainty budget", "budget.json": `"charge_Ah"`} {
		want(t, get(s, "/budget/"+file+state), 200, text)
	}
	// The rig file holds what was typed, and is a whole rig.
	file := get(s, "/budget/rig.yaml"+state).Body.Bytes()
	r, err := rig.Parse("mine.yaml", file, rig.Rig{})
	if err != nil {
		t.Fatalf("%v in\n%s", err, file)
	}
	if r.Shunt.Nominal != 0.002 || r.Tolerance.Shunt != 0.001 || r.Front.ShuntMax != 13653 {
		t.Errorf("%+v", r)
	}
	want(t, get(s, "/budget/nope"+state), 404)
}
