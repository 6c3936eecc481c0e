package emulator

import (
	"reflect"
	"slices"
	"testing"

	"stuntcell/emulator/link"
)

// TestEqualSeesEveryField: records are equal, and not any more once any one field of them or of their readings is changed.
func TestEqualSeesEveryField(t *testing.T) {
	fresh := func() *Record {
		return &Record{
			Mine: map[string]int64{"read_ms": 1}, Cannot: map[string]bool{"load": true}, Can: map[string]bool{"charge": true},
			Rows: []Row{{Text: "a"}}, Events: []Event{{T: 1}}, Steps: []StepRun{{Plan: 1}}, Outcome: Outcome{Failure: &link.Failure{Kind: link.Loop}},
			Readings: Readings{More: [][]Counts{{{1, 2}}}},
		}
	}
	if !fresh().Equal(fresh()) {
		t.Fatal("equal records are not")
	}
	change := func(v reflect.Value) {
		switch v.Kind() {
		case reflect.Slice:
			v.Set(reflect.Append(v, reflect.New(v.Type().Elem()).Elem()))
		case reflect.Map:
			v.SetMapIndex(reflect.ValueOf("other"), reflect.New(v.Type().Elem()).Elem())
		case reflect.Struct:
			f := v.Field(0)
			for _, name := range []string{"ReadMS", "Reading"} {
				if x := v.FieldByName(name); x.IsValid() {
					f = x
				}
			}
			f.SetInt(7)
		case reflect.String:
			v.SetString("other")
		case reflect.Bool:
			v.SetBool(!v.Bool())
		default:
			t.Fatalf("a field of kind %s: say how it is changed", v.Kind())
		}
	}
	for _, of := range []func(*Record) reflect.Value{
		func(r *Record) reflect.Value { return reflect.ValueOf(r).Elem() },
		func(r *Record) reflect.Value { return reflect.ValueOf(&r.Readings).Elem() },
	} {
		for i := range of(fresh()).NumField() {
			name := of(fresh()).Type().Field(i).Name
			if slices.Contains([]string{"Readings"}, name) {
				continue // field by field
			}
			changed := fresh()
			change(of(changed).Field(i))
			if fresh().Equal(changed) {
				t.Errorf("a change of %s is not seen", name)
			}
		}
	}
}
