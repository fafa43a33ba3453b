package ade

import (
	"bufio"
	"bytes"
	"errors"
	"hash/fnv"
	"io"
	"strconv"
	"strings"

	"dewclaw/adapters"
	"dewclaw/events"
)

// A Decoder splits ADE documents into resources: see the package comment. It
// reads JSON with the decoder it is given and brings each resource into one
// form.
type Decoder struct {
	json     adapters.NewDecoder
	in       *bufio.Reader
	layout   adapters.Layout
	rows     adapters.Decoder
	resource string // of elements that do not say theirs
	told     map[uint64]bool
}

var _ adapters.Decoder = (*Decoder)(nil)

// NewDecoder returns what makes decoders of format ade out of one of format
// json. Errors of what it returns are of kind invalid if the layout makes no
// sense: Layout.Each is set, or Layout.Resource is no name of a resource type.
func NewDecoder(json adapters.NewDecoder) adapters.NewDecoder {
	return func(r io.Reader, l adapters.Layout) (adapters.Decoder, error) {
		d := &Decoder{json: json, in: bufio.NewReader(r), layout: l, told: map[uint64]bool{}}
		if l.Each != "" {
			return nil, &events.Fault{
				Kind: events.ErrInvalid, What: "each", Wanted: "nothing: resources are found by themselves", Got: strconv.Quote(l.Each),
			}
		}
		if l.Resource != "" {
			if d.resource = ResourceType(l.Resource); d.resource == "" {
				return nil, &events.Fault{
					Kind: events.ErrInvalid, What: "resource", Wanted: "a resource type such as " + DryingOff, Got: strconv.Quote(l.Resource),
				}
			}
		}
		d.layout.Format, d.layout.Resource = "json", ""
		return d, nil
	}
}

// Head looks what the document is: an array of resources, a collection or one
// resource.
func (d *Decoder) Head() (adapters.Head, error) {
	if c, err := firstByte(d.in); err != nil {
		return adapters.Head{}, err
	} else if c == '{' {
		d.layout.Each = "$.member[*]"
	}
	rows, err := d.json(d.in, d.layout)
	if err != nil {
		return adapters.Head{}, err
	}
	d.rows = rows
	return rows.Head()
}

// sniffed is how far the first character is looked for.
const sniffed = 4096

// firstByte returns the first byte that is neither white space nor part of a
// byte order mark; 0 if there is none nearby.
func firstByte(in *bufio.Reader) (byte, error) {
	b, err := in.Peek(sniffed)
	if err != nil && !errors.Is(err, io.EOF) {
		return 0, err
	}
	b = bytes.TrimLeft(bytes.TrimPrefix(b, []byte("\ufeff")), " \t\r\n")
	if len(b) == 0 {
		return 0, nil
	}
	return b[0], nil
}

// Read appends up to n rows: see [adapters.Decoder]. An empty collection has
// none.
func (d *Decoder) Read(rows []adapters.Row, n int) ([]adapters.Row, error) {
	had := len(rows)
	rows, err := d.rows.Read(rows, n)
	kept := rows[:had]
	for i := had; i < len(rows); i++ {
		r := &rows[i]
		if r.Value == nil && r.Doc != nil && r.Path == "" && d.layout.Each != "" { // no member
			if _, collection := r.Doc.(map[string]any)["member"].([]any); collection {
				continue
			}
			r.Value, r.DocText, r.DocLine = r.Doc, "", 0
		}
		if r.Fault == nil {
			r.Fault = d.normalize(r.Value)
		}
		kept = append(kept, *r)
	}
	return kept, err
}

