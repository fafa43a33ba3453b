// Package config reads dewclaw.yaml: one file that names the log, farms,
// sources, recipients, feeds and grants. It gives plain values and opens nothing
// but that file; what it names (folders, mappings, secrets) is opened by those
// who need it. Start at [Load].
//
// # The file
//
//	version: 1
//	data: data                      folder of log, archive and cursors; default "data"
//	log: {url: …, stream: …, …}     an external log; without it the embedded one
//	hub:                            at a barn: the daemon that reads its log
//	  url: tls://hub.example:7422   or nats-leaf:// without TLS, on one machine
//	  barn: north                   its id there
//	  nkey: north.nk                file with the seed of its key: "dewclaw barn-key" makes it
//	  recipient: practice           who the hub is: every farm needs a grant for all kinds
//	  tls: {ca: hub.pem}
//	hub:                            at a hub: where barns connect, and which
//	  listen: 0.0.0.0:7422          others than this machine want tls, or unencrypted: true
//	  tls: {cert: …, key: …}
//	  barns:
//	    north: {farms: [larkfield], nkey: U…}
//	farms:
//	  larkfield: {name: Larkfield, zone: Europe/Berlin}
//	sources:
//	  chute:
//	    farm: larkfield             or farms: [ … ], when the rows name the farm
//	    folder: in/chute            or nats: {url: …, subject: …}, or mqtt: {url: …, topics: …}
//	                                or watermill: {transport: …, url: …, topic: …}, or http: {}
//	    files: ["*.csv"]            default "*"
//	    below: true                 folders below it too; default false
//	    mapping: chute.yaml
//	    after: keep                 keep, move (to move-to) or delete
//	    rest: 2s                    how long a file must not change before it is taken
//	    scan: 30s                   time between two looks into the folder
//	    silent: 36h                 say so when nothing came for that long
//	    again: 1m                   wait before what could not be taken is tried again
//	recipients:
//	  vet: {name: The practice, pseudonyms: {file: vet.key}}
//	feeds:
//	  vet-daily:
//	    recipient: vet
//	    farms: [larkfield]
//	    kinds: [examination, lesion]
//	    where: {lesion: {code: [DD]}}
//	    format: cloudevents         cloudevents, cloudevents-array, mapping or ade
//	    mapping: out.yaml           with format mapping
//	    ade:                        with format ade
//	      source: org.example.herd  meta.source of every resource
//	      identifiers: [ear-tag]    the first scheme that an animal has identifies it
//	      schemes: {ear-tag: uk.cts.eartag}  ADE's name of a scheme
//	      locations: {larkfield: {scheme: uk.cph, id: 12/345/6789}}
//	      toes: false               positions are toes where the claw is known
//	    to: {folder: out/vet}       or {nats: {url: …, subject: …}}, {mqtt: {url: …, topic: …}},
//	                                {watermill: {transport: …, url: …, topic: …}},
//	                                {webhook: {url: https://…, secrets: [{file: …}], attempts: 8, timeout: 20s}},
//	                                {pull: {page: 1000}}: the recipient fetches it
//	    replies: {folder: in/vet}   where files with the recipient's replies arrive, or {nats: {url: …, subject: …}};
//	                                over HTTP it needs nothing
//	    deletes: column             column, file or report
//	    known-animals: any          any, or wait until a roster knows the animal
//	    identities: granted         granted, or pseudonyms for less than that
//	    begin: start                start of the log, or now
//	    every: 15m                  longest wait for a batch to fill
//	    batch: {rows: 50000, size: 4MiB}
//	lists:                          worklists that are made every day
//	  mornings:
//	    farm: larkfield
//	    recipient: vet              a grant must let it have what lists tell of
//	    for: milkers                trimmer, milkers, vet, manager or everyone
//	    at: "05:30"                 as the farm has it
//	    order: urgency              urgency or chute
//	    format: html                html, csv or json
//	    paper: a4                   a4 or letter
//	    folder: out/lists
//	grants:
//	  - {farm: larkfield, recipient: vet, purpose: treatment, kinds: [examination, lesion],
//	     period: {from: 2026-01-01}, fields: identities, from: 2026-01-01, until: 2026-12-31}
//	listen:
//	  address: 127.0.0.1:8410       for HTTP; other addresses want tls, or unencrypted: true
//	  mqtt: 127.0.0.1:1883          for devices that speak MQTT 3.1.1, to sources with mqtt-port: {topics: [chute/#]}
//	  tls: {cert: …, key: …}
//	  max-body: 64MiB               of a request, unless its source says otherwise
//	  metrics: token                who may read /metrics: who has a token for it, or open
//	tokens:                         who may ask over HTTP, and send by MQTT; "dewclaw token" makes the line
//	  - {name: chute-device, sha256: …, sources: [chute], feeds: [vet-pull], farms: [larkfield], metrics: true, until: 2026-12-31}
//	settings: {toe-hairline: 82.55} thresholds, named in the code lists advisories, timings and due
//
// The mapping of a source may be one that is built in: "builtin:ade-roster".
//
// Ids are lower-case letters, digits and hyphens, begin with a letter, have at
// most 63 characters and never change. Paths are relative to the file. Durations
// are Go's with d for a day of 24 hours (90s, 36h, 7d). Secrets stand as {file: …} or {env: …}, never
// in the file itself. The variables DEWCLAW_DATA, DEWCLAW_LOG_URL,
// DEWCLAW_LOG_STREAM and DEWCLAW_DAEMON of the environment replace data, log.url,
// log.stream and log.daemon.
//
// A condition of where holds for an event of its kind whose field has one of the
// values; a lesion code holds for its kinds too (WL for WLF). Events of other
// kinds are not touched by it.
//
// # Grants
//
// Every feed needs a grant for each of its farms and kinds that gives identities
// or pseudonyms; without one the config is refused. Whether a grant is in force
// is a question of the day of delivery and no mistake in the config.
//
// # Mistakes
//
// All of them are told at once, each an [events.Fault] with file, line and
// column, in the order of the file. The published schema config.schema.json says
// the same as this package about the shape of the file; references from one part
// to another (a feed's recipient, its grants) are checked here only.
package config
