package main

import (
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"dewclaw/daemon/internal/intake"
	"dewclaw/testdata/outside"
)

// TestKill_BetweenAppendAndPubackLeavesAMessageOnceInTheLog stops the daemon
// exactly there, in lockstep, and kills it: the messages are in the log, the
// broker was told nothing and hands them over again. They are known by their
// transport identity: by their content alone the first, read behind the second
// that corrects it, would take the correction back.
func TestKill_BetweenAppendAndPubackLeavesAMessageOnceInTheLog(t *testing.T) {
	if testing.Short() {
		t.Skip("what is killed tells the race detector no more than what runs")
	}
	outside.Need(t, "mosquitto", "mosquitto_pub")
	for _, version := range []string{"5", "3.1.1"} {
		for _, qos := range []string{"1", "2"} {
			if !*long && (version == "5") != (qos == "1") {
				continue
			}
			t.Run("MQTT "+version+" QoS "+qos, func(t *testing.T) {
				t.Parallel()
				broker, err := outside.Mosquitto(t.TempDir())
				if err == nil {
					err = broker.Start()
				}
				if err != nil {
					t.Fatal(err)
				}
				defer func() { _ = broker.Stop() }()
				dir := t.TempDir()
				write(t, filepath.Join(dir, "dewclaw.yaml"), fmt.Sprintf(`version: 1
farms: {hilltop: {name: Hilltop, zone: Europe/Berlin}}
sources:
  scores: {farm: hilltop, mqtt: {url: "mqtt://%s", version: %s, topics: chute/one, qos: 2}, mapping: gait.yaml}
`, broker.Address(), version))
				write(t, filepath.Join(dir, "gait.yaml"), `mapping: gait
direction: in
read: {format: json}
record: {key: $.id}
animal: {transponder: $.cow}
occurred: {at: $.at, layout: "YYYY-MM-DDTHH:mm:ss"}
events:
  - locomotion: {scale: =mob4-uk, score: $.score, role: =scorer}
`)
				k := &killer{t: t}
				k.dewclaw(dir, "once") // the session is there
				publish := exec.Command("mosquitto_pub", "-p", fmt.Sprint(broker.Port), "-q", qos, "-t", "chute/one", "-l")
				publish.Stdin = strings.NewReader(`{"id":"g-1","cow":"276000312312341","at":"2025-03-03T06:41:10","score":2}
{"id":"g-1","cow":"276000312312341","at":"2025-03-03T06:41:10","score":3}
{"id":"g-2","cow":"276000312312342","at":"2025-03-03T06:42:10","score":0}
`)
				if out, err := publish.CombinedOutput(); err != nil {
					t.Fatalf("%v: %s", err, out)
				}
				killAt(t, dir, intake.BeatAcknowledge)
				if got := k.events(dir); len(got) < 2 {
					t.Fatalf("%d events are in the log, though it was killed behind the append", len(got))
				}
				for _, told := range []string{"Received PUBACK from dewclaw-scores", "Received PUBREC from dewclaw-scores"} {
					if strings.Contains(broker.Log(), told) {
						t.Fatalf("the broker %s", told)
					}
				}
				k.dewclaw(dir, "once")
				if got := k.events(dir); len(got) != 3 {
					t.Errorf("%d events in the log, wanted 3: two, and the correction of one", len(got))
				}
				k.dewclaw(dir, "verify")
				if out := k.dewclaw(dir, "once"); !strings.Contains(string(out), "read 0 = ") {
					t.Errorf("something comes again:\n%s", out)
				}
			})
		}
	}
}
