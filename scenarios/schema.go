package scenarios

import (
	_ "embed"
	"encoding/json"
	"regexp"
	"strings"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/emulator/wire"
	"stuntcell/model/chemistry"
	"stuntcell/model/quantity"
	"stuntcell/scenarios/lesson"
)

// The schemas are JSON Schema 2020-12, for editors that complete and check while one writes. They say less than the parser does: what
// hangs on the pack, or on two keys at once, only the parser knows.

//go:embed verdict.schema.json
var verdictSchema []byte

// SchemaNames lists the schemas that Schema knows.
func SchemaNames() []string {
	return []string{"scenario", "rig", "pack", "project", "lesson", "verdict"}
}

// Schema returns a schema by its name, indented, and whether there is one.
func Schema(name string) ([]byte, bool) {
	var root node
	switch name {
	case "scenario":
		root = scenarioSchema()
	case "rig":
		root = rigSchema()
		root["required"] = []string{"rig", "shunt", "front", "tick", "clock", "readings"}
	case "pack":
		root = packSchema()
	case "project":
		root = projectSchema()
	case "lesson":
		root = lessonSchema()
	case "verdict":
		return append([]byte(nil), verdictSchema...), true
	default:
		return nil, false
	}
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["title"] = "stuntcell " + name
	out, err := json.MarshalIndent(root, "", "  ")
	if err != nil {
		panic(err) // maps of strings and numbers: cannot fail
	}
	return append(out, '\n'), true
}

// node is a piece of a schema.
type node map[string]any

func described(text string, n node) node {
	n["description"] = text
	return n
}

func object(properties node, required ...string) node {
	n := node{"type": "object", "properties": properties, "additionalProperties": false}
	if len(required) > 0 {
		n["required"] = required
	}
	return n
}

func listOf(item node) node        { return node{"type": "array", "items": item} }
func word(words ...string) node    { return node{"enum": words} }
func anyOf(nodes ...node) node     { return node{"anyOf": nodes} }
func text() node                   { return node{"type": "string"} }
func boolean() node                { return node{"type": "boolean"} }
func integer(low, high int64) node { return node{"type": "integer", "minimum": low, "maximum": high} }

// of is a quantity of one of the kinds.
func of(kinds ...quantity.Kind) node {
	const number = `[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?`
	var patterns, examples []string
	for _, k := range kinds {
		var units []string
		for _, u := range k.Units() {
			units = append(units, regexp.QuoteMeta(u))
		}
		one := number + `[ \t]*(` + strings.Join(units, "|") + `)`
		if k == quantity.Time {
			one = one + `([ \t]*` + one + `)*`
		}
		patterns = append(patterns, one)
		examples = append(examples, k.Example())
	}
	return node{"type": "string", "pattern": "^(" + strings.Join(patterns, "|") + ")$", "examples": examples}
}

// wordOr is one of the words or a quantity.
func wordOr(words []string, kinds ...quantity.Kind) node { return anyOf(word(words...), of(kinds...)) }