// normalize brings a resource into the form the package comment describes.
func (d *Decoder) normalize(v any) *events.Reason {
	o, ok := v.(map[string]any)
	if !ok {
		return &events.Reason{Field: "row", Wanted: "a resource: an object of JSON", Got: describe(v)}
	}
	if id, _ := o["id"].(string); id == contextID || id == continuationID {
		return nil
	}
	given, said := o["resourceType"].(string)
	name := ResourceType(given)
	switch {
	case !said && d.resource == "":
		return &events.Reason{Field: "resourceType", Wanted: "a resource type; or \"read: {resource: …}\" in the mapping, which says it for all", Got: "none"}
	case !said:
		name = d.resource
	case name == "":
		return &events.Reason{Field: "resourceType", Wanted: "a resource type such as " + Animal, Got: strconv.Quote(given)}
	}
	tidy(o, "")
	o["resourceType"] = name
	o[animalMember] = identifiers(o)
	o[keyMember] = key(o)
	return d.deletion(o)
}

// mostTold bounds how many keys of one document are remembered.
const mostTold = 1 << 20

// deletion refuses a resource that says it is deleted if the same document told
// of it before. All that one document says of a record is one statement, in which
// the order would be lost; a person sees what the document meant.
func (d *Decoder) deletion(o map[string]any) *events.Reason {
	h := fnv.New64a()
	_, _ = h.Write([]byte(o[keyMember].(string))) // a hash takes everything
	k := h.Sum64()
	meta, _ := o["meta"].(map[string]any)
	if deleted, _ := meta["isDeleted"].(bool); deleted && (d.told[k] || len(d.told) >= mostTold) {
		return &events.Reason{
			Field: "meta.isDeleted", Wanted: "a deletion in another document than what it deletes: one document is one statement", Got: "both in one document",
		}
	}
	if len(d.told) < mostTold {
		d.told[k] = true
	}
	return nil
}

func describe(v any) string {
	switch v := v.(type) {
	case nil:
		return "null"
	case string:
		return "a text"
	case []any:
		return strconv.Itoa(len(v)) + " values"
	}
	return "a number or a truth"
}

// tidy leaves out members that are null and brings dates and times into one of
// three forms, at any depth.
func tidy(o map[string]any, _ string) {
	for name, v := range o {
		switch v := v.(type) {
		case nil:
			delete(o, name)
		case string:
			if strings.HasSuffix(name, "Date") || strings.HasSuffix(name, "DateTime") || name == "modified" || name == "created" {
				o[name] = Moment(v)
			}
		case map[string]any:
			tidy(v, name)
		case []any:
			for _, x := range v {
				if x, ok := x.(map[string]any); ok {
					tidy(x, name)
				}
			}
		}
	}
}

// identifiers gathers how the animal is identified, by scheme: a scheme of ours
// where ADE's well-known one is the same thing, else the scheme as given. Of
// several in one scheme the first counts, the main identifier before others.
func identifiers(o map[string]any) map[string]any {
	out := map[string]any{}
	add := func(v any) {
		m, _ := v.(map[string]any)
		scheme, _ := m["scheme"].(string)
		id, _ := m["id"].(string)
		if scheme == "" || id == "" {
			return
		}
		if ours, ok := wellKnown[strings.ToLower(scheme)]; ok {
			scheme = ours
		}
		if out[scheme] == nil {
			out[scheme] = id
		}
	}
	add(o["identifier"])
	add(o["animal"])
	others, _ := o["alternativeIdentifiers"].([]any)
	for _, v := range others {
		add(v)
	}
	if tag, _ := o["managementTag"].(string); tag != "" {
		add(map[string]any{"scheme": "herd-number", "id": tag})
	}
	return out
}

// key is by what the resource is known again: the id of its source, its own id,
// or, where it has neither, what it is about and when.
func key(o map[string]any) string {
	meta, _ := o["meta"].(map[string]any)
	of := func(m map[string]any, name string) string { s, _ := m[name].(string); return s }
	kind := of(o, "resourceType")
	if id := of(meta, "sourceId"); id != "" {
		return kind + " " + of(meta, "source") + " " + id
	}
	if id := of(o, "id"); id != "" {
		return kind + " " + id
	}
	about, _ := o["animal"].(map[string]any)
	if about == nil {
		about, _ = o["identifier"].(map[string]any)
	}
	if of(about, "id") == "" {
		return ""
	}
	return kind + " " + of(about, "scheme") + " " + of(about, "id") + " " + of(o, "eventDateTime")
}
