package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// walk fills v and everything below it.
func walk(v any) (any, error) {
	var err error
	switch v := v.(type) {
	case object:
		for i := range v {
			if v[i].value, err = walk(v[i].value); err != nil {
				return nil, err
			}
		}
		return fillObject(v)
	case []any:
		for i := range v {
			if v[i], err = walk(v[i]); err != nil {
				return nil, err
			}
		}
	}
	return v, nil
}

func fillObject(o object) (object, error) {
	if name, ok := o.get("x-list").(string); ok {
		list, err := enum(name)
		if err != nil {
			return nil, err
		}
		o = o.set("enum", "x-list", list)
	}
	if name, ok := o.get("x-fields").(string); ok {
		props, _ := o.get("properties").(object)
		o = o.set("properties", "x-fields", fields(events.Kind(name), props))
	}
	if name, ok := o.get("x-each").(string); ok {
		all, err := each(name)
		if err != nil {
			return nil, err
		}
		o = o.set("allOf", "x-each", all)
	}
	return o, nil
}

// enum returns the codes of a list; behind a colon stands which of them.
func enum(name string) ([]any, error) {
	list, which, _ := strings.Cut(name, ":")
	var out []any
	switch name {
	case "kinds", "kinds:type":
		for _, k := range events.Kinds() {
			if which == "type" {
				out = append(out, k.Type())
			} else {
				out = append(out, string(k))
			}
		}
		return out, nil
	}
	l := codes.Find(list)
	if l == nil {
		return nil, fmt.Errorf("x-list %q: no such code list", name)
	}
	for _, code := range l.Codes() {
		var in bool
		switch name {
		case list:
			in = true
		case "claws:claw":
			in = code != codes.NoClaw
		case "advisories:record":
			in = codes.Advisories().Get(code).Of == "record"
		case "lesions:dd":
			in = codes.Lesions().Get(code).DD
		case "lesions:stages":
			in = codes.Lesions().Get(code).Stages
		case "locomotion:usable":
			in = codes.Locomotion().Get(code).Refused == ""
		default:
			return nil, fmt.Errorf("x-list %q: %q is not known of %s", name, which, list)
		}
		if in {
			out = append(out, code)
		}
	}
	return out, nil
}

// pairs are members a mapping fills by one special field each.
var pairs = []string{"zones.map", "zones.numbers", "severity.scale", "severity.value", "unit"}

// fields adds what a mapping may set on a kind to the properties there are.
func fields(k events.Kind, props object) object {
	for _, f := range k.Fields() {
		given := strings.HasPrefix(f.Name, "asGiven.") && !k.Animals()
		if f.Settable() && !given && !slices.Contains(pairs, f.Name) && props.get(f.Name) == nil {
			props = append(props, member{f.Name, object{{"$ref", "#/$defs/value"}}})
		}
	}
	return props
}

// each returns the conditions the entries of a list make.
func each(name string) ([]any, error) {
	var out []any
	switch name {
	case "severity-scales":
		for _, s := range codes.SeverityScales().All() {
			out = append(out, when("scale", s.Code, object{{"value", object{{"enum", texts(s.Points)}}}}))
		}
	case "check-states":
		for _, what := range codes.Find("checked").Codes() {
			var states []any
			for _, s := range codes.CheckStates().All() {
				if slices.Contains(s.Of, what) {
					states = append(states, s.Code)
				}
			}
			out = append(out, when("what", what, object{{"state", object{{"enum", states}}}}))
		}
	case "zone-maps":
		for _, m := range codes.ZoneMaps().All() {
			out = append(out, when("map", m.Code, object{{"numbers", object{{"items", between(
				json.Number(strconv.Itoa(m.First)), json.Number(strconv.Itoa(m.Last)))}}}}))
		}
	case "locomotion":
		for _, s := range codes.Locomotion().All() {
			if o := scale(&s); s.Refused == "" && o != nil {
				out = append(out, o)
			}
		}
	case "measures":
		for _, m := range codes.Measures().All() {
			out = append(out, when("what", m.Code, object{
				{"unit", object{{"const", m.Unit}}}, {"value", between(decimal(m.Hard[0]), decimal(m.Hard[1]))},
			}))
		}
	case "kinds", "kinds:type":
		for _, k := range events.Kinds() {
			data := member{"data", object{{"$ref", string(k) + ".schema.json"}}}
			if name == "kinds" {
				out = append(out, when("kind", string(k), object{data}))
			} else {
				out = append(out, when("type", k.Type(), object{data, {"dataschema", object{{"const", k.DataSchema()}}}}))
			}
		}
	default:
		return nil, fmt.Errorf("x-each %q is not known", name)
	}
	return out, nil
}

// scale is the condition a scale makes: its scores, and the cuts that may be
// declared with them.
func scale(s *codes.Scale) object {
	var properties object
	if score := scores(s, func(events.Decimal) bool { return true }); score != nil {
		properties = append(properties, member{"score", score})
	}
	wanted := ""
	switch {
	case s.Lame.IsSet() && s.Severe.IsSet():
		wanted = "nothing, for the scale has cuts in print"
		properties = append(properties, member{"cuts", false})
	case s.Lame.IsSet():
		wanted = "nothing, for the scale has a lame cut in print"
		severe := scores(s, func(d events.Decimal) bool { return d.Cmp(s.Lame) >= 0 })
		properties = append(properties, member{"cuts", object{{"properties", object{{"lame", false}, {"severe", severe}}}}})
	case s.Severe.IsSet():
		wanted = "nothing, for the scale has a severe cut in print"
		lame := scores(s, func(d events.Decimal) bool { return d.Cmp(s.Severe) <= 0 })
		properties = append(properties, member{"cuts", object{{"properties", object{{"lame", lame}, {"severe", false}}}}})
	case s.NeedsCuts:
		cut := properties.get("score")
		properties = append(properties, member{"cuts", object{
			{"properties", object{{"lame", cut}, {"severe", cut}}}, {"required", []any{"lame"}},
		}})
	case properties != nil:
		cut := properties.get("score")
		properties = append(properties, member{"cuts", object{{"properties", object{{"lame", cut}, {"severe", cut}}}}})
	default:
		return nil
	}
	o := when("scale", s.Code, properties)
	then := o.get("then").(object)
	if s.NeedsCuts {
		then = append(then, member{"required", []any{"cuts"}})
	}
	if wanted != "" {
		then = append(then, member{"x-wanted", wanted})
	}
	return o.set("then", "if", then)
}

// scores says which numbers are scores of the scale, among those that fit; nil
// if any number is one.
func scores(s *codes.Scale, fits func(events.Decimal) bool) object {
	var points []any
	for _, p := range s.Points {
		if fits(p.Value) {
			points = append(points, decimal(p.Value))
		}
	}
	switch {
	case points != nil:
		return object{{"enum", points}}
	case s.Low.IsSet():
		return between(decimal(s.Low), decimal(s.High))
	}
	return nil
}

// when is the condition that the properties hold where name has the value code.
func when(name, code string, properties object) object {
	return object{
		{"if", object{{"properties", object{{name, object{{"const", code}}}}}, {"required", []any{name}}}},
		{"then", object{{"properties", properties}}},
	}
}

func between(low, high json.Number) object { return object{{"minimum", low}, {"maximum", high}} }

func decimal(d events.Decimal) json.Number { return json.Number(d.String()) }

func texts(s []string) []any {
	var out []any
	for _, x := range s {
		out = append(out, x)
	}
	return out
}