func scenarioSchema() node {
	n := object(node{
		"scenario": described("its name", node{"type": "string", "pattern": "^[a-z]([a-z0-9-]{0,62}[a-z0-9])?$"}),
		"summary":  described("one line", node{"type": "string", "maxLength": 200, "pattern": `^[^\r\n]+$`}),
		"purpose":  described("why it exists and what a careless judge would get wrong", text()),
		"pack":     described("a pack on board, or a file that ends in .yaml; default: the project's, else "+DefaultPack, text()),
		"rig":      described("a rig on board, a file that ends in .yaml, or what differs from the default or from name", anyOf(text(), rigOverrides())),
		"start": object(node{
			"charge": of(quantity.Ratio), "ambient": of(quantity.Temperature), "cells": of(quantity.Temperature), "isothermal": boolean(),
			"odd": listOf(object(node{
				"string": integer(0, 100), "cell": integer(0, 400), "capacity": of(quantity.Ratio), "resistance": of(quantity.Ratio),
				"charge": of(quantity.Ratio), "short": of(quantity.Resistance),
			}, "cell")),
		}),
		"store": object(node{
			"capacity": of(quantity.Energy, quantity.Ratio), "level": of(quantity.Energy, quantity.Ratio), "in": of(quantity.Ratio),
			"out": of(quantity.Ratio), "own": of(quantity.Power), "grain": of(quantity.Rate, quantity.Current),
		}, "capacity"),
		"plan": described("the steps, in order", listOf(node{"$ref": "#/$defs/step"})),
		"settings": object(node{
			"log":         described("time between rows", of(quantity.Time)),
			"cutoff_hold": described("how long the voltage must be below before the load is opened", of(quantity.Time)),
			"zone":        described("minutes east of UTC, or a name with its summer time", text()),
		}),
		"faults": listOf(faultSchema()),
		"wire":   described("what the line does to the bytes of an emulated device, or a trace of what a line did", wireSchema()),
		"seed":   described("of noise and jitter", integer(0, 1<<62)),
		"varies": described("greeting keys that the scenario exists to vary", wordsOf(link.Keys())),
		"shows":  described("causes that it exists to show", wordsOf(Causes())),
		"expect": expectSchema(),
	}, "scenario", "summary", "plan")
	n["$defs"] = node{"step": stepSchema()}
	return n
}

// lessonSchema is a lesson file; its keys are those of package lesson. Runs are what a scenario file says of its own.
func lessonSchema() node {
	scenario := scenarioSchema()
	run := node{"scenario": described("a scenario on board, whole", word(Names()...))}
	for key, n := range scenario["properties"].(node) {
		switch key {
		case "pack", "start", "store", "plan", "rig", "settings", "faults", "seed":
			run[key] = n
		}
	}
	run["logger"] = word(lesson.Loggers()...)
	run["rigs"] = described("so many rigs drawn from the rig's tolerances", integer(2, lesson.MostRigs))
	named := func(item node) node {
		return node{"type": "object", "additionalProperties": item, "propertyNames": node{"pattern": "^[a-z]([a-z0-9-]{0,62}[a-z0-9])?$"}}
	}
	quantities := of(lesson.Kinds()...)
	pair := node{"type": "array", "items": text(), "minItems": 2, "maxItems": 2}
	times := of(quantity.Time)
	figure := object(node{
		"say": described("a figure without it only serves others", text()), "unit": text(), "digits": integer(0, 9),
		"take": word(lesson.Takes()...), "run": text(), "meter": text(), "step": integer(1, maxSteps), "at": times, "value": quantities,
		"plus": pair, "minus": pair, "times": pair, "over": pair, "size": text(), "root": text(), "spread": text(), "share": of(quantity.Ratio),
	}, "unit", "digits")
	number := anyOf(quantities, node{"type": "number"})
	check := listOf(object(node{"figure": text(), "is": number, "within": number, "source": text()}, "figure", "is", "within", "source"))
	curve := object(node{
		"say": text(), "of": word(lesson.Curves()...), "run": text(), "meter": text(), "figure": text(), "dots": boolean(),
	}, "say")
	panel := object(node{
		"y": described("label and unit", pair), "curves": listOf(curve),
		"levels": listOf(object(node{"at": quantities, "say": text()}, "at", "say")),
	}, "y", "curves")
	runs := named(object(run))
	n := object(node{
		"lesson":   described("its name", node{"type": "string", "pattern": "^[a-z]([a-z0-9-]{0,62}[a-z0-9])?$"}),
		"title":    text(),
		"question": described("the situation, in paragraphs", text()),
		"predict": object(node{
			"figure": text(), "ask": text(), "within": number,
			"choices": listOf(object(node{"say": text(), "up_to": number}, "say")),
		}, "figure", "ask"),
		"runs": runs,
		"meters": named(object(node{
			"run": text(), "rule": word(lesson.Rules()...), "time": word(lesson.Timings()...), "sum": word("double", "single"),
			"every": integer(1, 1e6), "step": integer(1, maxSteps), "zero": integer(1, maxSteps),
		}, "run")),
		"figures": named(figure),
		"picture": object(node{
			"over": word("time", "charge", "rigs"), "unit": text(), "from": times, "to": times, "panels": listOf(panel),
			"marks": listOf(object(node{"at": times, "say": text()}, "at", "say")),
		}, "panels"),
		"why":      described("the reason, with figures as {name}", text()),
		"formula":  listOf(text()),
		"sources":  listOf(text()),
		"check":    check,
		"cautions": listOf(text()),
		"causes":   described("causes that it is about, as a verdict names them", wordsOf(Causes())),
		"try":      object(node{"ask": text(), "runs": runs, "tells": text(), "check": check}, "ask", "runs", "tells"),
	}, "lesson", "title", "question", "predict", "runs", "figures", "picture", "why", "formula", "sources")
	n["$defs"] = scenario["$defs"]
	return n
}

