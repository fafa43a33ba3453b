package main

import (
	"context"
	"fmt"

	"github.com/redpanda-data/benthos/v4/public/service"

	_ "github.com/redpanda-data/benthos/v4/public/components/io"   // files
	_ "github.com/redpanda-data/benthos/v4/public/components/pure" // csv, mapping, JSON Schema
)

// pipeline is the same work for a general pipeline engine (Benthos 4.60): its
// fastest batch size in file order, rows that break the schema dropped.
const pipeline = `
input:
  csv: { paths: [ %q ], lazy_quotes: true, batch_count: 1000 }
pipeline:
  threads: %d
  processors:
    - mapping: |
        root.id = (this.eid + this.date + this.time + this.foot).hash("sha256").slice(0, 8).encode("hex")
        root.kind = "examination"
        root.animal.tag = this.tag
        root.animal.transponder = this.eid
        root.occurred.date = this.date
        root.occurred.time = this.time
        root.occurred.zone = "Europe/Berlin"
        root.visit = this.visit
        root.asGiven.pen = this.pen
        root.asGiven.parity = this.parity.number().catch(null)
        root.asGiven.daysInMilk = this.dim.number().catch(null)
        root.finding.foot = this.foot
        root.finding.claw = this.claw
        root.finding.zone = this.zone
        root.finding.code = this.lesion
        root.finding.severity = this.severity
        root.done.block = this.block
        root.done.wrap = this.wrap
        root.gait = this.loco
        root.toeLengthMM = this.toe_mm
        root.note = this.note
    - json_schema:
        schema: '%s'
    - mapping: root = if errored() { deleted() }
output:
  file:
    path: %q
    codec: lines
logger: { level: OFF }
`

// checked is the schema the engine checks against.
const checked = `{"$schema":"http://json-schema.org/draft-07/schema#","type":"object",` +
	`"required":["id","kind","animal","occurred","finding"],"properties":{` +
	`"id":{"type":"string","pattern":"^[0-9a-f]{16}$"},"kind":{"enum":["examination"]},` +
	`"animal":{"type":"object","required":["transponder"],"properties":{"tag":{"type":"string","maxLength":40},"transponder":{"type":"string","pattern":"^[0-9]{15}$"}}},` +
	`"occurred":{"type":"object","required":["date"],"properties":{"date":{"type":"string","pattern":"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"},"time":{"type":"string","pattern":"^[0-9]{2}:[0-9]{2}:[0-9]{2}$"},"zone":{"type":"string"}}},` +
	`"visit":{"type":"string"},"asGiven":{"type":"object","properties":{"pen":{"type":"string"},"parity":{"type":["number","null"],"minimum":0,"maximum":20},"daysInMilk":{"type":["number","null"],"minimum":0,"maximum":1500}}},` +
	`"finding":{"type":"object","required":["foot"],"properties":{"foot":{"enum":["LF","RF","LH","RH"]},"claw":{"enum":["inner","outer",""]},"zone":{"type":"string","pattern":"^([0-9]|1[0-2])?$"},` +
	`"code":{"enum":["","SU","SH","WLF","HHE","TS","DD","IH"]},"severity":{"enum":["","1","2","3"]}}},` +
	`"done":{"type":"object","properties":{"block":{"enum":["0","1"]},"wrap":{"enum":["0","1"]}}},` +
	`"gait":{"enum":["","1","2","3","4","5"]},"toeLengthMM":{"type":"string","pattern":"^([0-9]+(\\.[0-9])?)?$"},"note":{"type":"string","maxLength":1000}}}`

// general runs the engine over the file, on so many threads.
func general(in, out string, threads int) error {
	b := service.NewStreamBuilder()
	if err := b.SetYAML(fmt.Sprintf(pipeline, in, threads, checked, out)); err != nil {
		return err
	}
	s, err := b.Build()
	if err != nil {
		return err
	}
	return s.Run(context.Background())
}
