package scenarios

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v3"

	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/scenarios/lesson"
)

// compiled returns a schema as a general-purpose validator understands it.
func compiled(t *testing.T, name string) *jsonschema.Schema {
	t.Helper()
	source, ok := Schema(name)
	if !ok {
		t.Fatalf("no schema %s", name)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(source))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource(name+".json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile(name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// asJSON decodes YAML as an editor's schema check sees it.
func asJSON(t *testing.T, data []byte) any {
	t.Helper()
	var v any
	if err := yaml.Unmarshal(data, &v); err != nil {
		t.Fatal(err)
	}
	return stringKeys(v)
}

// stringKeys makes the keys of mappings strings: YAML may have numbers there, JSON may not.
func stringKeys(v any) any {
	switch v := v.(type) {
	case map[any]any:
		out := make(map[string]any, len(v))
		for k, x := range v {
			out[fmt.Sprint(k)] = stringKeys(x)
		}
		return out
	case map[string]any:
		for k, x := range v {
			v[k] = stringKeys(x)
		}
	case []any:
		for i := range v {
			v[i] = stringKeys(v[i])
		}
	}
	return v
}

func TestSchemasCompile(t *testing.T) {
	for _, name := range SchemaNames() {
		compiled(t, name)
	}
	if _, ok := Schema("firmware"); ok {
		t.Error("a schema of a name that is none")
	}
}

func TestSchemaAcceptsEveryFileOnBoard(t *testing.T) {
	scenario, rigs, packs := compiled(t, "scenario"), compiled(t, "rig"), compiled(t, "pack")
	for _, name := range Names() {
		if err := scenario.Validate(asJSON(t, Source(name))); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	lessons := compiled(t, "lesson")
	for _, name := range lesson.Names() {
		if err := lessons.Validate(asJSON(t, lesson.Source(name))); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, name := range rig.Names() {
		if err := rigs.Validate(asJSON(t, rig.Source(name))); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, name := range model.PackNames() {
		data, ok := model.PackFile(name)
		if !ok {
			t.Fatalf("no file of %s", name)
		}
		if err := packs.Validate(asJSON(t, data)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A schema may say less than the parser, never more: what the parser accepts it accepts. What is wrong with the form alone it refuses too.
func TestSchemaAgainstVectors(t *testing.T) {
	schemas := map[string]*jsonschema.Schema{}
	for _, kind := range []string{"scenario", "project", "rig", "pack", "lesson"} {
		schemas[kind] = compiled(t, kind)
	}
	refusedByForm := map[string]bool{"scenario/unknown-key": true, "scenario/missing-keys": true, "scenario/missing-unit": true, "scenario/step-two-kinds": true, "scenario/varies-unknown": true,
		"scenario/expect-unknown-standard": true, "scenario/fault-unknown": true, "scenario/several-errors-at-once": true, "scenario/charge-to-end": true, "scenario/plan-no-list": true,
		"scenario/bare-volts-per-cell": true, "project/mistakes": true, "rig/missing-parts": true, "rig/wrong-units": true, "pack/chemistry-unknown": true,
		"pack/missing-rating": true, "project/suite-no-list": true,
		"lesson/unknown-key": true, "lesson/missing-keys": true, "lesson/unknown-take": true, "lesson/not-a-mapping": true, "lesson/bad-name": true}
	for _, file := range vectors(t) {
		a, err := txtar.ParseFile(file)
		if err != nil {
			t.Fatal(err)
		}
		kind := filepath.Base(filepath.Dir(file))
		name := kind + "/" + strings.TrimSuffix(filepath.Base(file), ".txtar")
		accepted := string(a.Files[1].Data) == "accepted\n"
		if !accepted && !refusedByForm[name] {
			continue
		}
		delete(refusedByForm, name)
		if err := schemas[kind].Validate(asJSON(t, a.Files[0].Data)); (err == nil) != accepted {
			t.Errorf("%s: the parser accepts: %t, the schema says: %v", name, accepted, err)
		}
	}
	for name := range refusedByForm {
		t.Errorf("no vector %s", name)
	}
}