func wordsOf(words []string) node { return anyOf(word(words...), listOf(word(words...))) }

func stepSchema() node {
	levels := func(words ...string) node { return wordOr(words, quantity.Voltage) }
	current := []quantity.Kind{quantity.Rate, quantity.Current}
	n := object(node{
		"rest":   described("how long", of(quantity.Time)),
		"charge": described("a current; the word rated; table; or, with to: full, usual", wordOr([]string{"rated", "table", "usual"}, current...)),
		"discharge": described("a current, power or resistance; the word rated; or table",
			wordOr([]string{"rated", "table"}, quantity.Rate, quantity.Current, quantity.Power, quantity.Resistance)),
		"to":    described("the voltage that a charge holds; or full, a charge by the rules of the chemistry, which also end it", levels("absorb", "float", "equalise", "full")),
		"float": described("how long to float after to: full", of(quantity.Time)),
		"as":    described("the current is that of a power or of a resistance, at the pack's nominal voltage", word("power", "resistance")),
		"pulse": object(node{
			"every": of(quantity.Time), "on": of(quantity.Time), "low": of(quantity.Ratio), "phase": of(quantity.Time),
		}, "every", "on"),
		"inverter": object(node{
			"rated": of(quantity.Power), "idle": of(quantity.Power), "delay": of(quantity.Time), "standby": of(quantity.Power),
			"efficiency": listOf(node{"type": "array", "prefixItems": []node{of(quantity.Ratio), of(quantity.Ratio)}, "minItems": 2, "maxItems": 2}),
			"lockout":    levels("end", "floor"), "restart": of(quantity.Ratio),
		}),
		"store":  boolean(),
		"ripple": object(node{"rate": of(quantity.Frequency), "share": of(quantity.Ratio)}, "rate", "share"),
		"table": described("rows of a time and a current, or a CSV file", anyOf(text(),
			listOf(node{"type": "array", "prefixItems": []node{of(quantity.Time), of(current...)}, "minItems": 2, "maxItems": 2}))),
		"ends": object(node{
			"time": of(quantity.Time), "charge": of(quantity.Charge, quantity.Ratio), "temperature": of(quantity.Temperature),
			"voltage": levels("end", "floor", "absorb", "float"), "for": of(quantity.Time),
			"current": wordOr([]string{"taper"}, current...), "slope": wordOr([]string{"falling"}, quantity.Voltage, quantity.CellVoltage),
			"logger": described("hands the end to the logger: at this level, or when the current has tapered off",
				wordOr([]string{"end", "floor", "taper"}, quantity.Voltage, quantity.Rate, quantity.Current)),
			"floor": levels("floor"), "margin": of(quantity.Ratio), "hold": of(quantity.Time),
		}),
		"steps":  described("a group of steps", listOf(node{"$ref": "#/$defs/step"})),
		"repeat": integer(1, maxRepeat),
	})
	n["oneOf"] = []node{{"required": []string{"rest"}}, {"required": []string{"charge"}}, {"required": []string{"discharge"}}, {"required": []string{"steps"}}}
	return n
}

