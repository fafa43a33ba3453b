package adapters

import "dewclaw/events"

// A Page is a run of events for a recipient that fetches them.
type Page struct {
	Events []events.Event
	After  []events.Place  // of each event, the place behind it: where who has had it goes on
	Next   events.Place    // where to go on; nothing before it is left
	Seen   events.Position // end of the log when the page was made
}