func faultSchema() node {
	return object(node{
		"at": described("when: since the plan began, or counted from a step or from where the logger's stop is due", anyOf(of(quantity.Time), object(node{
			"step": integer(1, maxSteps), "share": of(quantity.Ratio), "plus": of(quantity.Time), "stop": of(quantity.Time),
		}))),
		"fault":   word(faultKinds()...),
		"for":     of(quantity.Time),
		"only":    described("the half of a reading that fails", word(string(emulator.Shunt), string(emulator.Bus))),
		"torn":    boolean(),
		"by":      of(quantity.Time),
		"set":     object(node{"log": of(quantity.Time), "cutoff_hold": of(quantity.Time)}),
		"current": of(quantity.Rate, quantity.Current),
	}, "at", "fault")
}

func wireSchema() node {
	rates := node{"seed": integer(0, 1<<62)}
	for _, k := range wire.Kinds() {
		rates[string(k)] = described(k.About(), of(quantity.Ratio))
	}
	return anyOf(object(rates), object(node{"trace": text()}, "trace"))
}

func expectSchema() node {
	names := []string{}
	for _, s := range Standards() {
		names = append(names, string(s))
	}
	ratio := of(quantity.Ratio)
	return anyOf(word(names...), object(node{
		"standard": word(names...), "charge": ratio, "energy": ratio, "elapsed": ratio, "interval": ratio, "cutoff": ratio, "total": ratio,
		"clock": of(quantity.Time), "pulses": boolean(),
	}))
}

// rigSchema is a rig file; its keys are those of package rig.
func rigSchema() node {
	volts, ratio := of(quantity.Voltage), of(quantity.Ratio)
	instant := anyOf(text(), node{"type": "integer"})
	rate := func(more node) node {
		more["error"], more["parabola"], more["turnover"] = ratio, of(quantity.RatioPerKelvin2), of(quantity.Temperature)
		return object(more)
	}
	return object(node{
		"rig":     described("its name", text()),
		"summary": text(),
		"shunt": object(node{
			"nominal": of(quantity.Resistance), "rated": of(quantity.Current), "error": ratio, "tempco": of(quantity.RatioPerKelvin),
			"rise": of(quantity.HeatResistance), "side": word("low", "high"),
		}),
		"front": object(node{
			"shunt_step": volts, "bus_step": volts, "shunt_max": integer(1, 1<<31-1), "bus_max": integer(1, 1<<31-1),
			"shunt_gain": ratio, "bus_gain": ratio, "shunt_offset": volts, "bus_offset": volts, "shunt_noise": volts, "bus_noise": volts,
			"drift": of(quantity.VoltagePerTime), "conversions": integer(1, 4096), "spacing": of(quantity.Time), "damage": volts,
		}),
		"tick": rate(node{
			"bits": integer(8, 64), "rate": of(quantity.Frequency), "start": anyOf(node{"type": "integer"}, of(quantity.Time)),
		}),
		"clock": rate(node{
			"absent": boolean(), "start": instant, "fraction": node{"type": "number", "minimum": 0, "exclusiveMaximum": 1},
			"build_time": instant, "lost": boolean(),
		}),
		"readings": object(node{
			"nominal": of(quantity.Time), "every": of(quantity.Time), "jitter": of(quantity.Time), "temperature": boolean(), "aux": boolean(), "contacts": boolean(),
		}),
		"relay": object(node{"delay": of(quantity.Time)}),
		"wiring": object(node{
			"bus_at": word("pack", "load"), "lead": of(quantity.Resistance), "draw": of(quantity.Current), "draw_through_shunt": boolean(),
			"bypass": ratio, "on_pack": boolean(), "dropout": volts,
		}),
		"tolerance": object(node{
			"shunt": ratio, "tempco": of(quantity.RatioPerKelvin), "ambient": of(quantity.Difference), "shunt_gain": ratio, "shunt_offset": volts,
			"drift": of(quantity.VoltagePerTime), "thermal": volts, "bus_gain": ratio, "bus_offset": volts, "tick": ratio, "lead": of(quantity.Resistance),
			"draw": of(quantity.Current), "bypass": ratio, "reference": node{"type": "number", "minimum": 0, "maximum": 1},
		}),
		"channels": integer(1, 4),
	})
}

// rigOverrides is what a scenario or a project writes under rig.
func rigOverrides() node {
	n := rigSchema()
	properties := n["properties"].(node)
	delete(properties, "rig")
	properties["name"] = described("the rig on board that the rest changes", text())
	return n
}

// packSchema is a pack file; its keys are those of package model.
func packSchema() node {
	volts, ratio, current := of(quantity.Voltage), of(quantity.Ratio), of(quantity.Rate, quantity.Current)
	curve := func(x, y quantity.Kind) node {
		return listOf(node{"type": "array", "prefixItems": []node{of(x), of(y)}, "minItems": 2, "maxItems": 2})
	}
	perKelvin, temperature := of(quantity.RatioPerKelvin), of(quantity.Temperature)
	stop := object(node{"at": volts, "delay": of(quantity.Time), "release": volts}, "at")
	return object(node{
		"pack":      described("its name", text()),
		"summary":   text(),
		"chemistry": word(chemistry.Names()...),
		"cells":     described("in series", integer(1, 400)),
		"parallel":  integer(1, 100),
		"rated": object(node{
			"capacity": of(quantity.Charge), "time": of(quantity.Time), "end": of(quantity.Voltage, quantity.CellVoltage),
		}, "capacity", "time", "end"),
		"resistance":       of(quantity.Resistance),
		"reference":        temperature,
		"ocv":              curve(quantity.Ratio, quantity.Voltage),
		"ocv_temperature":  of(quantity.VoltagePerKelvin),
		"drop":             volts,
		"drop_discharging": curve(quantity.Ratio, quantity.Ratio),
		"drop_charging":    curve(quantity.Ratio, quantity.Ratio),
		"pairs":            listOf(object(node{"drop": volts, "time": of(quantity.Time)}, "drop", "time")),
		"whole":            ratio,
		"rate": object(node{
			"model": word("none", "peukert", "two-well"), "k": node{"type": "number", "minimum": 1, "maximum": 2}, "recovery": of(quantity.Time),
		}, "model"),
		"temperature":    object(node{"capacity": perKelvin, "capacity_fast": perKelvin, "resistance": perKelvin}),
		"heat":           object(node{"capacity": of(quantity.HeatCapacity), "resistance": of(quantity.HeatResistance)}, "capacity", "resistance"),
		"gassing":        object(node{"current": of(quantity.Rate), "at": volts, "decade": volts, "temperature": perKelvin}, "current", "at", "decade"),
		"acceptance":     curve(quantity.Ratio, quantity.Ratio),
		"hysteresis":     object(node{"half_gap": volts, "turns_over": ratio}, "half_gap", "turns_over"),
		"self_discharge": of(quantity.RatioPerTime),
		"reversal":       volts,
		"levels": object(node{
			"end": curve(quantity.Rate, quantity.Voltage), "floor_below": volts, "absorb": volts, "float": volts, "equalise": volts, "falling": volts,
			"compensation": of(quantity.VoltagePerKelvin), "taper": of(quantity.Rate),
		}),
		"limits": object(node{
			"charge": current, "discharge": current, "fuse": current, "charge_voltage": volts, "lowest_to_charge": volts,
			"charge_temperature":    object(node{"coldest": temperature, "hottest": temperature}, "coldest", "hottest"),
			"discharge_temperature": object(node{"coldest": temperature}, "coldest"),
		}),
		"spread": object(node{"capacity": ratio, "charge": ratio, "resistance": ratio}),
		"board": object(node{
			"low": stop, "high": stop, "current": object(node{"at": of(quantity.Current), "delay": of(quantity.Time)}, "at"),
		}),
	}, "pack", "chemistry", "cells", "rated")
}
